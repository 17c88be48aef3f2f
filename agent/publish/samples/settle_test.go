package samples

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/publish/remote"
	"loadscribe/agent/store"
)

// TestOlderBackup: an older backup is put back and recorded on: the numbers that were
// read belong to other scans now. Sending goes on by time, each stamp once.
func TestOlderBackup(t *testing.T) {
	t.Run("noticed at once", func(t *testing.T) { olderBackup(t, time.Minute, 9*time.Minute) })
	t.Run("noticed once the old number was passed", func(t *testing.T) { olderBackup(t, 10*time.Minute) })
}

// olderBackup asks after each of these times of recording on.
func olderBackup(t *testing.T, on ...time.Duration) {
	r := newRig(t)
	r.run(2 * time.Minute)
	b, err := r.store.Backup()
	if err != nil {
		t.Fatal(err)
	}
	copied, err := io.ReadAll(b)
	if err != nil || b.Close() != nil {
		t.Fatal(err)
	}
	r.run(3 * time.Minute)
	g := got{}
	after := drain(t, r.source(), nil, 1000, g)
	before := len(g["device_up{controller}"])
	if err := r.store.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(r.site.Agent.DataDir); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(r.site.Agent.DataDir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(r.site.Agent.DataDir, "store.db"), copied, 0o600); err != nil {
		t.Fatal(err)
	}
	r.clock.mono, r.clock.wall = 300, r.clock.wall+60_000
	r.open()
	for _, recorded := range on {
		r.run(recorded)
		s := r.source()
		after = drain(t, s, after, 1000, g)
		if s.Place().LeftOut[LeftRecord] != 1 {
			t.Errorf("left out: %v", s.Place().LeftOut)
		}
	}
	// the first reading is at 12:00:14; from 12:06 on there are ten minutes of them
	times := g["device_up{controller}"]
	if len(times) < before+1+35 || !isStale(times[before].Value) || times[before+1].TimeMS < noon+6*60_000 {
		t.Errorf("%d before, then %s", before, g.text("device_up{controller}"))
	}
	totals, _ := r.folder.Totals(&r.site.Machines[0])
	last := g["state_seconds_total{comp1,loaded}"]
	if have := last[len(last)-1].Value; have > totals.StateS[analysis.Loaded] || have < totals.StateS[analysis.Loaded]-30 {
		t.Errorf("loaded for %v s, the store's fold says %v", have, totals.StateS[analysis.Loaded])
	}
}

// TestAnotherStore: store.db of another directory is there instead.
func TestAnotherStore(t *testing.T) {
	r, other := newRig(t), newRig(t)
	r.run(2 * time.Minute)
	g := got{}
	after := drain(t, r.source(), nil, 1000, g)
	other.pass(time.Minute)
	other.run(5 * time.Minute) // from 12:01 to 12:06
	drain(t, other.source(), after, 1000, g)
	if last := g["device_up{controller}"]; last[len(last)-1].TimeMS < noon+5*60_000 {
		t.Errorf("it stops: %s", g.text("device_up{controller}"))
	}
}

// TestAnotherStoreAlike: it is told by its name, where its scans are as the other's.
func TestAnotherStoreAlike(t *testing.T) {
	r, other := newRig(t), newRig(t)
	r.run(2 * time.Minute)
	other.run(2 * time.Minute)
	after := drain(t, r.source(), nil, 1000, got{})
	other.run(time.Minute)
	s := other.source()
	drain(t, s, after, 1000, got{})
	if s.Place().LeftOut[LeftRecord] != 1 {
		t.Errorf("left out: %v", s.Place().LeftOut)
	}
}

