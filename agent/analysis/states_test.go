package analysis

import (
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// runsOf folds and returns the state bands as words with their seconds.
func runsOf(t *testing.T, site *sitefile.Site, tp *tape, seconds int64) []Run {
	t.Helper()
	runs, err := StateRuns(fold(site, tp.scans), site, "comp1", tp.wall, tp.wall+seconds*1000)
	if err != nil {
		t.Fatal(err)
	}
	for i := range runs {
		runs[i].FromMS = (runs[i].FromMS - tp.wall) / 1000
		runs[i].ToMS = (runs[i].ToMS - tp.wall) / 1000
	}
	return runs
}

func wantRuns(t *testing.T, got, want []Run) {
	t.Helper()
	if asJSON(t, got) != asJSON(t, want) {
		t.Errorf("state runs\n%s\nwant\n%s", asJSON(t, got), asJSON(t, want))
	}
}

func TestStatesFromBits(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 100; sec++ {
		var running, loaded, standby, fault int64
		switch {
		case sec < 10: // off
		case sec < 20:
			standby = 1
		case sec < 25:
			running = 1
		case sec < 40:
			running, loaded = 1, 1
		case sec < 55:
			running = 1
		case sec < 60:
			fault = 17
		case sec < 80: // starts and never loads
			running = 1
		default:
			loaded = 1 // a load signal with the motor off is no load
		}
		tp.add("controller", sec*1000, running, loaded, standby, fault, 7000, 1)
	}
	wantRuns(t, runsOf(t, site, tp, 100), []Run{
		{Off, 0, 10, ""}, {Standby, 10, 20, ""}, {Starting, 20, 25, ""}, {Loaded, 25, 40, ""},
		{Unloaded, 40, 55, ""}, {Tripped, 55, 60, ""}, {Starting, 60, 70, ""}, {Unloaded, 70, 80, ""}, {Off, 80, 100, ""},
	})
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+100_000)
	check(t, figureOf(t, rep, "starts"), 2, 0)
	check(t, figureOf(t, rep, "shortest_rest"), 5, 0)
	check(t, figureOf(t, rep, "load_cycles"), 1, 0)
}

// TestStatesFromPower: levels with hysteresis and dwell; one reading above a
// level is no start, and a start is not idling.
func TestStatesFromPower(t *testing.T) {
	site := plant(t)
	delete(site.Machines[0].Roles, scan.MotorRunning)
	delete(site.Machines[0].Roles, scan.Loaded)
	delete(site.Machines[0].Roles, scan.Standby)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 200; sec++ {
		power := int64(0)
		switch {
		case sec == 5:
			power = 400 // a spike
		case sec < 20:
		case sec < 22:
			power = 150 // the ramp
		case sec < 60:
			power = 360
		case sec < 100:
			power = 120
			if sec >= 65 && sec%2 == 1 {
				power = 210 // 21 kW is inside the band of the load level
			}
		case sec < 150:
			power = 360
		}
		tp.add("meter", sec*1000, power, 0)
	}
	// Two readings make a level: each transition is seen one second late.
	wantRuns(t, runsOf(t, site, tp, 200), []Run{
		{Stopped, 0, 21, ""}, {Starting, 21, 31, ""}, {Loaded, 31, 61, ""}, {Unloaded, 61, 101, ""},
		{Loaded, 101, 151, ""}, {Stopped, 151, 200, ""},
	})
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+200_000)
	check(t, figureOf(t, rep, "starts"), 1, 0)
	if f := figureOf(t, rep, "off_time"); f.Absent == "" {
		t.Error("off_time is given although off and standby cannot be told apart")
	}
	f := figureOf(t, rep, "loaded_time")
	found := false
	for _, in := range f.Inputs {
		found = found || in == "levels (assumed shares of the rated value)"
	}
	if !found {
		t.Errorf("loaded_time: inputs %v do not name the assumed levels", f.Inputs)
	}
}

