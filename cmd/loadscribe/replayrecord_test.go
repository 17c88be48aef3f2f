package main

import (
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/gum"
	"loadscribe/cmd/loadscribe/airtruth"
	"loadscribe/simulator"
)

// TestReplayRecordAgainstTruth holds what a replay takes from a record to what the
// simulated plant truly is: each value's stated interval is to hold the truth, beside
// a tolerance for what a register's steps and a scan's second hide. The true values
// are the simulator's own.
func TestReplayRecordAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("plays simulated days; not under -short")
	}
	scenarios := []string{"joinery", "modulate-then-unload", "three-shifts"}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		scenarios = append(scenarios, "short-cycling", "heatless-dryer", "storage-starved", "growing-leaks", "coarse-registers")
	}
	for _, name := range scenarios {
		t.Run(name, func(t *testing.T) {
			length := 24 * time.Hour
			if name == "three-shifts" {
				length = 10 * time.Hour // three machines take their time
			}
			p, err := airtruth.Run{Scenario: name, Length: length}.Play(t.Context(), t.TempDir())
			if err != nil {
				t.Fatal(err)
			}
			rec, err := analysis.ReplayOf(p.Source, p.Site, p.Site.Systems[0].Name, p.From.UnixMilli(), p.To.UnixMilli(), p.To.UnixMilli())
			if err != nil || rec.Absent != "" || rec.Coverage < 0.98 {
				t.Fatalf("%v, absent %q, coverage %.3f", err, rec.Absent, rec.Coverage)
			}
			h := recordHolder{t: t, p: p}
			sum := p.World.Truth().Plant(p.From, p.To)
			h.hold("mean demand, m³/min", rec.MeanDemand.Scaled(60), (sum.UsedM3+sum.LeakedM3+sum.PurgedM3+sum.DrainedM3)/p.To.Sub(p.From).Minutes(), 0.01)
			for k := range rec.Machines {
				h.machine(&rec.Machines[k], &rec.Measured.ByMachine[k])
			}
		})
	}
}

type recordHolder struct {
	t *testing.T
	p *airtruth.Played
}

// hold prints a value beside the truth and fails where the interval with the tolerance
// (of the truth) does not hold it.
func (h *recordHolder) hold(what string, got gum.Value, want, tolerance float64) {
	h.t.Helper()
	h.t.Logf("%-34s %10.4g ± %-8.2g truth %10.4g", what, got.V, 2*got.U(), want)
	if !(math.Abs(got.V-want) <= 2*got.U()+tolerance*math.Abs(want)) {
		h.t.Errorf("%s: %.4g ± %.2g, truth %.4g", what, got.V, 2*got.U(), want)
	}
}

