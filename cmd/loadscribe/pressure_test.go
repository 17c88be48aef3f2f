package main

import (
	"fmt"
	"log/slog"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// TestPressureAgainstTruth records a working day, or a week where LOADSCRIBE_LONG
// is set, and prints beside each other what was found of the pressure and what
// happened: where each machine loads and unloads, its mean while it runs, and how
// long the plant lay below its minimum.
func TestPressureAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated days; not under -short")
	}
	long := os.Getenv("LOADSCRIBE_LONG") != ""
	scenarios := []string{"joinery", "storage-starved", "coarse-registers", "fouled-cooler", "three-shifts", "variable-displacement", "heatless-dryer"}
	if long {
		scenarios = simulator.Scenarios()
	}
	for _, name := range scenarios {
		t.Run(name, func(t *testing.T) {
			sc, err := simulator.LoadScenario(name)
			if err != nil {
				t.Fatal(err)
			}
			after, length := shiftDay(name)
			o := stage.Options{Scenario: name, Start: simulator.BenchStart(sc.Location).Add(after), WarmUp: time.Hour, Length: length}
			if long {
				o = stage.Options{Scenario: name, Length: 7 * 24 * time.Hour}
			}
			tellPressure(t, o)
		})
	}
}

func tellPressure(t *testing.T, o stage.Options) {
	s, err := stage.Open(t.TempDir(), o)
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
	// Whole minutes: there the truth's integrals are exact.
	from, to := s.From.Truncate(time.Minute).Add(time.Minute), s.To.Add(-2*time.Second).Truncate(time.Minute)
	if len(s.World.Truth().ClockJumps(from, to)) > 0 {
		t.Skip("the record's clock is not that of the truth")
	}
	report, err := a.History.Figures(from.UnixMilli(), to.UnixMilli(), "")
	if err != nil {
		t.Fatal(err)
	}
	p := pressureStory{t: t, s: s, from: from, to: to}
	for i := range report.Machines {
		p.machine(&report.Machines[i])
	}
	p.system(&report.Systems[0])
}

// pressureStory compares the figures of one recorded scenario.
type pressureStory struct {
	t        *testing.T
	s        *stage.Stage
	from, to time.Time
}

// held prints a figure beside the truth, and fails where that lies outside its
// interval widened by slack.
func (p *pressureStory) held(whose string, f *analysis.Figure, want, slack float64) {
	p.t.Helper()
	if f.Value == nil {
		p.t.Logf("%-8s %-28s absent: %s; truly %.2f", whose, f.Name, f.Absent, want)
		return
	}
	p.t.Logf("%-8s %-28s %9.2f ± %6.2f %-3s truly %9.2f (%s)", whose, f.Name, *f.Value, *f.Uncertainty, f.Unit, want, f.Denominator)
	if !(math.Abs(*f.Value-want) <= *f.Uncertainty+slack) {
		p.t.Errorf("%s: %s %.2f ± %.2f %s, truly %.2f", whose, f.Name, *f.Value, *f.Uncertainty, f.Unit, want)
	}
}

func named(t *testing.T, figures []analysis.Figure, name string) *analysis.Figure {
	t.Helper()
	for i := range figures {
		if figures[i].Name == name {
			return &figures[i]
		}
	}
	t.Fatalf("no figure %s", name)
	return nil
}

