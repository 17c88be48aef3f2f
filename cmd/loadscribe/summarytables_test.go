package main

import (
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
)

func TestPrintTable(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	table := analysis.Table{
		Name:    "energy_by_period",
		Columns: []analysis.Column{{Name: "observed", Unit: "s"}, {Name: "energy", Unit: "kWh"}, {Name: "price", Unit: "USD/kWh"}, {Name: "cost", Unit: "USD"}, {Name: "share", Unit: "1"}},
		Rows: []analysis.Row{
			{Name: "peak", Values: []*float64{v(7200), v(72.26), v(0.171), v(12.3565), v(0.25)}, Note: "the month is not over"},
			{Name: "all", Values: []*float64{v(28_800), v(1234.6), nil, v(150), v(0)}},
		},
	}
	var out strings.Builder
	if err := printTable(&out, &table, quantity.US); err != nil {
		t.Fatal(err)
	}
	want := `  energy_by_period
          observed  energy [kWh]  price [USD/kWh]  cost [USD]  share
    peak  2h0m      72.26         0.1710           12.36       0.2500  (1)
    all   8h0m      1235          -                150.00      0
    (1) peak: the month is not over
`
	if got := out.String(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}
