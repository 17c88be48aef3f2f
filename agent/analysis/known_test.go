package analysis

import (
	"strings"
	"testing"

	"loadscribe/agent/gum"
)

// TestNoKnowledge: a machine that loads for 5 s of each 20 delivers, after an
// assumed delay of 3 s, rectangular within ±3 s, for 2 s of each: 2·3/√3 = 3.46 s of
// 2 s are ±173 %. That is absent with the delay named and what would tell it; loads
// of 100 s make it ±3.6 % beside the nameplate's ±10 %, and it is there.
func TestNoKnowledge(t *testing.T) {
	cycling := func(loaded, cycle int64) Report {
		site := plant(t)
		tp := newTape(site, monday)
		for sec := int64(0); sec <= 3600; sec++ {
			load := int64(0)
			if sec%cycle < loaded {
				load = 1
			}
			tp.add("controller", sec*1000, 1, load, 0, 0, 7000, 1)
			tp.add("meter", sec*1000, 100+260*load, sec/10)
		}
		return mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	}
	short, long := cycling(3, 20), cycling(100, 200)
	for _, name := range []string{"air_delivered", "flow_mean", "specific_power", "specific_energy"} {
		f := figureOf(t, short, name)
		for _, part := range []string{"no knowledge", "delivery delay of comp1 (assumed)", "read at least once a second makes it ±1 s"} {
			if f.Value != nil || f.Uncertainty != nil || f.Budget != nil || !strings.Contains(f.Absent, part) {
				t.Errorf("%s: %s; want it absent with %q", name, asJSON(t, f), part)
			}
		}
		if f := figureOf(t, long, name); f.Value == nil {
			t.Errorf("%s of long loads: %s", name, f.Absent)
		}
	}
	if f := figureOf(t, short, "air_delivered"); !strings.Contains(f.Absent, "known to ±19") { // 3 ± 3 s, of which a rest of 17 s has emptied 63 %; and the nameplate's
		t.Errorf("air_delivered: %s", f.Absent)
	}
	for _, name := range []string{"energy", "energy_cost", "power_loaded", "full_load_flow"} {
		if f := figureOf(t, short, name); f.Value == nil {
			t.Errorf("%s is well known, but absent: %s", name, f.Absent)
		}
	}
	for _, tb := range short.Machines[0].Tables {
		if tb.Name == "reference_conditions" {
			t.Errorf("the flow that is not known has a table: %s", asJSON(t, tb))
		}
	}
}

// TestHonestZero: what may truly be nothing, or was read near an instrument's zero,
// keeps its value, however wide the interval; what it is made a quotient of does
// not.
func TestHonestZero(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ { // off all the hour
		tp.add("controller", sec*1000, 0, 0, 1, 0, 7000, 1)
		tp.add("meter", sec*1000, 0, 0)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	for _, name := range []string{"air_delivered", "flow_mean", "energy", "energy_cost", "energy_unloaded"} {
		if f := figureOf(t, rep, name); f.Value == nil || *f.Value != 0 {
			t.Errorf("a machine at rest, %s: %s; want 0", name, asJSON(t, f))
		}
	}
	c := chanSpec{id: "meter.flow", device: "meter"}
	span := gum.New(0.1, 0.15, accuracyInput(&c)) // a reading near the meter's zero
	scatter := gum.New(0.1, 0.15, scatterInput("leak_flow", "main"))
	delay := gum.New(0.1, 0.15, delayInput("comp1"))
	sure := gum.New(5, 0.1, ratedFlowInput("comp1"))
	unsure := gum.New(5, 3, delayInput("comp1"))
	leak := gum.New(0.5, 0.02, scatterInput("leak_flow", "main"))
	for _, test := range []struct {
		name  string
		leak  gum.Value
		value gum.Value
		kept  bool
	}{
		{"flow_mean", leak, span, true},
		{"flow_mean", leak, delay, false},
		{"flow_mean", leak, gum.New(0.1, 0.0499, delayInput("comp1")), true},
		{"flow_mean", leak, gum.New(0.1, 0.05, delayInput("comp1")), false}, // 2 · 0.05: all of it
		{"quiet_demand", leak, delay, true},
		{"leak_flow", leak, delay, true},
		{"delivery_delay", leak, delay, true},
		{"specific_power", leak, span, false},
		{"leak_share", scatter, scatter.Over(sure), true}, // the leak may be none
		{"leak_share", leak, leak.Over(unsure), false},    // there is one, of nobody knows what
		{"leak_share", scatter, scatter.Over(unsure), false},
		{"leak_share", gum.New(0, 0.15, "x"), gum.New(0, 0.03, "x"), true},
		{"leak_cost", leak, leak.Times(unsure), false},
	} {
		s := &sheet{site: site, g: &gathered{sp: newSpec("", "main"), total: newDelta(newSpec("", "main"))}, figures: map[string]Figure{}}
		s.putValue("leak_flow", "m³/min", test.leak, "", nil)
		f := s.ratioValue(test.name, "", test.value, "", "", nil)
		if kept := f.Value != nil; kept != test.kept || kept == (f.Absent != "") || s.figures[test.name].Absent != f.Absent {
			t.Errorf("%s of %v ± %v: %s; want it kept: %v", test.name, test.value.V, coverageFactor*test.value.U(), asJSON(t, f), test.kept)
		}
		if made := s.made(test.name); made.Value == nil || *made.Value != test.value.V {
			t.Errorf("%s as it was made: %s", test.name, asJSON(t, made))
		}
	}
}

// TestInputsEachOnce: no figure of any of these windows names a channel twice.
func TestInputsEachOnce(t *testing.T) {
	site := plant(t)
	current, m, _, _ := currentOnly(t)
	for name, rep := range map[string]Report{
		"power and counter": mustCompute(t, fold(site, handWorked(t).scans), site, monday, monday+hourMS),
		"current alone":     mustCompute(t, m, current, monday, monday+5_400_000),
	} {
		all := rep.Systems[0].Figures
		all = append(all, rep.Machines[0].Figures...)
		named := 0
		for _, f := range all {
			seen := map[string]bool{}
			for _, input := range f.Inputs {
				id, _, _ := strings.Cut(input, " ")
				if !strings.Contains(id, ".") {
					id = input
				}
				if seen[id] {
					t.Errorf("%s, %s: inputs %q", name, f.Name, f.Inputs)
				}
				seen[id] = true
				named++
			}
		}
		if named < 40 {
			t.Errorf("%s: only %d inputs were looked at", name, named)
		}
	}
	got := eachOnce([]string{"a.b", "x", "a.b (accuracy ±2 % assumed)", "c.d (accuracy ±1 % assumed)", "c.d", "x"})
	want := "a.b (accuracy ±2 % assumed)|x|c.d (accuracy ±1 % assumed)"
	if strings.Join(got, "|") != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
