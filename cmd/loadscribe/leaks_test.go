package main

import (
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// leakCase is a scenario whose leaks are told.
type leakCase struct {
	scenario      string
	after, length time.Duration // from Monday midnight
	seed          uint64
	least         int     // methods that must be valid
	widest        float64 // half width over the true leak, by the budget
}

const day = 24 * time.Hour

// mostNights is more than a window here has.
const mostNights = 100

// TestLeaksAgainstTruth plays some days of scenarios and holds leak_flow at
// quiet_pressure to what truly leaked in the quiet hours that were found: the truth
// lies in the interval, and the interval is no wider than its budget says it must
// be (flow of the nameplate within 8.5 %, volume within 10 %, one of them or both
// combined). LOADSCRIBE_LONG makes it whole weeks with several seeds.
func TestLeaksAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("plays simulated days; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	cases := []leakCase{
		{scenario: "joinery", length: 2 * day, least: 2, widest: 0.20},
		{scenario: "growing-leaks", length: 2 * day, least: 3, widest: 0.16},
		{scenario: "growing-leaks", after: 8 * day, length: 2 * day, least: 3, widest: 0.16},
		{scenario: "growing-leaks", length: 9 * day, least: 3, widest: 0.16}, // while they more than double
		{scenario: "heatless-dryer", length: 2 * day, least: 2, widest: 0.10},
		{scenario: "storage-starved", length: 2 * day, least: 2, widest: 0.20},
		{scenario: "coarse-registers", length: 2 * day, least: 2, widest: 0.20},
		{scenario: "no-load-bit", length: 2 * day, least: 2, widest: 0.20},
		{scenario: "three-shifts", after: 4*day + 12*time.Hour, length: 2*day + 12*time.Hour, least: 1, widest: 0.08},
	}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		var long []leakCase
		for _, c := range cases {
			for _, seed := range []uint64{0, 5, 11} {
				c.seed = seed
				if c.after == 0 {
					c.length = 7 * day
				}
				long = append(long, c)
			}
		}
		cases = long
	}
	// Windows of the same story are played once, from the first of them to the last.
	stories := map[string][]leakCase{}
	for _, c := range cases {
		story := fmt.Sprintf("%s seed %d", c.scenario, c.seed)
		stories[story] = append(stories[story], c)
	}
	for _, story := range slices.Sorted(maps.Keys(stories)) {
		cases := stories[story]
		t.Run(story, func(t *testing.T) {
			st, src := playLeaks(t, cases)
			for _, c := range cases {
				t.Run(fmt.Sprintf("day %d, %d h", int(c.after/day)+1, int(c.length.Hours())), func(t *testing.T) { c.tell(t, st, src) })
			}
		})
	}
}

// playLeaks folds the story of cases, which are of one. Their windows lie between
// cells, so that no scan need be kept.
func playLeaks(t *testing.T, cases []leakCase) (*stage.Stage, analysis.Source) {
	t.Helper()
	c := &cases[0]
	sc, err := simulator.LoadScenario(c.scenario)
	if err != nil {
		t.Fatal(err)
	}
	from, to := c.after, c.after+c.length
	for _, c := range cases {
		from, to = min(from, c.after), max(to, c.after+c.length)
	}
	o := stage.Options{Scenario: c.scenario, Seed: c.seed, Start: simulator.BenchStart(sc.Location).Add(from), WarmUp: 12 * time.Hour, Length: to - from}
	if sc.Leak.Growth > 0 {
		o.WarmUp += from // they grow from the start of the world, Sunday noon
	}
	return foldedStage(t, o)
}

func (c *leakCase) tell(t *testing.T, st *stage.Stage, src analysis.Source) {
	from := simulator.BenchStart(st.Site.Location).Add(c.after)
	to := from.Add(c.length)
	rep, err := analysis.Compute(src, st.Site, from.UnixMilli(), to.UnixMilli(), to.UnixMilli(), "")
	if err != nil {
		t.Fatal(err)
	}
	c.hold(t, st, &rep.Systems[0])
	if c.length < 9*day {
		return
	}
	// Growing for so long: a year's cost is today's. A window of the last days has it at
	// the leak of its own nights, which is brought here to what truly leaked in the last two.
	late, err := analysis.Compute(src, st.Site, to.Add(-3*day).UnixMilli(), to.UnixMilli(), to.UnixMilli(), "")
	if err != nil {
		t.Fatal(err)
	}
	all, last := figureNamed(t, rep.Systems[0].Figures, "leak_cost"), figureNamed(t, late.Systems[0].Figures, "leak_cost")
	nights := func(sys *analysis.SystemFigures, n int) float64 {
		for _, table := range sys.Tables {
			if table.Name == "quiet_nights" {
				table.Rows = table.Rows[max(0, len(table.Rows)-n):]
				leak, _ := trueLeak(t, st, &table, 800e3)
				return leak
			}
		}
		t.Fatal("no table of nights")
		return 0
	}
	want := *last.Value * nights(&rep.Systems[0], 2) / nights(&late.Systems[0], mostNights)
	t.Logf("leak_cost %.0f ± %.0f a year, by the last three days and the truth of the last two nights %.0f; %s", *all.Value, *all.Uncertainty, want, all.Method)
	if math.Abs(*all.Value-want) > *all.Uncertainty || !strings.Contains(figureNamed(t, rep.Systems[0].Figures, "leak_flow").Note, "growing: ") {
		t.Errorf("leak_cost %.0f ± %.0f a year of nine days in which leaks grow, want %.0f of today", *all.Value, *all.Uncertainty, want)
	}
}

