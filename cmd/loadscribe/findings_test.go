package main

import (
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/stage"
)

// firing is which rules of the report fire on each scenario, as "rule subject" in the
// order of their names: on the working day that TestScenariosAgainstTruth records, and
// on its first week (LOADSCRIBE_LONG). On less than a day nothing is replayed: what a change would
// save fires on weeks alone. What each scenario is about stands at the top of
// its file, and that must be among them.
var firing = map[string]struct{ day, week string }{
	"biased-sensors": {
		day:  "leaks main, off-shift main, unloaded-running comp2",
		week: "leaks main, off-shift main, unloaded-running comp1, unloaded-running comp2, variable-speed main",
	},
	"clock-jumps": {
		day:  "clock agent, leaks main, storage main, variable-speed main",
		week: "clock agent, leaks main, storage main, variable-speed main",
	},
	"coarse-registers": {
		day:  "",
		week: "leaks main, storage main, variable-speed main",
	},
	"failed-blow-down": {
		day:  "blow-down comp1",
		week: "blow-down comp1, pressure-low main",
	},
	"fouled-cooler": {
		day:  "hot comp1",
		week: "cooler comp1, faults comp1, hot comp1, leaks main, pressure-low main, storage main, variable-speed main",
	},
	"growing-leaks": {
		day:  "leaks main, off-shift main, unloaded-running comp1",
		week: "leaks main, off-shift main, unloaded-running comp1, variable-speed main",
	},
	"heatless-dryer": {
		day:  "purge main",
		week: "purge main, variable-speed main",
	},
	"joinery": {
		day:  "",
		week: "leaks main, storage main, variable-speed main",
	},
	"modulate-then-unload": {
		day:  "",
		week: "",
	},
	"no-load-bit": {
		day:  "",
		week: "",
	},
	"power-failures": {
		day:  "restarts comp1",
		week: "leaks main, restarts comp1, storage main, variable-speed main",
	},
	"pump-up-test": {
		day:  "leaks main, off-shift main, starts comp1",
		week: "leaks main, off-shift main, starts comp1, unloaded-running comp1, variable-speed main",
	},
	"reversed-ct": {
		day:  "wiring comp1",
		week: "wiring comp1",
	},
	"short-cycling": {
		day:  "oversized main, short-cycling comp1, unloaded-running comp1",
		week: "oversized main, pressure-high main, short-cycling comp1, unloaded-running comp1",
	},
	"storage-starved": {
		day:  "pressure-low main, short-cycling comp1, unloaded-running comp1",
		week: "leaks main, pressure-low main, short-cycling comp1, unloaded-running comp1",
	},
	"stuck-inlet-valve": {
		day:  "inlet-valve comp1, pressure-low main",
		week: "hot comp1, inlet-valve comp1, pressure-low main",
	},
	"three-shifts": {
		day:  "",
		week: "leaks main, off-shift main",
	},
	"variable-displacement": {
		day:  "",
		week: "",
	},
}

// checkFindings makes the report of a recorded scenario and holds what fires to what
// the scenario is about: its own fault, what follows from it, and nothing else.
func checkFindings(t *testing.T, s *stage.Stage, name string, o stage.Options) {
	t.Helper()
	if o.Seed != 0 {
		return // other stories, in which other things pass a limit
	}
	site, err := sitefile.Load(s.SitePath, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	h, err := agent.OpenHistory(site, "test", slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	doc, err := h.Report(t.Context(), agent.ReportRequest{From: s.From.UTC().Format(time.RFC3339), To: s.To.UTC().Format(time.RFC3339)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	var fired []string
	for i := range doc.Findings {
		f := &doc.Findings[i]
		fired = append(fired, f.Rule+" "+f.Subject)
		if len(f.Evidence) == 0 || len(f.Advice) == 0 || f.Title == "" {
			t.Errorf("finding %s of %s is not whole: %+v", f.Rule, f.Subject, f)
		}
		if e := f.Effect; e != nil && (e.Assumes == "" || e.How == "" || e.Money == nil && e.EnergyKWh == nil) {
			t.Errorf("finding %s of %s: an effect that does not say what it rests on: %+v", f.Rule, f.Subject, e)
		}
	}
	slices.Sort(fired)
	want := firing[name].day
	if s.To.Sub(s.From) >= 7*24*time.Hour {
		want = firing[name].week
	}
	if got := strings.Join(fired, ", "); got != want {
		t.Errorf("the report of %s finds\n%s\nwant\n%s", name, got, want)
	}
}
