package agent

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

const meteredMap = countingMap + `
[[channel]]
name = "run"
role = "run_hours"
table = "input"
address = 2
type = "u32"
scale = 0.01
unit = "h"
[[channel]]
name = "load"
role = "loaded_hours"
table = "input"
address = 4
type = "u32"
scale = 0.01
unit = "h"
`

// Over five minutes without a reading, hour meters and the energy say what went on; a
// meter that shows years more is another one, and is not told. What went on is from the
// last reading before the gap to the first after it, however the meters went on before
// and after.
func TestMissedMeters(t *testing.T) {
	for jump, want := range map[int64]string{
		5:         "run_hours 0.05, loaded_hours 0.05, energy 4.2",
		2_000_000: "energy 4.2",
	} {
		rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), historySite, meteredMap), Options{Clock: &manualClock{wall: testStartMS}})
		if err != nil {
			t.Fatal(err)
		}
		defer rec.Close()
		group := rec.Groups()[0]
		var batch []scan.Scan
		for s := range int64(900) {
			if s >= 300 && s < 600 {
				continue
			}
			energy, hours := 1000+s/100, 100_000+s/200 // up to 1002 and 100 001 before the gap
			if s >= 600 {
				energy, hours = 1044+(s-600)/100, 100_001+jump+(s-600)/200
			}
			v := make([]int64, len(group.Channels))
			v[group.Index("power")], v[group.Index("energy")], v[group.Index("run")], v[group.Index("load")] = 300, energy, hours, hours
			batch = append(batch, scan.Scan{Group: group, MonoMS: s * 1000, WallMS: testStartMS + s*1000, Values: v})
		}
		if err := rec.Append(batch); err != nil {
			t.Fatal(err)
		}
		stats := rec.history.store.Stats()
		m, err := rec.history.missed(testStartMS, testStartMS+900_000, rec.history.Now(), &stats)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, c := range m.Gaps[0].Counters {
			got = append(got, fmt.Sprintf("%s %.3g", c.Role, c.Change))
		}
		if strings.Join(got, ", ") != want {
			t.Errorf("a jump of %d: %s, want %s", jump, strings.Join(got, ", "), want)
		}
	}
}

// Of a gap of one device the counters of another, which was read all along, say nothing.
// A counter that is read once a minute went on from its last reading before the gap to
// its first after it.
func TestMissedMetersOfTheirOwnDevice(t *testing.T) {
	const two = historySite + `
[[device]]
name = "d"
line = "net"
unit = 2
map = "map.toml"
every = "1s"
[[machine]]
name = "m2"
control = "load/unload"
channels = { d = "*" }
`
	slow := strings.Replace(countingMap, `role = "energy"`, "role = \"energy\"\nevery = \"60s\"", 1)
	rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), two, slow), Options{Clock: &manualClock{wall: testStartMS}})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	var batch []scan.Scan
	for s := range int64(900) {
		for _, g := range rec.Groups() {
			if k := g.Index("energy"); g.Device == "c" && s > 300 && s < 600 || k >= 0 && s%60 != 0 {
				continue
			}
			batch = append(batch, scan.Scan{Group: g, MonoMS: s * 1000, WallMS: testStartMS + s*1000, Values: []int64{1000 + s/60}})
		}
	}
	if err := rec.Append(batch); err != nil {
		t.Fatal(err)
	}
	stats := rec.history.store.Stats()
	m, err := rec.history.missed(testStartMS, testStartMS+900_000, rec.history.Now(), &stats)
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Gaps) != 1 || len(m.Gaps[0].Counters) != 1 {
		t.Fatalf("gaps %+v", m.Gaps)
	}
	// By hand: read at 300 s and next at 600 s, five tenths of a kWh on.
	if c := m.Gaps[0].Counters[0]; c.Machine != "m" || c.Channel != "c.energy" || math.Abs(c.Change-0.5) > 1e-9 {
		t.Errorf("%+v", c)
	}
}
