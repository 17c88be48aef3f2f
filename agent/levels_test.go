package agent

import (
	"errors"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

const meterMap = `
name = "a meter, and nothing else"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "power"
role = "power"
table = "input"
address = 0
type = "u16"
scale = 0.1
unit = "kW"
`

// TestLevelsAreLearntOnce: a machine of which only a meter is read, and whose
// rated power nobody gave, has no states until the running agent has learnt its
// levels from the record, by itself; taken back, they stay so.
func TestLevelsAreLearntOnce(t *testing.T) {
	dir := t.TempDir()
	site := loadTestSite(t, dir, historySite, meterMap)
	rec, err := OpenRecorder(site, Options{})
	if err != nil {
		t.Fatal(err)
	}
	const hours = 4
	begin := time.Now().Add(-hours * time.Hour).UnixMilli()
	var batch []scan.Scan
	for sec := int64(0); sec < hours*3600; sec++ {
		// 50 minutes an hour: a minute loaded at 30 kW, a minute unloaded at 9.
		counts := int64(0)
		if sec%3600 < 3000 {
			counts = 90 + sec%3
			if sec%120 < 60 {
				counts = 300 + sec%5
			}
		}
		batch = append(batch, scan.Scan{Group: rec.Groups()[0], MonoMS: sec * 1000, WallMS: begin + sec*1000, Values: []int64{counts}})
	}
	if err := errors.Join(rec.Append(batch), rec.Close()); err != nil {
		t.Fatal(err)
	}
	source := func(a *Agent) analysis.HeldLevels {
		all, err := a.Levels()
		if err != nil || len(all) != 1 {
			t.Fatalf("levels %+v, %v", all, err)
		}
		return all[0]
	}
	events := func(a *Agent) int {
		all, err := a.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == analysis.LevelsEvent })
		if err != nil {
			t.Fatal(err)
		}
		return len(all)
	}
	runAgent(t, site, func(a *Agent) bool { return source(a).Source == "learnt" })

	h, err := OpenHistory(site, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	report, err := h.Figures(begin, begin+hours*3600_000, "m")
	if err != nil {
		t.Fatal(err)
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	for _, f := range report.Machines[0].Figures {
		switch f.Name {
		case "starts": // the first run was found, not seen to begin
			if f.Value == nil || *f.Value != hours-1 {
				t.Errorf("starts %v (%s), want %d", f.Value, f.Absent, hours-1)
			}
		case "load_cycles": // 25 in each of four hours, the first found
			if f.Value == nil || *f.Value != 25*hours-1 {
				t.Errorf("load cycles %v (%s), want %d", f.Value, f.Absent, 25*hours-1)
			}
		case "duty_cycle":
			if f.Value == nil || *f.Value < 0.48 || *f.Value > 0.52 || !strings.Contains(f.Method, "learnt") {
				t.Errorf("duty %v (%s %s), want a half by learnt levels", f.Value, f.Method, f.Absent)
			}
		}
	}

	a, err := Open(site, Options{Dial: noLine})
	if err != nil {
		t.Fatal(err)
	}
	if n := events(a); n != 1 {
		t.Errorf("%d calibrations, want one", n)
	}
	held, err := a.ChangeLevels(t.Context(), LevelsChange{Machine: "m", Forget: true})
	if err != nil || held.Source != "none" {
		t.Errorf("taken back: %+v, %v", held, err)
	}
	if done, err := a.learnOnce(t.Context(), "m"); !done || err != nil || events(a) != 2 {
		t.Errorf("what a person took back is learnt again: %v, %v, %d events", done, err, events(a))
	}
	for _, c := range []LevelsChange{{Machine: "n", Learn: true}, {Machine: "m"}, {Machine: "m", Learn: true, Run: "5 kW"}, {Machine: "m", Run: "5 bananas"}} {
		if _, err := a.ChangeLevels(t.Context(), c); !errors.Is(err, analysis.ErrLevels) {
			t.Errorf("%+v: %v, want it refused", c, err)
		}
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}
