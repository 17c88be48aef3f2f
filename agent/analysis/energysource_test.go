package analysis

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// noted is a memory with events.
type noted struct {
	*memory
	events []store.Event
}

func (n *noted) EventsWhere(_, _ int64, _ int, wanted func(*store.Event) bool) ([]store.Event, error) {
	return slices.DeleteFunc(slices.Clone(n.events), func(e store.Event) bool { return !wanted(&e) }), nil
}

// motorAmps is the current of a motor at an active power, with a constant
// reactive power of half the rated 36 kW at 460 V: a model of its own, which the
// analysis does not know (common practice, no source).
func motorAmps(watts float64) float64 {
	if watts == 0 {
		return 0
	}
	return math.Hypot(watts, 18_000) / (math.Sqrt(3) * 460)
}

// currentOnly is a site whose meter reads the motor's current alone, and an hour
// and a half of it: loaded at 36 kW, unloaded falling from 20 to 10 kW, stopped.
// It returns the energy that was used, by trapezoids of the true power, in kWh.
func currentOnly(t *testing.T) (site *sitefile.Site, m *memory, kWh, unloaded float64) {
	t.Helper()
	site = electric(t, mapChannel(t, "amps", scan.MotorCurrent, "u16", 0.1, "A", time.Second))
	site.Machines[0].Motor.Volts = 460
	tp := newTape(site, monday)
	last := 0.0
	for sec := int64(0); sec <= 5400; sec++ {
		running, loaded, watts := int64(1), int64(1), 36_000.0
		switch at := sec % 600; {
		case sec >= 4800:
			running, loaded, watts = 0, 0, 0
		case at >= 360:
			loaded, watts = 0, math.Max(10_000, 20_000-100*float64(at-360))
		}
		tp.add("controller", sec*1000, running, loaded, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, int64(math.Round(10*motorAmps(watts))))
		if sec > 0 && sec < 5400 {
			kWh += (watts + last) / 2 / 3.6e6
			if loaded == 0 && running == 1 {
				unloaded += watts / 3.6e6
			}
		}
		last = watts
	}
	return site, fold(site, tp.scans), kWh, unloaded
}

// spotEvent is the calibration that the hook-up check keeps.
func spotEvent(at int64, unloadedA, unloadedW, loadedA, loadedW float64) store.Event {
	text := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	return store.Event{WallMS: at, Kind: "calibration", Subject: "comp1", Data: map[string]string{
		"current": "logged motor_current", "unloaded_a": text(unloadedA), "unloaded_w": text(unloadedW), "unloaded_u_a": "0.05", "unloaded_u_w": text(unloadedW * 0.0115),
		"loaded_a": text(loadedA), "loaded_w": text(loadedW), "loaded_u_a": "0.05", "loaded_u_w": text(loadedW * 0.0115)}}
}

// TestEnergyFromCurrent: with spot readings at two points within 5 %, without
// them inside the interval, which is wide; never in proportion to the current,
// which would give the unloaded machine about twice its energy.
func TestEnergyFromCurrent(t *testing.T) {
	site, m, truth, unloaded := currentOnly(t)
	to := int64(monday + 5_400_000)
	loose := mustCompute(t, m, site, monday, to)
	f := figureOf(t, loose, "energy")
	if d := math.Abs(*f.Value - truth); d > *f.Uncertainty || *f.Uncertainty < 0.05*truth {
		t.Errorf("without spot readings: %.2f ± %.2f kWh, truth %.2f", *f.Value, *f.Uncertainty, truth)
	}
	if !strings.Contains(strings.Join(f.Inputs, ", "), "power factor (assumed)") || !strings.Contains(f.Method, "assumed power factor") {
		t.Errorf("the assumption is not named: %s", asJSON(t, f))
	}
	idle := figureOf(t, loose, "energy_unloaded")
	if d := math.Abs(*idle.Value - unloaded); d > *idle.Uncertainty {
		t.Errorf("unloaded without spot readings: %.2f ± %.2f kWh, truth %.2f", *idle.Value, *idle.Uncertainty, unloaded)
	}
	// An earlier calibration, of a transformer that was then turned round, holds
	// for what came before it was replaced; here nothing did.
	src := &noted{m, []store.Event{
		spotEvent(monday-2_000, 20, 9_000, 60, 50_000),
		spotEvent(monday-1_000, motorAmps(10_000), 10_000, motorAmps(36_000), 36_000),
		{Kind: "calibration", Subject: "comp1", Data: map[string]string{"unloaded_a": "30", "loaded_a": "x"}},
	}}
	rep := mustCompute(t, src, site, monday, to)
	f = figureOf(t, rep, "energy")
	if d := math.Abs(*f.Value - truth); d > 0.05*truth || d > *f.Uncertainty || *f.Uncertainty > 0.1*truth {
		t.Errorf("with spot readings: %.2f ± %.2f kWh, truth %.2f", *f.Value, *f.Uncertainty, truth)
	}
	if !strings.Contains(f.Method, "spot readings at two points") {
		t.Errorf("method %q", f.Method)
	}
	idle = figureOf(t, rep, "energy_unloaded")
	if d := math.Abs(*idle.Value - unloaded); d > *idle.Uncertainty {
		t.Errorf("unloaded: %.2f ± %.2f kWh, truth %.2f", *idle.Value, *idle.Uncertainty, unloaded)
	}
	check(t, figureOf(t, rep, "power_loaded"), 36, 0.1)
	states := table(t, rep.Machines[0].Tables, "energy_by_state")
	near(t, "stopped", cell(t, states, "off", "energy"), 0, 0)
}

