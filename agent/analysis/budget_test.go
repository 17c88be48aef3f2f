package analysis

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// figureFrom is the figure that a sheet with these channels makes of a value.
func figureFrom(v gum.Value, chans ...chanSpec) Figure {
	sp := newSpec("", "main")
	sp.chans = chans
	s := &sheet{g: &gathered{sp: sp, total: newDelta(sp)}, figures: map[string]Figure{}}
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
	pumped := func(v float64) gum.Value { return gum.New(v, pumpUpLeaves*v, pumpUpInput("comp1")) }
	for _, c := range []struct {
		name     string
		now      gum.Value
		then     *gum.Value // nil: nothing narrows it
		chans    []chanSpec
		sentence []string
	}{
		{"nameplate", rated(6, "comp1").Times(share), new(pumped(6).Times(share)), nil,
			[]string{"nameplate, ±10 % (comp1)", "four minutes' pump-up", "±5 %"}},
		{"nameplates of two", rated(6, "comp1").Plus(rated(3, "comp2")), new(pumped(6).Plus(gum.New(3, 3*pumpUpLeaves, pumpUpInput("comp2")))), nil,
			[]string{"comp1, comp2"}},
		{"after a pump-up over a volume that is known well", gum.New(6, 0.12, pumpUpInput("comp1")).Times(share), nil, nil, nil}, // ±4 %: not wide
		{"volume", gum.New(2, rectangular(2*volumeLimit), volumeInput("main")), new(gum.New(2, 0.03, volumeInput("main"))), nil,
			[]string{"(main)", "±3 %"}},
		{"flow meter, assumed", metered(0.05, &flowMeter), new(metered(0.02, &flowMeter)), []chanSpec{flowMeter},
			[]string{"meter.flow, assumed to be ±5 % of reading", "state it in the site file", "±2 % of reading"}},
		{"flow meter, stated", metered(0.05, &given), new(metered(0.02, &given)), []chanSpec{given},
			[]string{"calibrated", "±2 % of reading"}},
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
