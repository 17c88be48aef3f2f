package analysis

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// figureFrom is the figure that a sheet with these channels makes of a value.
func figureFrom(v gum.Value, chans ...chanSpec) Figure {
	sp := newSpec("", "main")
	sp.chans = chans
	s := &sheet{site: &sitefile.Site{}, g: &gathered{sp: sp, total: newDelta(sp)}, figures: map[string]Figure{}}
	return *s.putValue("leak_flow", "m³/min", v, "", nil)
}

// rated is a flow of so much by the nameplate.
func rated(v float64, machine string) gum.Value {
	return gum.New(v, rectangular(flowHalfWidth*v/flowMiddle), ratedFlowInput(machine))
}

func TestBudget(t *testing.T) {
	v := gum.Sum(gum.New(10, 3, "b"), gum.New(0, 1, "a"), gum.New(0, 0.1, "d"), gum.New(0, 0.2, "c"))
	f := figureFrom(v)
	all := 9 + 1 + 0.01 + 0.04
	want := []BudgetPart{{"b", 9 / all}, {"a", 1 / all}, {"others", 0.05 / all}}
	var sum float64
	for i, p := range f.Budget {
		sum += p.Share
		if i >= len(want) || p.Input != want[i].Input || math.Abs(p.Share-want[i].Share) > 1e-12 {
			t.Errorf("part %d: got %v, want %v", i, p, want)
		}
	}
	near(t, "sum of the shares", sum, 1, 1e-12)
	if f := figureFrom(gum.Exact(3)); len(f.Budget) != 0 || f.Narrower != nil {
		t.Errorf("an exact value: %+v", f)
	}
}

// TestNarrower: for each the uncertainty claimed is that of the value made again
// with the surer input.
func TestNarrower(t *testing.T) {
	flowMeter := chanSpec{id: "meter.flow", device: "meter", class: classCode, unit: quantity.Unit{Dimension: quantity.Flow}, spanSI: 0.1}
	given := flowMeter
	given.accuracyGiven, given.accuracy = true, sitefile.Accuracy{OfReading: 0.05, Text: "5 % of reading"}
	share := gum.New(0.2, 0.001, momentsInput("comp1"))
	metered := func(rel float64, c *chanSpec) gum.Value { return gum.New(2, rectangular(2*rel), accuracyInput(c)) }
	var gauges []chanSpec
	for _, id := range []string{"in.a", "in.b"} {
		gauges = append(gauges, chanSpec{id: id, device: "in", class: classCode, unit: quantity.Unit{Dimension: quantity.Pressure}})
	}
	gauge := func(i int) gum.Value {
		return gum.New([]float64{50e3, 0}[i], rectangular(10e3), accuracyInput(&gauges[i]))
	}
	pumped := func(v float64, machine string) gum.Value { return gum.New(v, pumpUpLeaves*v, "the "+machine) }
	for _, c := range []struct {
		name     string
		now      gum.Value
		then     *gum.Value // nil: nothing narrows it
		chans    []chanSpec
		sentence []string
	}{
		{"nameplate", rated(6, "comp1").Times(share), new(pumped(6, "comp1").Times(share)), nil,
			[]string{"nameplate, ±10 % (comp1)", "four minutes' pump-up", "±5 %"}},
		{"nameplates of two", rated(6, "comp1").Plus(rated(3, "comp2")), new(pumped(6, "comp1").Plus(pumped(3, "comp2"))), nil,
			[]string{"comp1, comp2"}},
		{"after the pump-up", gum.New(6, 0.3, volumeInput("main")).Plus(gum.New(0, 0.01, scatterOf+"the rises of the pump-up test of comp1, then")), nil, nil, nil},
		{"volume", storeVolume(&sitefile.System{Name: "main"}, 2), new(gum.New(2, rectangular(2*nominalLimit), volumeInput("main"))), nil,
			[]string{"(main)", "±3 %"}},
		{"flow meter, assumed", metered(0.05, &flowMeter), new(metered(0.02, &flowMeter)), []chanSpec{flowMeter},
			[]string{"meter.flow, assumed to be ±5 % of reading", "state it in the site file", "±2 % of reading"}},
		{"flow meter, stated", metered(0.05, &given), new(metered(0.02, &given)), []chanSpec{given},
			[]string{"calibrated", "±2 % of reading"}},
		{"difference of two gauges", gauge(0).Minus(gauge(1)), new(gum.New(50e3, rectangular(4e3), "one").Minus(gum.New(0, rectangular(4e3), "other"))), gauges,
			[]string{"accuracy of in.a and in.b, assumed to be ±0.1 bar", "±0.04 bar"}},
		{"a meter that is good already", metered(0.02, &given), nil, []chanSpec{given}, nil},
		{"nothing helps against this", gum.New(1, 0.2, scatterInput("leak_flow", "main")), nil, nil, nil},
		{"a part that matters too little", gum.New(6, 0.6, scatterInput("leak_flow", "main")).Plus(rated(6, "comp1")), nil, nil, nil},
		{"delay", gum.New(6, 0.4, delayInput("comp1")), new(gum.New(6, 0.4/3, delayInput("comp1"))), nil, []string{"(comp1)", "±1 s"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := figureFrom(c.now, c.chans...)
			if c.then == nil {
				if f.Narrower != nil {
					t.Fatalf("got %+v, want nothing", *f.Narrower)
				}
				return
			}
			if f.Narrower == nil {
				t.Fatalf("nothing narrows %v ± %v: %+v", *f.Value, *f.Uncertainty, f.Budget)
			}
			near(t, "uncertainty claimed", f.Narrower.Uncertainty, coverageFactor*c.then.U(), 1e-12)
			if f.Narrower.Uncertainty > 0.75**f.Uncertainty {
				t.Errorf("%v is not a quarter less than %v", f.Narrower.Uncertainty, *f.Uncertainty)
			}
			for _, part := range c.sentence {
				if !strings.Contains(f.Narrower.Sentence, part) {
					t.Errorf("the sentence lacks %q: %s", part, f.Narrower.Sentence)
				}
			}
		})
	}
}

