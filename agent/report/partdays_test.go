package report

import (
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/store"
)

// TestDays: the strips hold the states to the minute, the line the buckets' means with
// their lowest and highest; a spike of one minute is kept, and an hour that nobody saw
// breaks the line.
func TestDays(t *testing.T) {
	d := shopWeek(t)
	cells := d.Series["meter.power"].Cells
	cells[1440+600].Max = 99 // Tuesday 10:00
	d.Series["meter.power"] = store.Series{Unit: "kW", Cells: slices.Delete(slices.Clone(cells), 2*1440+600, 2*1440+660)}
	b := built(d)
	all := days(b)
	says(t, plainText(t, b, all), "comp1 ran on 5 of these 7 days, at the earliest from 08:00 and at the latest until 16:00.", "not: The window touches",
		"Outside the shifts main used 0 ", "Highest on Mon from 08:00, at 30.00 kW")
	strips := chartOf(t, all, "days-comp1-1").Strips
	if len(strips.Rows) != 7 || strips.Y.Unit != "kW" {
		t.Fatalf("%d strips in %s", len(strips.Rows), strips.Y.Unit)
	}
	monday := strips.Rows[0]
	if len(monday.States) != 98 || monday.States[0] != (chart.Stage{From: 0, To: 8, State: "off"}) || monday.States[1] != (chart.Stage{From: 8, To: rounded(8 + 1.0/12), State: "loaded"}) {
		t.Errorf("%d states: %v …", len(monday.States), monday.States[:2])
	}
	if len(monday.Line.X) != 288 || nan(monday.Line.Y) != 0 || monday.Line.Y[100] != 30 || monday.Line.High[100] != 30 {
		t.Errorf("Monday's line has %d points, %v at its hundredth", len(monday.Line.X), monday.Line.Y[100])
	}
	if tuesday := strips.Rows[1]; slices.Max(tuesday.Line.High) != 99 || slices.Max(tuesday.Line.Y) != 30 {
		t.Errorf("the spike: highest %v", slices.Max(tuesday.Line.High))
	}
	if wednesday := strips.Rows[2]; nan(wednesday.Line.Y) != 1 || len(wednesday.Line.X) != 288-12+1 {
		t.Errorf("the hour not seen: %d points, %d breaks", len(wednesday.Line.X), nan(wednesday.Line.Y))
	}
	heat := chartOf(t, all, "energy-week-main-1").Heat
	if heat.Cells[4][8] != 30 || heat.Cells[4][7] != 0 || heat.Cells[6][12] != 0 || len(heat.Cells) != 7 {
		t.Errorf("the week's map: %v", heat.Cells)
	}
}

// TestDemandHeat is the table of the figures, in the site's units, turned round: a
// balance that comes out a hair below nought is nought.
func TestDemandHeat(t *testing.T) {
	d := shopWeek(t)
	d.Figures.Systems[0].Tables = []analysis.Table{{Name: "air_demand_profile", Columns: []analysis.Column{{Name: "Mon", Unit: "m³/min"}, {Name: "Tue", Unit: "m³/min"}},
		Rows: []analysis.Row{{Name: "00:00", Values: []*float64{fig(-0.0001), nil}}, {Name: "01:00", Values: []*float64{fig(2), fig(1)}}}}}
	b := built(d)
	all := days(b)
	heat := chartOf(t, all, "demand-week-main-1").Heat
	// 2 m³/min are 70.63 cfm.
	if heat.Unit != "cfm" || heat.Cells[0][0] != 0 || heat.Cells[0][1] < 70.6 || heat.Cells[0][1] > 70.7 || nan(heat.Cells[1]) != 1 || !slices.Equal(heat.Rows, []string{"Mon", "Tue"}) {
		t.Errorf("%+v", heat)
	}
	says(t, plainText(t, b, all), "Highest on Mon from 01:00, at 70.6")
}

