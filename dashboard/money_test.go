package dashboard

import (
	"net/http"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
)

func (b *shop) Money(q analysis.MoneyQuery) (analysis.Money, error) {
	if q.Machine == "comp9" {
		return analysis.Money{}, &agent.FieldError{Field: "machine", Message: "there is no such machine"}
	}
	v, at, price := 31.5, agent.Stamp(noon).String(), 0
	f := analysis.Figure{Name: "energy", Value: &v, Unit: "kWh", Uncertainty: &v, Level: 0.95, Coverage: &v}
	return analysis.Money{Kind: "system", Subject: "main", From: at, To: at, Currency: "USD", Prices: []analysis.MoneyPrice{{Name: "other times", PerKWh: 0.12}},
		Figures: []analysis.Figure{f}, Year: []analysis.Figure{{Name: "energy_year", Absent: "a day is no year"}},
		Split: analysis.MoneySplit{Method: "by state", States: []analysis.MoneyState{{State: "loaded", TimeS: 900, EnergyKWh: v, EnergyU: 1, Cost: &v, CostU: &v, Share: 1, CostShare: &v,
			ByPrice: []analysis.MoneyPart{{EnergyKWh: v, Cost: v}}}, {State: "off", ByPrice: []analysis.MoneyPart{}}}, RestKWh: 1, RestCost: &v},
		Hours: analysis.MoneyHours{Absent: "none", CostAbsent: "no price", Method: "by hours", Rows: []analysis.MoneyHour{{From: at, To: at, ObservedS: 3600, EnergyKWh: v, Cost: &v, Price: &price}, {From: at, To: at}},
			Days: []analysis.MoneyDay{{Date: "2026-03-02", From: at, To: at, Cost: &v}}, GapsKWh: 1, GapsCost: &v, Dearest: []int{0}, HalfHours: 1, HalfShare: 0.5},
		Bills: []analysis.MoneyBill{{Charge: "all times", From: at, To: at, PerKW: 14, PeakKW: v, PeakFrom: at, PeakTo: at, BilledKW: v, OwnKW: v, Share: 0.2, Cost: v, AtLeast: true, Note: "not over"}},
		Air: analysis.MoneyAir{Absent: "no air", Unit: "kW/(m³/min)", Method: "by hours", Points: []analysis.MoneyAirPoint{{From: at, To: at, Flow: 2, Value: 8, U: 1}},
			Rated: []analysis.MoneyRated{{Machine: "comp1", Flow: 5, PowerKW: 37, Value: 7, Pressure: &v}}, Short: 3},
		Duration: analysis.MoneyDuration{Absent: "no tap", Method: "by steps", StepS: 60, Curve: []analysis.MoneyExceeded{{Share: 0.1, Above: 60, Flow: 2, U: 0.1}},
			Covers: []analysis.MoneyCover{{Machine: "comp1", Flow: 5, UpTo: 5, Above: 60, Share: 0.1, Method: "rated flow"}}},
		Pressure:    []analysis.PressureCost{{Machine: "comp1", Absent: "no slope", Pressure: 700, Basis: "fit", Steps: []analysis.PressureStep{{Step: 10, Figures: []analysis.Figure{f}}}, Handbook: "the rule"}},
		Instruments: b.site.InstrumentFacts(time.UnixMilli(noon), time.UnixMilli(noon)), Notes: []string{"old"}}, b.ask("money of "+q.Machine+q.System, q.FromMS, q.ToMS)
}

// What is asked of money and of leaks is asked of the agent: whose it is, and of which
// days; seven up to now where none are named.
func TestMoneyAndLeaksAreAskedFor(t *testing.T) {
	b := newShop()
	s := newTestServer(t, b, Options{})
	const two = "2026-03-02T06:00:00.000Z 2026-03-04T06:00:00.000Z"
	week := agent.Stamp(noon-7*24*3600_000).String() + " " + agent.Stamp(noon).String()
	for query, want := range map[string]string{
		"money?from=2026-03-02&to=2026-03-03&system=main":   "money of main " + two,
		"money?from=2026-03-02&to=2026-03-03&machine=comp1": "money of comp1 " + two,
		"money": "money of  " + week,
		"leaks?from=2026-03-02&to=2026-03-03&system=main": "leaks main " + two,
		"leaks?system=main": "leaks main " + week,
	} {
		if w := get(s, "/api/v1/"+query); w.Code != http.StatusOK {
			t.Errorf("%s: answer %d: %s", query, w.Code, w.Body)
		}
		if got := b.lastAsked(); got != want {
			t.Errorf("%s: asked %q, want %q", query, got, want)
		}
	}
	b.failing = &analysis.DemandError{Field: "from", Message: "too many days"}
	if w := get(s, "/api/v1/leaks?system=main"); w.Code != http.StatusBadRequest {
		t.Errorf("leaks of too many days: %d %s", w.Code, w.Body)
	}
}