// machine compares where it loads and unloads, by the true discharge pressure
// when it decides to, and its mean pressure while it runs.
func (p *pressureStory) machine(m *analysis.MachineFigures) {
	p.t.Helper()
	truth := p.s.World.Truth()
	sum, err := truth.Totals(m.Machine, p.from, p.to)
	if err != nil {
		p.t.Fatal(err)
	}
	if run := sum.Running().Seconds(); run > 0 {
		p.held(m.Machine, named(p.t, m.Figures, "pressure_mean"), sum.DischargePaS/run/1e3, 0)
	}
	in, out := p.edges(m.Machine)
	seenIn, seenOut := named(p.t, m.Figures, "cut_in_seen"), named(p.t, m.Figures, "cut_out_seen")
	if len(in) > 0 && len(out) > 0 {
		p.held(m.Machine, seenIn, median(in), 0)
		p.held(m.Machine, seenOut, median(out), 0)
		p.held(m.Machine, named(p.t, m.Figures, "band_seen"), median(out)-median(in), 0)
		// The simulated gauge is true: what is left is what polling adds.
		for f, want := range map[*analysis.Figure]float64{seenIn: median(in), seenOut: median(out)} {
			if f.Value != nil && math.Abs(*f.Value-want) > 5 {
				p.t.Errorf("%s: %s %.2f kPa, truly %.2f by a gauge that is true", m.Machine, f.Name, *f.Value, want)
			}
		}
	}
	p.drops(m)
	for _, table := range m.Tables {
		if table.Name == "pressure_band" {
			for _, r := range table.Rows {
				line := fmt.Sprintf("%-8s band table, %s:", m.Machine, r.Name)
				for k, v := range r.Values {
					if v != nil {
						line += fmt.Sprintf(" %s %.2f", table.Columns[k].Name, *v)
					}
				}
				p.t.Log(line, r.Note)
			}
		}
	}
	swing := named(p.t, m.Figures, "pressure_swing")
	if swing.Value != nil {
		p.t.Logf("%-8s swing %.2f ± %.2f kPa over %s", m.Machine, *swing.Value, *swing.Uncertainty, swing.Denominator)
	}
}

// drops compares the pressure drops at rated flow with those that the scenario
// names: they go with the square of the flow, whose true value is not told.
func (p *pressureStory) drops(m *analysis.MachineFigures) {
	p.t.Helper()
	sc := p.s.World.Scenario()
	want := map[string]float64{}
	for i := range sc.Machines {
		if spec := &sc.Machines[i]; spec.Name == m.Machine {
			want["package_drop"] = spec.PackageDropPa / 1e3
			want["separator_drop"] = 0.45 * spec.PackageDropPa / 1e3 // docs/simulator.md
			for _, part := range sc.Parts {                          // those before the first receiver
				if part.DropPa > 0 {
					share := spec.RatedFlowM3S / part.DropAtM3S
					want["treatment_drop"] += part.DropPa / 1e3 * share * share
				}
				if part.Kind == "receiver" {
					break
				}
			}
		}
	}
	for _, table := range m.Tables {
		if table.Name != "pressure_drops" {
			continue
		}
		for _, r := range table.Rows {
			line := fmt.Sprintf("%-8s %-16s %6.2f ± %5.2f kPa", m.Machine, r.Name, *r.Values[0], *r.Values[1])
			if r.Values[3] == nil {
				p.t.Log(line, r.Note)
				continue
			}
			p.t.Logf("%s, at rated flow %6.2f ± %5.2f, truly %6.2f (flow %.3f of rated)", line, *r.Values[3], *r.Values[4], want[r.Name], *r.Values[2])
			if math.Abs(*r.Values[3]-want[r.Name]) > *r.Values[4] {
				p.t.Errorf("%s: %s at rated flow %.2f ± %.2f kPa, truly %.2f", m.Machine, r.Name, *r.Values[3], *r.Values[4], want[r.Name])
			}
		}
	}
}

