package main

import (
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// TestPrintShort: the answers come first, under the names they have below; what
// cannot be had says why, and a machine without a system answers for itself.
func TestPrintShort(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	figures := []analysis.Figure{
		{Name: "energy", Value: v(3346), Uncertainty: v(39), Unit: "kWh"},
		{Name: "energy_cost", Value: v(430.64), Uncertainty: v(4.97), Unit: "USD"},
		{Name: "demand_cost", Absent: "the tariff has no demand charge"},
		{Name: "air_delivered", Value: v(13000), Uncertainty: v(1100), Unit: "m³", Narrower: &analysis.Narrower{Sentence: "rests on the nameplate; a pump-up test makes it ±5 %"}},
		{Name: "leak_flow", Note: "at 6 bar", Value: v(0.6), Uncertainty: v(0.05), Unit: "m³/min", Budget: []analysis.BudgetPart{{Input: "rated flow of comp1 (assumed)", Share: 0.372}, {Input: "others", Share: 0.628}}},
		{Name: "leak_cost", Value: v(3142.68), Uncertainty: v(225.08), Unit: "USD", Denominator: "a year", AtLeast: true, AtLeastWhy: "leaks grow on"},
	}
	const answers = `  electricity  energy         3346 ± 39 kWh
               energy_cost    430.6 ± 5.0 USD
               demand_cost    not to be had: the tariff has no demand charge
  air          air_delivered  13000 ± 1100 m³
`
	const surer = "  air_delivered rests on the nameplate; a pump-up test makes it ±5 %\n"
	const noOne = "  leak_flow: no one thing would make it a quarter surer; most comes from rated flow of comp1 (assumed), 37 %\n"
	site := &sitefile.Site{Units: quantity.SI}
	for _, c := range []struct {
		name, want string
		report     analysis.Report
	}{
		{"a system", "\nin short, system main\n" + answers + "  leaks        leak_flow      0.600 ± 0.050 m³/min, at 6 bar\n               leak_cost      at least 3140 ± 230 USD a year, a lower bound, since leaks grow on\n" + surer + noOne + "  with care: of what the data themselves show, 2 to be read below\n",
			analysis.Report{Machines: []analysis.MachineFigures{{Machine: "comp1"}}, Systems: []analysis.SystemFigures{{System: "main", Figures: figures, Findings: make([]analysis.Finding, 2)}}}},
		{"a machine alone", "\nin short, machine comp1\n" + answers + surer,
			analysis.Report{Machines: []analysis.MachineFigures{{Machine: "comp1", Figures: append(figures[:4:4], analysis.Figure{Name: "leak_cost", Absent: analysis.NotOfMachine})}}}},
	} {
		var out strings.Builder
		if err := printShort(&out, &c.report, site); err != nil {
			t.Fatal(err)
		}
		if got := out.String(); got != c.want {
			t.Errorf("%s:\ngot\n%s\nwant\n%s", c.name, got, c.want)
		}
	}
}

// TestFlowDecimals: a table's flows have the places of its largest, and noise of the
// last place has no sign.
func TestFlowDecimals(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	grid := analysis.Table{Name: "profile", Columns: []analysis.Column{{Name: "Mon", Unit: "m³/min"}, {Name: "Tue", Unit: "m³/min"}},
		Rows: []analysis.Row{{Name: "00:00", Values: []*float64{v(-0.00012), v(0.58)}}, {Name: "07:00", Values: []*float64{v(12.345), nil}}}}
	var out strings.Builder
	if err := printTable(&out, &grid, quantity.SI); err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(strings.Fields(out.String()), " "); !strings.HasSuffix(got, "00:00 0.00 0.58 07:00 12.35 -") && !strings.HasSuffix(got, "00:00 0.00 0.58 07:00 12.34 -") {
		t.Errorf("got %s", got)
	}
}

// TestLongBasis: the ground of a limit that would make its line too long to read
// stands below.
func TestLongBasis(t *testing.T) {
	value, limit := 0.8, 0.7
	basis := strings.Repeat("by some rule ", 8)
	var out strings.Builder
	if err := printFigures(&out, "x", []analysis.Figure{{Name: "isentropic_efficiency", Value: &value, Unit: "1", Limit: &limit, LimitBasis: basis}}, quantity.SI); err != nil {
		t.Fatal(err)
	}
	if got := out.String(); !strings.Contains(got, "beside 0.7000 (1)\n") || !strings.Contains(got, "(1) isentropic_efficiency: "+basis) {
		t.Errorf("got %s", got)
	}
}
