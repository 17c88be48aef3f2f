package report

import (
	"fmt"
	"strings"

	"loadscribe/agent/chart"
)

// cycles are the load cycles, and how long they last.
func cycles(b *builder) []Section {
	s := Section{ID: "load-cycles", Title: "Load cycles", Level: 1}
	tables := b.figureTables("Load cycles", []named{{"load_cycles", "Times loaded"}, {"load_cycles_per_hour", "An hour of running"}, {"mean_load_cycle", "Mean cycle"}})
	s.Blocks = append(s.Blocks, para("A load cycle reaches from one load to the next. Short ones wear the valves, keep the oil sump from blowing down and so cost energy; a larger receiver or a wider pressure band makes them longer."))
	if len(tables) == 0 {
		s.Blocks = append(s.Blocks, b.noFigure("No load cycles", "load_cycles"))
		return []Section{s}
	}
	s.Blocks = append(s.Blocks, tables...)
	for i := range b.data.Figures.Machines {
		if c := b.cycleLengths(i); c != nil {
			s.Blocks = append(s.Blocks, Block{Chart: c})
		}
	}
	return []Section{s}
}

// noFigure says why no machine has a figure.
func (b *builder) noFigure(title, name string) Block {
	why := "the site file has no machine"
	absent := reasons{}
	for i := range b.data.Figures.Machines {
		if r := b.ofMachine(i, name); !r.has() {
			absent.add(r, "", "", false)
		}
	}
	switch {
	case len(absent.order) > 0:
		why = strings.Join(absent.order, "; ")
	case len(b.data.Figures.Machines) > 0:
		why = "there is no such figure of this window"
	}
	return gap(title, why)
}

// cycleLengths counts a machine's whole cycles by their length; nil: there is none.
func (b *builder) cycleLengths(machine int) *chart.Chart {
	r := b.ofMachine(machine, "mean_load_cycle")
	if !r.has() || len(r.Distribution) == 0 {
		return nil
	}
	name := b.data.Figures.Machines[machine].Machine
	bars := &chart.Bars{Value: chart.Axis{Label: "whole cycles", Zero: true}, Parts: []string{"cycles"}, Across: true}
	all, most, longest := 0, -1, 0
	for i, class := range r.Distribution {
		all += class.Count
		if most < 0 || class.Count > r.Distribution[most].Count {
			most = i
		}
		bars.Bars = append(bars.Bars, chart.Bar{Name: classSpan(class.From, class.To), Values: chart.Values{float64(class.Count)}, Label: fmt.Sprint(class.Count)})
		longest = i
	}
	bars.Bars = bars.Bars[:longest+1]
	top := r.Distribution[most]
	return &chart.Chart{ID: "cycles-" + slug(name, machine), Title: "How long the load cycles of " + name + " last",
		Summary: fmt.Sprintf("%d whole cycles; the commonest length is %s, in %d of them.", all, classSpan(top.From, top.To), top.Count), Bars: bars}
}

// classSpan is a class of lengths in words.
func classSpan(from float64, to *float64) string {
	unit, per := "s", 1.0
	if from >= 120 || to != nil && *to >= 180 {
		unit, per = "min", 60
	}
	if to == nil {
		return fmt.Sprintf("over %.4g %s", from/per, unit)
	}
	return fmt.Sprintf("%.4g to %.4g %s", from/per, *to/per, unit)
}
