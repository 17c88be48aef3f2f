package chart

import (
	"fmt"
	"math"
	"strings"
)

// samples are charts of every kind, as reports have them, and some that they should not
// have but may.
func samples() []*Chart {
	all := []*Chart{weekSample(), durationSample(), unloadSample(), stripSample(), rowSample(), columnSample(), histogramSample(), heatSample(), plantSample(2, 5)}
	for i, c := range all {
		c.ID = fmt.Sprintf("sample-%d", i+1)
		c.Summary = "What is to be seen in " + c.Title + "."
	}
	return all
}

// oddSamples have names and numbers that nobody means to give.
func oddSamples() []*Chart {
	long := strings.Repeat("A name that does not end ", 12)
	all := []*Chart{weekSample(), unloadSample(), stripSample(), rowSample(), columnSample(), histogramSample(), heatSample(), plantSample(3, 9), plantSample(2, 4)}
	for _, c := range all {
		c.Title = `<script>alert("1")</script> ` + long
		switch {
		case c.Lines != nil:
			c.Lines.Y.Label, c.Lines.X.Label = long, long
			for i := range c.Lines.Series {
				c.Lines.Series[i].Name = long
			}
			c.Lines.Limits = append(c.Lines.Limits, Limit{At: 3, Name: "=cmd()|<b>" + long, Vertical: true}, Limit{At: 3, Name: "\u202eשם ארוך" + long})
			c.Lines.Spans = append(c.Lines.Spans, Span{2, 9, long})
		case c.Strips != nil:
			for i := range c.Strips.Rows {
				c.Strips.Rows[i].Name = strings.Repeat("W", 300)
			}
			c.Strips.Y.Label = long
		case c.Bars != nil:
			for i := range c.Bars.Bars {
				c.Bars.Bars[i].Name, c.Bars.Bars[i].Label = long, long
			}
			c.Bars.Parts = append([]string{long}, c.Bars.Parts...)
			c.Bars.Limits = append(c.Bars.Limits, Limit{At: 1, Name: long})
		case c.Heat != nil:
			for i := range c.Heat.Rows {
				c.Heat.Rows[i] = "مضغط" + long
			}
			c.Heat.Unit = long
		case c.Plant != nil:
			for i := range c.Plant.Parts {
				c.Plant.Parts[i].Name, c.Plant.Parts[i].Note, c.Plant.Parts[i].Tap = long, long, "🛠"+long
			}
		}
	}
	return all
}

var nan = math.NaN()

func weekSample() *Chart {
	s := Series{Name: "demand, mean", Kind: 0, Fill: true}
	for i := range 7 * 1440 {
		h := float64(i) / 60
		day := math.Mod(h, 24)
		v := 40 + 8*math.Sin(h)
		if day > 7 && day < 16 && h < 120 {
			v = 120 + 25*math.Sin(h*2) + 10*math.Sin(h*57)
		}
		if h > 60 && h < 66 {
			v = nan
		}
		if i == 5000 {
			v = 230 // a spike of one minute
		}
		s.X, s.Y = append(s.X, h), append(s.Y, v)
	}
	var ticks []Tick
	var spans []Span
	for d, name := range []string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"} {
		ticks = append(ticks, Tick{float64(d)*24 + 12, name})
		if d < 5 {
			spans = append(spans, Span{float64(d)*24 + 7, float64(d)*24 + 16, "shift"})
		}
	}
	return &Chart{Title: "Demand over the week", Lines: &Lines{
		X: Axis{Label: "Local time", Min: 0, Max: 168, Ticks: ticks}, Y: Axis{Label: "Demand", Unit: "cfm", Zero: true},
		Series: []Series{s}, Spans: spans, Limits: []Limit{{At: 185, Name: "comp1 rated flow"}},
	}}
}

func durationSample() *Chart {
	l := &Lines{X: Axis{Label: "Hours of the week with at least so much", Unit: "h"}, Y: Axis{Label: "Demand", Unit: "cfm", Zero: true}}
	for k := range 6 {
		s := Series{Name: fmt.Sprintf("system %d as measured", k+1), Kind: k, Step: k == 1}
		for i := range 169 {
			s.X, s.Y = append(s.X, float64(i)), append(s.Y, 180*math.Exp(-float64(i)/(40+9*float64(k)))+float64(k))
		}
		l.Series = append(l.Series, s)
	}
	return &Chart{Title: "Duration curve", Lines: l}
}

func unloadSample() *Chart {
	l := &Lines{X: Axis{Label: "Since unloading", Unit: "s"}, Y: Axis{Label: "Package power", Unit: "kW", Zero: true}}
	mean := Series{Name: "middle of all", Kind: 2}
	for k := range 60 {
		s := Series{Thin: true}
		for i := range 61 {
			s.X, s.Y = append(s.X, float64(i)), append(s.Y, 11+26*math.Exp(-float64(i)/(9+0.1*float64(k)))+0.4*math.Sin(float64(k*i)))
		}
		l.Series = append(l.Series, s)
	}
	for i := range 61 {
		v := 11 + 26*math.Exp(-float64(i)/11)
		mean.X, mean.Y, mean.Low, mean.High = append(mean.X, float64(i)), append(mean.Y, v), append(mean.Low, v-1.5), append(mean.High, v+2)
	}
	l.Series = append(l.Series, mean)
	l.Limits = []Limit{{At: 11, Name: "settled"}, {At: 32, Name: "blow-down over", Vertical: true}}
	return &Chart{Title: "Unloads laid over one another", Lines: l}
}

