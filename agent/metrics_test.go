package agent

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"loadscribe/agent/publish"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// TestMetricsOfAlarms follows rules through what can become of an alarm.
func TestMetricsOfAlarms(t *testing.T) {
	r := openAlarmRig(t, t.TempDir(), scanAlarms, &manualClock{mono: 1000, wall: testStartMS}, Options{})
	defer r.a.Close()
	want := func(when string, kinds []publish.AlarmKind, quiet, raised int64) {
		t.Helper()
		got := r.a.Metrics().Alarms
		if !reflect.DeepEqual(got.Kinds, kinds) {
			t.Errorf("%s: %+v, want %+v", when, got.Kinds, kinds)
		}
		for _, c := range got.Rules {
			if n, asked := map[string]int64{"quiet": quiet, "raised": raised}[c.State]; asked && c.Count != n {
				t.Errorf("%s: %d rules are %s, want %d", when, c.Count, c.State, n)
			}
		}
		if len(got.Rules) != 5 {
			t.Errorf("%s: rules %+v, want all five states", when, got.Rules)
		}
	}
	const hot, low, fault = "temperature", "pressure below minimum", "fault"
	for range 3 {
		r.reading(80, 0, 700)
	}
	want("all well", []publish.AlarmKind{{On: hot}, {On: low}, {On: fault}}, 3, 0)
	for range 5 {
		r.reading(107, 3, 700)
	}
	want("two raised", []publish.AlarmKind{{On: hot, Raised: 1}, {On: low}, {On: fault, Raised: 1}}, 1, 2)
	for _, s := range r.alarms().Standing {
		if s.Rule == "hot" {
			if _, err := r.a.AcknowledgeAlarm(AlarmAck{ID: s.ID, Who: "R. Vale"}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if _, err := r.a.ShelveAlarm(AlarmShelve{Rule: "fault", For: "1h", Who: "R. Vale", Why: "known"}); err != nil {
		t.Fatal(err)
	}
	want("one acknowledged, one shelved", []publish.AlarmKind{{On: hot, Acknowledged: 1}, {On: low}, {On: fault, Shelved: 1}}, 1, 2)
	for range 5 {
		r.reading(80, 0, 700)
	}
	want("both returned", []publish.AlarmKind{{On: hot}, {On: low}, {On: fault, Returned: 1}}, 3, 0)
	if r.a.Metrics().Messages != nil {
		t.Error("messages of a site that tells nobody")
	}
}

// askedDisk counts who asks what is free.
type askedDisk struct {
	*badDisk
	asked atomic.Int64
}

func (d *askedDisk) Free(dir string) (int64, error) {
	d.asked.Add(1)
	return d.badDisk.Free(dir)
}

// TestScrapeAsksNoDisk: what a scrape shows of the disk was looked at before, and is
// absent where nobody has looked for long; a disk that is in trouble is asked nothing,
// since it might not answer.
func TestScrapeAsksNoDisk(t *testing.T) {
	disk := &askedDisk{badDisk: &badDisk{FS: store.SystemFS()}}
	clock := &manualClock{mono: 1000, wall: testStartMS}
	r := openAlarmRig(t, t.TempDir(), "", clock, Options{Store: store.Options{FS: disk, SyncEvery: time.Millisecond}})
	defer r.a.Close()
	if s := r.a.Metrics().Store; !s.OK || s.Measured || s.FreeBytes != -1 {
		t.Errorf("before the first look: %+v", s)
	}
	r.a.lookAtDisk(true)
	before := disk.asked.Load()
	files, err := os.Stat(filepath.Join(r.a.site.Agent.DataDir, "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	s := r.a.Metrics().Store
	if !s.Measured || s.DatabaseBytes != files.Size() || s.DirectoryBytes < s.DatabaseBytes || s.FreeBytes <= 0 {
		t.Errorf("after a look: %+v; store.db has %d bytes", s, files.Size())
	}
	disk.fail(syscall.EIO, "create", "write", "sync")
	clock.advance(1000)
	mono, wall := clock.Now()
	g := r.a.groups[0]
	if err := r.a.store.Append([]scan.Scan{{Group: g, MonoMS: mono, WallMS: wall, Values: make([]int64, len(g.Channels))}}); err != nil {
		t.Logf("appended to a disk that fails: %v", err)
	}
	eventually(t, "trouble", func() bool { return !r.a.Metrics().Store.OK })
	const scrapes = 1000
	for range scrapes {
		r.a.Metrics()
	}
	if n := disk.asked.Load() - before; n > scrapes/10 { // the store itself asks when a write fails
		t.Errorf("%d scrapes asked the disk %d times", scrapes, n)
	}
	clock.advance(3*lookEvery.Milliseconds() + 1)
	if s := r.a.Metrics().Store; s.FreeBytes != -1 || !s.Measured {
		t.Errorf("three looks later without one: %+v", s)
	}
	clock.advance(3 * filesEvery.Milliseconds())
	if s := r.a.Metrics().Store; s.Measured {
		t.Errorf("much later: %+v", s)
	}
	disk.fail(nil)
}

// TestMetricsOfAMachine: taps, starts and the motor's limit.
func TestMetricsOfAMachine(t *testing.T) {
	r := openAlarmRig(t, t.TempDir(), "", &manualClock{mono: 1000, wall: testStartMS}, Options{})
	defer r.a.Close()
	mono, wall := r.clock.Now()
	for _, g := range r.a.groups {
		s := scan.Scan{Group: g, MonoMS: mono, WallMS: wall, Values: make([]int64, len(g.Channels))}
		for i := range g.Channels {
			s.Values[i] = map[string]int64{"heat": 80, "pressure": 700}[g.Channels[i].Name]
		}
		r.a.board.post(&s)
	}
	snap := r.a.Metrics()
	m := snap.Machines[0]
	if m.StartsLimit != 3 || m.Totals.Starts == nil || m.Totals.LoadCycles == nil || m.Totals.EnergyJ != nil || m.Totals.AirM3 != nil {
		t.Errorf("machine %+v", m)
	}
	taps := snap.Systems[0].Taps
	if len(taps) != 1 || taps[0].Channel != "c.pressure" || taps[0].Reading.SI < 699_999 || taps[0].Reading.SI > 700_001 || snap.Systems[0].QuietM3S != nil {
		t.Errorf("systems %+v", snap.Systems)
	}
	if snap.StartedMS == 0 || len(snap.Devices) != 1 || !strings.HasPrefix(snap.Devices[0].Name, "c") {
		t.Errorf("devices %+v, started %d", snap.Devices, snap.StartedMS)
	}
}