func (h *recordHolder) machine(m *analysis.ReplayMachine, done *analysis.ReplayDone) {
	truth, name := h.p.World.Truth(), m.Machine.Name
	sum, err := truth.Totals(name, h.p.From, h.p.To)
	if err != nil {
		h.t.Fatal(err)
	}
	machines := h.p.World.Scenario().Machines
	spec := &machines[slices.IndexFunc(machines, func(c simulator.Machine) bool { return c.Name == name })]
	flow, err := truth.TrueFlowM3S(name)
	if err != nil {
		h.t.Fatal(err)
	}
	h.hold(name+" full flow, m³/min", m.FullFlow.Scaled(60), flow*60, 0.02)
	// A pair of readings belongs to the state at its start, which a scan tells; where
	// part load ends the truth draws its own line.
	for what, states := range map[string][2][]int{
		"unloaded":   {{int(analysis.Unloaded)}, {int(simulator.Unloaded)}},
		"delivering": {{int(analysis.Loaded), int(analysis.PartLoad)}, {int(simulator.Loaded), int(simulator.PartLoad)}},
	} {
		var got, want float64
		for _, s := range states[0] {
			got += done.StateJ[analysis.State(s)]
		}
		for _, s := range states[1] {
			want += sum.StateJ[s]
		}
		if want > 0.02*sum.EnergyJ {
			// Each load is known to a scan only: where they are short, that is much of them.
			moments := 0.1 * float64(sum.LoadCycles) / (sum.States[simulator.Loaded] + sum.States[simulator.PartLoad]).Seconds()
			h.hold(name+" energy "+what+", kWh", gum.Exact(got/3.6e6), want/3.6e6, 0.01+moments)
		}
	}
	h.hold(name+" energy, kWh", done.Energy.Scaled(1/3.6e6), sum.EnergyJ/3.6e6, 0.005)
	h.hold(name+" starts", gum.Exact(float64(done.Starts)), float64(sum.Starts), 0)
	h.hold(name+" loads", gum.Exact(float64(done.Loads)), float64(sum.LoadCycles), 0.01)
	h.unloads(m)
	if m.Basis["cut_in"] != "as set; it was not seen" && sum.LoadCycles > 20 && spec.TargetPa == 0 {
		h.hold(name+" cut-in, kPa", m.CutInPa.Plus(m.GaugePa).Scaled(1e-3), spec.CutInPa/1000, 0.006)
		h.hold(name+" cut-out, kPa", m.CutOutPa.Plus(m.GaugePa).Scaled(1e-3), spec.CutOutPa/1000, 0.006)
	}
	h.hold(name+" no-load stop, s", gum.Exact(m.NoLoadStopS), spec.NoLoadStop.Seconds(), 0.02)
	if spec.TargetPa > 0 && m.TargetPa.V > 0 {
		h.hold(name+" target, kPa", m.TargetPa.Plus(m.GaugePa).Scaled(1e-3), spec.TargetPa/1000, 0.005)
	}
	if spec.ModulationPa > 0 && m.ModulationPa.V > 0 {
		h.hold(name+" least share", m.LeastShare, spec.LeastShare, 0.02)
		h.hold(name+" modulation, kPa", m.ModulationPa.Scaled((1-m.LeastShare.V)/1000), spec.ModulationPa/1000, 0.05)
	}
	if len(spec.Schedule) > 0 {
		h.schedule(m)
	}
}

// unloads holds settled power and time constant to the sumps' own.
func (h *recordHolder) unloads(m *analysis.ReplayMachine) {
	list, err := h.p.World.Truth().Unloads(m.Machine.Name, h.p.From, h.p.To)
	if err != nil {
		h.t.Fatal(err)
	}
	var joules, seconds float64
	var took []float64
	for _, u := range list {
		joules, seconds = joules+u.SettledJ, seconds+u.Settled.Seconds()
		if u.BlownDown > 0 {
			took = append(took, u.BlownDown.Seconds())
		}
	}
	if seconds > 60 {
		h.hold(m.Machine.Name+" unloaded, kW", m.UnloadedPower.Scaled(1e-3), joules/seconds/1000, 0.01)
	}
	if len(took) > 4 {
		slices.Sort(took)
		h.hold(m.Machine.Name+" time constant, s", m.BlowDownS, took[len(took)/2]/math.Ln10, 0.05)
	}
}

// schedule holds the times off to those of the truth's state.
func (h *recordHolder) schedule(m *analysis.ReplayMachine) {
	truth := h.p.World.Truth()
	on := func(ms int64) bool {
		return m.On == nil || slices.ContainsFunc(m.On, func(s analysis.Span) bool { return ms >= s.FromMS && ms < s.ToMS })
	}
	wrong := 0
	for at := h.p.From; at.Before(h.p.To); at = at.Add(time.Minute) {
		state, err := truth.StateAt(m.Machine.Name, at)
		if err != nil {
			h.t.Fatal(err)
		}
		if off := state == simulator.Off; off == on(at.UnixMilli()) {
			wrong++
		}
	}
	if wrong > 5 { // coarse registers come once a minute
		h.t.Errorf("%s: %d minutes of the schedule are wrong; on %v", m.Machine.Name, wrong, m.On)
	}
}
