package samples

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"
)

// TestCells: of each closed cell the last good value with its own time, and what was
// counted after its last scan; the open cell waits.
func TestCells(t *testing.T) {
	r := newRig(t)
	r.run(40 * time.Second)
	g := got{}
	drain(t, r.source(), nil, 1000, g)
	// pressure is 6.5 bar + 0.1 bar for each 3 s of the half minute; power is read each
	// 2 s: 9 kW + second mod 7 tenths, 28 kW more when loaded
	g.want(t, "pressure_pascals{comp1,discharge_pressure}", "14=690000 29=740000")
	g.want(t, "system_pressure_pascals{controller.discharge_pressure,discharge_pressure,main}", "14=690000 29=740000")
	g.want(t, "device_up{controller}", "14=1 29=1")
	if g.text("power_watts{comp1,power}") == "" || len(g["power_watts{comp1,power}"]) != 2 {
		t.Errorf("power %s", g.text("power_watts{comp1,power}"))
	}
	g.want(t, "state_seconds_total{comp1,unloaded}", "14=14 29=29")
	g.want(t, "starts_total{comp1}", "14=0 29=0")
	if len(g) < 12 {
		t.Errorf("%d series", len(g))
	}
	r.run(10 * time.Second)
	one, g := r.source(), got{}
	drain(t, one, nil, 1000, g)
	g.want(t, "device_up{controller}", "14=1 29=1 44=1")
}

// TestBeginsOnce: the first answer is the place where a Source begins, and nothing else.
// A sender keeps it, so that a receiver who is held from the first request on misses
// nothing of what is recorded and sealed until then, over a restart too.
func TestBeginsOnce(t *testing.T) {
	for name, history := range map[string]time.Duration{"the running hour": 0, "some history": 20 * time.Second} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			r.run(40 * time.Second)
			o := r.options()
			o.History = history
			first, more, err := New(r.store, o).Next(context.Background(), nil, nil, 1000)
			if err != nil || !more || first.Next == nil || len(first.Series) > 0 {
				t.Fatalf("%d series, more %v, place %s, %v", len(first.Series), more, first.Next, err)
			}
			want, have := got{}, got{}
			drain(t, New(r.store, o), first.Next, 1000, want)
			r.run(30 * time.Second)
			r.restart(time.Hour) // seals all
			r.run(40 * time.Second)
			o = r.options()
			o.History = history
			drain(t, New(r.store, o), first.Next, 1000, have)
			for series, samples := range want {
				if len(have[series]) < len(samples) || have[series][0] != samples[0] {
					t.Errorf("%s\n got %s\nwant %s and more", series, have.text(series), want.text(series))
				}
			}
			if len(want) < 12 {
				t.Errorf("%d series", len(want))
			}
		})
	}
}

// TestGaps: a marker where a series ends, none for one failed scan among good ones of a
// cell.
func TestGaps(t *testing.T) {
	r := newRig(t)
	r.run(20 * time.Second) // 12:00:20
	r.put("controller")     // one failed scan within a cell
	r.pass(time.Second)
	r.run(12 * time.Second) // 12:00:33
	for range 20 {          // and twenty
		r.put("controller")
		r.pass(time.Second)
	}
	r.run(30 * time.Second) // 12:00:53 to 12:01:23
	r.sync()
	g := got{}
	drain(t, r.source(), nil, 1000, g)
	g.want(t, "pressure_pascals{comp1,discharge_pressure}", "14=690000 29=740000 32=650000 33=x 59=740000 74=690000")
	g.want(t, "device_up{controller}", "14=1 29=1 44=0 59=1 74=1")
}

// TestSilence: a group that gives no scans at all is ended after three periods, and all
// series by a stop of the agent.
func TestSilence(t *testing.T) {
	r := newRig(t)
	r.run(10 * time.Second)
	for range 40 { // the meter alone answers
		r.put("meter", 100)
		r.pass(time.Second)
	}
	r.sync()
	s, g := r.source(), got{}
	after := drain(t, s, nil, 1000, g)
	g.want(t, "pressure_pascals{comp1,discharge_pressure}", "9=680000 12=x")
	r.restart(time.Hour) // at 12:00:50
	r.run(20 * time.Second)
	drain(t, r.source(), after, 1000, g)
	g.want(t, "power_watts{comp1,power}", "14=10000 29=10000 44=10000 49=10000 55=x 3658=37200")
	g.want(t, "device_up{meter}", "14=1 29=1 44=1 49=1 55=x 3658=1")
	g.want(t, "pressure_pascals{comp1,discharge_pressure}", "9=680000 12=x 3659=740000")
}

