package main

import (
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// What the commands print of an answer, to people who count in cfm and psi. By hand: 7
// m³/min are 247.2 cfm and 0.0063 m³/s 13.3; 10 kPa are 1.450 psi, 13.7895 are 2, 650 kPa 94.27; an hour from
// 17:00 UTC begins at 11:00 in Chicago in winter.
func TestMoneyAsPrinted(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	site := &sitefile.Site{Name: "Test", Location: chicago, Units: quantity.US}
	v := func(x float64) *float64 { return &x }
	m := &analysis.Money{Kind: "system", Subject: "main", From: "2026-03-02T06:00:00Z", To: "2026-03-03T06:00:00Z", Currency: "USD",
		Prices: []analysis.MoneyPrice{{Name: "night", PerKWh: 0.1}, {Name: "day", PerKWh: 0.2}},
		Split: analysis.MoneySplit{RestKWh: -1.5, RestCost: v(-0.25), States: []analysis.MoneyState{{State: "loaded", TimeS: 7200, EnergyKWh: 60, EnergyU: 2, Cost: v(9), CostU: v(0.3),
			ByPrice: []analysis.MoneyPart{{EnergyKWh: 30, Cost: 3}, {EnergyKWh: 30, Cost: 6}}}}},
		Hours: analysis.MoneyHours{Rows: make([]analysis.MoneyHour, 24), Dearest: []int{11}, HalfHours: 6, HalfShare: 0.25},
		Bills: []analysis.MoneyBill{{Charge: "all times", From: "2026-03-01T06:00:00Z", PerKW: 10, PeakKW: 160, PeakFrom: "2026-03-02T17:00:00Z", PeakTo: "2026-03-02T17:15:00Z",
			BilledKW: 200, OwnKW: 15, Share: 0.25, Cost: 37.5, AtLeast: true, Note: "not over"}},
		Duration: analysis.MoneyDuration{Covers: []analysis.MoneyCover{{Machine: "comp2", Flow: 3, UpTo: 7, Above: 180, Share: 0.3}}},
		Pressure: []analysis.PressureCost{{Machine: "comp1", Pressure: 650, Basis: "isentropic", Steps: []analysis.PressureStep{{Step: 10}, {Step: 13.78951}}, Handbook: "1 %"}}}
	m.Hours.Rows[11] = analysis.MoneyHour{From: "2026-03-02T17:00:00Z", EnergyKWh: 30, Cost: v(6)}
	prints(t, func(out *strings.Builder) error { return printMoney(out, m, site) },
		"loaded 2 h 60.0 2.0 9.00 0.30 3.00 6.00", "of no state -1.5 -0.25",
		"half of it fell in 6 hours, 25 % of the window", "Mon 2026-03-02 11:00:00 CST 30.0 kWh 6.00 USD",
		"month from 2026-03-01, all times: highest 160.0 kW from Mon 2026-03-02 11:00:00 CST to Mon 2026-03-02 11:15:00 CST; billed 15.0 of 200.0 kW at 10.00, 25 % of the month: at least 37.50 USD",
		"up to comp2 the machines give 247.2 cfm at full load; more was drawn for 3 min, 30.00 % of the observed time",
		"1.45 psi of pressure more or less, comp1, around 94.27 psi", "2 psi of pressure more or less, comp1, around 94.27 psi")
	site.Units = quantity.SI
	prints(t, func(out *strings.Builder) error { return printMoney(out, m, site) },
		"0.1 bar of pressure more or less, comp1, around 6.500 bar", "0.138 bar of pressure more or less")
	site.Units = quantity.US
	l := &agent.Leaks{Sentence: "1 tag.", Method: "choked", Tags: []agent.LeakTag{{Tag: 4, State: "mended", HoleM: v(0.003), FlowM3S: v(0.0063), FoundBy: "R. Vale", Mended: agent.Stamp(time.Date(2026, 3, 4, 2, 0, 0, 0, time.UTC).UnixMilli()),
		Found: agent.Stamp(time.Date(2026, 3, 2, 2, 0, 0, 0, time.UTC).UnixMilli()), MendedBy: "M. Ode", Place: "hose"}}}
	prints(t, func(out *strings.Builder) error { return printLeaks(out, l, site) },
		"4 mended 13.3 0.118 in 2026-03-01 R. Vale 2026-03-03 M. Ode hose") // 3 mm
}

// prints tells of what is not in what is printed; how columns and lines are spaced is
// not looked at.
func prints(t *testing.T, print func(*strings.Builder) error, wanted ...string) {
	t.Helper()
	var out strings.Builder
	if err := print(&out); err != nil {
		t.Fatal(err)
	}
	flat := strings.Join(strings.Fields(out.String()), " ")
	for _, want := range wanted {
		if !strings.Contains(flat, want) {
			t.Errorf("%q is not in:\n%s", want, out.String())
		}
	}
}
