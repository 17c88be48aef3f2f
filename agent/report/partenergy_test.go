package report

import (
	"slices"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
)

// TestCycles: the classes as the figure has them.
func TestCycles(t *testing.T) {
	d := shopWeek(t)
	for i := range d.Figures.Machines[0].Figures {
		if f := &d.Figures.Machines[0].Figures[i]; f.Name == "mean_load_cycle" {
			f.Unit = "s"
			f.Distribution = []analysis.Class{{From: 60, To: fig(90), Count: 4}, {From: 90, To: fig(120), Count: 0}, {From: 120, To: fig(180), Count: 7}, {From: 3600, Count: 1}}
		}
	}
	b := built(d)
	all := cycles(b)
	says(t, plainText(t, b, all), "Mean cycle | 10 min", "12 whole cycles; the commonest length is 2 to 3 min, in 7 of them.")
	bars := chartOf(t, all, "cycles-comp1-1").Bars
	var names []string
	for _, bar := range bars.Bars {
		names = append(names, bar.Name)
	}
	if want := []string{"60 to 90 s", "90 to 120 s", "2 to 3 min", "over 60 min"}; !slices.Equal(names, want) || bars.Bars[1].Values[0] != 0 || bars.Bars[2].Label != "7" {
		t.Errorf("classes %v, want %v", names, want)
	}
	b = built(shop(nil))
	b.data.Figures.Machines[0].Figures = []analysis.Figure{{Name: "load_cycles", Absent: "no loaded signal"}}
	says(t, plainText(t, b, cycles(b)), "[gap] No load cycles", "No loaded signal.")
}

// TestUnloadSection: curves in the site's units, no more than can be told apart, their
// table with its notes; sentences of the analysis as they are.
func TestUnloadSection(t *testing.T) {
	d := shopWeek(t)
	d.Figures.Machines[0].Figures = append(d.Figures.Machines[0].Figures, analysis.Figure{Name: "power_unloaded_settled", Value: fig(9.5), Unit: "kW"})
	d.Figures.Machines[0].Tables = []analysis.Table{{Name: "unloads", Columns: []analysis.Column{{Name: "unloads", Unit: "1"}, {Name: "residual pressure", Unit: "kPa"}},
		Rows: []analysis.Row{{Name: "20 s to 60 s", Values: []*float64{fig(80), nil}}}, Method: "unloads seen whole"}}
	u := analysis.Unloads{Machine: "comp1", Total: 80, PowerUnit: "kW", SumpUnit: "kPa", Sentences: []string{"46 of 80 unloads settled."}, Notes: []string{"curves of 60 of 80 unloads, evenly chosen"}}
	for range 60 {
		u.Unloads = append(u.Unloads, analysis.UnloadCurve{Power: [][2]float64{{-5, 34}, {30, 9.5}}, Sump: [][2]float64{{-5, 800}, {30, 200}}})
	}
	u.Unloads = append(u.Unloads, analysis.UnloadCurve{}) // seen, not read
	d.Unloads = map[string]analysis.Unloads{"comp1": u}
	b := built(d)
	all := unloadSection(b)
	says(t, plainText(t, b, all), "46 of 80 unloads settled.", "not: evenly chosen", "30 of 80 unloads", "The lowest reading is 9.5 kW", "The lowest reading is 29 psi", "20 s to 60 s | 80 | –", "Unloads seen whole.")
	power, sump := chartOf(t, all, "unload-power-comp1-1").Lines, chartOf(t, all, "unload-sump-comp1-1").Lines
	if len(power.Series) != mostCurves || power.Y.Unit != "kW" || power.Limits[0] != (chart.Limit{At: 9.5, Name: "settled, 9.5 kW"}) {
		t.Errorf("%d curves in %s, limits %v", len(power.Series), power.Y.Unit, power.Limits)
	}
	// 200 kPa are 29.008 psi.
	if sump.Y.Unit != "psi" || sump.Series[0].Y[1] != 29.008 {
		t.Errorf("sump pressure %v %s", sump.Series[0].Y[1], sump.Y.Unit)
	}
	u.PowerUnit, u.Unloads, d.Unloads["comp1"] = "A", u.Unloads[:1], u
	d.Unloads["comp1"] = u
	if c := chartOf(t, unloadSection(built(d)), "unload-power-comp1-1"); c.Title != "Current of comp1 after each unload" || len(c.Lines.Series) != 1 || c.Lines.Series[0].Thin {
		t.Errorf("of a current: %q, %d curves", c.Title, len(c.Lines.Series))
	}
}

