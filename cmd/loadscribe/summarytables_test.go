package main

import (
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

func TestPrintTable(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	table := analysis.Table{
		Name:    "energy_by_period",
		Columns: []analysis.Column{{Name: "observed", Unit: "s"}, {Name: "energy", Unit: "kWh"}, {Name: "price", Unit: "USD/kWh"}, {Name: "cost", Unit: "USD"}, {Name: "share", Unit: "1"}},
		Rows: []analysis.Row{
			{Name: "peak", Values: []*float64{v(7200), v(72.26), v(0.171), v(12.3565), v(0.25)}, Note: "the month is not over"},
			{Name: "all", Values: []*float64{v(28_800), v(1234.6), nil, v(150), v(0)}},
		},
	}
	var out strings.Builder
	if err := printTable(&out, &table, quantity.US); err != nil {
		t.Fatal(err)
	}
	want := `  energy_by_period
          observed  energy [kWh]  price [USD/kWh]  cost [USD]  share
    peak  2 h       72.26         0.1710           12.36       0.2500  (1)
    all   8 h       1235          -                150.00      0
    (1) peak: the month is not over
`
	if got := out.String(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// A value shows no more digits than its uncertainty warrants, and both end at the
// same place.
func TestShownPair(t *testing.T) {
	column := &analysis.Column{Name: "leak", Unit: "m³/min"}
	for _, c := range []struct {
		v, u float64
		want string
	}{
		{36.204, 3.31, "36.2 3.3"}, {0.0481234, 0.00061, "0.0481 0.0006"}, {1.02514, 0.0913, "1.025 0.091"}, {1234.56, 0.0471, "1234.56 0.05"},
		{12_344, 678, "12340 680"}, {0.1, 0.5, "0.10 0.50"}, {3.14159, 0, "3.142 0"},
	} {
		value, u := display.Pair(&c.v, &c.u, column, quantity.SI)
		if got := value + " " + u; got != c.want {
			t.Errorf("%g ± %g: got %q, want %q", c.v, c.u, got, c.want)
		}
	}
	if value, u := display.Pair(nil, nil, column, quantity.SI); value != "-" || u != "-" {
		t.Errorf("nothing is shown as %q and %q", value, u)
	}
	v := func(f float64) *float64 { return &f }
	table := analysis.Table{Name: "leak_methods", Columns: []analysis.Column{{Name: "leak", Unit: "m³/min"}, {Name: "uncertainty", Unit: "m³/min"}, {Name: "time", Unit: "s"}},
		Rows: []analysis.Row{{Name: "bleed-down", Values: []*float64{v(0.43712), v(0.0518), v(60)}}, {Name: "none", Values: []*float64{nil, nil, v(5)}}}}
	var out strings.Builder
	if err := printTable(&out, &table, quantity.SI); err != nil {
		t.Fatal(err)
	}
	want := `  leak_methods
                leak [m³/min]  uncertainty [m³/min]  time
    bleed-down  0.437          0.052                 1 min
    none        -              -                     5 s
`
	if got := out.String(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// A grid in which every cell is the same takes one line; one that differs, or lacks
// a cell, is printed.
func TestPrintTableOfOneValue(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	print := func(last *float64) string {
		grid := analysis.Table{Name: "coverage", Columns: []analysis.Column{{Name: "Mon", Unit: "1"}, {Name: "Tue", Unit: "1"}},
			Rows: []analysis.Row{{Name: "00:00", Values: []*float64{v(1), v(1)}}, {Name: "01:00", Values: []*float64{v(1), last}}}}
		var out strings.Builder
		if err := printTable(&out, &grid, quantity.SI); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	if got, want := print(v(1)), "  coverage: 1 throughout\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	for _, last := range []*float64{nil, v(0.9)} {
		if got := print(last); strings.Count(got, "\n") != 4 {
			t.Errorf("got\n%s\nwant name, head and two rows", got)
		}
	}
}

// TestPrintFigures: what a reader of the summary stumbled over. A window with
// two seconds unobserved is whole; figures have no more places than they are
// worth; a limit has its unit, and what passes it is said; what is absent is a
// line for each reason.
func TestPrintFigures(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	nearly, lost := v(1-2.0/604_800), v(0.9)
	for _, c := range []struct {
		name string
		f    analysis.Figure
		want string
	}{
		{"nearly whole", analysis.Figure{Name: "starts", Value: v(42), Unit: "1", Uncertainty: v(0), Coverage: nearly}, "starts 42"},
		{"a month that is not over", analysis.Figure{Name: "demand_cost", Value: v(105.36), Unit: "USD", Uncertainty: v(1.22), Coverage: nearly, AtLeast: true}, "demand_cost at least 105.4 ± 1.2 USD"},
		{"idling not counted", analysis.Figure{Name: "leak_cost", Value: v(3299.64), Unit: "USD", Uncertainty: v(202.55), Coverage: nearly, AtLeast: true, AtLeastWhy: "idling is not counted"}, "leak_cost at least 3300 ± 200 USD a lower bound, since idling is not counted"},
		{"with a gap", analysis.Figure{Name: "starts", Value: v(42), Unit: "1", Uncertainty: v(0), Coverage: lost, AtLeast: true, AtMost: v(44)}, "starts at least 42 at most 44 by the controller's counter"},
		{"bounded from both sides", analysis.Figure{Name: "starts", Value: v(42), Unit: "1", Coverage: lost, AtLeast: true, AtMost: v(42)}, "starts 42 no more by the controller's counter"},
		{"a round minute", analysis.Figure{Name: "running_time", Value: v(44*3600 + 37), Unit: "s"}, "running_time 44 h 0 min 37 s"},
		{"no spread worth showing", analysis.Figure{Name: "starts_per_hour_mean", Value: v(0.250001), Unit: "1/h", Uncertainty: v(3e-7)}, "starts_per_hour_mean 0.2500 1/h"},
		{"whole hundreds", analysis.Figure{Name: "air", Value: v(267_505), Unit: "1", Uncertainty: v(30_861)}, "air 268000 ± 31000"},
		{"a share", analysis.Figure{Name: "duty_cycle", Value: v(0.59673), Unit: "1", Uncertainty: v(0.0042), Denominator: "running time"}, "duty_cycle 59.67 ± 0.42 % of running time"},
		{"an interval that would reach below nothing", analysis.Figure{Name: "longest_below_minimum", Value: v(60), Unit: "s", Uncertainty: v(120)}, "longest_below_minimum 1 min (0 to 3 min)"},
		{"what was saved may be below nothing", analysis.Figure{Name: "energy_saved", Value: v(60), Unit: "kWh/year", Uncertainty: v(120)}, "energy_saved 60 ± 120 kWh/year"},
		{"money to two figures of its uncertainty", analysis.Figure{Name: "energy_cost", Value: v(161.923), Unit: "USD", Uncertainty: v(1.87)}, "energy_cost 161.9 ± 1.9 USD"},
		{"under a limit", analysis.Figure{Name: "shortest_rest", Value: v(11), Unit: "s", Uncertainty: v(1.6), Limit: v(72), LimitBasis: "a standard"}, "shortest_rest 11 s ± 1.6 s UNDER the limit of 1 min 12 s (a standard)"},
		{"over a limit", analysis.Figure{Name: "starts_per_hour_max", Value: v(9), Unit: "1/h", Limit: v(6), LimitBasis: "a standard"}, "starts_per_hour_max 9 1/h OVER the limit of 6 (a standard)"},
		{"beside what is asked of others", analysis.Figure{Name: "isentropic_efficiency", Value: v(0.8), Unit: "1", Limit: v(0.7), LimitBasis: "a rule"}, "isentropic_efficiency 0.8000 beside 0.7000 (a rule)"},
		{"within a limit", analysis.Figure{Name: "starts_per_hour_max", Value: v(6), Unit: "1/h", Limit: v(6), LimitBasis: "a standard"}, "starts_per_hour_max 6 1/h limit 6 (a standard)"},
		{"energy over a gap", analysis.Figure{Name: "energy", Value: v(1352), Unit: "kWh", Uncertainty: v(13), Coverage: lost}, "energy 1352 ± 13 kWh over the gaps by the meter's counter"},
		{"which hours", analysis.Figure{Name: "pressure_mean", Value: v(213.4), Unit: "1", Uncertainty: v(20), Denominator: "9 h with a reading, in shift hours"}, "pressure_mean 213 ± 20 9 h with a reading, in shift hours"},
		{"a time", analysis.Figure{Name: "loaded_time", Value: v(7503), Unit: "s", Uncertainty: v(0)}, "loaded_time 2 h 5 min 3 s"},
	} {
		var out strings.Builder
		if err := printFigures(&out, "x", []analysis.Figure{c.f}, quantity.SI); err != nil {
			t.Fatal(err)
		}
		_, line, _ := strings.Cut(strings.TrimPrefix(out.String(), "\n"), "\n") // the title has what was observed
		got := strings.Join(strings.Fields(line), " ")
		if got != c.want {
			t.Errorf("%s:\ngot  %s\nwant %s", c.name, got, c.want)
		}
	}
	var out strings.Builder
	if err := printFigures(&out, "x", []analysis.Figure{{Name: "a", Absent: "why"}, {Name: "b", Absent: analysis.NotOfSystem}, {Name: "c", Absent: "why"}}, quantity.SI); err != nil {
		t.Fatal(err)
	}
	if got, want := out.String(), "\nx\n  not to be had from this data:\n    a, c: why\n"; got != want {
		t.Errorf("absent: got %q, want %q", got, want)
	}
}

// TestObservedOnce: how much was observed stands in the title, and on the lines that
// differ.
func TestObservedOnce(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	var out strings.Builder
	err := printFigures(&out, "x", []analysis.Figure{{Name: "a", Value: v(1), Coverage: v(0.9)}, {Name: "b", Value: v(2), Coverage: v(0.9)},
		{Name: "c", Value: v(3), Coverage: v(0.5)}, {Name: "none", Absent: "why"}, {Name: "no", Absent: "why"}, {Name: "nor", Absent: "why"}}, quantity.SI)
	if err != nil {
		t.Fatal(err)
	}
	if got := out.String(); !strings.HasPrefix(got, "\nx, observed 90.0 %\n") || strings.Count(got, "observed") != 2 || !strings.Contains(got, "observed 50.0 %") {
		t.Errorf("got %s", got)
	}
}

// TestSystemOfOneMachine: what a system has alike with its only machine is named and
// not printed again; long tables are left out and named.
func TestSystemOfOneMachine(t *testing.T) {
	v := func(f float64) *float64 { return &f }
	long := analysis.Table{Name: "profile", Columns: []analysis.Column{{Name: "flow", Unit: "m³/min"}}}
	for i := range 24 {
		long.Rows = append(long.Rows, analysis.Row{Name: "hour", Values: []*float64{v(float64(i))}})
	}
	short := analysis.Table{Name: "by_state", Columns: long.Columns, Rows: long.Rows[:2]}
	time1 := analysis.Figure{Name: "observed_time", Value: v(60), Unit: "s"}
	energy := analysis.Figure{Name: "energy", Value: v(123.4), Unit: "kWh"}
	report := analysis.Report{From: "2026-03-02T00:00:00Z", To: "2026-03-03T00:00:00Z",
		Machines: []analysis.MachineFigures{{Machine: "comp1", Figures: []analysis.Figure{time1, energy}, Tables: []analysis.Table{short}}},
		Systems: []analysis.SystemFigures{{System: "main", Figures: []analysis.Figure{time1, {Name: "energy", Value: v(123.4 + 1e-12), Unit: "kWh"}, {Name: "leak_flow", Value: v(0.5), Unit: "m³/min"}},
			Tables: []analysis.Table{short, long}}}}
	var out strings.Builder
	p := reportPrinter{out: &out, site: &sitefile.Site{Location: time.UTC}, tables: tablePrinter{out: &out}}
	if err := p.print(&report); err != nil {
		t.Fatal(err)
	}
	p.tables.leftOut()
	got := out.String()
	if !strings.Contains(got, "the same as of machine comp1, its only one: observed_time, energy, by_state\n") || strings.Count(got, "  by_state\n") != 1 {
		t.Errorf("got %s", got)
	}
	if strings.Contains(got, "  profile\n") || !strings.Contains(got, "--tables prints: profile (24 rows)") {
		t.Errorf("got %s", got)
	}
	// Nothing observed: the note stands alone.
	out.Reset()
	report.Machines[0].Figures, report.Systems[0].Figures = nil, nil
	report.Notes = []string{"nothing was recorded here"}
	if err := p.print(&report); err != nil || strings.Count(out.String(), "\n") != 2 {
		t.Errorf("%v: got %q, want the head and the note", err, out.String())
	}
}

// TestOutagesOnce: what was missing of several devices at the same time is one line.
func TestOutagesOnce(t *testing.T) {
	one := func(subject, from string) analysis.Finding {
		return analysis.Finding{Kind: "missing", Subject: subject, From: from, To: "2026-03-02T06:00:00Z", Sentence: subject + " was not observed."}
	}
	got := outagesOnce([]analysis.Finding{one("comp1", "2026-03-02T05:00:00Z"), one("meter", "2026-03-02T05:00:10Z"), one("dryer", "2026-03-02T03:00:00Z")})
	if len(got) != 2 || got[0].Sentence != "comp1 was not observed; likewise meter." {
		t.Errorf("got %+v", got)
	}
}

// TestPrintFindings: the section is there with and without findings.
func TestPrintFindings(t *testing.T) {
	site := &sitefile.Site{Location: time.UTC}
	for want, found := range map[string][]analysis.Finding{
		"  what the data themselves show: nothing missing for long, stuck, contradictory or impossible\n":                      nil,
		"  what the data themselves show:\n    stuck, Mon 2026-03-02 05:00:00 UTC to Mon 2026-03-02 06:00:00 UTC: it stood.\n": {{Kind: "stuck", From: "2026-03-02T05:00:00Z", To: "2026-03-02T06:00:00Z", Sentence: "it stood."}},
	} {
		var out strings.Builder
		if printFindings(&out, found, site); out.String() != want {
			t.Errorf("got %q, want %q", out.String(), want)
		}
	}
}