func TestStatesThatCannotBeTold(t *testing.T) {
	site := plant(t)
	for _, r := range []scan.Role{scan.MotorRunning, scan.Loaded, scan.Power} {
		delete(site.Machines[0].Roles, r)
	}
	tp := handWorked(t)
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	check(t, figureOf(t, rep, "observed_time"), 3599, 0)
	for _, name := range []string{"loaded_time", "running_time", "duty_cycle", "starts", "load_cycles", "air_delivered", "specific_power"} {
		if f := figureOf(t, rep, name); f.Absent == "" {
			t.Errorf("%s = %g although nothing tells the states", name, *f.Value)
		}
	}
	// Energy needs no state.
	check(t, figureOf(t, rep, "energy"), (1200*36+600*12+10*20)/3600.0, 0.15)

	// With a running signal alone, running is known and loaded is not.
	site = plant(t)
	delete(site.Machines[0].Roles, scan.Loaded)
	delete(site.Machines[0].Roles, scan.Power)
	rep = mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	check(t, figureOf(t, rep, "running_time"), 1810, 0)
	for _, name := range []string{"loaded_time", "duty_cycle", "load_cycles", "air_delivered"} {
		if f := figureOf(t, rep, name); f.Absent == "" {
			t.Errorf("%s = %g although loaded is not known", name, *f.Value)
		}
	}
}

// TestSettled: unloaded power counts as settled only once it has stopped
// falling, and never where unloads are short.
func TestSettled(t *testing.T) {
	site := plant(t)
	for _, c := range []struct {
		name      string
		unloadedS int64
		want      float64 // 0: absent
	}{{"long", 300, 9}, {"short", 45, 0}} {
		t.Run(c.name, func(t *testing.T) {
			tp := newTape(site, monday)
			for sec := int64(0); sec <= 1200; sec++ {
				at := sec % (c.unloadedS + 60)
				loaded, power := int64(1), int64(360)
				if at >= 60 {
					// From 20 kW down to 9 kW in 110 s, then level.
					loaded, power = 0, max(90, 200-(at-60))
				}
				tp.add("controller", sec*1000, 1, loaded, 0, 0, 7000, 1)
				tp.add("meter", sec*1000, power, 0)
			}
			f := figureOf(t, mustCompute(t, fold(site, tp.scans), site, monday, monday+1_200_000), "power_unloaded_settled")
			if c.want == 0 {
				if f.Absent == "" {
					t.Errorf("settled at %g kW in %d s", *f.Value, c.unloadedS)
				}
				return
			}
			check(t, f, c.want, 0.05)
		})
	}
}

func TestRollingMax(t *testing.T) {
	at := func(minutes ...float64) []start {
		var all []start
		for _, m := range minutes {
			all = append(all, start{mono: int64(m * 60_000), wall: int64(m * 60_000), segment: 1})
		}
		return all
	}
	jump := at(0, 10, 20)
	jump[2].segment, jump[2].mono = 2, 5 // after a restart only the wall clock tells
	back := at(30, 40, 20)
	back[2].segment = 2 // the clock was put back: not held to be of one hour
	for _, c := range []struct {
		name   string
		starts []start
		want   int
	}{
		{"none", nil, 0},
		{"sixty minutes apart", at(0, 60), 1},
		{"just under", at(0, 59.9), 2},
		{"across clock hours", at(50, 55, 65, 100, 109, 111), 5},
		{"across a restart", jump, 3},
		{"clock put back", back, 2},
	} {
		if got, _ := rollingMost(c.starts); got != c.want {
			t.Errorf("%s: %d starts in an hour, want %d", c.name, got, c.want)
		}
	}
}

