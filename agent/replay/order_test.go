package replay

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/replay/engine"
)

// TestBaseAndTrim: a base machine stands first in a fixed order and the trim behind it,
// a step lower; a trim that follows less than the base gives leaves a control gap,
// which is told, and one that follows more leaves none (rule of the trade, common
// practice, no source).
func TestBaseAndTrim(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.9))
	set := func(id string) Alternative {
		return Alternative{Set: []Setting{{"add.trim", id}, {"base", "comp1"}, {"trim", "trim"}, {"band_step", "5 psi"}}}
	}
	a, err := st.Apply(set("drive-25hp"))
	if err != nil {
		t.Fatal(err)
	}
	r := a.Plant.Rotations
	if len(r) != 1 || r[0].Members[0] != 0 || r[0].Members[1] != 1 || !math.IsInf(r[0].EveryS, 1) || math.Abs(r[0].StepPa-5*psi) > 1 {
		t.Fatalf("order: %+v", r)
	}
	if m := a.Plant.Machines[1]; m.Control != engine.VariableSpeed || m.TargetPa <= m.CutInPa || m.TargetPa >= m.CutOutPa {
		t.Errorf("trim: %+v", m)
	}
	for id, gap := range map[string]bool{"drive-25hp": true, "drive-100hp": false} {
		got, err := st.Evaluate(t.Context(), []Alternative{set(id)}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if told := strings.Contains(strings.Join(got.Results[0].Remarks, "\n"), "control gap: trim follows the demand"); told != gap {
			t.Errorf("%s: gap told %v, want %v: %q", id, told, gap, got.Results[0].Remarks)
		}
	}
}

// TestRotationBeginsAtMidnight: turns are counted from the first local midnight. The
// window begins at 18:00 in Chicago.
func TestRotationBeginsAtMidnight(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.5))
	for every, first := range map[string]float64{"24 h": 6 * 3600, "5 h": 2 * 3600} {
		a, err := st.Apply(Alternative{Set: []Setting{{"add.second", "screw-50hp"}, {"order", "rotating"}, {"first", "second"}, {"rotate_every", every}}})
		if err != nil {
			t.Fatal(err)
		}
		r := a.Plant.Rotations[0]
		if r.FirstS != first || r.Members[0] != 1 || r.Members[1] != 0 {
			t.Errorf("every %s: %+v, want the first turn after %g s, second before comp1", every, r, first)
		}
	}
}