// TestBudgetsOfAWindow holds what is said of every budget and narrowing to the
// figures of whole windows.
func TestBudgetsOfAWindow(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ {
		tp.add("controller", sec*1000, 1, sec/100%3, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, 360, sec/10)
	}
	current, m, _, _ := currentOnly(t)
	reports := map[string]Report{
		"power and rated flow": mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS),
		"current alone":        mustCompute(t, m, current, monday, monday+5_400_000),
	}
	seen, wideOnes := 0, 0
	for name, rep := range reports {
		var all []Figure
		for _, machine := range rep.Machines {
			all = append(all, machine.Figures...)
		}
		for _, system := range rep.Systems {
			all = append(all, system.Figures...)
		}
		for _, f := range all {
			if len(f.Budget) == 0 {
				if f.Narrower != nil {
					t.Errorf("%s, %s: narrowed without a budget", name, f.Name)
				}
				continue
			}
			seen++
			var sum float64
			for i, p := range f.Budget {
				sum += p.Share
				if last := i == len(f.Budget)-1; p.Share < leastShare && !(last && p.Input == otherParts) || i > 0 && p.Input != otherParts && p.Share > f.Budget[i-1].Share {
					t.Errorf("%s, %s: budget %v", name, f.Name, f.Budget)
				}
			}
			near(t, name+", "+f.Name+": sum of the shares", sum, 1, 1e-9)
			if f.Narrower == nil {
				continue
			}
			wideOnes++
			if *f.Uncertainty <= WideShare**f.Value || f.Narrower.Uncertainty > narrowTo**f.Uncertainty {
				t.Errorf("%s, %s: %v ± %v, then %v", name, f.Name, *f.Value, *f.Uncertainty, f.Narrower.Uncertainty)
			}
		}
	}
	if seen < 15 || wideOnes < 4 {
		t.Errorf("only %d budgets and %d narrowings were looked at", seen, wideOnes)
	}
	rep := reports["power and rated flow"]
	for name, input := range map[string]string{"specific_power": ratedFlowInput("comp1"), "air_delivered": ratedFlowInput("comp1"),
		"power_loaded": "accuracy of meter, power"} {
		if f := figureOf(t, rep, name); f.Budget[0].Input != input {
			t.Errorf("%s rests on %v, want %s first", name, f.Budget, input)
		}
	}
	if f := figureOf(t, rep, "power_loaded"); f.Narrower != nil {
		t.Errorf("power_loaded is known well: %v", f.Narrower)
	}
}

// TestSpotReadingsNarrowAsSaid makes the energy of a machine of which only the
// current is known again with the two spot readings that its narrowing asks for:
// what was promised must be what they bring, or no less than that by a half.
func TestSpotReadingsNarrowAsSaid(t *testing.T) {
	site, m, _, _ := currentOnly(t)
	to := int64(monday + 5_400_000)
	loose := figureOf(t, mustCompute(t, m, site, monday, to), "energy")
	if loose.Narrower == nil || !strings.Contains(loose.Narrower.Sentence, "two spot readings") {
		t.Fatalf("energy from current alone: %s", asJSON(t, loose))
	}
	src := &noted{m, []store.Event{spotEvent(monday-1_000, motorAmps(10_000), 10_000, motorAmps(36_000), 36_000)}}
	tight := figureOf(t, mustCompute(t, src, site, monday, to), "energy")
	promised, got := loose.Narrower.Uncertainty / *loose.Value, *tight.Uncertainty / *tight.Value
	t.Logf("±%.1f %%, promised ±%.1f %%, with spot readings ±%.1f %%", 100**loose.Uncertainty / *loose.Value, 100*promised, 100*got)
	if got > 1.5*promised {
		t.Errorf("promised ±%.1f %%, got ±%.1f %%", 100*promised, 100*got)
	}
	if tight.Narrower != nil {
		t.Errorf("with spot readings it is narrow: %+v", *tight.Narrower)
	}
}