// TestUndoneImport: what an import brought and its undoing took away is in no counter
// that is given afterwards, and its scans do not count as missed.
func TestUndoneImport(t *testing.T) {
	r := newRig(t)
	r.run(2 * time.Minute)
	g := got{}
	after := drain(t, r.source(), nil, 1000, g)
	if err := r.store.Close(); err != nil {
		t.Fatal(err)
	}
	folder := r.folder
	segment := r.imported()
	r.clock.mono, r.clock.wall = 100, r.clock.wall+time.Hour.Milliseconds()
	r.open()
	r.run(time.Minute)
	after = drain(t, r.source(), after, 1000, g)
	with := g["state_seconds_total{comp1,loaded}"]
	if err := r.store.Close(); err != nil {
		t.Fatal(err)
	}
	r.undo(segment)
	r.clock.mono = 200
	r.open()
	r.run(2 * time.Minute)
	s := r.source()
	drain(t, s, after, 1000, g)
	without := g["state_seconds_total{comp1,loaded}"]
	if a, b := with[len(with)-1].Value, without[len(without)-1].Value; a < 600 || b > 200 {
		t.Errorf("loaded for %v s with the import, %v s without", a, b)
	}
	if p := s.Place(); p.Missed != 0 || p.LeftOut[LeftRecord] != 1 {
		t.Errorf("place %+v", p)
	}
	if folder == r.folder {
		t.Error("the fold is the old one")
	}
}

// TestUndoneBeforeItWasGiven: nothing was missed where an import was undone that was
// not given yet.
func TestUndoneBeforeItWasGiven(t *testing.T) {
	r := newRig(t)
	r.run(2 * time.Minute)
	after := drain(t, r.source(), nil, 1000, got{})
	if err := r.store.Close(); err != nil {
		t.Fatal(err)
	}
	segment := r.imported()
	r.undo(segment)
	r.clock.mono, r.clock.wall = 100, r.clock.wall+time.Hour.Milliseconds()
	r.open()
	r.run(2 * time.Minute)
	s, g := r.source(), got{}
	drain(t, s, after, 1000, g)
	if p := s.Place(); p.Missed != 0 || len(g["device_up{controller}"]) < 8 {
		t.Errorf("place %+v, %s", p, g.text("device_up{controller}"))
	}
}

// imported puts ten minutes of load into the stopped store, as an import does.
func (r *rig) imported() (segment uint32) {
	r.t.Helper()
	x, err := store.OpenSide(r.site.Agent.DataDir, store.Options{})
	if err != nil {
		r.t.Fatal(err)
	}
	dir := r.site.Agent.DataDir
	r.site.Agent.DataDir = x.Dir()
	r.pass(time.Minute)
	r.o.Import = &store.Importing{FromMS: r.clock.wall}
	r.clock.mono = r.clock.wall
	r.open()
	r.pass(time.Second)
	for range 660 {
		r.put("controller", 70, 1, 1)
		r.pass(time.Second)
	}
	all := r.store.Segments()
	if err := r.store.Close(); err != nil {
		r.t.Fatal(err)
	}
	r.site.Agent.DataDir, r.o.Import = dir, nil
	if err := x.Take(); err != nil {
		r.t.Fatal(err)
	}
	if err := x.Close(); err != nil {
		r.t.Fatal(err)
	}
	return all[len(all)-1].Number
}

func (r *rig) undo(segment uint32) {
	r.t.Helper()
	x, err := store.OpenSide(r.site.Agent.DataDir, store.Options{})
	if err != nil {
		r.t.Fatal(err)
	}
	s, err := store.Open(x.Dir(), store.Options{Clock: &r.clock, Import: &store.Importing{}})
	if err != nil {
		r.t.Fatal(err)
	}
	if n, err := s.DropImported([]uint32{segment}); err != nil || n != 660 {
		r.t.Fatal(n, err)
	}
	if err := s.Close(); err != nil {
		r.t.Fatal(err)
	}
	if err := x.Take(); err != nil {
		r.t.Fatal(err)
	}
	if err := x.Close(); err != nil {
		r.t.Fatal(err)
	}
}