// edges are the true discharge pressures, kPa, at which the controls decided to
// load and to unload.
func (p *pressureStory) edges(machine string) (in, out []float64) {
	all, err := p.s.World.Truth().Commands(machine, p.from, p.to)
	if err != nil {
		p.t.Fatal(err)
	}
	for _, c := range all {
		if kPa := c.PressurePa[simulator.AtDischarge] / 1e3; c.Load {
			in = append(in, kPa)
		} else {
			out = append(out, kPa)
		}
	}
	return in, out
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	v = slices.Sorted(slices.Values(v))
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// system compares the mean at the tap and the time below the minimum, over the
// hours in which a machine ran, in shift hours and over all.
func (p *pressureStory) system(sys *analysis.SystemFigures) {
	p.t.Helper()
	place := p.tap()
	if place < 0 {
		return
	}
	truth := p.s.World.Truth()
	everything := []span{{p.from.UnixMilli(), p.to.UnixMilli()}}
	shifts := p.shifts()
	for _, h := range []struct {
		suffix string
		in     []span
	}{{"", p.running()}, {"_shift", shifts}, {"_all", everything}} {
		var total, longest time.Duration
		for _, in := range h.in {
			for _, l := range truth.LowSpans(place, time.UnixMilli(in.from), time.UnixMilli(in.to)) {
				total += l.To.Sub(l.From)
				longest = max(longest, l.To.Sub(l.From))
			}
		}
		if len(h.in) == 0 {
			continue
		}
		p.held(sys.System, named(p.t, sys.Figures, "time_below_minimum"+h.suffix), total.Seconds(), 2)
		f := named(p.t, sys.Figures, "longest_below_minimum"+h.suffix)
		p.t.Logf("%-8s %-28s %9.2f ± %6.2f s   truly %9.2f", sys.System, f.Name, *f.Value, *f.Uncertainty, longest.Seconds())
		// Noise, and a gauge that is true here, but stands a count's step off:
		// slow pressures cross the minimum early or late by it.
		if got := *f.Value; math.Abs(got-longest.Seconds()) > 5+0.1*longest.Seconds() {
			p.t.Errorf("%s: %.1f s, truly %.1f s", f.Name, got, longest.Seconds())
		}
	}
	var paS, seconds float64
	for _, in := range shifts {
		plant := truth.Plant(time.UnixMilli(in.from), time.UnixMilli(in.to))
		seconds += float64(in.to-in.from) / 1000
		if place == simulator.AtHeader {
			paS += plant.HeaderPaS
		} else {
			paS += plant.ReceiverPaS
		}
	}
	if seconds > 0 {
		p.held(sys.System, named(p.t, sys.Figures, "pressure_mean_shift"), paS/seconds/1e3, 0)
	}
}

// tap is where the system's pressure is taken; -1 where it has no tap.
func (p *pressureStory) tap() simulator.Place {
	place := simulator.Place(-1)
	for _, tap := range p.s.Site.Systems[0].Taps {
		switch {
		case strings.HasSuffix(tap.Pressure, ".header_pressure"):
			return simulator.AtHeader
		case strings.HasSuffix(tap.Pressure, ".receiver_pressure"):
			place = simulator.AtReceiver
		}
	}
	return place
}

// running is when at least one machine truly ran.
func (p *pressureStory) running() []span {
	var all []span
	truth := p.s.World.Truth()
	for _, machine := range truth.Machines() {
		list, err := truth.Transitions(machine, p.from, p.to)
		if err != nil {
			p.t.Fatal(err)
		}
		state, err := truth.StateAt(machine, p.from)
		if err != nil {
			p.t.Fatal(err)
		}
		at := p.from
		for _, tr := range append(list, simulator.Transition{Time: p.to}) {
			if state.Running() {
				all = append(all, span{at.UnixMilli(), tr.Time.UnixMilli()})
			}
			at, state = tr.Time, tr.State
		}
	}
	slices.SortFunc(all, func(a, b span) int { return int(a.from - b.from) })
	var joined []span
	for _, s := range all {
		if n := len(joined); n > 0 && s.from <= joined[n-1].to {
			joined[n-1].to = max(joined[n-1].to, s.to)
			continue
		}
		joined = append(joined, s)
	}
	return joined
}

// shifts are the scenario's shift hours in the window, by its own calendar.
func (p *pressureStory) shifts() []span {
	var all []span
	sc := p.s.World.Scenario()
	for at := p.from; at.Before(p.to); at = at.Add(time.Minute) {
		if !sc.InShift(at) {
			continue
		}
		ms := at.UnixMilli()
		if n := len(all); n > 0 && all[n-1].to == ms {
			all[n-1].to += 60_000
			continue
		}
		all = append(all, span{ms, ms + 60_000})
	}
	return all
}
