package agent_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// plantClock is the simulated plant's.
type plantClock struct{ base, ms atomic.Int64 }

func (c *plantClock) Now() (monoMS, wallMS int64) { return c.ms.Load() - c.base.Load(), c.ms.Load() }

// staged is an agent that is fed by a simulated plant.
type staged struct {
	*stage.Stage
	agent *agent.Agent
	clock plantClock
}

func newStaged(t *testing.T, scenario, from string, length time.Duration) *staged {
	t.Helper()
	where, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	begin, err := time.ParseInLocation("2006-01-02 15:04", from, where)
	if err != nil {
		t.Fatal(err)
	}
	s := &staged{}
	if s.Stage, err = stage.Open(t.TempDir(), stage.Options{Scenario: scenario, Start: begin, Length: length, WarmUp: time.Hour}); err != nil {
		t.Fatal(err)
	}
	s.clock.base.Store(begin.UnixMilli())
	s.clock.ms.Store(begin.UnixMilli())
	if s.agent, err = agent.Open(s.Site, agent.Options{Version: "test", Clock: &s.clock}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.agent.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// play feeds the agent; begin starts a test once the record is that old.
func (s *staged) play(t *testing.T, after time.Duration, begin func()) {
	t.Helper()
	at := s.From.Add(after).UnixMilli()
	err := s.Play(context.Background(), s.agent.Groups(), func(batch []scan.Scan) error {
		for len(batch) > 0 {
			n := 1
			for n < len(batch) && batch[n].WallMS == batch[0].WallMS {
				n++
			}
			s.clock.ms.Store(batch[0].WallMS)
			if begin != nil && batch[0].WallMS >= at {
				begin()
				begin = nil
			}
			if err := s.agent.Take(batch[:n]); err != nil {
				return err
			}
			batch = batch[n:]
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// The whole way of a pump-up test: begun over the agent, fed by the plant while
// its valve is shut, filed with who and when, listed, taken back.
func TestPumpUpIsFiled(t *testing.T) {
	s := newStaged(t, "pump-up-test", "2026-03-07 08:50", 70*time.Minute)
	var told []agent.TestStatus
	s.agent.OnUpdate(func(kind string, data any) {
		if status, ok := data.(agent.TestStatus); ok && kind == "test" {
			told = append(told, status)
		}
	})
	ask := agent.TestAsk{Test: "pump-up", Who: "R. Vale", Confirmed: true}
	s.play(t, 8*time.Minute, func() {
		status, err := s.agent.StartTest(ask)
		if err != nil || status.Machine != "comp1" || status.Phase != "lower" {
			t.Errorf("begun: %+v %v", status, err)
		}
		var field *agent.FieldError
		if _, err := s.agent.StartTest(ask); !errors.As(err, &field) || field.Field != "system" {
			t.Errorf("a second one on the same system: %v", err)
		}
	})
	all, err := s.agent.Tests()
	if err != nil || len(all.Results) != 1 || len(all.Running) != 1 || all.Running[0].Phase != "done" {
		t.Fatalf("tests %+v %v", all, err)
	}
	holdTold(t, told)
	r := all.Results[0]
	truth, err := s.World.Truth().Totals("comp1", s.From.Add(17*time.Minute), s.From.Add(19*time.Minute)) // 09:07 to 09:09: it loads
	if err != nil || truth.States[simulator.Loaded] != 2*time.Minute {
		t.Fatalf("the machine does not load then: %+v %v", truth, err)
	}
	if want := truth.InletM3 / 120; math.Abs(*r.FlowM3S-want) > *r.FlowU || *r.FlowU > 0.07*want {
		t.Errorf("%.5f ± %.5f m³/s, true %.5f", *r.FlowM3S, *r.FlowU, want)
	}
	if r.Who != "R. Vale" || r.Cycles != 3 || r.From < agent.StampOf(s.From) || r.To <= r.From || !strings.Contains(r.Text, "by R. Vale") {
		t.Errorf("filed as %+v", r)
	}
	kind := agent.EventQuery{ToMS: s.To.UnixMilli(), Kinds: []string{"test"}, Limit: 9}
	page, err := s.agent.Events(kind)
	if err != nil || len(page.Events) != 1 || page.Events[0].Subject != "comp1" || page.Events[0].Data["who"] != "R. Vale" {
		t.Errorf("events %+v %v", page, err)
	}
	s.takeBack(t, r.Seq)
	if page, err = s.agent.Events(kind); err != nil || len(page.Events) != 2 || page.Events[1].Data["withdrawn_by"] == "" {
		t.Errorf("events after it was taken back %+v %v", page, err)
	}
}

// holdTold holds what was told while a pump-up test ran: each change once, from its
// begin to its result.
func holdTold(t *testing.T, told []agent.TestStatus) {
	t.Helper()
	if len(told) < 8 || told[0].Phase != "lower" || told[0].Done != 0 {
		t.Fatalf("%d messages: %+v", len(told), told)
	}
	if last := told[len(told)-1]; last.Phase != "done" || last.Done != 3 || last.Channel == "" || !strings.HasPrefix(last.Tap, last.Channel) {
		t.Errorf("the last one: %+v", last)
	}
	for i := 1; i < len(told); i++ {
		before := told[i-1]
		if before.Seen = told[i].Seen; before == told[i] {
			t.Errorf("told twice: %+v", told[i])
		}
		if told[i].Done < before.Done {
			t.Errorf("message %d: %d rises after %d", i, told[i].Done, before.Done)
		}
	}
}

// takeBack withdraws a result, and finds that only that can be done once.
func (s *staged) takeBack(t *testing.T, seq uint64) {
	t.Helper()
	for field, w := range map[string]agent.TestWithdrawal{
		"seq": {Seq: seq + 1000, Who: "R. Vale", Why: "x"}, "who": {Seq: seq, Why: "x"}, "why": {Seq: seq, Who: "R. Vale"},
	} {
		var wrong *agent.FieldError
		if _, err := s.agent.WithdrawTest(w); !errors.As(err, &wrong) || wrong.Field != field {
			t.Errorf("withdrawal %+v: %v", w, err)
		}
	}
	good := agent.TestWithdrawal{Seq: seq, Who: "R. Vale", Why: "the drain was open"}
	if e, err := s.agent.WithdrawTest(good); err != nil || e.NotSafe || e.Kind != analysis.KindTest {
		t.Errorf("withdrawal: %+v %v", e, err)
	}
	if _, err := s.agent.WithdrawTest(good); err == nil {
		t.Error("taken back twice")
	}
	all, err := s.agent.Tests()
	if err != nil || len(all.Results) != 1 || all.Results[0].WithdrawnBy == 0 || all.Results[0].WithdrawnWhy != good.Why {
		t.Errorf("after it: %+v %v", all.Results, err)
	}
}

// A leak test at night is filed for the system, with the share and the flow.
func TestLeakTestIsFiled(t *testing.T) {
	s := newStaged(t, "growing-leaks", "2026-03-03 20:00", 2*time.Hour)
	s.play(t, time.Minute, func() {
		if _, err := s.agent.StartTest(agent.TestAsk{Test: "leak", Who: "R. Vale", Confirmed: true}); err != nil {
			t.Error(err)
		}
	})
	all, err := s.agent.Tests()
	if err != nil || len(all.Results) != 1 {
		t.Fatalf("tests %+v %v", all, err)
	}
	r := all.Results[0]
	from, to := time.UnixMilli(int64(r.From)), time.UnixMilli(int64(r.To))
	leak := s.World.Truth().Plant(from, to).LeakedM3 / to.Sub(from).Seconds()
	if r.FlowM3S == nil || math.Abs(*r.FlowM3S-leak) > *r.FlowU || r.System != "main" || r.Machine != "comp1" {
		t.Errorf("filed as %+v; true %.5f m³/s", r, leak)
	}
	if r.Share == nil || *r.Share < 0.03 || *r.Share > 0.2 {
		t.Errorf("share %v", r.Share)
	}
}

// One that is broken off files nothing, and another can begin.
func TestCancelledTestFilesNothing(t *testing.T) {
	s := newStaged(t, "growing-leaks", "2026-03-03 20:00", 5*time.Minute)
	if _, err := s.agent.CancelTest(""); !errors.Is(err, agent.ErrNoTest) {
		t.Errorf("nothing runs: %v", err)
	}
	s.play(t, time.Minute, func() {
		if _, err := s.agent.StartTest(agent.TestAsk{Test: "leak", Who: "R. Vale", Confirmed: true}); err != nil {
			t.Error(err)
		}
	})
	status, err := s.agent.CancelTest("")
	if err != nil || status.Phase != "given_up" || status.Why == "" {
		t.Errorf("cancelled: %+v %v", status, err)
	}
	if all, err := s.agent.Tests(); err != nil || len(all.Results) != 0 || len(all.Running) != 1 {
		t.Errorf("after it: %+v %v", all, err)
	}
	if _, err := s.agent.StartTest(agent.TestAsk{Test: "leak", Who: "R. Vale", Confirmed: true}); err != nil {
		t.Errorf("another one: %v", err)
	}
}

// width is a figure of comp1 over the record with its stated half width.
func (s *staged) width(t *testing.T, name string) (value, half float64, method string) {
	t.Helper()
	report, err := s.agent.Figures(s.From.UnixMilli(), s.clock.ms.Load()+1, "comp1")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range report.Machines[0].Figures {
		if f.Name == name {
			if f.Absent != "" {
				t.Fatalf("%s: %s", name, f.Absent)
			}
			return *f.Value, *f.Uncertainty, f.Method
		}
	}
	t.Fatalf("there is no figure %s", name)
	return 0, 0, ""
}

// After a pump-up test the figures that rest on the machine's flow are as narrow
// as the advice beside them promised (±5 %), hold the truth, and are wide again
// when the result is taken back.
func TestPumpUpNarrowsTheFigures(t *testing.T) {
	s := newStaged(t, "pump-up-test", "2026-03-07 08:50", 70*time.Minute)
	s.play(t, 8*time.Minute, func() {
		if _, err := s.agent.StartTest(agent.TestAsk{Test: "pump-up", Who: "R. Vale", Confirmed: true}); err != nil {
			t.Error(err)
		}
	})
	truth, err := s.World.Truth().Totals("comp1", s.From.Add(17*time.Minute), s.From.Add(19*time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	all, err := s.agent.Tests()
	if err != nil || len(all.Results) != 1 {
		t.Fatalf("tests %+v %v", all, err)
	}
	names := []string{"full_load_flow", "air_delivered"}
	narrow := map[string]float64{}
	for _, name := range names {
		value, half, method := s.width(t, name)
		narrow[name] = half / value
		if !strings.Contains(method, "pump-up test of 2026-03-07") {
			t.Errorf("%s does not say that it rests on the test: %s", name, method)
		}
		if name == "full_load_flow" && math.Abs(value-60*truth.InletM3/120) > half {
			t.Errorf("%s is %.3f ± %.3f, true %.3f", name, value, half, 60*truth.InletM3/120)
		}
	}
	s.takeBack(t, all.Results[0].Seq)
	for _, name := range names {
		value, half, _ := s.width(t, name)
		t.Logf("%s: ± %.1f %% on the nameplate, ± %.1f %% after the test", name, 100*half/value, 100*narrow[name])
		if wide := half / value; narrow[name] > 0.65*wide {
			t.Errorf("%s: ± %.1f %% with the test, ± %.1f %% without", name, 100*narrow[name], 100*wide)
		}
	}
	// 2.7 %, twice: what narrower.go promises of such a test.
	if narrow["full_load_flow"] > 0.0545 {
		t.Errorf("full_load_flow: ± %.2f %%, ±5.4 %% was promised", 100*narrow["full_load_flow"])
	}
}

// leakWidth is leak_flow of the system over the record, m³/min, with its stated
// half width.
func (s *staged) leakWidth(t *testing.T) (value, half float64, method string) {
	t.Helper()
	report, err := s.agent.Figures(s.From.UnixMilli(), s.clock.ms.Load()+1, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range report.Systems[0].Figures {
		if f.Name == "leak_flow" && f.Absent == "" {
			return *f.Value, *f.Uncertainty, f.Method
		}
		if f.Name == "leak_flow" {
			return 0, math.Inf(1), f.Absent
		}
	}
	t.Fatal("there is no figure leak_flow")
	return 0, 0, ""
}

// A leak test of half an hour makes leak_flow of an evening narrower, and it holds
// the truth; taken back, it is as wide as before.
func TestLeakTestNarrowsTheFigures(t *testing.T) {
	s := newStaged(t, "growing-leaks", "2026-03-03 20:00", 2*time.Hour)
	s.play(t, time.Minute, func() {
		if _, err := s.agent.StartTest(agent.TestAsk{Test: "leak", Who: "R. Vale", Confirmed: true}); err != nil {
			t.Error(err)
		}
	})
	all, err := s.agent.Tests()
	if err != nil || len(all.Results) != 1 {
		t.Fatalf("tests %+v %v", all, err)
	}
	value, half, method := s.leakWidth(t)
	leak := 60 * s.World.Truth().Plant(s.From, s.To).LeakedM3 / s.To.Sub(s.From).Seconds()
	if math.IsInf(half, 1) || math.Abs(value-leak) > half {
		t.Errorf("leak_flow %.4f ± %.4f m³/min, true %.4f: %s", value, half, leak, method)
	}
	s.takeBack(t, all.Results[0].Seq)
	_, wide, why := s.leakWidth(t)
	t.Logf("leak_flow %.4f ± %.4f m³/min with the test (true %.4f), ± %.4f without: %s", value, half, leak, wide, why)
	if half > 0.9*wide {
		t.Errorf("leak_flow ± %.4f with the test, ± %.4f without", half, wide)
	}
}
