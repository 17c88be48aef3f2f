package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

func fig(v float64) *float64 { return &v }

// shopWeek is a week of an invented shop: from 08:00 to 16:00 on workdays its machine
// loads and unloads by turns of five minutes and draws 30 kW, else it is off.
func shopWeek(t *testing.T) *Data {
	t.Helper()
	d := shop(map[string]float64{"comp1.observed_time": 604_800, "comp1.running_time": 144_000, "comp1.duty_cycle": 0.5, "comp1.starts_per_hour_max": 2,
		"comp1.shortest_rest": 57_600, "comp1.mean_load_cycle": 600, "comp1.energy": 1200, "main.energy": 1200, "main.energy_off_shift": 0})
	from := at("2026-03-02T00:00:00Z")
	d.FromMS, d.ToMS, d.NowMS = from, from+7*86_400_000, from+7*86_400_000
	d.Site.Shifts = shifts(t, "Mon-Fri 08:00-16:00")
	d.Site.WeeksPerYear = 50
	d.Site.Tariff = sitefile.Tariff{Currency: "USD", BillingDay: 1, Energy: []sitefile.EnergyPrice{{PerKWh: 0.10}}}
	d.Site.Machines[0].Roles = map[scan.Role]string{scan.Power: "meter.power"}
	system := &d.Figures.Systems[0]
	system.Figures = append(system.Figures, analysis.Figure{Name: "energy_cost", Value: fig(120), Uncertainty: fig(1.2), Unit: "USD"},
		analysis.Figure{Name: "leak_cost", Value: fig(900), Uncertainty: fig(100), Unit: "USD"})
	for _, of := range [][]analysis.Figure{d.Figures.Machines[0].Figures, system.Figures} {
		for i := range of {
			if of[i].Name == "energy" {
				of[i].Unit, of[i].Uncertainty, of[i].Method = "kWh", fig(12), "integral of power"
			}
			if strings.HasSuffix(of[i].Name, "_time") || of[i].Name == "shortest_rest" {
				of[i].Unit = "s"
			}
		}
	}
	d.Runs = map[string][]analysis.Run{"comp1": shopRuns(from)}
	var hours analysis.Hours
	power := store.Series{Unit: "kW", StepMS: 60_000}
	for m := range 7 * 1440 {
		kW := 0.0
		if h := m / 60 % 24; m/1440 < 5 && h >= 8 && h < 16 {
			kW = 30
		}
		power.Cells = append(power.Cells, store.Cell{StartMS: from + int64(m)*60_000, Min: kW, Max: kW, Sum: 60 * kW, Count: 60})
		if m%60 == 0 {
			kind := "workday"
			if m/1440 >= 5 {
				kind = "off-day"
			}
			hours.Rows = append(hours.Rows, analysis.Hour{StartMS: from + int64(m)*60_000, EnergyJ: kW * 3.6e6, ClockHour: m / 60 % 24, Date: from/86_400_000 + int64(m/1440), DayType: kind})
		}
	}
	hours.Whole = len(hours.Rows)
	d.Hours = map[string]analysis.Hours{"system main": hours, "machine comp1": hours}
	d.Series = map[string]store.Series{"meter.power": power}
	return d
}

// shopRuns are the states of that week.
func shopRuns(from int64) (runs []analysis.Run) {
	put := func(state analysis.State, at, until int64) {
		runs = append(runs, analysis.Run{State: state, FromMS: from + at*60_000, ToMS: from + until*60_000})
	}
	for day := range int64(7) {
		begin := day * 1440
		if day >= 5 {
			put(analysis.Off, begin, begin+1440)
			continue
		}
		put(analysis.Off, begin, begin+480)
		for m := int64(480); m < 960; m += 10 {
			put(analysis.Loaded, begin+m, begin+m+5)
			put(analysis.Unloaded, begin+m+5, begin+m+10)
		}
		put(analysis.Off, begin+960, begin+1440)
	}
	return runs
}

// built has the years, and the findings given.
func built(d *Data, findings ...Finding) *builder {
	b := builderOf(d)
	b.doc.Year, b.doc.Findings = years(d), findings
	return b
}

// chartOf finds a chart of the sections.
func chartOf(t *testing.T, sections []Section, id string) *chart.Chart {
	t.Helper()
	for _, s := range sections {
		for _, k := range s.Blocks {
			if k.Chart != nil && k.Chart.ID == id {
				return k.Chart
			}
		}
	}
	t.Fatalf("no chart %s", id)
	return nil
}