// TestSegments: a restart and a step of the clock are gaps with their reasons,
// and no pair reaches over them.
func TestSegments(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	run := func(from, to int64) {
		for sec := from; sec <= to; sec++ {
			tp.add("controller", sec*1000, 1, 1, 0, 0, 7000, 1)
		}
	}
	run(0, 99)
	tp.segment, tp.wall = 2, tp.wall+300_000 // the clock stepped, monotonic time ran on
	run(100, 199)
	tp.segment, tp.wall = 3, tp.wall+700_000 // the agent was started anew
	run(0, 100)
	tp.wall = monday
	wantRuns(t, runsOf(t, site, tp, 1100), []Run{
		{Loaded, 0, 99, ""}, {Unobserved, 99, 400, "clock step"}, {Loaded, 400, 499, ""},
		{Unobserved, 499, 1000, "agent stopped"}, {Loaded, 1000, 1100, ""},
	})
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+1_100_000)
	check(t, figureOf(t, rep, "observed_time"), 99+99+99, 0)
}

func TestLive(t *testing.T) {
	site := plant(t)
	tp := handWorked(t)
	f := NewFolder(site, sitefile.Groups(site))
	if l, ok := f.Live("comp1", 0, monday); !ok || l.State != Unobserved || l.SinceMS != 0 {
		t.Errorf("before the first scan: %+v, %v", l, ok)
	}
	if _, ok := f.Live("nobody", 0, 0); ok {
		t.Error("a machine that the site does not have is live")
	}
	fed := 0
	feed := func(sec int64) {
		for ; fed < len(tp.scans) && tp.scans[fed].MonoMS <= sec*1000; fed++ {
			f.Step(&tp.scans[fed])
		}
	}
	for _, c := range []struct {
		sec   int64
		state State
		since int64
		known bool
		trend string
	}{
		{5, Standby, 0, false, trendSteady},
		{605, Starting, 600, true, trendSteady},
		{700, Loaded, 610, true, trendRising},
		{1400, Unloaded, 1210, true, trendFalling},
	} {
		feed(c.sec)
		l, _ := f.Live("comp1", c.sec*1000+500, monday+c.sec*1000+500)
		if l.State != c.state || l.SinceMS != monday+c.since*1000 || l.SinceKnown != c.known || l.PressureTrend != c.trend {
			t.Errorf("at %d s: %+v; want %s since %d s (known %v), %s", c.sec, l, c.state, c.since, c.known, c.trend)
		}
	}
	if l, _ := f.Live("comp1", 1_400_500, monday+1_400_500); l.StartsLastHour != 1 {
		t.Errorf("%d starts in the last hour, want 1", l.StartsLastHour)
	}
	// Three periods without a scan, and the state is no longer known.
	l, _ := f.Live("comp1", 1_403_001, monday+1_403_001)
	if l.State != Unobserved || l.SinceMS != monday+1_400_000 || l.Reason != "dropped" {
		t.Errorf("3 s later: %+v; want unobserved since the last scan", l)
	}
	s := scan.Scan{Seq: 1e6, Group: tp.groups["controller"], Segment: 1, MonoMS: 1_402_000, WallMS: monday + 1_402_000, Reason: scan.Timeout}
	f.Step(&s)
	if l, _ := f.Live("comp1", 1_410_000, monday+1_410_000); l.Reason != "timeout" {
		t.Errorf("after a timeout: %+v", l)
	}
}

// A state is unobserved for what the device does now, not for why the gap began: while
// the agent runs it has not stopped.
func TestLiveReason(t *testing.T) {
	site := plant(t)
	controller := handWorked(t).groups["controller"]
	good := func() ([]int64, []scan.Reason) {
		return make([]int64, len(controller.Channels)), make([]scan.Reason, len(controller.Channels))
	}
	running := -1
	for i := range controller.Channels {
		if controller.Channels[i].ID() == site.Machines[0].Roles[scan.MotorRunning] {
			running = i
		}
	}
	f := NewFolder(site, sitefile.Groups(site))
	want := func(sec int64, reason string) {
		t.Helper()
		if l, _ := f.Live("comp1", sec*1000+900, monday+sec*1000+900); l.Reason != reason || (l.State == Unobserved) != (reason != "") {
			t.Errorf("at %d s: %s, %q; want %q", sec, l.State, l.Reason, reason)
		}
	}
	step := func(sec int64, segment uint32, reason, ofRunning scan.Reason) {
		s := scan.Scan{Seq: uint64(sec) + 1, Group: controller, Segment: segment, MonoMS: sec * 1000, WallMS: monday + sec*1000, Reason: reason}
		if reason == scan.Good {
			s.Values, s.Quality = good()
			s.Quality[running] = ofRunning
		}
		f.Step(&s)
	}
	want(0, "not read yet")
	step(1, 1, scan.PortGone, 0) // the first scan of a site
	want(1, "port gone")
	step(2, 1, scan.Timeout, 0)
	want(2, "timeout")
	step(3, 1, scan.Good, scan.Exception) // a wrong map: other channels are read
	want(3, "device exception")
	step(4, 1, scan.Good, scan.Good)
	want(4, "")
	step(60, 2, scan.Timeout, 0) // started anew
	want(60, "timeout")
	step(61, 2, scan.Good, scan.Good)
	want(61, "")
	want(90, "dropped")
}

