package report

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/display"
)

// leaks is the part on what flows when nobody works, and what of it leaks.
func leaks(b *builder) []Section {
	return b.perSubject(Section{ID: "leaks", Title: "Quiet hours and leaks"},
		"what flows when nobody works is told of systems only, and the site file has none", b.leaksOfSubject)
}

func (b *builder) leaksOfSubject(s subject) (blocks []Block) {
	if s.kind != "system" {
		return nil
	}
	of := func(name string) ref { return b.ofSystem(s.at, name) }
	quiet, leak := of("quiet_demand"), of("leak_flow")
	methods, at := b.tableOfSystem(s.at, "leak_methods")
	switch {
	case quiet.has():
		blocks = append(blocks, Block{Text: b.leakSentence(quiet, leak, of)})
	default:
		why := "no quiet hours were found"
		if quiet.Figure != nil && quiet.Absent != "" {
			why = quiet.Absent
		}
		blocks = append(blocks, gap("What leaks at "+s.name+" cannot be told", why))
	}
	if c := b.methodsChart(s, methods); c != nil {
		blocks = append(blocks, Block{Chart: c})
	}
	if t := b.analysisTable("The leak, method by method", "method", methods, at); t != nil {
		blocks = append(blocks, Block{Table: t})
	}
	nights, place := b.tableOfSystem(s.at, "quiet_nights")
	if c := b.nightsChart(s, nights); c != nil {
		blocks = append(blocks, Block{Chart: c})
	}
	if t := b.analysisTable("The quiet nights and days off", "from, to", nights, place); t != nil {
		blocks = append(blocks, Block{Table: t})
	}
	users, place := b.tableOfSystem(s.at, "quiet_users")
	if t := b.analysisTable("What takes air in quiet hours and is no leak", "user", users, place); t != nil {
		blocks = append(blocks, Block{Table: t})
	} else if leak.has() {
		blocks = append(blocks, para("The site file names no purge, drain or user of the night, so that all of the quiet demand counts as leak. If something takes air at night on purpose, name it there: what is called a leak here becomes less by it."))
	}
	if quiet.has() {
		blocks = append(blocks, b.told(of, []named{{"quiet_demand", "quiet demand"}, {"quiet_pressure", "pressure in the quiet hours"}, {"leak_flow", "leaks"}, {"leak_share", "leaks in all air"}, {"leak_cost", "cost of the leaks in a year"}})...)
		blocks = append(blocks, b.how(quiet, leak, of("leak_share"), of("leak_cost"))...)
		blocks = append(blocks, para("A leak is found by ear or with an ultrasonic detector, marked, and mended with the pressure off: never tighten or open a fitting under pressure. What is mended is seen in the next quiet night."))
	}
	return blocks
}

func (b *builder) leakSentence(quiet, leak ref, of func(string) ref) Text {
	t := say("When nobody works the plant takes ", strong(b.figure(quiet)))
	if leak.has() {
		t = append(t, say("; what leaks is ", strong(b.figure(leak)))...)
		if share := of("leak_share"); share.has() {
			t = append(t, say(", ", b.figure(share), " of all air that was taken")...)
		}
		if leak.Note != "" {
			t = append(t, Run{Text: " (" + b.wordy(leak.Note) + ")"})
		}
	}
	t = append(t, Run{Text: "."})
	if cost := of("leak_cost"); cost.has() {
		t = append(t, say(" In a year that is ", strong(b.figure(cost)), ".")...)
	} else if cost.Figure != nil && cost.Absent != "" {
		t = append(t, Run{Text: " What that costs is not told: " + cost.Absent + "."})
	}
	return t
}

// intervalBars makes bars of a table's value and its uncertainty; rows without a value
// are left out.
func (b *builder) intervalBars(t *analysis.Table, column int) (bars []chart.Bar) {
	c := &t.Columns[column]
	_, factor, offset := b.unitOf(c.Unit)
	for _, r := range t.Rows {
		if column >= len(r.Values) || r.Values[column] == nil {
			continue
		}
		v := *r.Values[column]*factor + offset
		one := chart.Bar{Name: r.Name, Values: chart.Values{v}, Label: display.Cell(r.Values[column], c, b.data.Site.Units)}
		if u := display.UncertaintyOf(t, r.Values, column); u != nil && *u > 0 {
			half := *u * math.Abs(factor)
			one.Low, one.High = v-half, v+half
			value, spread := display.Pair(r.Values[column], u, c, b.data.Site.Units)
			one.Label = value + " ± " + spread
		}
		bars = append(bars, one)
	}
	return bars
}

// methodsChart sets the methods beside one another.
func (b *builder) methodsChart(s subject, t *analysis.Table) *chart.Chart {
	if t == nil || len(t.Columns) < 2 {
		return nil
	}
	bars := b.intervalBars(t, 0)
	if len(bars) < 3 { // one method and its own combination
		return nil
	}
	return &chart.Chart{ID: "leak-methods-" + slug(s.name, s.at), Title: "The leak by each method, " + s.name,
		Summary: "The leak by each method that could be used, with its 95 % interval, and what they come to together.",
		Bars:    &chart.Bars{Value: chart.Axis{Label: "leak", Unit: b.flowUnit(), Zero: true}, Parts: []string{"leak"}, Bars: bars, Across: true}}
}

// nightsChart draws what flowed in each quiet night.
func (b *builder) nightsChart(s subject, t *analysis.Table) *chart.Chart {
	if t == nil || len(t.Columns) < 2 || len(t.Rows) < 3 {
		return nil
	}
	bars := b.intervalBars(t, 1)
	for i := range bars {
		bars[i].Label = ""
		bars[i].Name, _, _ = strings.Cut(bars[i].Name, " to ")
	}
	if len(bars) < 3 {
		return nil
	}
	return &chart.Chart{ID: "quiet-nights-" + slug(s.name, s.at), Title: "What flowed in each quiet night, " + s.name,
		Summary: fmt.Sprintf("The flow of %d quiet nights and days off, each at its own pressure, in the order of time. One night is known no better than the quiet demand of them all, whose interval stands with it: a rise that is larger than that, or that goes on from night to night, is a growing leak.", len(bars)),
		Bars:    &chart.Bars{Value: chart.Axis{Label: "quiet flow", Unit: b.flowUnit(), Zero: true}, Parts: []string{"quiet flow"}, Bars: bars, Across: true}}
}