// TestCalibrationHoldsFromItsTime: two calibrations, each for its part, and the
// parts add up.
func TestCalibrationHoldsFromItsTime(t *testing.T) {
	site, m, _, _ := currentOnly(t)
	src := &noted{m, []store.Event{
		spotEvent(monday-1, 20, 10_000, 50, 40_000),        // 1 kW/A
		spotEvent(monday+2*cellMS, 20, 20_000, 50, 80_000), // 2 kW/A, from the third cell on
	}}
	at := func(from, to int64) float64 {
		f := figureOf(t, mustCompute(t, src, site, monday+from, monday+to), "energy")
		return *f.Value
	}
	before, after := at(0, 2*cellMS), at(2*cellMS, 4*cellMS)
	near(t, "the whole", at(0, 4*cellMS), before+after, 1e-9)
	src.events = src.events[:1]
	near(t, "the first part stays", at(0, 2*cellMS), before, 1e-12)
	near(t, "the second is twice as much", after, 2*at(2*cellMS, 4*cellMS), 1e-9)
}

// TestEnergyFromVoltsAndAmps: power reckoned at each reading gives all that a
// metered one gives. By hand: half of a quarter hour each at √3·460·60·0.86 and
// √3·460·30·0.45.
func TestEnergyFromVoltsAndAmps(t *testing.T) {
	site := threePhase(t)
	site.Devices[1].Instrument.Accuracy = map[string]sitefile.Accuracy{
		"current": {OfReading: 0.01, Text: "1 %"}, "voltage": {OfReading: 0.005, Text: "0.5 %"}}
	site.Tariff.Demand = []sitefile.DemandCharge{{PerKW: 1, Window: 5 * time.Minute}}
	tp := newTape(site, monday)
	for sec := int64(-1); sec <= 3600; sec++ {
		loaded, amps, pf := int64(1), int64(600), int64(86)
		if (sec+3600)%900 >= 450 {
			loaded, amps, pf = 0, 300, 45
		}
		tp.add("controller", sec*1000, 1, loaded, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, amps, 4600, 4630, 4570, pf)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	full, idle := math.Sqrt(3)*460*60*0.86/1000, math.Sqrt(3)*460*30*0.45/1000
	check(t, figureOf(t, rep, "energy"), (full+idle)/2, 0.001)
	check(t, figureOf(t, rep, "energy_unloaded"), idle/2, 0.02) // a pair that ends loaded is unloaded
	check(t, figureOf(t, rep, "power_loaded"), full, 1e-3)
	check(t, figureOf(t, rep, "peak_demand"), full, 0.06)
	check(t, figureOf(t, rep, "demand_cost"), full/31/24, 0.001) // an hour of March
	f := figureOf(t, rep, "energy")
	for _, want := range []string{"meter.amps", "meter.vbc", "meter.pf (accuracy ±0.03 assumed)"} {
		if !strings.Contains(strings.Join(f.Inputs, ", "), want) {
			t.Errorf("inputs %q lack %q", f.Inputs, want)
		}
	}
	// Relative parts of a product add in squares (GUM 5.1.6): current 1 %, volts
	// 0.5 % (one instrument: fully correlated), power factor 0.03 of its mean
	// 0.655, fan and controls up to 6 %, each as a limit over √3; the resolutions
	// are less than a tenth of it.
	want := 2 * *f.Value * math.Sqrt(0.01*0.01+0.005*0.005+0.06*0.06+math.Pow(0.03/0.655, 2)) / math.Sqrt(3)
	near(t, "uncertainty", *f.Uncertainty, want, 0.02*want)
}

// TestGapsOfTheCounter: the counter runs on while the line is gone. What it
// rose by is priced exactly where one price holds over the gap, and between the
// lowest and the highest where several do.
func TestGapsOfTheCounter(t *testing.T) {
	site := plant(t)
	site.Shifts = window("6:00", "16:00")
	site.Tariff.Energy = []sitefile.EnergyPrice{{Period: sitefile.Period{Name: "day"}, PerKWh: 0.10}, {Period: sitefile.Period{Name: "night", When: window("0:00", "6:00")}, PerKWh: 0.04}}
	delete(site.Machines[0].Roles, scan.Power)
	for _, c := range []struct {
		name           string
		gapFrom, gapTo int64 // minutes after 05:00
		cost, unsure   float64
		offShift       float64
	}{
		{"by night", 10, 40, 36*0.04 + 36*0.10, 0, 36},
		{"over the change of price", 50, 70, 30*0.04 + 12*0.07 + 30*0.10, 12 * 0.03, 36},
	} {
		t.Run(c.name, func(t *testing.T) {
			tp := newTape(site, monday+5*hourMS)
			for sec := int64(0); sec <= 7200; sec++ {
				if sec > c.gapFrom*60 && sec < c.gapTo*60 {
					tp.bad("meter", sec*1000, scan.Timeout)
					continue
				}
				tp.add("controller", sec*1000, 1, 1, 0, 0, 7000, 1)
				tp.add("meter", sec*1000, 0, (65_400+sec/10)%65_536) // 36 kW; wraps
			}
			rep := mustCompute(t, fold(site, tp.scans), site, monday+5*hourMS, monday+7*hourMS)
			check(t, figureOf(t, rep, "energy"), 72, 0.11)
			f := figureOf(t, rep, "energy_cost")
			check(t, f, c.cost, 0.02)
			if f.AtLeast {
				t.Error("at_least, though the counter ran through the gap")
			}
			if least := 2 * c.unsure / math.Sqrt(3); *f.Uncertainty < least {
				t.Errorf("± %g, want %g at least: either price may hold", *f.Uncertainty, least)
			}
			check(t, figureOf(t, rep, "energy_off_shift"), c.offShift, 0.2)
		})
	}
}

// TestCounterReset: what a reset lost is not made up, and is said.
func TestCounterReset(t *testing.T) {
	site := plant(t)
	delete(site.Machines[0].Roles, scan.Power)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ {
		counts := 30_000 + sec/10
		if sec >= 1800 {
			counts = (sec - 1800) / 10 // 36 kW go on
		}
		tp.add("controller", sec*1000, 1, 1, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, 0, counts)
	}
	f := figureOf(t, mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS), "energy")
	check(t, f, 36, 0.21)
	if !f.AtLeast || !strings.Contains(f.Method, "fell back 1 times") {
		t.Errorf("a reset is not said: %s", asJSON(t, f))
	}
}