func stripSample() *Chart {
	s := &Strips{X: Axis{Label: "Local time", Min: 0, Max: 24}, Y: Axis{Label: "Discharge pressure", Unit: "psi"}}
	for h := 0; h <= 24; h += 3 {
		s.X.Ticks = append(s.X.Ticks, Tick{float64(h), fmt.Sprintf("%02d:00", h)})
	}
	for d := range 7 {
		row := Strip{Name: []string{"Mon 2 Mar", "Tue 3 Mar", "Wed 4 Mar", "Thu 5 Mar", "Fri 6 Mar", "Sat 7 Mar", "Sun 8 Mar"}[d], Line: Series{Kind: 0}}
		for i := range 1440 {
			h := float64(i) / 60
			v := 105 + 8*math.Sin(h*9+float64(d))
			if d == 2 && h > 10 && h < 14 {
				v = nan
			}
			row.Line.X, row.Line.Y = append(row.Line.X, h), append(row.Line.Y, v)
		}
		add := func(to float64, state string) {
			from := 0.0
			if n := len(row.States); n > 0 {
				from = row.States[n-1].To
			}
			row.States = append(row.States, Stage{from, to, state})
		}
		if d > 4 {
			add(24, []string{"standby", "off"}[d-5])
		} else {
			add(6, "stopped")
			add(6.3, "starting")
			for i := range 150 {
				at := 6.3 + float64(i)/15
				add(at+0.02+0.0003*float64(i), "loaded")
				add(at+1.0/15, "unloaded")
			}
			add(19, "part-load")
			add(20, "unloaded")
			if d == 2 {
				row.States = append([]Stage{{10, 14, "unobserved"}}, row.States...)
			}
			if d == 3 {
				add(21, "tripped")
			}
			add(24, "standby")
		}
		s.Rows = append(s.Rows, row)
	}
	return &Chart{Title: "Seven days", Strips: s}
}

func rowSample() *Chart {
	return &Chart{Title: "What other settings would save", Bars: &Bars{Across: true, Value: Axis{Label: "Saving", Unit: "USD a year"}, Parts: []string{"saving"}, Bars: []Bar{
		{Name: "leaks halved", Values: Values{2480}, Low: 1900, High: 3100, Label: "2480 ± 600"},
		{Name: "no-load stop after five minutes instead of thirty", Values: Values{1220}, Low: 1000, High: 1440, Label: "1220 ± 220"},
		{Name: "receiver doubled", Values: Values{130}, Low: -60, High: 320, Label: "130 (0 to 320)"},
		{Name: "band raised", Values: Values{-310}, Low: -400, High: -220, Label: "costs 310 ± 90"},
		{Name: "not played", Values: Values{nan}},
	}}}
}

func columnSample() *Chart {
	b := &Bars{Value: Axis{Label: "Energy", Unit: "kWh"}, Parts: []string{"loaded", "unloaded", "standby", "off", "unobserved"}, Limits: []Limit{{At: 300, Name: "mean of all days"}}}
	for i, d := range []string{"Mon 2 Mar", "Tue 3 Mar", "Wed 4 Mar", "Thu 5 Mar", "Fri 6 Mar", "Sat 7 Mar", "Sun 8 Mar"} {
		v := 330 - 20*float64(i)
		b.Bars = append(b.Bars, Bar{Name: d, Values: Values{v, v / 3, 6, 30, 15}, Label: fmt.Sprintf("%.0f", v*4/3+51)})
	}
	return &Chart{Title: "Energy by day and state", Bars: b}
}

func histogramSample() *Chart {
	b := &Bars{Value: Axis{Label: "Cycles", Unit: ""}, Parts: []string{"cycles"}}
	for i := range 40 {
		b.Bars = append(b.Bars, Bar{Name: fmt.Sprintf("%d s", i*15), Values: Values{math.Round(400 * math.Exp(-math.Pow(float64(i-12)/7, 2)))}})
	}
	return &Chart{Title: "How long load cycles last", Bars: b}
}

func heatSample() *Chart {
	h := &Heat{Unit: "kWh in the hour, mean", Rows: []string{"Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"}}
	for i := range 24 {
		h.Columns = append(h.Columns, fmt.Sprintf("%02d", i))
	}
	for d := range 7 {
		var row Values
		for i := range 24 {
			v := 3.2 + 0.1*float64(d)
			if i >= 7 && i < 16 && d < 5 {
				v = 18 + 4*math.Sin(float64(i*d))
			}
			if d == 2 && i > 9 && i < 14 {
				v = nan
			}
			row = append(row, v)
		}
		h.Cells = append(h.Cells, row)
	}
	return &Chart{Title: "Energy by weekday and hour", Heat: h}
}

func plantSample(machines, parts int) *Chart {
	pl := &Plant{Unit: "psi", Minimum: 90}
	for i := range machines {
		pl.Machines = append(pl.Machines, PlantPart{Name: fmt.Sprintf("comp%d", i+1), Kind: "load/unload", Note: "185 cfm, 37 kW", Pressure: 112 - 2*float64(i), Tap: "controller"})
	}
	for i := range parts {
		part := PlantPart{Name: []string{"dryer", "filter", "receiver", "regulator", "mains"}[i%5], Kind: []string{"dryer", "filter", "receiver", "valve", "piping"}[i%5]}
		if i%2 == 0 {
			part.Pressure, part.Tap, part.Note = 108-2*float64(i), "inputs.receiver_pressure", "240 gal"
		}
		pl.Parts = append(pl.Parts, part)
	}
	return &Chart{Title: "The system as drawn", Plant: pl}
}
