package analysis

import (
	"encoding/hex"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

func totalsOf(t testing.TB, f *Folder, site *sitefile.Site) Totals {
	t.Helper()
	now, ok := f.Totals(&site.Machines[0])
	if !ok {
		t.Fatal("no totals")
	}
	return now
}

func folded(site *sitefile.Site, scans []scan.Scan) *Folder {
	f := NewFolder(site, sitefile.Groups(site))
	for i := range scans {
		f.Step(&scans[i])
	}
	return f
}

// TestTotalsOfTheHandWorkedHour: what the totals add up to is what the figures of the
// same hour say.
func TestTotalsOfTheHandWorkedHour(t *testing.T) {
	site := plant(t)
	tp := handWorked(t)
	got := totalsOf(t, folded(site, tp.scans), site)
	// Powers are joined by straight lines, so that each step between two of them
	// counts half a second of either: 10 s of 20 kW, 1200 of 36, 600 of 12, and at the
	// edges (20-0+12-0)/2·1 s less and so on, of which the second before the start, in
	// standby, is not running.
	if want := 1200*36e3 + 600*12e3 + 10*20e3; math.Abs(got.RunningJ/want-1) > 0.001 || !got.RunningKnown {
		t.Errorf("running energy %.0f J, want %.0f within 0.1 %%", got.RunningJ, want)
	}
	// 0.1 m³/s less 3.5 %; the first load fills a sump that had stood, the second one
	// that had 300 s to blow down.
	if want := 0.1 * flowMiddle * (1200 - 3 - 3); math.Abs(got.AirM3-want) > 1e-9 || !got.AirKnown {
		t.Errorf("air %.6f m³, want %.6f", got.AirM3, want)
	}
	if !got.StatesKnown || !got.LoadKnown {
		t.Errorf("states known %v, load known %v; both are", got.StatesKnown, got.LoadKnown)
	}
	site.Systems = nil // without volumes the full-load flow is the nameplate's, as in the total
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+2*hourMS)
	specific := got.RunningJ / got.AirM3 / 60e3
	if f := figureOf(t, rep, "specific_power"); f.Value == nil || math.Abs(specific / *f.Value - 1) > 0.002 {
		t.Errorf("specific power of the totals %.4f kW/(m³/min), the figure %+v", specific, f)
	}
}

// TestRunningEnergyLeavesOutTheRest: what fans and controls take while the motor is off is energy, and
// no running energy.
func TestRunningEnergyLeavesOutTheRest(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := range int64(1200) {
		running, kW := int64(0), int64(2)
		if sec >= 600 {
			running, kW = 1, 12
		}
		tp.add("controller", sec*1000, running, 0, 1-running, 0, 6000, 41)
		tp.add("meter", sec*1000, kW*10, 0)
	}
	delete(site.Machines[0].Roles, scan.Energy) // both by power
	got := totalsOf(t, folded(site, tp.scans), site)
	// 600 s of 2 kW at rest, 600 s of 12 kW; the step between them is a second.
	if want := 600*2e3 + 600*12e3; math.Abs(got.EnergyJ-want) > 20e3 {
		t.Errorf("energy %.0f J, want %.0f", got.EnergyJ, float64(want))
	}
	if want := 600 * 12e3; math.Abs(got.RunningJ-want) > 20e3 {
		t.Errorf("running energy %.0f J, want %.0f", got.RunningJ, want)
	}
}

// TestTotalsOfShortRests: a load after a short rest fills the sump only as far as it
// has blown down, and one that is over sooner delivers nothing.
func TestTotalsOfShortRests(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	loads := func(sec int64) int64 {
		switch {
		case sec >= 100 && sec < 200, sec >= 205 && sec < 300, sec >= 400 && sec < 402:
			return 1
		}
		return 0
	}
	for sec := range int64(600) {
		tp.add("controller", sec*1000, 1, loads(sec), 0, 0, 7000, 3)
	}
	got := totalsOf(t, folded(site, tp.scans), site)
	after := func(restS float64) float64 { return 3 * (1 - math.Exp(-restS/17)) }
	// Before the first load the motor ran for 100 s: 90 s unloaded, the start over.
	want := 0.1 * flowMiddle * (100 + 95 + 2 - after(90) - after(5) - 2)
	if math.Abs(got.AirM3-want) > 0.001 {
		t.Errorf("air %.4f m³, want %.4f", got.AirM3, want)
	}
}

// partLoadPlant has a machine whose load fraction is read with its power.
func partLoadPlant(t testing.TB) *sitefile.Site {
	site := plant(t)
	m := &site.Machines[0]
	m.Control = sitefile.VariableSpeed
	c := site.Devices[0].Map
	c.Channels = append(c.Channels, mapChannel(t, "fraction", scan.LoadFraction, "u16", 0.1, "%", time.Second))
	m.Roles[scan.LoadFraction] = "controller.fraction"
	delete(m.Roles, scan.Loaded)
	site.Systems = nil
	return site
}

