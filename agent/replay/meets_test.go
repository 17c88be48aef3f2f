package replay

import (
	"testing"

	"loadscribe/agent/analysis"
)

// TestMeetsIsTheFit: what one play says of a record is what a whole evaluation says, for
// one that is met, one that is not, and one that cannot be replayed.
func TestMeetsIsTheFit(t *testing.T) {
	site := joinery(t)
	off := steady(site, 0.5)
	off.Measured.Energy.V *= 1.1
	for _, c := range []struct {
		name string
		rec  analysis.ReplayRecord
		poor bool
	}{
		{"met", steady(site, 0.5), false},
		{"a tenth off", off, true},
		{"nothing known", analysis.ReplayRecord{System: "main", Absent: "no rated flow"}, true},
	} {
		st := studyOf(t, site, c.rec)
		got, err := st.Meets(t.Context())
		if err != nil || got.Poor != c.poor {
			t.Errorf("%s: poor %v, %v; want %v", c.name, got.Poor, err, c.poor)
		}
		if want := try(t, st).Fit; c.rec.Absent == "" && got != want {
			t.Errorf("%s: %+v, evaluated %+v", c.name, got, want)
		}
	}
}