// TestEnergySection: the tables of the figures with each value's place, the same numbers
// in the pictures, and a year by hand (TestAnswer has it).
func TestEnergySection(t *testing.T) {
	d := shopWeek(t)
	d.Figures.Machines[0].Tables = []analysis.Table{{Name: "energy_by_state", Method: "integral",
		Columns: []analysis.Column{{Name: "time", Unit: "s"}, {Name: "energy", Unit: "kWh"}, {Name: "uncertainty", Unit: "kWh"}, {Name: "share of energy", Unit: "1"}, {Name: "cost", Unit: "USD"}},
		Rows: []analysis.Row{
			{Name: "unloaded", Values: []*float64{fig(72_000), fig(200), fig(2), fig(1.0 / 6), fig(20)}, Note: "idling"},
			{Name: "loaded", Values: []*float64{fig(72_000), fig(1000), fig(10), fig(5.0 / 6), fig(100)}},
			{Name: "all", Values: []*float64{nil, fig(1200), fig(12), fig(1), fig(120)}},
		}}}
	d.Figures.Systems[0].Tables = []analysis.Table{{Name: "energy_by_period", Columns: []analysis.Column{{Name: "energy", Unit: "kWh"}, {Name: "cost", Unit: "USD"}},
		Rows: []analysis.Row{{Name: "day", Values: []*float64{fig(900), fig(90)}}, {Name: "night", Values: []*float64{fig(300), fig(30)}}, {Name: "all", Values: []*float64{fig(1200), fig(120)}}}}}
	b := built(d)
	all := energySection(b)
	says(t, plainText(t, b, all), "main used 1200 ± 12 kWh of electricity. Measured how: integral of power.", "Cost of the energy: 120.0 ± 1.2 USD",
		"unloaded | 20 h | 200.0 ± 2.0 | 17 | 20.00", "all | – | 1200 ± 12 | 100 | 120.00", "Unloaded: idling.", "night | 300.0 | 30.00",
		"Energy and demand together | 6000 ± 60 USD", "Electricity | 60000 ± 600 kWh", "Not told: demand charge in a year (demand_cost is not known of this window).", "Unloaded 200.0 kWh, loaded 1000 kWh.")
	bars := chartOf(t, all, "energy-state-comp1-1").Bars
	if len(bars.Bars) != 2 || bars.Bars[1].Values[0] != 1000 || bars.Bars[1].Low != 990 || bars.Bars[1].High != 1010 {
		t.Errorf("energy by state: %+v", bars.Bars)
	}
	if cost := chartOf(t, all, "cost-period-main-1").Bars; len(cost.Bars) != 2 || cost.Bars[0].Label != "90.00 USD" {
		t.Errorf("cost by period: %+v", cost.Bars)
	}
	b = built(shop(nil))
	says(t, plainText(t, b, energySection(b)), "[gap] The energy of main is not known", "[gap] Energy is not told by state", "[gap] No year of main")
}

// TestYearsStandInOrder: machines first, then systems, as findings and sections look
// them up.
func TestYearsStandInOrder(t *testing.T) {
	doc := Build(Made{}, shopWeek(t))
	var of []string
	for _, y := range doc.Year {
		of = append(of, y.Subject)
	}
	if want := []string{"machine comp1", "system main"}; !slices.Equal(of, want) {
		t.Errorf("years of %v, want %v", of, want)
	}
	ids := map[string]bool{}
	for _, s := range doc.Sections {
		if ids[s.ID] {
			t.Errorf("section %q twice", s.ID)
		}
		ids[s.ID] = true
	}
	for _, id := range []string{"answer", "days", "duty", "starts", "load-cycles", "unloads", "energy", "energy-by-state", "year"} {
		if !ids[id] {
			t.Errorf("no section %q", id)
		}
	}
}
