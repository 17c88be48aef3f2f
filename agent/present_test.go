package agent

import (
	"testing"

	"loadscribe/agent/analysis"
)

// A running agent tells of cycles and of times below the minimum up to the
// present, as it does of figures, however long ago the last reading came: else
// their coverage would be another than that of the figures beside them.
func TestCyclesEndAtThePresent(t *testing.T) {
	site, h := storyOf(t)
	h.Close()
	const last, later = testStartMS + storyEnd*1000, 3 * 3_600_000
	a, err := Open(site, Options{Dial: noLine, Clock: &manualClock{mono: 1000, wall: last + later}})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	rep, err := a.Figures(testStartMS, last+2*later, "m")
	if err != nil {
		t.Fatal(err)
	}
	c, err := a.Cycles("m", analysis.CyclesQuery{FromMS: testStartMS, ToMS: last + 2*later, Limit: 10})
	if err != nil || c.To != rep.To {
		t.Errorf("cycles to %s (%v), figures to %s", c.To, err, rep.To)
	}
	for _, f := range rep.Machines[0].Figures {
		if f.Name == "starts" && *f.Coverage != c.Coverage {
			t.Errorf("coverage %v, that of the figures is %v", c.Coverage, *f.Coverage)
		}
	}
	if _, err := a.BelowMinimum("nowhere", testStartMS, last); err == nil {
		t.Error("a system that is not there is no error")
	}
}