// TestTotalsNeverFall follows the totals scan by scan.
func TestTotalsNeverFall(t *testing.T) {
	site := plant(t)
	tp := handWorked(t)
	f := NewFolder(site, sitefile.Groups(site))
	var last Totals
	for i := range tp.scans {
		f.Step(&tp.scans[i])
		if i%500 == 0 {
			f.Flush()
		}
		now, ok := f.Totals(&site.Machines[0])
		if !ok {
			t.Fatal("no totals")
		}
		if now.AirM3 < last.AirM3 || now.EnergyJ < last.EnergyJ || now.Starts < last.Starts || now.StateS[Loaded] < last.StateS[Loaded] {
			t.Fatalf("scan %d: totals fell from %+v to %+v", i, last, now)
		}
		last = now
	}
	if last.StateS[Loaded] != 1200 || last.Starts != 1 || last.LoadCycles != 2 {
		t.Errorf("totals %+v; want 1200 s loaded, 1 start, 2 loads", last)
	}
}

func TestIntervals(t *testing.T) {
	site := plant(t)
	all, err := Intervals(fold(site, handWorked(t).scans), site, "comp1", monday+1, monday+hourMS-1)
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != 4 {
		t.Fatalf("%d intervals, want 4", len(all))
	}
	second := all[1] // 900-1800 s: loaded to 1210 and from 1510, unloaded between
	if second.Start != "2024-03-04T00:15:00.000Z" || second.States["loaded"] != 310+290 || second.States["unloaded"] != 300 || second.LoadCycles != 1 {
		t.Errorf("second interval %+v", second)
	}
}

// TestPendingBesideStep reads live figures while scans come in; the race
// detector watches.
func TestPendingBesideStep(t *testing.T) {
	site := plant(t)
	tp := handWorked(t)
	f := NewFolder(site, sitefile.Groups(site))
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := range tp.scans {
			f.Step(&tp.scans[i])
		}
	}()
	src := WithPending(&memory{}, f)
	deadline := time.After(10 * time.Second)
	for reading := true; reading; {
		select {
		case <-done:
			reading = false
		case <-deadline:
			t.Fatal("steps do not end")
		default:
			mustCompute(t, src, site, monday, monday+hourMS)
			f.Live("comp1", 0, monday)
		}
	}
	check(t, figureOf(t, mustCompute(t, src, site, monday, monday+hourMS), "loaded_time"), 1200, 0)
}

// The agent starts again and its line stays silent: what the machine did last
// before is no state of the time since.
func TestStateEndsWhereTheAgentDid(t *testing.T) {
	tp, end := turnTape(t, "ssllll"+"|"+"????")
	site := plant(t)
	runs, err := StateRuns(fold(site, tp.scans), site, "comp1", tp.wall+3_000, tp.wall+end)
	if err != nil {
		t.Fatal(err)
	}
	want := []Run{{Loaded, tp.wall + 3_000, tp.wall + 6_000, ""}, {Unobserved, tp.wall + 6_000, tp.wall + end, "agent stopped"}}
	wantRuns(t, runs, want)
}
