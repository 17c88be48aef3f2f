package replay

import (
	"errors"
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

// TestTrimKeepsWhatItHolds: a trim of variable speed of which it is known what it holds
// is not pressed into the base machine's band, where its pressure may lie above the
// cut-out; a name that is none is told where it stands.
func TestTrimKeepsWhatItHolds(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.9))
	common := []Setting{{"add.trim", "drive-25hp"}, {"trim.cut_in", "100 psi"}, {"trim.cut_out", "120 psi"}, {"trim.target", "110 psi"}, {"trim", "trim"}}
	p, err := st.planOf(Alternative{Set: append(common, Setting{"base", "comp1"})})
	if err != nil {
		t.Fatal(err)
	}
	a := st.applied(&p, shift{}, noise{})
	if m := a.Plant.Machines[1]; len(a.Plant.Rotations) != 0 || math.Abs(m.TargetPa-110*psi) > 1 || math.Abs(m.CutOutPa-120*psi) > 1 {
		t.Errorf("one base machine: %+v, %+v", a.Plant.Rotations, m)
	}
	if !strings.Contains(strings.Join(p.remarks, "\n"), "trim keeps its own band") {
		t.Errorf("it is not told: %q", p.remarks)
	}
	a, err = st.Apply(Alternative{Set: append(common, Setting{"add.second", "screw-20hp"}, Setting{"base", "comp1, second"})})
	if err != nil || len(a.Plant.Rotations) != 1 || len(a.Plant.Rotations[0].Members) != 2 || math.Abs(a.Plant.Machines[1].CutOutPa-120*psi) > 1 && a.Plant.Machines[1].Name == "trim" {
		t.Errorf("two base machines: %v, %+v", err, a.Plant)
	}
	_, err = st.Apply(Alternative{Set: []Setting{{"add.trim", "drive-25hp"}, {"trim.target", "110 psi"}, {"order", "fixed"}, {"first", "comp1, trim"}}})
	if err == nil || !strings.Contains(err.Error(), "110.0 psi, is not below the cut-out of 100.0 psi") || !strings.Contains(err.Error(), "less 5 psi for its place") {
		t.Errorf("ranked behind a lower band: got %v", err)
	}
	for field, wrong := range map[string][]Setting{"trim": {{"base", "comp1"}, {"trim", "comp9"}}, "base": {{"base", "comp9"}, {"trim", "comp1"}}} {
		_, err := st.Apply(Alternative{Set: append(wrong, Setting{"add.second", "screw-20hp"})})
		if bad := (*RequestError)(nil); !errors.As(err, &bad) || bad.Field != field {
			t.Errorf("got %v, want an error at %s", err, field)
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
