package analysis

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// blind is a plant whose states can be told from power alone, and whose rated
// power nobody gave.
func blind(t testing.TB) *sitefile.Site {
	site := plant(t)
	for _, r := range []scan.Role{scan.MotorRunning, scan.Loaded, scan.Standby} {
		delete(site.Machines[0].Roles, r)
	}
	site.Machines[0].RatedPowerW = 0
	return site
}

// powerTape is a power in 0.1 kW, a reading a second, with 1 % of noise.
func powerTape(site *sitefile.Site, seconds int64, kW func(sec int64) float64) *tape {
	tp := newTape(site, monday)
	rng := rand.New(rand.NewPCG(1, 2))
	for sec := int64(0); sec < seconds; sec++ {
		tp.add("meter", sec*1000, int64(math.Round(10*kW(sec)*(1+0.01*rng.NormFloat64()))), 0)
	}
	return tp
}

// loadUnload runs for ten minutes in every fifteen: 60 s loaded, then 90 s
// unloaded, in which the sump blows down in tens of seconds (common practice,
// no source).
func loadUnload(full, idle float64) func(int64) float64 {
	return func(sec int64) float64 {
		at := sec % 900
		switch {
		case at >= 600:
			return 0.05
		case at < 3:
			return 2 * full // the inrush
		case at%150 < 60:
			return full
		}
		return idle + (0.6*full-idle)*math.Exp(-float64(at%150-60)/20)
	}
}

func TestLearn(t *testing.T) {
	for _, c := range []struct {
		name     string
		control  sitefile.Control
		kW       func(int64) float64
		run      [2]float64 // kW between which running must begin; zero: not learnt
		load     [2]float64
		whyNot   string
		seconds  int64
		noMatter bool
	}{
		{name: "load/unload", kW: loadUnload(36, 9), run: [2]float64{1, 9}, load: [2]float64{21.6, 35}},
		{name: "a small one", kW: loadUnload(5.5, 1.6), run: [2]float64{0.2, 1.6}, load: [2]float64{3.2, 5.4}},
		{name: "never stops", kW: func(s int64) float64 { return 9 + 27*float64(s%100/60) }, run: [2]float64{1, 9}, load: [2]float64{15, 33}},
		{name: "too short", kW: loadUnload(36, 9), seconds: 200, whyNot: "are needed"},
		{name: "always loaded", kW: func(int64) float64 { return 36 }, whyNot: "only one level"},
		{name: "zero", kW: func(int64) float64 { return 0 }, whyNot: "nothing but zero"},
		{name: "start/stop", control: sitefile.StartStop, kW: func(s int64) float64 { return 11 * float64(s%1200/600) }, run: [2]float64{1, 10}},
		{name: "modulating", control: sitefile.Modulating, kW: func(s int64) float64 { return 30 + 6*math.Sin(float64(s)/700) }, whyNot: "no level of idling"},
		{name: "variable speed with idling", control: sitefile.VariableSpeed,
			kW: func(s int64) float64 {
				if s%600 < 120 {
					return 7
				}
				return 22 + 14*math.Sin(float64(s)/430)*math.Sin(float64(s)/91)
			}, run: [2]float64{1, 7}, load: [2]float64{7.3, 12}},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := blind(t)
			if c.control != "" {
				site.Machines[0].Control = c.control
			}
			if c.seconds == 0 {
				c.seconds = 4 * 3600
			}
			tp := powerTape(site, c.seconds, c.kW)
			got, err := Learn(&memory{scans: tp.scans}, site, "comp1", 0, farFuture)
			if err != nil {
				t.Fatal(err)
			}
			if c.whyNot != "" {
				if !strings.Contains(got.Missing, c.whyNot) || got.Levels.Load != nil {
					t.Errorf("missing %q, levels %+v; want none, because %q", got.Missing, got.Levels, c.whyNot)
				}
				return
			}
			within(t, "running", got.Levels.Run, c.run)
			within(t, "loaded", got.Levels.Load, c.load)
			if got.Missing != "" {
				t.Errorf("missing: %s", got.Missing)
			}
		})
	}
}

func within(t *testing.T, what string, th *Threshold, kW [2]float64) {
	t.Helper()
	switch {
	case kW[1] == 0 && th == nil:
	case kW[1] == 0 || th == nil:
		t.Errorf("%s level %+v, want within %v kW", what, th, kW)
	case float64(th.Off) < 10*kW[0] || float64(th.On) > 10*kW[1] || th.On <= th.Off:
		t.Errorf("%s level %+v tenths of a kW, want within %v kW", what, *th, kW)
	}
}