// TestMetersThatDisagree: a counter ten times off its power channel is said, and
// widens the interval to hold both.
func TestMetersThatDisagree(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ {
		tp.add("controller", sec*1000, 1, 1, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, 360, sec/100) // 3.6 kW by the counter
	}
	f := figureOf(t, mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS), "energy")
	if !strings.Contains(f.Method, "disagree by 90 %") || *f.Uncertainty < 0.9*36 {
		t.Errorf("%s", asJSON(t, f))
	}
}

// TestSharedCauses: JCGM 100:2008, 5.2.2, example (from memory): ten resistors
// of 1000 Ω, each calibrated against the same standard with u = 100 mΩ, in
// series: u = 10 · 100 mΩ = 1 Ω; the 0.32 Ω of independent ones is wrong.
func TestSharedCauses(t *testing.T) {
	var shared, apart gum.Value
	for i := range 10 {
		shared = shared.Plus(gum.New(1000, 0.1, "the standard"))
		apart = apart.Plus(gum.New(1000, 0.1, strconv.Itoa(i)))
	}
	near(t, "one standard", shared.U(), 1, 1e-12)
	near(t, "ten standards", apart.U(), 0.32, 0.005)
	// Two machines on one meter, 1 % of the same error; on two meters, 1/√2.
	for _, c := range []struct {
		devices  [2]string
		relative float64
	}{{[2]string{"meter power", "meter power"}, 0.01}, {[2]string{"meter power", "other power"}, 0.01 / math.Sqrt2}} {
		var sheets []*sheet
		for _, d := range c.devices {
			e := energyResult{total: gum.New(100, 1, d), seen: gum.New(100, 1, d)}
			sheets = append(sheets, &sheet{energy: e, g: &gathered{sp: newSpec("", d)}})
		}
		sum := sumEnergy(sheets)
		near(t, "u of the sum", sum.total.U()/sum.total.V, c.relative, 1e-12)
	}
}