// TestRetentionTookThem: days that were dropped before they were given are counted as
// missed, and what is kept is given.
func TestRetentionTookThem(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	g := got{}
	after := drain(t, r.source(), nil, 1000, g)
	for range 4 {
		r.restart(24 * time.Hour)
		r.run(2 * time.Minute)
	}
	r.restart(time.Second)
	for more := true; more; {
		var err error
		if _, more, err = r.store.DropRawDay(2); err != nil {
			t.Fatal(err)
		}
	}
	r.run(time.Minute)
	s := r.source()
	drain(t, s, after, 1000, g)
	p := s.Place()
	all := r.record(time.Second)
	at, _ := PlaceOf(after)
	loaded := g["state_seconds_total{comp1,loaded}"]
	for i := 1; i < len(loaded); i++ { // the fold goes on from its state: what it was made of is gone
		if loaded[i].Value < loaded[i-1].Value {
			t.Errorf("it fell: %s", g.text("state_seconds_total{comp1,loaded}"))
		}
	}
	if want := int64(all[0].Seq) - int64(at.Seq) - 1; p.Missed != want || want < 180 {
		t.Errorf("%d scans missed, want %d", p.Missed, want)
	}
	up := g["device_up{controller}"]
	if first := all[0].WallMS; up[len(up)-1].TimeMS < first+86_400_000 || p.LeftOut[LeftRecord] != 0 {
		t.Errorf("%s, %v", g.text("device_up{controller}"), p.LeftOut)
	}
}

// TestSiteFileChanges: series of a machine that was renamed end, its counters begin
// anew under the new name from what is kept.
func TestSiteFileChanges(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	g := got{}
	after := drain(t, r.source(), nil, 1000, g)
	r.write(strings.ReplaceAll(siteText, "comp1", "north"))
	r.restart(10 * time.Second)
	r.run(time.Minute)
	o := r.options()
	o.Every = 20 * time.Second
	drain(t, New(r.store, o), after, 1000, g)
	g.want(t, "pressure_pascals{comp1,discharge_pressure}", "14=690000 29=740000 44=690000 59=740000 62=x")
	g.want(t, "pressure_pascals{north,discharge_pressure}", "79=710000 99=680000 119=740000")
	if n := g["state_seconds_total{north,loaded}"]; len(n) != 4 || n[0].Value < 20 {
		t.Errorf("loaded: %s", g.text("state_seconds_total{north,loaded}"))
	}
}

// TestLevelsChange: the fold is made anew where levels are learnt.
func TestLevelsChange(t *testing.T) {
	r := newRig(t)
	levels := analysis.Calibrations{}
	r.run(time.Minute)
	o := r.options()
	o.Levels = func() analysis.Calibrations { return levels }
	s, g := New(r.store, o), got{}
	after := drain(t, s, nil, 1000, g)
	was := s.folder
	r.run(time.Minute)
	levels = analysis.Calibrations{"comp1": analysis.Levels{Method: "learnt"}}
	drain(t, s, after, 1000, g)
	if s.folder == was {
		t.Error("the fold is the old one")
	}
	g.want(t, "state_seconds_total{comp1,loaded}", "14=0 29=0 44=14 59=29 74=30 89=30 104=44")
}

// TestDamagedPosition: it begins anew, as from nothing.
func TestDamagedPosition(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	want, have := got{}, got{}
	drain(t, r.source(), nil, 1000, want)
	drain(t, r.source(), remote.Position("{"), 1000, have)
	sameSamples(t, want, have)
	drain(t, r.source(), remote.Position(`{"v":99}`), 1000, got{})
}

// FuzzPosition: no bytes make it fall over, and what is read is written back the same.
func FuzzPosition(f *testing.F) {
	f.Add([]byte(`{"v":1,"tracks":[{"labels":[{"Name":"a","Value":"b"}],"value":9218868437227405314}]}`))
	f.Add([]byte(`{"v":1,"tracks":[null]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		st, err := decode(b)
		if err != nil || st == nil {
			return
		}
		once, err := st.encode()
		if err != nil {
			t.Fatal(err)
		}
		st, err = decode(once)
		if err != nil {
			t.Fatalf("%s: %v", once, err)
		}
		if twice, err := st.encode(); err != nil || string(twice) != string(once) {
			t.Fatalf("%s\nthen %s, %v", once, twice, err)
		}
	})
}