// TestAnswer: a workday of the shop takes 8·30 = 240 kWh and an off-day none, at 0.10 a
// kWh: 250 workdays are 60 000 kWh and 6000 USD a year, known as the week is, to 1 %.
func TestAnswer(t *testing.T) {
	effect := &Effect{Money: &Amount{Value: 700, Half: fig(80)}, Currency: "USD", Assumes: "a year", How: "by replay"}
	b := built(shopWeek(t), Finding{Title: "Leaks are large", Advice: say("Walk the mains at night. Then mend."), Effect: effect},
		Finding{Title: "It runs off shift", Advice: say("Stop it by its clock. Ask first.")}, Finding{Title: "Third", Advice: say("Do this")}, Finding{Title: "Fourth", Advice: say("Do that")})
	all := answer(b)
	says(t, plainText(t, b, all), "compressed air costs 6000 ± 60 USD a year.", "Electricity a year: 60000 ± 600 kWh", "What leaks cost a year: 900 ± 100 USD",
		"comp1 ran for 40.0 h of 168.0 h observed, and made air for 50", "Finding 1: Leaks are large\nWorth in a year: 700 ± 80 USD.\nFirst: Walk the mains at night.\n", "not: Then mend",
		"Finding 2: It runs off shift", "not: Worth in a year: .", "Finding 3: Third", "not: Finding 4", "Also found. Fourth.", "not: Do not rely", "All 4 findings", "not: do not add up", "How a year is told, and what that assumes, stands under Brought to a year.")
	b = built(b.data, Finding{Title: "One", Effect: effect}, Finding{Title: "Two", Effect: effect})
	says(t, plainText(t, b, answer(b)), "Sums for a year do not add up: what one saves another may have saved already. The evidence, what", "not: Also found") // one paragraph: the page is full
	b = built(b.data, Finding{Title: "The meter of comp1 reads low", Subject: "comp1", Matters: mattersFigures})
	says(t, plainText(t, b, answer(b)), "Do not rely on these sums: the meter of comp1 reads low.")
	leaks := &b.data.Figures.Systems[0].Figures[len(b.data.Figures.Systems[0].Figures)-1]
	leaks.AtLeast, leaks.AtLeastWhy = true, "no demand charge is counted"
	says(t, plainText(t, b, answer(b)), "What leaks cost a year: at least 900 ± 100 USD; a lower bound, since no demand charge is counted")
	bars := chartOf(t, all, "hours-by-state").Bars
	if want := []string{"loaded", "unloaded", "off"}; !slices.Equal(bars.Parts, want) || !slices.Equal(bars.Bars[0].Values, chart.Values{20, 20, 128}) {
		t.Errorf("hours by state %v %v, want %v and 20, 20, 128", bars.Parts, bars.Bars, want)
	}
	at := ""
	for _, f := range all[0].Blocks[0].Box.Blocks[0].Text {
		if f.At != "" && at == "" {
			at = f.At
		}
	}
	if at != "/year/1/figures/5/value" {
		t.Errorf("the cost of a year stands at %s", at)
	}
}

// TestAnswerOfLittle: where a year cannot be told the page says why, and what the window
// has; without states it says that too.
func TestAnswerOfLittle(t *testing.T) {
	d := shopWeek(t)
	d.ToMS, d.NowMS = d.FromMS+2*86_400_000, d.FromMS+2*86_400_000
	d.Runs = map[string][]analysis.Run{"comp1": {{State: analysis.Unobserved, FromMS: d.FromMS, ToMS: d.ToMS}}}
	b := built(d)
	says(t, plainText(t, b, answer(b)), "What a year costs cannot be told: a year is told from one whole week or more, and this window is 48 h 0 min.",
		"In this window the electricity cost 120.0 ± 1.2 USD", "[gap] How the hours were spent is not known", "No rule found anything", "not: How a year is told")

	d = shopWeek(t)
	d.Site.Tariff = sitefile.Tariff{}
	b = built(d)
	says(t, plainText(t, b, answer(b)), "Compressed air takes 60000 ± 600 kWh of electricity a year. What that costs cannot be told: no energy price in the site file.")
}

// TestPartsOfNothing: each part copes with a site of no machine, with machines of which
// nothing was read, and with a window of no time.
func TestPartsOfNothing(t *testing.T) {
	nothing := shop(nil)
	empty := shop(nil)
	empty.FromMS, empty.ToMS, empty.NowMS = at("2026-03-02T00:00:00Z"), at("2026-03-02T00:00:00Z"), at("2026-03-02T00:00:00Z")
	absent := shop(nil)
	for i := range absent.Figures.Machines {
		for _, name := range []string{"energy", "running_time", "starts", "load_cycles", "power_unloaded_mean", "energy_unloaded"} {
			absent.Figures.Machines[i].Figures = append(absent.Figures.Machines[i].Figures, analysis.Figure{Name: name, Absent: "nothing was observed in this window"})
		}
	}
	for name, d := range map[string]*Data{"nothing": nothing, "no time": empty, "absent": absent,
		"no machine": {Site: &sitefile.Site{Name: "Empty Yard", Location: time.UTC}}} {
		for i, part := range []func(*builder) []Section{answer, days, duty, cycles, unloadSection, energySection} {
			t.Run(fmt.Sprintf("%s/%d", name, i), func(t *testing.T) {
				b := built(d)
				all := part(b)
				text := plainText(t, b, all)
				if len(all) == 0 || len(all[0].Blocks) == 0 || !strings.Contains(text, "[gap]") && !strings.Contains(text, "cannot be told") && len(d.Figures.Machines)+len(d.Figures.Systems) > 0 {
					t.Errorf("it does not say that nothing is known:\n%s", text)
				}
				for _, s := range all {
					for _, k := range s.Blocks {
						if k.Chart != nil {
							t.Errorf("chart %s without data", k.Chart.ID)
						}
					}
				}
			})
		}
	}
}

// TestFirstSentence: what to do first is the advice's first sentence, its numbers too.
func TestFirstSentence(t *testing.T) {
	n := Run{Text: "3.5", At: "/x", Value: fig(3.5)}
	for _, tt := range []struct {
		advice Text
		want   string
	}{
		{say("Walk. Then mend."), "Walk."},
		{say("Set ", n, " psi. Then look."), "Set 3.5 psi."},
		{say("One sentence only"), "One sentence only"},
		{nil, ""},
	} {
		got := ""
		for _, r := range firstSentence(tt.advice) {
			got += r.Text
		}
		if got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
}

func nan(values chart.Values) (n int) {
	for _, v := range values {
		if math.IsNaN(v) {
			n++
		}
	}
	return n
}
