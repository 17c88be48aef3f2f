package workbook

import (
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
	"loadscribe/agent/report"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

func number(v float64) *float64 { return &v }

// hostile names, as a site file may have them.
const (
	asFormula = `=cmd|'/c calc'!A1`
	asMarkup  = `<script>alert("x")</script>`
)

// sample is a small document with every kind of sheet filled, invented. Its costs are
// reckoned by hand: 100 kWh at 0.12 and 40 kWh at 0.20 are 12 and 8; 30 kW at 14 for a
// quarter of the month are 105.
func sample(t *testing.T) *report.Document {
	t.Helper()
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	site := &sitefile.Site{Name: asMarkup, Location: zone, Units: quantity.US, Machines: []sitefile.Machine{{Name: asFormula}}}
	site.Tariff.Currency = "USD"
	tables := []analysis.Table{
		{Name: "energy_by_period", Columns: []analysis.Column{{Name: "observed", Unit: "s"}, {Name: "energy", Unit: "kWh"}, {Name: "uncertainty", Unit: "kWh"}, {Name: "price", Unit: "USD/kWh"}, {Name: "cost", Unit: "USD"}},
			Rows: []analysis.Row{
				{Name: "other times", Values: []*float64{number(3600), number(100), number(1), number(0.12), number(12)}},
				{Name: "Mon-Fri 12:00-18:00", Values: []*float64{number(3600), number(40), number(1), number(0.2), number(8)}},
				{Name: "all", Values: []*float64{number(7200), number(140), number(2), nil, number(20)}},
			}},
		{Name: "demand_by_month", Columns: []analysis.Column{{Name: "own peak", Unit: "kW"}, {Name: "own part", Unit: "kW"}, {Name: "price", Unit: "USD/kW"}, {Name: "share of the month", Unit: "1"}, {Name: "cost", Unit: "USD"}},
			Rows: []analysis.Row{{Name: "from 2026-03-01, all times", Values: []*float64{number(31), number(30), number(14), number(0.25), number(105)}}}},
		{Name: "air_demand_duration", Columns: []analysis.Column{{Name: "demand", Unit: "m³/min"}, {Name: "uncertainty", Unit: "m³/min"}, {Name: "time above", Unit: "s"}},
			Rows: []analysis.Row{{Name: "1 %", Values: []*float64{number(4), number(0.4), number(60)}}, {Name: "50 %", Values: []*float64{number(1), number(0.2), number(3000)}}}},
	}
	figures := []analysis.Figure{
		{Name: "energy", Value: number(140), Unit: "kWh", Uncertainty: number(2), Coverage: number(0.5), AtLeast: true, Method: "counter"},
		{Name: "energy_cost", Value: number(20), Unit: "USD"}, {Name: "demand_cost", Value: number(105), Unit: "USD"},
		{Name: "pressure_mean", Value: number(689.4757293), Unit: "kPa", Uncertainty: number(6.894757293),
			Budget: []analysis.BudgetPart{{Input: "accuracy of meter, power", Share: 0.9999999932}, {Input: "others", Share: 6.8e-9}}},
		{Name: "flow_mean", Absent: "no flow meter"}, {Name: "leak_flow", Absent: analysis.NotOfMachine},
	}
	doc := &report.Document{Title: "Compressed air at " + asMarkup, Made: report.Made{Version: "1", At: "2026-03-09T08:00:00Z", From: "2026-03-02T06:00:00.000Z", To: "2026-03-02T07:00:00.000Z", Site: site.Name},
		Findings: []report.Finding{{Rule: "x", Subject: asFormula, Title: strings.Repeat("long ", 60), Evidence: []report.Text{{{Text: "one"}}, {{Text: "two"}}}, Advice: report.Text{{Text: "do"}},
			Effect: &report.Effect{Money: &report.Amount{Value: 5, Half: number(1)}, Assumes: "as the week"}}},
		Year: []report.YearOf{{Subject: "machine " + asFormula, Figures: []analysis.Figure{{Name: "energy_cost_year", Value: number(1000), Unit: "USD", Uncertainty: number(50), Method: "fifty weeks like this one"}}}}}
	doc.Data = &report.Data{Site: site, Figures: analysis.Report{Machines: []analysis.MachineFigures{{Machine: asFormula, Figures: figures, Tables: tables}}},
		Demand: []analysis.Demand{{System: "main", Steps: []analysis.DemandStep{
			{Start: "2026-03-02T06:00:00Z", Flow: number(0.1), U: number(0.01), Pressure: number(700000), Seen: 1},
			{Start: "2026-03-02T06:15:00Z", Seen: 0}}}},
		Intervals: map[string][]analysis.Interval{asFormula: {
			{Start: "2026-03-02T05:45:00Z", ObservedS: 900, States: map[string]float64{"loaded": 600, "off": 300}, EnergyKWh: number(6), Starts: 1, LoadCycles: 3},
			{Start: "2026-03-02T06:00:00Z", ObservedS: 900, States: map[string]float64{"loaded": 900}, EnergyKWh: number(9), LoadCycles: 2},
			{Start: "2026-03-02T06:15:00Z", ObservedS: 100, States: map[string]float64{"unloaded": 100}}}},
		Events: []store.Event{{WallMS: 1772431200123, Kind: "note", Subject: "@SUM(A1)", Text: "\x00control\x1b and +1-1"}},
		Replays: []replay.Answer{{System: "main", Results: []replay.Result{
			{Name: asFormula, Set: []replay.Setting{{Key: "volume", Value: "400 gal"}}, SavedKWh: replay.Amount{Value: number(10), Interval: number(2)},
				SavedCost: replay.Amount{Value: number(2.5)}, SavedYear: replay.Amount{Value: number(125)}},
			{Name: "cannot", Absent: "no such machine"}}}, {System: "annex", Absent: "no states"}},
	}
	return doc
}
