package report

import (
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
)

// lowShop is a shop whose pressure was too low for half an hour of the shifts, for a
// share of it without a machine that ran; its machine loads twice a minute.
func lowShop(share, half float64) *Data {
	d := shop(nil)
	d.FromMS, d.ToMS = 0, 7*86_400_000
	put(d, "comp1", "load_cycles_per_hour", 120, 0)
	put(d, "main", "time_below_minimum_shift", 1800, 100)
	put(d, "main", "standing_below_minimum_share", share, half)
	return d
}

func lowFinding(t *testing.T, d *Data) *Finding {
	t.Helper()
	b := &builder{data: d, doc: &Document{}}
	b.ask()
	for i := range b.doc.Findings {
		if b.doc.Findings[i].Rule == "pressure-low" {
			return &b.doc.Findings[i]
		}
	}
	t.Fatal("the pressure is low, and no rule says so")
	return nil
}

// TestLowWhileNothingRan: where no machine ran for most of the low time, surely, the
// advice is when machines start and not the peaks of users. The half is docs/findings.md's.
func TestLowWhileNothingRan(t *testing.T) {
	unseen := lowShop(0.69, 0.1)
	put(unseen, "comp1", "unobserved_time", 400, 0) // in which it may have run
	unknown := lowShop(0, 0)
	unknown.Figures.Systems[0].Figures = unknown.Figures.Systems[0].Figures[:1]
	for name, c := range map[string]struct {
		d     *Data
		stood bool
	}{
		"most":                  {lowShop(0.69, 0.1), true},
		"perhaps not most":      {lowShop(0.55, 0.1), false},
		"little":                {lowShop(0.1, 0.02), false},
		"most, seen in part":    {unseen, false},
		"not known who ran":     {unknown, false},
		"all, and sure of that": {lowShop(1, 0), true},
	} {
		f := lowFinding(t, c.d)
		advice := ""
		for _, r := range f.Advice {
			advice += r.Text
		}
		told := strings.Contains(f.Title, "while no machine runs")
		if told != c.stood || told != strings.Contains(advice, "before the shift") || told == strings.Contains(advice, "who take much for seconds") {
			t.Errorf("%s: %q, advice %q", name, f.Title, advice)
		}
		if told && !strings.Contains(f.Caution, "moves without warning") {
			t.Errorf("%s: caution %q", name, f.Caution)
		}
	}
	d := lowShop(0.69, 0.1)
	b := built(d)
	b.ask()
	says(t, plainText(t, b, findings(b)), "of it while no machine ran: 69 ± 10 %", "from running for 69 % of the low time")
}

// TestIdlingCostsWhatNobodyPlayed: what idling costs stands in place of a saving where no
// shorter stop was played; where one was, and saves nothing, there is no sum.
func TestIdlingCostsWhatNobodyPlayed(t *testing.T) {
	d := shopWeek(t)
	put(d, "comp1", "energy_unloaded", 480, 10)
	put(d, "comp1", "starts_per_hour_max", 20, 0, 8)
	b := built(d)
	for i := range b.doc.Year {
		known := slices.DeleteFunc(b.doc.Year[i].Figures, func(f analysis.Figure) bool { return f.Name == "unloaded_cost_year" })
		b.doc.Year[i].Figures = append(known, analysis.Figure{Name: "unloaded_cost_year", Value: fig(2400), Uncertainty: fig(50), Unit: "USD"})
	}
	b.ask()
	text := plainText(t, b, findings(b)) + plainText(t, b, answer(b))
	says(t, text, "What it costs now in a year. 2400 ± 50 USD", "Costs now, in a year: 2400 ± 50 USD", "What following this would bring of it is not told")
	if first := &b.doc.Findings[0]; first.Rule != "starts" || !first.Broken {
		t.Errorf("first stands %s, want the limit that is broken", first.Rule)
	}
	b.doc.Findings = nil
	d.Replays = []replay.Answer{{System: "main", Results: []replay.Result{{Name: "sooner", Set: []replay.Setting{{Key: "comp1.no_load_stop", Value: "1m"}}}}}}
	b.ask()
	for i := range b.doc.Findings {
		if f := &b.doc.Findings[i]; f.Cost != nil {
			t.Errorf("%s costs %v, though a stop was played that saves nothing", f.Rule, f.Cost)
		}
	}
}
