package agent

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const historySite = `
[site]
name = "Test"
[agent]
data = "data"
[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:502"
[[device]]
name = "c"
line = "net"
map = "map.toml"
every = "1s"
[[machine]]
name = "m"
control = "load/unload"
rated_flow = "100 cfm"
channels = { c = "*" }
`

const historyMap = `
name = "two bits"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "running"
role = "motor_running"
table = "coil"
address = 0
type = "bit"
[[channel]]
name = "loaded"
role = "loaded"
table = "coil"
address = 1
type = "bit"
`

func loadTestSite(t *testing.T, dir, site, registers string) *sitefile.Site {
	t.Helper()
	for name, text := range map[string]string{"site.toml": site, "map.toml": registers} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	s, err := sitefile.Load(filepath.Join(dir, "site.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// copyTree copies a data directory as it lies on disk: what a killed agent
// leaves.
func copyTree(t *testing.T, from, to string) {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
}

// secondsOf asks for a figure in seconds of the whole record.
func secondsOf(t *testing.T, h *History, name string) float64 {
	t.Helper()
	report, err := h.Figures(testStartMS, testStartMS+100*3_600_000, "m")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range report.Machines[0].Figures {
		if f.Name == name && f.Value != nil {
			return *f.Value
		}
	}
	t.Fatalf("%s is absent", name)
	return 0
}

const testStartMS = 1_772_000_100_000 // 10 minutes before a full hour would be reached

// TestFiguresOfAKilledAgent holds the figures of a store that was never closed
// in order, sealed hours and tail alike, to hand-counted seconds; and again
// after the site file has swapped the two bits.
func TestFiguresOfAKilledAgent(t *testing.T) {
	dir, killed := t.TempDir(), t.TempDir()
	site := loadTestSite(t, dir, historySite, historyMap)
	rec, err := OpenRecorder(site, Options{})
	if err != nil {
		t.Fatal(err)
	}
	// Running all along; loaded in the first half of every minute; 1.5 hours.
	const seconds = 5400
	group := rec.Groups()[0]
	var batch []scan.Scan
	for i := range int64(seconds + 1) {
		loaded := int64(0)
		if i%60 < 30 {
			loaded = 1
		}
		batch = append(batch, scan.Scan{Group: group, MonoMS: i * 1000, WallMS: testStartMS + i*1000, Values: []int64{1, loaded}})
	}
	if err := rec.Append(batch); err != nil {
		t.Fatal(err)
	}
	if err := rec.history.store.Sync(); err != nil {
		t.Fatal(err)
	}
	copyTree(t, dir, killed)
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}

	open := func(registers string) *History {
		h, err := OpenHistory(loadTestSite(t, killed, historySite, registers), "test", nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { h.Close() })
		return h
	}
	h := open(historyMap)
	if got := secondsOf(t, h, "observed_time"); got != seconds {
		t.Errorf("observed_time: got %v s, want %d s", got, seconds)
	}
	if got := secondsOf(t, h, "loaded_time"); got != seconds/2 {
		t.Errorf("loaded_time: got %v s, want %d s", got, seconds/2)
	}
	// In order or killed, the same figures.
	ordered, err := OpenHistory(site, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer ordered.Close()
	a, errA := h.Figures(testStartMS, testStartMS+seconds*1000, "")
	b, errB := ordered.Figures(testStartMS, testStartMS+seconds*1000, "")
	if errA != nil || errB != nil || !reflect.DeepEqual(a, b) {
		t.Errorf("killed and closed in order differ (%v, %v):\n%+v\n%+v", errA, errB, a, b)
	}

	// With the roles swapped, the machine runs half of the time.
	swapped := strings.NewReplacer(`role = "motor_running"`, `role = "loaded"`, `role = "loaded"`, `role = "motor_running"`).Replace(historyMap)
	s := open(swapped)
	if got := secondsOf(t, s, "observed_time"); got != seconds {
		t.Errorf("swapped: observed_time: got %v s, want %d s", got, seconds)
	}
	if got := secondsOf(t, s, "running_time"); got != seconds/2 {
		t.Errorf("swapped: running_time: got %v s, want %d s", got, seconds/2)
	}
}
