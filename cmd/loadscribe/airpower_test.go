package main

import (
	"log/slog"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// TestAirPowerAgainstTruth prints full-load flow, air, specific power and isentropic
// efficiency beside what the simulated plants did, whose true flow lies off the
// nameplate: each within its interval. The efficiency is above that by isothermal
// work, which is the least there can be, and below 1.
func TestAirPowerAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated hours; not under -short")
	}
	for _, c := range []struct {
		scenario string
		seed     uint64
	}{{"joinery", 0}, {"joinery", 7}, {"three-shifts", 0}, {"variable-displacement", 3}} {
		t.Run(c.scenario, func(t *testing.T) {
			sc, err := simulator.LoadScenario(c.scenario)
			if err != nil {
				t.Fatal(err)
			}
			s, err := stage.Open(t.TempDir(), stage.Options{Scenario: c.scenario, Seed: c.seed,
				Start: simulator.BenchStart(sc.Location).Add(8 * time.Hour), WarmUp: time.Hour, Length: 3 * time.Hour})
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Record(t.Context(), "test"); err != nil {
				t.Fatal(err)
			}
			a, err := agent.Open(s.Site, agent.Options{Version: "test", Log: slog.New(slog.DiscardHandler)})
			if err != nil {
				t.Fatal(err)
			}
			defer a.Close()
			from, to := s.From.Truncate(time.Minute).Add(time.Minute), s.To.Add(-2*time.Second).Truncate(time.Minute)
			report, err := a.History.Figures(from.UnixMilli(), to.UnixMilli(), "")
			if err != nil {
				t.Fatal(err)
			}
			p := pressureStory{t: t, s: s, from: from, to: to}
			for i := range report.Machines {
				p.airPower(&report.Machines[i])
			}
		})
	}
}

// airPower compares one machine's.
func (p *pressureStory) airPower(m *analysis.MachineFigures) {
	truth := p.s.World.Truth()
	sum, err := truth.Totals(m.Machine, p.from, p.to)
	if err != nil {
		p.t.Fatal(err)
	}
	flow, err := truth.TrueFlowM3S(m.Machine)
	if err != nil {
		p.t.Fatal(err)
	}
	of := func(name string) *analysis.Figure { return named(p.t, m.Figures, name) }
	p.held(m.Machine, of("full_load_flow"), 60*flow, 0)
	if sum.DeliveredM3 == 0 {
		return
	}
	p.held(m.Machine, of("air_delivered"), sum.DeliveredM3, 0)
	var running float64
	for _, st := range []simulator.State{simulator.Starting, simulator.Unloaded, simulator.Loaded, simulator.PartLoad} {
		running += sum.StateJ[st]
	}
	p.held(m.Machine, of("specific_power"), running/sum.DeliveredM3/60e3, 0)
	loaded := sum.States[simulator.Loaded].Seconds()
	if loaded < 600 {
		return
	}
	// At full load for the whole of it the machine made its full flow, but for the
	// 0.8 % it loses with each bar more.
	specific := sum.StateJ[simulator.Loaded] / loaded / flow / 60e3
	p.held(m.Machine, of("specific_power_loaded"), specific, 0.01*specific)
	f := of("isentropic_efficiency")
	least := sum.IsothermalJ / (sum.StateJ[simulator.Loaded] + sum.StateJ[simulator.PartLoad])
	if f.Value == nil {
		p.t.Errorf("%s: isentropic_efficiency is absent: %s", m.Machine, f.Absent)
		return
	}
	p.t.Logf("%-8s isentropic_efficiency %.3f ± %.3f, isothermal truly %.3f", m.Machine, *f.Value, *f.Uncertainty, least)
	if *f.Value+*f.Uncertainty <= least || *f.Value-*f.Uncertainty >= 1 {
		p.t.Errorf("%s: isentropic_efficiency %.3f ± %.3f is not between the isothermal %.3f and 1", m.Machine, *f.Value, *f.Uncertainty, least)
	}
}
