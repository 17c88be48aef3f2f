package main

import (
	"fmt"
	"log/slog"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// changedPlant is a pair of stories of one machine: what was changed between
// them, and by which model it is told.
type changedPlant struct {
	name    string
	metered bool // a flow meter stands behind the receiver
	before  func(*simulator.Scenario)
	change  func(*simulator.Scenario)
	chosen  string // the model that must be taken by itself
	told    bool   // the saving must lie further from nothing than its uncertainty
	// airOnly: nothing but the air changed, so that nothing was saved at equal air.
	airOnly bool
}

// sameMachine keeps what a seed would draw anew: a later week is of the same
// machine.
func sameMachine(s *simulator.Scenario) { s.Machines[0].FlowFactor = 0.94 }

func changedPlants() []changedPlant {
	const psi = 6894.757
	band := func(in, out float64) func(*simulator.Scenario) {
		return func(s *simulator.Scenario) { s.Machines[0].CutInPa, s.Machines[0].CutOutPa = in*psi, out*psi }
	}
	stop := func(after time.Duration) func(*simulator.Scenario) {
		return func(s *simulator.Scenario) { s.Machines[0].NoLoadStop = after }
	}
	leak := func(times float64) func(*simulator.Scenario) {
		return func(s *simulator.Scenario) { s.Leak.FlowM3S *= times }
	}
	return []changedPlant{
		{"nothing", false, nil, nil, "day-hour", false, true},
		{"lower and narrower band", false, band(105, 130), band(95, 112), "day-hour", true, false},
		{"shorter no-load stop", true, stop(30 * time.Minute), stop(3 * time.Minute), "air-shift", true, false},
		{"leaks mended", true, leak(4), leak(0.25), "day-hour", true, true},
		{"leaks grown", false, nil, leak(2.5), "day-hour", true, true},
	}
}

// TestCompareAgainstTruth records the joinery before and after a change and
// holds the saving of the period after to what the plant of before would truly
// have taken for the same demand: the simulator plays that too.
func TestCompareAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated days; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	length, seeds := 3*24*time.Hour, []uint64{31}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		length, seeds = 14*24*time.Hour, []uint64{31, 32, 33}
	}
	for _, p := range changedPlants() {
		for _, seed := range seeds {
			t.Run(fmt.Sprintf("%s seed %d", p.name, seed), func(t *testing.T) { p.play(t, length, seed) })
		}
	}
}

func (p *changedPlant) play(t *testing.T, length time.Duration, seed uint64) {
	both := func(after bool) func(*simulator.Scenario) {
		return func(s *simulator.Scenario) {
			sameMachine(s)
			if p.metered {
				s.Devices = append(s.Devices, simulator.Device{Name: "air", Machine: "comp1", Layout: "air-module", Unit: 3, Refresh: time.Second})
			}
			for i := range s.Devices {
				s.Devices[i].Poll = 5 * time.Second
			}
			if p.before != nil {
				p.before(s)
			}
			if after && p.change != nil {
				p.change(s)
			}
		}
	}
	base := stage.Options{Scenario: "joinery", Length: length, Seed: seed, WarmUp: time.Hour, Edit: both(false)}
	first, err := stage.Open(t.TempDir(), base)
	if err != nil {
		t.Fatal(err)
	}
	later := base
	later.Start, later.Seed, later.Edit = first.From.AddDate(0, 0, 21), seed+1000, both(true)
	second, err := stage.Open(t.TempDir(), later)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range []*stage.Stage{first, second} {
		rec, err := agent.OpenRecorder(first.Site, agent.Options{Version: "test", Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Play(t.Context(), rec.Groups(), rec.Append); err != nil {
			t.Fatal(err)
		}
		if err := rec.Close(); err != nil {
			t.Fatal(err)
		}
	}
	h, err := agent.OpenHistory(first.Site, "test", slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	began := time.Now()
	c, err := h.Compare(agent.CompareRequest{Before: spanOf(first), After: spanOf(second)})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%v: %s (%s: %s)", time.Since(began), c.Sentence, c.Chosen, c.Why)
	if p.airOnly && !p.metered {
		byAir, err := h.Compare(agent.CompareRequest{Before: spanOf(first), After: spanOf(second), Model: "air"})
		if err != nil || byAir.Told {
			t.Errorf("at equal air told from nothing, though nothing but the air changed: %v %s", err, byAir.Sentence)
		}
	}
	if p.name == "leaks grown" && !strings.Contains(c.Sentence, "more air among it") {
		t.Errorf("the sentence does not say that the air rose: %s", c.Sentence)
	}
	p.judge(t, &c, p.truth(t, second, later, both(false)))
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	said := mustRun(t, "compare", "--site", first.SitePath, "--before", spanOf(first), "--after", spanOf(second), "--peak", "Mon-Fri 13:00-16:00")
	if !strings.Contains(strings.Join(strings.Fields(said), " "), c.Sentence) { // lines are broken
		t.Errorf("the command does not say %q:\n%s", c.Sentence, said)
	}
	t.Log(said)
}

func spanOf(s *stage.Stage) string {
	return s.From.Format(time.RFC3339) + "/" + s.To.Format(time.RFC3339)
}

// truth plays the demand of the period after with the settings of before, and
// returns the kWh that the change truly saved.
func (p *changedPlant) truth(t *testing.T, second *stage.Stage, later stage.Options, edit func(*simulator.Scenario)) float64 {
	t.Helper()
	later.Edit = edit
	unchanged, err := stage.Open(t.TempDir(), later)
	if err != nil {
		t.Fatal(err)
	}
	unchanged.World.Advance(unchanged.To)
	took := func(s *stage.Stage) float64 {
		totals, err := s.World.Truth().Totals("comp1", s.From, s.To)
		if err != nil {
			t.Fatal(err)
		}
		return totals.EnergyJ / 3.6e6
	}
	return took(unchanged) - took(second)
}

func (p *changedPlant) judge(t *testing.T, c *analysis.Comparison, truth float64) {
	t.Helper()
	for _, l := range c.Limits {
		t.Logf("  limit: %s", l)
	}
	if c.Chosen != p.chosen {
		t.Errorf("chose %q, want %q", c.Chosen, p.chosen)
	}
	for i := range c.Models {
		m := &c.Models[i]
		if m.Absent != "" {
			t.Logf("  %s: absent: %s", m.Name, m.Absent)
			continue
		}
		t.Logf("  %-10s saved %.2f ± %.2f kWh of %.1f (by %s; Guideline's form ± %.2f), truly %.2f; CV(RMSE) %.1f %%, R² %.3f, ρ %.2f, p %d", m.Name,
			*m.SavingKWh, *m.Uncertainty, *m.BaselineKWh, m.WiderBy, *m.GuidelineKWh, truth, 100**m.CVRMSE, *m.R2, *m.Rho, m.Parameters)
		if p.airOnly && m.Scope == "at equal air" && math.Abs(*m.SavingKWh) > *m.Uncertainty {
			t.Errorf("%s: saved %.2f ± %.2f kWh at equal air, where nothing but the air changed", m.Name, *m.SavingKWh, *m.Uncertainty)
		}
		if m.Name != c.Chosen {
			continue
		}
		if math.Abs(*m.SavingKWh-truth) > *m.Uncertainty {
			t.Errorf("%s: saved %.2f ± %.2f kWh does not hold the true %.2f", m.Name, *m.SavingKWh, *m.Uncertainty, truth)
		}
	}
	if c.Told != p.told {
		t.Errorf("told from nothing: %v, want %v", c.Told, p.told)
	}
}
