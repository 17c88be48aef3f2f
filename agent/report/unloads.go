package report

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
)

// mostCurves are laid over one another: more would be one blot.
const mostCurves = 30

// unloadSection is what power and sump pressure do after each unload.
func unloadSection(b *builder) []Section {
	s := Section{ID: "unloads", Title: "Unloads", Level: 1}
	s.Blocks = append(s.Blocks, para("When a machine unloads, its inlet closes and its oil sump blows down; only then does its power fall to what idling takes. Laid over one another, sound unloads fall alike. One that stays high keeps its pressure, and one that climbs again is loading."))
	tables := b.figureTables("Power and blow-down", []named{
		{"power_loaded", "Power loaded"}, {"power_unloaded_mean", "Power unloaded, mean"}, {"power_unloaded_settled", "Power unloaded, settled"},
		{"blowdown_time", "Blow-down time"}, {"sump_pressure_residual", "Pressure left in the sump"}})
	none := len(tables) == 0
	s.Blocks = append(s.Blocks, tables...)
	for i := range b.data.Figures.Machines {
		blocks := b.unloadsOf(i)
		none = none && len(blocks) == 0
		s.Blocks = append(s.Blocks, blocks...)
	}
	if none {
		s.Blocks = append(s.Blocks, b.noFigure("No unloads", "power_unloaded_mean"))
	}
	return []Section{s}
}

// unloadsOf are one machine's: what they show in words, the pictures, the table.
func (b *builder) unloadsOf(machine int) (blocks []Block) {
	name := b.data.Figures.Machines[machine].Machine
	u, ok := b.data.Unloads[name]
	if !ok || u.Total == 0 {
		return nil
	}
	if len(b.data.Figures.Machines) > 1 {
		blocks = append(blocks, para(Text{{Text: name + ". ", Strong: true}}))
	}
	var said []Text
	for _, words := range append(append([]string{}, u.Sentences...), u.Notes...) {
		if !strings.HasPrefix(words, "curves of ") { // the pictures say how many they show
			said = append(said, say(sentence(words)))
		}
	}
	if len(said) > 0 {
		blocks = append(blocks, Block{List: said})
	}
	settled := b.ofMachine(machine, "power_unloaded_settled")
	power := curves{title: "Power of " + name + " after each unload", id: "unload-power-" + slug(name, machine), what: "power", unit: u.PowerUnit,
		of: func(c *analysis.UnloadCurve) [][2]float64 { return c.Power }}
	if u.PowerUnit == "A" {
		power.title, power.what = "Current of "+name+" after each unload", "current"
	} else if settled.has() {
		power.limit = settled
	}
	sump := curves{title: "Pressure in the sump of " + name + " after each unload", id: "unload-sump-" + slug(name, machine), what: "sump pressure", unit: u.SumpUnit,
		of: func(c *analysis.UnloadCurve) [][2]float64 { return c.Sump }}
	for _, c := range []curves{power, sump} {
		if drawn := b.overlay(&u, &c); drawn != nil {
			blocks = append(blocks, Block{Chart: drawn})
		}
	}
	t, at := b.tableOfMachine(machine, "unloads")
	if shown := b.analysisTable("Unloads of "+name+" by how long they lasted", "Lasted", t, at); shown != nil {
		blocks = append(blocks, Block{Table: shown})
	}
	return blocks
}

// curves are one quantity after each unload.
type curves struct {
	title, id, what, unit string
	of                    func(*analysis.UnloadCurve) [][2]float64
	limit                 ref
}

// overlay lays the curves over one another; nil: there are none.
func (b *builder) overlay(u *analysis.Unloads, c *curves) *chart.Chart {
	var with []*analysis.UnloadCurve
	for i := range u.Unloads {
		if len(c.of(&u.Unloads[i])) > 1 {
			with = append(with, &u.Unloads[i])
		}
	}
	if len(with) == 0 {
		return nil
	}
	n := min(len(with), mostCurves)
	unit, factor, offset := b.data.Site.Units.Display(c.unit)
	lines := &chart.Lines{X: chart.Axis{Label: "time after the unload", Unit: "s"}, Y: chart.Axis{Label: c.what, Unit: unit, Zero: true}}
	lowest := math.Inf(1)
	for i := range n {
		one := with[i*(len(with)-1)/max(n-1, 1)]
		s := chart.Series{Thin: n > 1}
		for _, p := range c.of(one) {
			v := float64(p[1]*factor) + offset
			s.X, s.Y = append(s.X, rounded(p[0])), append(s.Y, rounded(v))
			lowest = min(lowest, v)
		}
		lines.Series = append(lines.Series, s)
	}
	if c.limit.has() {
		v := *c.limit.Value
		lines.Limits = append(lines.Limits, chart.Limit{At: rounded(v), Name: fmt.Sprintf("settled, %.4g %s", v, c.limit.Unit)})
	}
	lines.Limits = append(lines.Limits, chart.Limit{At: 0, Name: "unload", Vertical: true})
	return &chart.Chart{ID: c.id, Title: c.title, Lines: lines,
		Summary: fmt.Sprintf("%d of %d unloads, each a thin line from five seconds before it; one that turns up at its end goes over into the next load. The lowest reading is %.3g %s.", n, u.Total, lowest, unit)}
}