// TestLearntLevelsHold: what was learnt comes back from its event, the fold
// uses it and says so, and states, starts and duty are those of the tape.
func TestLearntLevelsHold(t *testing.T) {
	site := blind(t)
	tp := powerTape(site, 4*3600, loadUnload(36, 9))
	m := &memory{scans: tp.scans}
	before := mustCompute(t, fold(site, tp.scans), site, monday, monday+4*hourMS)
	if f := figureOf(t, before, "starts"); f.Absent == "" {
		t.Fatalf("starts = %v although no level is known", *f.Value)
	}
	got, err := Learn(m, site, "comp1", 0, farFuture)
	if err != nil {
		t.Fatal(err)
	}
	e := got.Levels.Event("comp1", "levels")
	e.Seq = 7
	f := NewFolder(site, sitefile.Groups(site))
	f.Calibrate([]store.Event{e})
	for i := range tp.scans {
		f.Step(&tp.scans[i])
	}
	rep := mustCompute(t, WithPending(m, f), site, monday, monday+4*hourMS)
	check(t, figureOf(t, rep, "starts"), 15, 0) // the first run was found, not seen to begin
	// Each run of 600 s: 60 s of every 150 s are loaded, less the start phase.
	duty := figureOf(t, rep, "duty_cycle")
	check(t, duty, 0.4, 0.02)
	if !strings.Contains(duty.Method, "learnt from") || !strings.Contains(duty.Method, "calibration 7") {
		t.Errorf("method %q does not say that the levels were learnt", duty.Method)
	}
	for _, in := range duty.Inputs {
		if strings.Contains(in, "assumed") {
			t.Errorf("inputs %v: levels are called assumed", duty.Inputs)
		}
	}
	raw, err := ComputeRaw(WithPending(m, f), site, monday, monday+4*hourMS, farFuture, "")
	if err != nil {
		t.Fatal(err)
	}
	if a, b := strings.Join(flat(rep), ""), strings.Join(flat(raw), ""); a != b {
		t.Errorf("from pieces\n%s\nfrom raw\n%s", a, b)
	}
}

func TestCalibrationsOf(t *testing.T) {
	l := Levels{Channel: "meter.power", Kind: scan.KindInt, Run: &Threshold{40, 30}, Load: &Threshold{250, 240}, Method: "learnt"}
	event := func(seq uint64, l Levels) store.Event {
		e := l.Event("comp1", "text")
		e.Seq = seq
		return e
	}
	later := l
	later.Load = &Threshold{300, 290}
	none := Levels{Channel: "meter.power", Kind: scan.KindInt}
	bad := event(9, l)
	bad.Data["load_on"], bad.Data["run_on"] = "10", "x"
	for _, c := range []struct {
		name   string
		events []store.Event
		want   *Levels
		seq    uint64
	}{
		{"one", []store.Event{event(3, l)}, &l, 3},
		{"the last holds", []store.Event{event(3, l), event(5, later)}, &later, 5},
		{"whatever their order", []store.Event{event(5, later), event(3, l)}, &later, 5},
		{"taken back", []store.Event{event(3, l), event(6, none)}, nil, 0},
		{"another kind", []store.Event{{Kind: "note", Subject: "comp1"}}, nil, 0},
		{"damaged", []store.Event{bad}, nil, 0},
	} {
		got, ok := CalibrationsOf(c.events)["comp1"]
		if ok != (c.want != nil) {
			t.Errorf("%s: levels %+v, %v", c.name, got, ok)
		}
		if !ok || c.want == nil {
			continue
		}
		if got.Channel != l.Channel || *got.Run != *c.want.Run || *got.Load != *c.want.Load || got.Version != c.seq || got.Method != "learnt" {
			t.Errorf("%s: %+v, want %+v of event %d", c.name, got, c.want, c.seq)
		}
	}
}

// TestLearnCentre: a machine that is too large loads for five seconds and idles
// for fifteen, so that its sump hardly blows down; its power moves in a second
// and then creeps, up with the filling sump and down with the emptying one
// (common practice, no source). A level set by density alone lies in the
// creeping part of one of them; the time above the learnt one must be the time
// loaded, to a fifth of a point.
func TestLearnCentre(t *testing.T) {
	for _, c := range []struct {
		name             string
		periodS, loadS   float64 // no multiples of the readings' second
		up, full, tau    float64 // kW when the valve is open, and with the sump filled, in so many seconds
		down, idle, slow float64 // when it is shut, and with the sump blown down
	}{
		{"short cycles: the blow-down has hardly begun", 20.3, 5.1, 31, 35, 1, 22, 10, 25},
		{"the sump fills slowly", 60.3, 15.1, 26, 36, 4, 22, 11, 12},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := blind(t)
			// From a power, in a second to the next, and on towards a third.
			moved := func(from, to, end, tau, s float64) float64 {
				if s < 1 {
					return from + (to-from)*s
				}
				return to + (end-to)*(1-math.Exp(-(s-1)/tau))
			}
			high := moved(0, c.up, c.full, c.tau, c.loadS) // when it unloads
			low := moved(0, c.down, c.idle, c.slow, c.periodS-c.loadS)
			kW := func(sec int64) float64 {
				at := math.Mod(float64(sec), c.periodS)
				if at < c.loadS {
					return moved(low, c.up, c.full, c.tau, at)
				}
				return moved(high, c.down, c.idle, c.slow, at-c.loadS)
			}
			tp := powerTape(site, 4*3600, kW)
			got, err := Learn(&memory{scans: tp.scans}, site, "comp1", 0, farFuture)
			if err != nil || got.Levels.Load == nil {
				t.Fatalf("%v, %s", err, got.Missing)
			}
			l, loaded, above := got.Levels.Load, false, 0
			for sec := int64(0); sec < 4*3600; sec++ {
				n := int64(math.Round(10 * kW(sec)))
				loaded = n >= l.On || loaded && n >= l.Off
				if loaded {
					above++
				}
			}
			share := float64(above) / (4 * 3600)
			t.Logf("level %+v tenths of a kW, %.4f of the time above it, truly %.4f", *l, share, c.loadS/c.periodS)
			if math.Abs(share-c.loadS/c.periodS) > 0.002 {
				t.Errorf("level %+v tenths of a kW: %.4f of the time above it, truly %.4f loaded", *l, share, c.loadS/c.periodS)
			}
		})
	}
}