// TestOnlyWhatIsSafe: nothing is given that the disk has not got.
func TestOnlyWhatIsSafe(t *testing.T) {
	r := newRig(t)
	r.run(20 * time.Second)
	safe := r.store.DurableSeq()
	for range 60 {
		r.put("controller", 70, 1, 0)
		r.pass(time.Second)
	}
	g := got{}
	s := New(atMost{r.store, safe}, r.options())
	after := drain(t, s, nil, 1000, g)
	g.want(t, "device_up{controller}", "14=1")
	if p, ok := PlaceOf(after); !ok || p.Seq > safe {
		t.Errorf("place %+v, safe is %d", p, safe)
	}
}

// atMost is a record of which only so much is on the disk.
type atMost struct {
	Record
	seq uint64
}

func (a atMost) DurableSeq() uint64 { return a.seq }

// TestAgainBytes: the same position gives the same samples, whatever was recorded
// since, up to where the batch ended.
func TestAgainBytes(t *testing.T) {
	r := newRig(t)
	r.run(3 * time.Minute)
	s := r.source()
	begin, _, err := s.Next(context.Background(), nil, nil, 50)
	if err != nil {
		t.Fatal(err)
	}
	first, _, err := s.Next(context.Background(), begin.Next, nil, 50)
	if err != nil || len(first.Series) == 0 {
		t.Fatal(err, len(first.Series))
	}
	second, more, err := s.Next(context.Background(), first.Next, nil, 50)
	if err != nil || !more {
		t.Fatal(err, more)
	}
	r.run(3 * time.Minute)
	again, _, err := r.source().Next(context.Background(), first.Next, second.Next, 1_000_000)
	if err != nil {
		t.Fatal(err)
	}
	a, b := got{}, got{}
	a.take(t, &second)
	b.take(t, &again)
	sameSamples(t, a, b)
	if string(again.Next) != string(second.Next) {
		t.Errorf("it ends elsewhere:\n%s\n%s", again.Next, second.Next)
	}
}

func sameSamples(t testing.TB, want, have got) {
	t.Helper()
	for name := range want {
		if len(want[name]) != len(have[name]) {
			t.Errorf("%s\n got %s\nwant %s", name, have.text(name), want.text(name))
			continue
		}
		for i := range want[name] {
			if w, h := want[name][i], have[name][i]; w.TimeMS != h.TimeMS || bits(w) != bits(h) {
				t.Errorf("%s: %d is %v at %d, want %v at %d", name, i, h.Value, h.TimeMS, w.Value, w.TimeMS)
				break
			}
		}
	}
	for name := range have {
		if want[name] == nil {
			t.Errorf("%s is not wanted: %s", name, have.text(name))
		}
	}
}

// TestPhase: the cells of many sites begin at all moments alike, and those of one site
// always at the same.
func TestPhase(t *testing.T) {
	const sites, everyMS, parts = 6000, 60_000, 12
	var n [parts]int
	for i := range sites {
		label := fmt.Sprintf("site %d", i)
		at := phaseMS(label, everyMS)
		if at < 0 || at >= everyMS || at != phaseMS(label, everyMS) {
			t.Fatalf("%s begins at %d ms", label, at)
		}
		n[at*parts/everyMS]++
	}
	for i, have := range n { // 500 each; six standard deviations of a binomial are 128
		if have < 372 || have > 628 {
			t.Errorf("part %d of the minute: %d of %d sites", i, have, sites)
		}
	}
	r := newRig(t)
	r.run(40 * time.Second)
	o := r.options()
	o.Label = "Invented Mill"
	shift := float64(phaseMS(o.Label, 15_000)) / 1000
	g := got{}
	drain(t, New(r.store, o), nil, 1000, g)
	for _, s := range g["device_up{controller}"] { // a scan a second: the last one of a cell lies in its last second
		at := float64(s.TimeMS-noon) / 1000
		if left := math.Mod(shift-at+60, 15); left == 0 || left > 1 {
			t.Errorf("a sample at %g s, cells begin at %g s", at, shift)
		}
	}
	if len(g["device_up{controller}"]) < 2 {
		t.Errorf("%d samples", len(g["device_up{controller}"]))
	}
}
