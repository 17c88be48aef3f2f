package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
)

// demands is the part on what the plant took: over the window, and for how long how
// much.
func demands(b *builder) []Section {
	return b.perSubject(Section{ID: "demand", Title: "What the plant took"},
		"the demand for air is not known: it takes the air of the machines, a pressure of the stores and their volume, and the site file has no system for which all three are there", b.demandOfSubject)
}

func (b *builder) demandOfSubject(s subject) (blocks []Block) {
	if s.kind != "system" {
		return nil
	}
	of := func(name string) ref { return b.ofSystem(s.at, name) }
	mean, peak := of("air_demand_mean"), of("air_demand_peak")
	if !mean.has() {
		why := "its demand was not told"
		if mean.Figure != nil && mean.Absent != "" {
			why = mean.Absent
		}
		return []Block{gap("The demand of "+s.name+" cannot be told", why)}
	}
	t := say("Users, leaks, drains and purge together took ", strong(b.figure(mean)), " in the mean of all observed minutes")
	if peak.has() {
		t = append(t, say(", and ", strong(b.figure(peak)), " at the most")...)
	}
	blocks = append(blocks, Block{Text: append(t, Run{Text: ". It is the air of the machines less what the stores took in, told as free air drawn in at the inlet."})})
	if c := b.demandChart(s); c != nil {
		blocks = append(blocks, Block{Chart: c})
	}
	table, at := b.tableOfSystem(s.at, "air_demand_duration")
	if c := b.durationChart(s, table); c != nil {
		blocks = append(blocks, Block{Chart: c})
	}
	if shown := b.analysisTable("For how long the demand of "+s.name+" was above what", "share of the time", table, at); shown != nil {
		blocks = append(blocks, Block{Table: shown})
	}
	blocks = append(blocks, b.told(of, []named{{"air_delivered", "air delivered"}, {"flow_mean", "mean flow delivered"}, {"flow_peak", "highest minute of the flow meter"}})...)
	reference, place := b.tableOfSystem(s.at, "reference_conditions")
	if shown := b.analysisTable("The mean flow in other reference conditions", "counted as", reference, place); shown != nil {
		blocks = append(blocks, Block{Table: shown})
	}
	return append(blocks, b.how(mean, peak)...)
}

// demandOf is a system's demand by steps; nil: there is none.
func (b *builder) demandOf(system string) *analysis.Demand {
	for i := range b.data.Demand {
		if d := &b.data.Demand[i]; d.System == system && d.Absent == "" && len(d.Steps) > 0 {
			return d
		}
	}
	return nil
}

// demandChart draws the demand over the window with what it is sure of.
func (b *builder) demandChart(s subject) *chart.Chart {
	d := b.demandOf(s.name)
	if d == nil {
		return nil
	}
	c := b.clock()
	_, factor, _ := b.unitOf("m³/min")
	unit, factor := b.flowUnit(), factor*60 // of m³/s
	line := steps(c, d, factor)
	line.Name = "demand"
	if observed(line.Y) < 2 {
		return nil
	}
	lines := &chart.Lines{X: c.Axis, Y: chart.Axis{Label: "free air", Unit: unit, Zero: true}, Series: []chart.Series{line}, Spans: b.worked(c)}
	if machines := b.machinesOf(s); len(machines) == 1 {
		if full := b.ofMachine(machines[0], "full_load_flow"); full.has() {
			_, f, _ := b.unitOf(full.Unit)
			lines.Limits = append(lines.Limits, chart.Limit{At: *full.Value * f, Name: b.data.Figures.Machines[machines[0]].Machine + " at full load"})
		}
	}
	summary := "The demand for air by steps over the window, with the band in which it lies 19 times in 20; what was not observed is left open."
	if len(lines.Spans) > 0 {
		summary += " Shaded: the hours of the shifts."
	}
	return &chart.Chart{ID: "demand-" + slug(s.name, s.at), Title: "Demand for air, " + s.name, Summary: summary, Lines: lines}
}

func (b *builder) flowUnit() string {
	unit, _, _ := b.unitOf("m³/min")
	return unit
}

func observed(v chart.Values) (n int) {
	for _, one := range v {
		if !math.IsNaN(one) {
			n++
		}
	}
	return n
}

// steps are a demand's as a line; of very many some are put together, their mean with
// the lowest and the highest of them.
func steps(c *clock, d *analysis.Demand, factor float64) (line chart.Series) {
	const twice = 2 // standard uncertainties: 19 times in 20
	group := (len(d.Steps) + mostPoints - 1) / mostPoints
	line.Step = group == 1
	for from := 0; from < len(d.Steps); from += group {
		sum, n, low, high := 0.0, 0, math.Inf(1), math.Inf(-1)
		for _, s := range d.Steps[from:min(from+group, len(d.Steps))] {
			if s.Flow == nil {
				continue
			}
			sum, n = sum+*s.Flow, n+1
			spread := 0.0
			if s.U != nil {
				spread = twice * *s.U
			}
			low, high = min(low, *s.Flow-spread), max(high, *s.Flow+spread)
		}
		ms, ok := stampMS(d.Steps[from].Start)
		if !ok {
			continue
		}
		mean := math.NaN()
		if n > 0 {
			mean, low, high = sum/float64(n)*factor, max(0, low*factor), high*factor
		} else {
			low, high = mean, mean
		}
		line.X, line.Y = append(line.X, c.at(ms)), append(line.Y, mean)
		line.Low, line.High = append(line.Low, low), append(line.High, high)
	}
	return line
}

// durationChart draws for what share of the time the demand was above what.
func (b *builder) durationChart(s subject, t *analysis.Table) *chart.Chart {
	if t == nil || len(t.Columns) < 2 {
		return nil
	}
	_, factor, _ := b.unitOf(t.Columns[0].Unit)
	line := chart.Series{Name: "demand"}
	for _, r := range t.Rows {
		share, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(r.Name, "%")), 64)
		if err != nil || len(r.Values) < 2 || r.Values[0] == nil {
			continue
		}
		v, half := *r.Values[0]*factor, 0.0
		if r.Values[1] != nil {
			half = *r.Values[1] * factor
		}
		line.X, line.Y = append(line.X, share), append(line.Y, v)
		line.Low, line.High = append(line.Low, max(0, v-half)), append(line.High, v+half)
	}
	if len(line.X) < 2 {
		return nil
	}
	return &chart.Chart{ID: "demand-duration-" + slug(s.name, s.at), Title: "For how long how much was taken, " + s.name,
		Summary: fmt.Sprintf("The duration curve: at the left the demand that was exceeded for %s %% of the time, at the right the one exceeded for %s %%, with its 95 %% band.", number(line.X[0]), number(line.X[len(line.X)-1])),
		Lines: &chart.Lines{X: chart.Axis{Label: "share of the observed time", Unit: "%", Max: 100}, Y: chart.Axis{Label: "free air", Unit: b.flowUnit(), Zero: true},
			Series: []chart.Series{line}}}
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) }

// number3 is a number to three figures.
func number3(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }
