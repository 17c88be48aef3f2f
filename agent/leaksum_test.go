package agent

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

func within(t *testing.T, what string, got, want, share float64) {
	t.Helper()
	if !(math.Abs(got/want-1) <= share) {
		t.Errorf("%s: %.6g, want %.6g", what, got, want)
	}
}

func quietFigures(pressureKPa, flow, half, cost float64) []analysis.Figure {
	return []analysis.Figure{{Name: "quiet_pressure", Value: &pressureKPa}, {Name: "leak_flow", Value: &flow, Uncertainty: &half}, {Name: "leak_cost", Value: &cost}}
}

// A sharp hole of 3 mm at 6 bar over 101.325 kPa, 0.65, by the handbooks'
// W[lb/s] = 0.5303·C·A[in²]·p[psia]/√T[°R] (read): 0.5303·0.65·0.010956·101.72/√527.67 =
// 0.016723 lb/s, 0.0075853 kg/s, of 1.2041 kg/m³: 0.0063 m³/s. Behind half a bar the air is
// slower than sound, and nothing is said.
func TestHoleByTheHandbook(t *testing.T) {
	site := &sitefile.Site{BarometerPa: 101_325}
	flow, ok := holeFlowM3S(site, 0.003, 0.65, 600_000)
	if !ok {
		t.Fatal("no flow")
	}
	within(t, "a hole of 3 mm", flow, 0.0063, 0.005)
	if flow, ok := holeFlowM3S(site, 0.003, 0.65, 50_000); ok {
		t.Errorf("a hole at half a bar: %g m³/s", flow)
	}
}

// Measured are 1.2 ± 0.3 m³/min, which cost 2400 a year: 0.02 ± 0.005 m³/s, 120 000 for
// each m³/s. Two tags of one flow, each within half (rectangular: 2·0.5/√3 = 0.5774 of it),
// are together within 0.8165 of one. Two were mended until the measure began, and nothing
// of their leak is in it; one after, and some is.
func TestLeaksAddUpByHand(t *testing.T) {
	h := &History{site: &sitefile.Site{BarometerPa: 101_325, Units: quantity.US}}
	const begin = 1_772_500_000_000
	hole := 0.003
	tag := func(state string, mended int64) LeakTag {
		return LeakTag{State: state, HoleM: &hole, Coefficient: 0.65, Mended: Stamp(mended)}
	}
	of := func(flow float64, tags ...LeakTag) *Leaks {
		l := &Leaks{}
		l.measured(quietFigures(600, flow, flow/4, 2400))
		for _, x := range tags {
			l.add(h, x, begin)
		}
		l.compare()
		return l
	}
	l := of(1.2, tag("open", 0), tag("open", 0), tag("mended", begin), tag("mended", begin-1), tag("mended", begin+1), tag("withdrawn", 0))
	one := *l.Tags[0].FlowM3S
	within(t, "pressure", *l.Pressure, 600_000, 1e-12)
	within(t, "measured", l.Measured.FlowM3S, 0.02, 1e-12)
	within(t, "its interval", l.Measured.U, 0.005, 1e-12)
	within(t, "open", l.Open.FlowM3S, 2*one, 1e-12)
	within(t, "its interval", l.Open.U, 0.8165*one, 1e-4)
	within(t, "a year's cost of the open", *l.Cost, 120_000*2*one, 1e-12)
	within(t, "untagged", l.Untagged.FlowM3S, 0.02-2*one, 1e-12)
	if l.Open.Count != 2 || l.Mended.Count != 3 || l.since.Count != 1 {
		t.Errorf("open %+v, mended %+v, since then %+v", l.Open, l.Mended, l.since)
	}
	// 0.0126 ± 0.00514 m³/s of 0.02 ± 0.005: 0.0074 are left, of which 0.0072 may be chance;
	// 0.02 m³/s are 42.4 cfm.
	for _, c := range []struct {
		flow float64
		want []string
	}{
		{1.2, []string{"2 tags make ", "of 42 ± 11 cfm measured", "have no tag yet."}},
		{0.8, []string{"as much, within what both are known to."}},
		{0.2, []string{"more than leaks."}},
	} {
		said := of(c.flow, tag("open", 0), tag("open", 0)).say(h)
		for _, want := range c.want {
			if !strings.Contains(said, want) {
				t.Errorf("of %g m³/min: %q has no %q", c.flow, said, want)
			}
		}
	}
}

// Of two systems each has its own tags; with several to choose from, a new tag says
// which, and an old one is not moved.
func TestLeakTagsOfTwoSystems(t *testing.T) {
	rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), historySite, historyMap), Options{Clock: &manualClock{wall: testStartMS}})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	h := rec.history
	h.site.Systems = []sitefile.System{{Name: "main"}, {Name: "paint shop"}}
	keep := func(e LeakTagEntry) (store.Event, error) { return h.tagLeak(e, h.Now()) }
	if _, err := keep(LeakTagEntry{Place: "hose", Who: "R. Vale"}); err == nil {
		t.Error("a tag of no system is kept")
	}
	for _, system := range []string{"main", "paint shop"} {
		if _, err := keep(LeakTagEntry{Place: "hose", Who: "R. Vale", System: system}); err != nil {
			t.Fatal(err)
		}
	}
	l, err := h.leaks("paint shop", testStartMS, testStartMS+1000, h.Now())
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Tags) != 1 || l.Open.Count != 1 || l.Tags[0].System != "paint shop" {
		t.Errorf("the paint shop has %+v", l.Tags)
	}
	if _, err := keep(LeakTagEntry{Action: "mended", Tag: l.Tags[0].Tag, Who: "R. Vale", System: "main"}); err == nil {
		t.Error("a tag is moved to another system")
	}
}
