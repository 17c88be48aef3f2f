package workbook

import (
	"fmt"
	"math"

	"github.com/xuri/excelize/v2"

	"loadscribe/agent/analysis"
)

// demandSheet has each system's demand by the quarter hour, with a picture.
func (b *book) demandSheet(s *sheet) error {
	flow, pressure := analysis.Column{Unit: "m³/min"}, analysis.Column{Unit: "kPa"}
	s.head(2, column{"system", 16}, column{"from", 22}, column{"from, UTC", 20}, column{"demand [" + b.unitOf(flow.Unit) + "]", 14},
		column{"± (95 %)", 12}, column{"pressure [" + b.unitOf(pressure.Unit) + "]", 14}, column{"observed", 10}, column{"delivering", 10})
	for i := range b.data.Demand {
		d := &b.data.Demand[i]
		if d.Absent != "" {
			s.put(cell{d.System, look{}}, cell{"not to be had: " + d.Absent, look{}})
			continue
		}
		first := s.row
		for j := range d.Steps {
			step := &d.Steps[j]
			local, utc := b.times(step.Start)
			s.put(cell{d.System, look{}}, local, utc, b.number(times(step.Flow, 60), flow), b.number(times(step.U, 120), analysis.Column{Name: "uncertainty", Unit: flow.Unit}),
				b.number(times(step.Pressure, 1e-3), pressure), cell{step.Seen, shareLook}, cell{step.Delivering, shareLook})
		}
		if s.row > first {
			s.chart(fmt.Sprintf("J%d", first+1), &excelize.Chart{Type: excelize.Line, Series: []excelize.ChartSeries{s.series(d.System, 1, 3, first, s.row-1)},
				Title: title("Demand of " + d.System), YAxis: axis(b.unitOf(flow.Unit)), ShowBlanksAs: "gap"}, 1400)
		}
	}
	if len(b.data.Demand) == 0 {
		s.put(cell{"the site file has no [[system]]", look{}})
	}
	return nil
}

// durationSheet has for how long the demand was above what.
func (b *book) durationSheet(s *sheet) error {
	flow := analysis.Column{Unit: "m³/min"}
	s.head(2, column{"system", 16}, column{"share of the time", 14}, column{"demand above [" + b.unitOf(flow.Unit) + "]", 16}, column{"± (95 %)", 12}, column{"time above [h]", 12})
	any := false
	for _, sub := range b.subjects() {
		t := sub.table("air_demand_duration")
		if t == nil || len(t.Rows) == 0 {
			continue
		}
		any = true
		first := s.row
		for i := range t.Rows {
			r := &t.Rows[i]
			s.put(cell{sub.name, look{}}, cell{r.Name, look{}}, b.number(at(t, r, "demand"), flow), b.number(at(t, r, "uncertainty"), analysis.Column{Name: "uncertainty", Unit: flow.Unit}),
				cell{times(at(t, r, "time above"), 1./3600), decimals(2)})
		}
		s.chart(fmt.Sprintf("G%d", first+1), &excelize.Chart{Type: excelize.Line, Series: []excelize.ChartSeries{s.series(sub.name, 1, 2, first, s.row-1)},
			Title: title("Demand was above this for so much of the time: " + sub.name), YAxis: axis(b.unitOf(flow.Unit))}, 700)
	}
	if !any {
		s.put(cell{"the demand for air is not known here; the sheet Figures says why", look{}})
	}
	return nil
}

// times is a value times a factor; nil stays.
func times(v *float64, factor float64) *float64 {
	if v == nil {
		return nil
	}
	out := *v * factor
	return &out
}

// alternativeSheet has what other settings would have done, with money at a price that
// may be changed.
func (b *book) alternativeSheet(s *sheet) error {
	pressure := analysis.Column{Unit: "kPa"}
	s.head(2, column{"system", 14}, column{"what", 40}, column{"settings", 50}, column{"saved [kWh]", 12}, column{"± (95 %)", 11}, column{"of the energy", 10},
		column{"saved, as the tariff prices it", 14}, column{"± (95 %)", 11}, column{"price of a saved kWh", 12}, column{"saved, at that price", 13},
		column{"a year, as the tariff prices it", 14}, column{"± (95 %)", 11}, column{"a year, at that price", 13}, column{"energy [kWh]", 12}, column{"starts", 10},
		column{"load cycles", 10}, column{"lowest pressure [" + b.unitOf(pressure.Unit) + "]", 12}, column{"why not", 40}, column{"remarks and cautions", 100})
	for i := range b.data.Replays {
		a := &b.data.Replays[i]
		if a.Absent != "" {
			s.put(cell{a.System, look{}}, cell{"not replayed: " + a.Absent, look{}})
			continue
		}
		s.outcome(a.System, "measured", "", &a.Measured, "")
		s.outcome(a.System, "replayed with the present settings", "", &a.Present, a.Fit.Words)
		first := s.row
		for j := range a.Results {
			s.alternative(a.System, &a.Results[j])
		}
		if len(a.Results) > 0 {
			s.chart(fmt.Sprintf("B%d", s.row+2), &excelize.Chart{Type: excelize.Bar, Series: []excelize.ChartSeries{s.series("saved", 1, 3, first, s.row-1)},
				Title: title("Saved over the window, " + a.System), XAxis: axis(""), YAxis: axis("kWh")}, 900)
			s.row += 20
		}
	}
	if len(b.data.Replays) == 0 {
		s.put(cell{"nothing was replayed", look{}})
	}
	return nil
}

// costs are the money of an alternative: as priced, and live.
func (s *sheet) costs(saved, cost, year *float64) (price, live, liveYear cell) {
	if saved == nil || cost == nil || math.Abs(*saved) < 1e-9 {
		return cell{}, cell{}, cell{}
	}
	perKWh := *cost / *saved
	price = cell{perKWh, look{format: "0.0000", input: true}}
	live = cell{formula{fmt.Sprintf("D%d*I%d", s.row, s.row), cost}, moneyLook}
	if year != nil && *cost != 0 {
		liveYear = cell{formula{fmt.Sprintf("IF(G%d=0,0,K%d*J%d/G%d)", s.row, s.row, s.row, s.row), year}, moneyLook}
	}
	return price, live, liveYear
}

// series is columns of a sheet as a picture takes them: names from one column, numbers
// from another, places from 0, rows from 1.
func (s *sheet) series(name string, names, numbers, first, last int) excelize.ChartSeries {
	cells := func(column int) string {
		return fmt.Sprintf("'%s'!$%s$%d:$%s$%d", s.name, letter(column), first, letter(column), last)
	}
	return excelize.ChartSeries{Name: clean(name), Categories: cells(names), Values: cells(numbers), Marker: excelize.ChartMarker{Symbol: "none"},
		Line: excelize.LineOptions{Width: 1.25}, Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"1F5A80"}}}
}

// chart has a picture drawn at a cell, so many pixels wide.
func (s *sheet) chart(at string, c *excelize.Chart, width uint) {
	c.Dimension = excelize.ChartDimension{Width: width, Height: 340}
	c.Legend = excelize.ChartLegend{Position: "none"}
	s.charts = append(s.charts, placed{at, c})
}

func title(text string) excelize.ChartTitle {
	return excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: clean(text)}}}
}

func axis(unit string) excelize.ChartAxis {
	a := excelize.ChartAxis{MajorGridLines: true}
	if unit != "" {
		a.Title = title(unit)
	}
	return a
}