// TestDaysOfTheClock: the days are the site's. Clocks in Chicago went forward at 02:00
// on 8 March 2026 and back on 1 November (IANA time zone data base).
func TestDaysOfTheClock(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	d := shopWeek(t)
	d.Site.Location = chicago
	d.FromMS, d.ToMS = at("2026-03-02T06:00:00Z"), at("2026-03-09T06:00:00Z") // 01:00 on Monday the 9th
	d.NowMS = d.ToMS
	d.Runs["comp1"] = []analysis.Run{{State: analysis.Loaded, FromMS: d.FromMS, ToMS: d.ToMS}}
	b := built(d)
	all := days(b)
	says(t, plainText(t, b, all), "The window touches 8 dates; the 7 in a row", "On Sun 8 Mar the clocks go forward")
	rows := chartOf(t, all, "days-comp1-1").Strips.Rows
	if rows[0].Name != "Mon 2 Mar" || rows[6].Name != "Sun 8 Mar" {
		t.Errorf("drawn are %s to %s", rows[0].Name, rows[6].Name)
	}
	if want := []chart.Stage{{From: 0, To: 2, State: "loaded"}, {From: 3, To: 24, State: "loaded"}}; !slices.Equal(rows[6].States, want) {
		t.Errorf("the day of 23 hours: %v, want %v", rows[6].States, want)
	}
	d.FromMS, d.ToMS = at("2026-11-01T05:00:00Z"), at("2026-11-02T06:00:00Z")
	d.NowMS = d.ToMS
	d.Runs["comp1"] = []analysis.Run{{State: analysis.Loaded, FromMS: d.FromMS, ToMS: d.ToMS}}
	var series store.Series
	for ms := d.FromMS; ms < d.ToMS; ms += 60_000 {
		series.Cells = append(series.Cells, store.Cell{StartMS: ms, Min: 1, Max: 1, Sum: 1, Count: 1})
	}
	d.Series["meter.power"] = series
	b = built(d)
	says(t, plainText(t, b, days(b)), "On Sun 1 Nov the clocks go back")
	says(t, plainText(t, b, duty(b)), "ran for 25.0 h on the one whole day (Sun 1)")
	row := chartOf(t, days(b), "days-comp1-1").Strips.Rows[0]
	if want := []chart.Stage{{From: 0, To: 2, State: "loaded"}, {From: 2, To: 24, State: "loaded"}}; !slices.Equal(row.States, want) {
		t.Errorf("the day of 25 hours: %v, want %v", row.States, want)
	}
	if !slices.IsSorted(row.Line.X) || len(row.Line.X) != 288 || nan(row.Line.Y) != 0 {
		t.Errorf("the day of 25 hours has %d points, %d breaks", len(row.Line.X), nan(row.Line.Y))
	}
}

// TestDuty: hours by day and the most starts in an hour, beside the motor's limit.
func TestDuty(t *testing.T) {
	d := shopWeek(t)
	d.Intervals = map[string][]analysis.Interval{"comp1": {{Start: "2026-03-03T08:00:00.000Z", Starts: 2}, {Start: "2026-03-03T08:45:00.000Z", Starts: 1}, {Start: "2026-03-03T09:00:00.000Z", Starts: 1}}}
	b := built(d)
	all := duty(b)
	says(t, plainText(t, b, all), "Observed | 168 h\n", "Running | 40 h\n", "Duty | 50 %", "Most in any hour | 2; limit 6", "Shortest rest | 16 h; least 1 min 12 s",
		"comp1 ran on 5 of the 7 whole days, for 8.0 h each.", "At most 3 in an hour of the clock; the limit is 6.")
	bars := chartOf(t, all, "starts-comp1-1").Bars
	if len(bars.Bars) != 7 || bars.Bars[1].Values[0] != 3 || bars.Bars[0].Values[0] != 0 || len(bars.Limits) != 1 || bars.Limits[0].At != 6 {
		t.Errorf("starts by day: %+v", bars)
	}
	d.Intervals["comp1"] = nil
	for _, s := range duty(built(d)) {
		for _, k := range s.Blocks {
			if k.Chart != nil && strings.HasPrefix(k.Chart.ID, "starts-") {
				t.Error("a chart of no starts")
			}
		}
	}
}

// TestFigureTable: what is said of all machines stands once, a reason names whom it is of,
// and a state that no machine has takes no row.
func TestFigureTable(t *testing.T) {
	d := shopWeek(t)
	d.Figures.Machines[0].Figures = append(d.Figures.Machines[0].Figures, analysis.Figure{Name: "stopped_time", Value: fig(0), Unit: "s"})
	second := d.Figures.Machines[0]
	second.Machine, second.Figures = "comp2", []analysis.Figure{{Name: "duty_cycle", Absent: "a part-load machine"}, {Name: "starts_per_hour_max", Value: fig(1), Unit: "1/h", Limit: fig(6), LimitBasis: "by its plate"}}
	d.Figures.Machines[0].Figures[slices.IndexFunc(d.Figures.Machines[0].Figures, func(f analysis.Figure) bool { return f.Name == "starts_per_hour_max" })].LimitBasis = "by its plate"
	d.Figures.Machines = append(d.Figures.Machines, second)
	b := built(d)
	s := Section{Blocks: b.figureTables("Both", []named{{"duty_cycle", "Duty"}, {"stopped_time", "Stopped"}, {"starts_per_hour_max", "Most"}})}
	got := plainText(t, b, []Section{s})
	says(t, got, "Duty | 50 % | –", "not: Stopped |", "Most: by its plate (comp1, comp2).", "Not told: duty of comp2 (a part-load machine).")
	if strings.Count(got, "by its plate") != 1 {
		t.Errorf("a note stands twice:\n%s", got)
	}
}
