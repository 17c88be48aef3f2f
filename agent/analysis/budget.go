package analysis

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/gum"
)

const (
	leastShare = 0.01 // of the variance: what brings less is put with the others
	otherParts = "others"
	// WideShare is the part of its value from which on a figure's uncertainty is wide:
	// what would narrow it is looked for.
	WideShare = 0.05
)

// putValue is put for a value whose inputs are named: the figure says what its
// uncertainty comes from and what would narrow it. addValue, ratioValue and
// boundValue are so for add, ratio and bound.
func (s *sheet) putValue(name, unit string, v gum.Value, method string, inputs []string) *Figure {
	s.put(name, unit, estimateOf(v), method, inputs)
	return s.explain(name, v)
}

func (s *sheet) addValue(name, unit string, v gum.Value, method string, inputs []string) *Figure {
	s.add(name, unit, estimateOf(v), method, inputs)
	return s.explain(name, v)
}

func (s *sheet) ratioValue(name, unit string, v gum.Value, method, denominator string, inputs []string) *Figure {
	s.ratio(name, unit, estimateOf(v), method, denominator, inputs)
	return s.explain(name, v)
}

func (s *sheet) boundValue(name, unit string, v gum.Value, atLeast bool, method string, inputs []string) *Figure {
	s.bound(name, unit, estimateOf(v), atLeast, method, inputs)
	return s.explain(name, v)
}

func estimateOf(v gum.Value) estimate { return estimate{v.V, v.U()} }

// explain gives a figure that was put its budget and what would narrow it, or
// takes it back where its interval says no more than that nobody knows.
func (s *sheet) explain(name string, v gum.Value) *Figure {
	if s.values == nil {
		s.values = map[string]gum.Value{}
	}
	s.values[name] = v
	f := s.figures[name]
	f.Budget = budget(v)
	if wide(v) {
		f.Narrower = s.narrower(v)
	}
	if unknown(v) && !s.honestZero(name, v) {
		if s.vague == nil {
			s.vague = map[string]Figure{}
		}
		s.vague[name] = f
		f = Figure{Name: name, Absent: noKnowledge(v, f.Narrower)}
	}
	s.figures[name] = f
	return &f
}

// made is a figure as it would be stated if it were known well enough: for what
// compares it with itself, whose error is the same on both sides.
func (s *sheet) made(name string) Figure {
	if f, ok := s.vague[name]; ok {
		return f
	}
	return s.figures[name]
}

// unknown reports an interval that holds nothing and twice the value: at 95 %, no
// knowledge of a thing that is not nothing.
func unknown(v gum.Value) bool {
	u := v.U()
	return u > 0 && float64(coverageFactor*u) >= math.Abs(v.V)
}

// honestZero reports whether "0 ± x" says something of the figure: it may truly be
// nothing, and the interval says how much it is at most.
func (s *sheet) honestZero(name string, v gum.Value) bool {
	switch name {
	case "energy", "energy_unloaded", "energy_off_shift", "emissions", "energy_cost", "peak_demand", "demand_cost", // sums of what may be off
		"air_demand_mean", "air_demand_peak", "quiet_demand", "leak_flow", // a plant may take nothing
		"delivery_delay", "separator_drop", "filter_drop", "dryer_drop", "package_drop", "treatment_drop", "discharge_rise": // differences
		return true
	case "air_delivered", "flow_mean", "flow_peak", "power_loaded", "power_unloaded_mean", "power_unloaded_settled":
		// What is read near nothing is known to the reading's own grain; what is
		// reckoned from other things is not.
		most := v.Shares()[0].Input
		return strings.HasPrefix(most, accuracyOf) || strings.HasPrefix(most, resolutionOf) || strings.HasPrefix(most, momentsOf)
	case "leak_share", "leak_cost":
		// It is a multiple of leak_flow, whose zero is honest; that multiple's is not.
		leak := s.values["leak_flow"]
		return unknown(leak) && (leak.V == 0 || !unknown(v.Over(leak)))
	}
	return false
}

// noKnowledge is the reason of a figure that is absent for its uncertainty.
func noKnowledge(v gum.Value, n *Narrower) string {
	by := "more than its value"
	if v.V != 0 {
		by = fmt.Sprintf("±%.0f %%", 100*float64(coverageFactor*v.U())/math.Abs(v.V))
	}
	text := "it would be known to " + by + " only, which is no knowledge; most of that comes from " + v.Shares()[0].Input
	if n != nil {
		text += "; it " + n.Sentence
	}
	return text
}

func wide(v gum.Value) bool { return float64(coverageFactor*v.U()) > float64(WideShare*math.Abs(v.V)) }

// budget lists the shares of v's variance.
func budget(v gum.Value) (parts []BudgetPart) {
	var rest float64
	for _, share := range v.Shares() {
		if share.Of < leastShare {
			rest += share.Of
			continue
		}
		parts = append(parts, BudgetPart{share.Input, share.Of})
	}
	if rest > 0 {
		parts = append(parts, BudgetPart{otherParts, rest})
	}
	return parts
}
