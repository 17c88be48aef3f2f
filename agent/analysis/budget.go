package analysis

import (
	"math"

	"loadscribe/agent/gum"
)

const (
	leastShare = 0.01 // of the variance: what brings less is put with the others
	otherParts = "others"
	// A figure is wide whose uncertainty is more than this part of its value.
	wideShare = 0.05
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

// explain gives a figure that was put its budget and what would narrow it.
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
	s.figures[name] = f
	return &f
}

func wide(v gum.Value) bool { return float64(coverageFactor*v.U()) > float64(wideShare*math.Abs(v.V)) }

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