// hold compares with the truth of the quiet hours that the table of nights names.
func (c *leakCase) hold(t *testing.T, st *stage.Stage, sys *analysis.SystemFigures) {
	figures := map[string]analysis.Figure{}
	for _, f := range sys.Figures {
		figures[f.Name] = f
	}
	var methods, nights *analysis.Table
	for i := range sys.Tables {
		table := &sys.Tables[i]
		switch table.Name {
		case "leak_methods":
			methods = table
		case "quiet_nights":
			nights = table
		}
		if !strings.HasPrefix(table.Name, "leak") && !strings.HasPrefix(table.Name, "quiet") {
			continue
		}
		t.Logf("%s: %s", table.Name, table.Method)
		for _, row := range table.Rows {
			var cells []string
			for k, v := range row.Values {
				if v != nil {
					cells = append(cells, fmt.Sprintf("%s %.4g", table.Columns[k].Name, *v))
				}
			}
			t.Logf("  %s: %s | %s", row.Name, strings.Join(cells, ", "), row.Note)
		}
	}
	leak := figures["leak_flow"]
	for _, name := range []string{"quiet_demand", "quiet_pressure", "leak_flow", "leak_share", "leak_cost"} {
		if f := figures[name]; f.Value != nil {
			t.Logf("%s = %.4g ± %.3g %s; %s", name, *f.Value, *f.Uncertainty, f.Unit, f.Method)
		} else {
			t.Errorf("%s is absent: %s", name, f.Absent)
		}
	}
	if leak.Value == nil {
		return
	}
	pa := *figures["quiet_pressure"].Value*1000 + st.Site.BarometerPa
	truth, used := trueLeak(t, st, nights, pa)
	valid := 0
	for _, row := range methods.Rows {
		if row.Values[5] != nil && row.Name != "combined" {
			valid++
		}
	}
	half := *leak.Uncertainty
	t.Logf("%s: leak %.4f ± %.4f (%.0f %%), truly %.4f m³/min: off by %.2f of the half width; %d methods; %.4f m³/min used in quiet hours",
		c.scenario, *leak.Value, half, 100*half/truth, truth, (*leak.Value-truth)/half, valid, used)
	switch {
	case math.Abs(*leak.Value-truth) > half:
		t.Errorf("leak %.4f ± %.4f m³/min, truly %.4f", *leak.Value, half, truth)
	case half > c.widest*truth:
		t.Errorf("leak ± %.4f m³/min is wider than %.0f %% of %.4f", half, 100*c.widest, truth)
	case valid < c.least:
		t.Errorf("%d methods are valid, want %d", valid, c.least)
	}
}

// trueLeak is what leaked in the nights of the table, and what users took, m³/min:
// the leak brought to a pressure, which it follows.
func trueLeak(t *testing.T, st *stage.Stage, nights *analysis.Table, pa float64) (leak, used float64) {
	var seconds, paS, leaked, taken float64
	for _, row := range nights.Rows {
		from, to, ok := strings.Cut(row.Name, " to ")
		at := func(text string) time.Time {
			v, err := time.ParseInLocation("Mon 2 Jan 15:04 2006", fmt.Sprintf("%s %d", text, st.From.Year()), st.Site.Location)
			if err != nil || !ok {
				t.Fatalf("night %q: %v", row.Name, err)
			}
			return v
		}
		truth := st.World.Truth().Plant(at(from), at(to))
		length := at(to).Sub(at(from)).Seconds()
		seconds += length
		leaked += truth.LeakedM3
		taken += truth.UsedM3
		paS += truth.HeaderPaS + length*st.Site.BarometerPa
	}
	return leaked / paS * pa * 60, taken / seconds * 60
}
