package analysis

import (
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// gatherMarks gathers a subject with its minutes and edges.
func gatherMarks(t testing.TB, src Source, sp *spec, from, to int64) *gathered {
	t.Helper()
	sp.wantMinutes, sp.wantEdges = true, true
	g, err := gather(src, sp, from, to, nil)
	if err != nil {
		t.Fatalf("gather: %v", err)
	}
	return g
}

// TestMinuteMarks is worked by hand. The pressure rises by 7 counts a second
// from 6000, read 0.4 s past each second: 6420 at 60.4 s. The minute begins
// 0.4 s before that, where the line through the readings is 2.8 counts lower, 44.8
// sixteenths, cut to 44.
func TestMinuteMarks(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec < 180; sec++ {
		tp.add("controller", sec*1000+400, 1, 1, 0, 0, 6000+7*sec, 3)
	}
	sp := machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})
	got := gatherMarks(t, fold(site, tp.scans, 30, 100), sp, monday, monday+hourMS).total.minutes
	want := []minuteMark{
		{at: monday, seenMS: 59_000}, // nothing was read before it
		{at: monday + 60_000, seenMS: 60_000, hasPressure: true, pressure: 16*6420 - 44},
		{at: monday + 120_000, seenMS: 60_000, hasPressure: true, pressure: 16*6840 - 44},
	}
	if len(got) != len(want) {
		t.Fatalf("%d minutes, want %d: %v", len(got), len(want), got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("minute %d is %+v, want %+v", i, got[i], want[i])
		}
	}
}

// TestMinuteMarksGap: over a gap there is no pressure, and a reading on the
// minute's beginning is it.
func TestMinuteMarksGap(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec < 130; sec++ {
		if sec < 58 || sec > 61 {
			tp.add("controller", sec*1000, 1, 1, 0, 0, 6000+sec, 3)
		}
	}
	sp := machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})
	got := gatherMarks(t, fold(site, tp.scans), sp, monday, monday+hourMS).total.minutes
	if len(got) != 3 || got[1].hasPressure || got[1].seenMS != 57_000 {
		t.Fatalf("minutes %+v, want three, the second without a pressure and with 57 s", got)
	}
	if !got[2].hasPressure || got[2].pressure != 16*6120 {
		t.Errorf("pressure %d of the third, want that of the reading on its beginning, %d", got[2].pressure, 16*6120)
	}
}

// TestMinuteFlow is worked by hand: a flow of 125 counts and a load fraction of
// 100 % until 90 s, then none, read each second.
func TestMinuteFlow(t *testing.T) {
	site := plant(t)
	site.Devices[1].Map.Channels = []sitefile.MapChannel{
		mapChannel(t, "power", scan.Flow, "u16", 0.01, "m3/min", time.Second), mapChannel(t, "energy", scan.LoadFraction, "u16", 0.1, "%", time.Second)}
	roles := site.Machines[0].Roles
	delete(roles, scan.Power)
	delete(roles, scan.Energy)
	roles[scan.Flow], roles[scan.LoadFraction] = "meter.power", "meter.energy"
	site.Machines[0].Control = sitefile.VariableSpeed
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 120; sec++ {
		loaded := int64(0)
		if sec < 90 {
			loaded = 1
		}
		tp.add("controller", sec*1000, 1, loaded, 0, 0, 6000, 3)
		tp.add("meter", sec*1000, 125*loaded, 1000)
	}
	sp := machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})
	got := gatherMarks(t, fold(site, tp.scans, 77), sp, monday, monday+hourMS).total
	if len(got.minutes) != 3 {
		t.Fatalf("%d minutes, want 3", len(got.minutes))
	}
	// The second has 30 pairs of 125 and 125, the first of them from 59 s to 60 s,
	// one of 125 and 0, and 29 of nothing.
	if want := (sum{MulInt64(30*250+125, 1000), 60_000}); got.minutes[1].flow != want {
		t.Errorf("flow of the second minute %+v, want %+v", got.minutes[1].flow, want)
	}
	// It delivered at the beginning of 31 of them.
	if want := (sum{MulInt64(31*2000, 1000), 31_000}); got.minutes[1].fraction != want {
		t.Errorf("load fraction of the second minute %+v, want %+v", got.minutes[1].fraction, want)
	}
	// That it is at full load is known from 1 s on, when its load fraction has been
	// read; for 15 s and more from the pair of 16 s and 17 s to that of 88 s and 89 s.
	if want := (sum{MulInt64(73*250, 1000), 73_000}); got.flowFull != want {
		t.Errorf("flow at full load %+v, want %+v", got.flowFull, want)
	}
	if want := (sum{MulInt64(88*250, 1000), 88_000}); got.flow.same[Loaded] != want {
		t.Errorf("flow while loaded %+v, want %+v", got.flow.same[Loaded], want)
	}
}