func TestTotalsOfAPartLoadMachine(t *testing.T) {
	site := partLoadPlant(t)
	tp := newTape(site, monday)
	for sec := range int64(3000) {
		fraction := 400 + sec%200 // 40 to 60 %
		if sec >= 2000 {
			fraction = 1000
		}
		tp.add("controller", sec*1000, 1, 0, 0, 0, 7000, 3, fraction)
		tp.add("meter", sec*1000, 250, 0)
	}
	got := totalsOf(t, folded(site, tp.scans), site)
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	if got.StateS[PartLoad] < 1900 || got.StateS[Loaded] < 900 {
		t.Fatalf("states %v: the test wants both part load and full load", got.StateS)
	}
	f := figureOf(t, rep, "air_delivered")
	if f.Value == nil || !got.AirKnown || math.Abs(got.AirM3 / *f.Value - 1) > 0.002 {
		t.Errorf("air %.3f m³ (known: %v), the figure %+v", got.AirM3, got.AirKnown, f)
	}
	delete(site.Machines[0].Roles, scan.LoadFraction)
	site.Machines[0].Roles[scan.Loaded] = "controller.loaded"
	if got := totalsOf(t, folded(site, tp.scans), site); got.AirKnown {
		t.Errorf("%.3f m³ of a part-load machine without a load fraction: nothing says what it delivered", got.AirM3)
	}
}

// TestTotalsWithoutSignals: what nothing tells is not known, and not none.
func TestTotalsWithoutSignals(t *testing.T) {
	site := plant(t)
	m := &site.Machines[0]
	for _, role := range []scan.Role{scan.Loaded, scan.Power, scan.Energy} {
		delete(m.Roles, role)
	}
	got := totalsOf(t, folded(site, nil), site)
	if !got.StatesKnown || got.LoadKnown || got.AirKnown || got.EnergyKnown || got.RunningKnown {
		t.Errorf("with a run signal alone: %+v", got)
	}
	delete(m.Roles, scan.MotorRunning)
	delete(m.Roles, scan.Standby)
	if got := totalsOf(t, folded(site, nil), site); got.StatesKnown || got.LoadKnown {
		t.Errorf("without any signal: %+v", got)
	}
}

// TestTotalsNeverFallOverRestarts: short loads, gaps, new segments, and a new process
// from what the one before had saved, at any moment.
func TestTotalsNeverFallOverRestarts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		site := plant(t)
		tp := newTape(site, monday)
		var last Totals
		f := NewFolder(site, sitefile.Groups(site))
		mono, loaded, running := int64(0), int64(0), int64(1)
		for range rapid.IntRange(50, 400).Draw(rt, "scans") {
			mono += 1000
			switch rapid.IntRange(0, 19).Draw(rt, "what") {
			case 0, 1, 2, 3:
				loaded = 1 - loaded
			case 4:
				running = 1 - running
			case 5:
				mono += rapid.Int64Range(1, 30).Draw(rt, "gap") * 1000
			case 6:
				tp.segment++
			case 7:
				_, state := f.Flush()
				g := NewFolder(site, sitefile.Groups(site))
				if err := g.Restore(state); err != nil {
					rt.Fatal(err)
				}
				f = g
			}
			tp.add("controller", mono, running, loaded*running, 0, 0, 7000, 3)
			f.Step(&tp.scans[len(tp.scans)-1])
			now := totalsOf(t, f, site)
			if now.AirM3 < last.AirM3-1e-9 || now.RunningJ < last.RunningJ || now.StateS[Loaded] < last.StateS[Loaded] {
				rt.Fatalf("at %d s the totals fell from %+v to %+v", mono/1000, last, now)
			}
			last = now
		}
	})
}

// oldState is what the version before these totals saved of 5000 scans of the
// hand-worked hour.
func oldState(t testing.TB) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", "state", "version5.hex"))
	if err != nil {
		t.Fatal(err)
	}
	state, err := hex.DecodeString(strings.Join(strings.Fields(string(text)), ""))
	if err != nil || state[0] != oldStateVersion {
		t.Fatalf("version %d, %v; want %d", state[0], err, oldStateVersion)
	}
	return state
}

// TestTotalsOfAnOlderState: the state that a version before these totals saved goes on,
// and nothing in it falls.
func TestTotalsOfAnOlderState(t *testing.T) {
	state := oldState(t)
	site, tp := plant(t), handWorked(t)
	f := NewFolder(site, sitefile.Groups(site))
	if err := f.Restore(state); err != nil {
		t.Fatal(err)
	}
	// What that version said of it.
	if got := totalsOf(t, f, site); math.Abs(got.AirM3-115.221) > 0.001 || got.EnergyJ != 5.04e7 || got.Starts != 1 || got.StateS[Loaded] != 1200 {
		t.Errorf("totals %+v; want 115.221 m³, 50.4 MJ, 1 start, 1200 s loaded", got)
	}
	before := totalsOf(t, f, site)
	for i := 5000; i < len(tp.scans); i++ {
		f.Step(&tp.scans[i])
	}
	after := totalsOf(t, f, site)
	if after.AirM3 < before.AirM3 || after.RunningJ < before.RunningJ || after.StateS[Standby] <= before.StateS[Standby] {
		t.Errorf("totals went from %+v to %+v", before, after)
	}
	_, again := f.Flush()
	if again[0] != stateVersion || NewFolder(site, sitefile.Groups(site)).Restore(again) != nil {
		t.Errorf("it is not saved as version %d", stateVersion)
	}
	state[0] = oldStateVersion - 1
	if err := f.Restore(state); !errors.Is(err, ErrSummary) {
		t.Errorf("a version before it: %v, want ErrSummary", err)
	}
}
