package report

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/display"
)

// mostFindings stand on the answer's page.
const mostFindings = 3

// answer is the page for whoever decides: what the air costs a year, how the machines
// spend their hours, and what to do first.
func answer(b *builder) []Section {
	s := Section{ID: "answer", Title: "The answer in one page", Level: 1}
	assumes := ""
	for _, of := range b.subjects() {
		box, method := b.costBox(of)
		s.Blocks = append(s.Blocks, Block{Box: box})
		if assumes == "" {
			assumes = method
		}
	}
	s.Blocks = append(s.Blocks, b.hoursSpent()...)
	s.Blocks = append(s.Blocks, b.firstFindings()...)
	if assumes != "" {
		// In the last paragraph: a line more would turn the page.
		last := &s.Blocks[len(s.Blocks)-1]
		last.Text = append(last.Text, say(" How a year is told, and what that assumes, stands under ", Run{Text: "Brought to a year", Link: "year"}, ".")...)
	}
	return []Section{s}
}

// costBox says what a year's air costs, or what the window's did; method is how a year
// was told, where it was.
func (b *builder) costBox(of subject) (box *Box, method string) {
	title := "What the compressed air costs"
	if len(b.subjects()) > 1 {
		title += ": " + of.name
	}
	box = &Box{Kind: BoxAnswer, Title: title}
	add := func(parts ...any) { box.Blocks = append(box.Blocks, para(parts...)) }
	year, energy := b.ofYear(of.key(), "cost_year"), b.ofYear(of.key(), "energy_year")
	if why := b.doubts(of.name); why != "" {
		add(Text{{Text: "Do not rely on these sums: ", Strong: true}}, lower(why)+". They are what the meter told; have it mended, and make this report again.")
	}
	switch {
	case year.has():
		method = year.Method
		text := say("The electricity for compressed air costs ", strong(b.figure(year)), " a year")
		if demand := b.ofYear(of.key(), "demand_cost_year"); demand.has() {
			text = append(text, say(": ", b.figure(b.ofYear(of.key(), "energy_cost_year")), " for energy and ", b.figure(demand), " for demand")...)
		}
		text = append(text, Run{Text: "."})
		if year.AtLeastWhy != "" {
			text = append(text, words(" It is a lower bound: %s.", year.AtLeastWhy))
		}
		add(text)
	case energy.has():
		method = energy.Method
		add("Compressed air takes ", strong(b.figure(energy)), " of electricity a year. What that costs cannot be told: ", year.Absent, ".")
	case year.Figure == nil:
		add("What a year costs cannot be told: no figures.")
	default:
		add("What a year costs cannot be told: ", year.Absent, ".")
		if cost := b.ofSubject(of, "energy_cost"); cost.has() {
			add("In this window the electricity cost ", strong(b.figure(cost)), ", without charges for demand.")
		} else if used := b.ofSubject(of, "energy"); used.has() {
			add("In this window ", strong(b.figure(used)), " of electricity was used.")
		}
	}
	if facts := b.costFacts(of); len(facts) > 0 {
		box.Blocks = append(box.Blocks, Block{Facts: facts})
	}
	return box, method
}

func (b *builder) costFacts(of subject) (facts []Fact) {
	add := func(name string, r ref) {
		if r.has() {
			facts = append(facts, Fact{name, b.figure(r)})
		}
	}
	add("Electricity a year", b.ofYear(of.key(), "energy_year"))
	if r := b.ofYear(of.key(), "unloaded_cost_year"); r.has() {
		facts = append(facts, Fact{"Of it while no air was made", say(b.figure(r), " (", b.figure(b.ofYear(of.key(), "energy_unloaded_year")), ")")})
	} else {
		add("Of it while no air was made", b.ofYear(of.key(), "energy_unloaded_year"))
	}
	if r := b.ofSubject(of, "leak_cost"); r.has() {
		facts = append(facts, Fact{"What leaks cost a year", b.bounded(r)})
	}
	add("Air a year", b.ofYear(of.key(), "air_year"))
	add("What a volume of air costs, without demand charges", b.ofSubject(of, "air_cost"))
	add("Emissions a year", b.ofYear(of.key(), "emissions_year"))
	return facts
}

// stateOrder is the order in which states are drawn and told: what earns first.
func stateOrder() []analysis.State {
	return []analysis.State{analysis.Loaded, analysis.PartLoad, analysis.Unloaded, analysis.Starting, analysis.Standby, analysis.Off, analysis.Stopped, analysis.Tripped, analysis.Unobserved}
}

// spent is how many hours of runs each state took, cut to [fromMS, toMS).
func spent(runs []analysis.Run, fromMS, toMS int64) map[analysis.State]float64 {
	hours := map[analysis.State]float64{}
	for _, r := range runs {
		if from, to := max(r.FromMS, fromMS), min(r.ToMS, toMS); to > from {
			hours[r.State] += float64(to-from) / 3.6e6
		}
	}
	return hours
}

// seen reports whether a machine's states are known at all.
func seen(hours map[analysis.State]float64) bool {
	for state, h := range hours {
		if state != analysis.Unobserved && h > 0 {
			return true
		}
	}
	return false
}

// hoursSpent says and draws how the machines spend their hours.
func (b *builder) hoursSpent() (blocks []Block) {
	var said Text
	bars := &chart.Bars{Value: chart.Axis{Label: "time", Unit: "h", Zero: true}, Across: true}
	all := map[string]map[analysis.State]float64{}
	var untold []string
	for i := range b.data.Figures.Machines {
		name := b.data.Figures.Machines[i].Machine
		hours := spent(b.data.Runs[name], b.data.FromMS, min(b.data.ToMS, b.data.NowMS))
		if !seen(hours) {
			untold = append(untold, name)
			continue
		}
		all[name] = hours
		said = append(said, b.spentSentence(i)...)
	}
	used := usedStates(all)
	for i := range b.data.Figures.Machines {
		if hours, ok := all[b.data.Figures.Machines[i].Machine]; ok {
			bars.Bars = append(bars.Bars, stateBar(b.data.Figures.Machines[i].Machine, hours, used))
		}
	}
	if len(said) > 0 {
		blocks = append(blocks, Block{Text: said})
	}
	for _, s := range used {
		bars.Parts = append(bars.Parts, s.String())
	}
	if len(bars.Bars) > 0 {
		blocks = append(blocks, Block{Chart: &chart.Chart{ID: "hours-by-state", Title: "How the machines spend their hours", Summary: spentSummary(bars), Bars: bars}})
	}
	if len(untold) > 0 {
		blocks = append(blocks, gap("How the hours were spent is not known", "nothing tells the states of "+strings.Join(untold, ", ")+" in this window: neither a signal for running and loaded nor power or current with levels"))
	}
	return blocks
}

// usedStates are the states that any machine was in, in stateOrder.
func usedStates(all map[string]map[analysis.State]float64) (used []analysis.State) {
	for _, s := range stateOrder() {
		for _, hours := range all {
			if hours[s] > 0 {
				used = append(used, s)
				break
			}
		}
	}
	return used
}

func stateBar(name string, hours map[analysis.State]float64, used []analysis.State) chart.Bar {
	bar := chart.Bar{Name: name}
	for _, s := range used {
		bar.Values = append(bar.Values, rounded(hours[s]))
	}
	return bar
}

// rounded is a chart's number to a thousandth: finer than any picture, and short.
func rounded(v float64) float64 { return math.Round(v*1000) / 1000 }

func spentSummary(bars *chart.Bars) string {
	var all []string
	for _, bar := range bars.Bars {
		var parts []string
		for i, v := range bar.Values {
			if v >= 0.05 {
				parts = append(parts, fmt.Sprintf("%s %.1f h", bars.Parts[i], v))
			}
		}
		all = append(all, bar.Name+": "+strings.Join(parts, ", "))
	}
	return strings.Join(all, "; ") + "."
}

// spentSentence says of one machine how long it ran and what for.
func (b *builder) spentSentence(i int) Text {
	running, duty := b.ofMachine(i, "running_time"), b.ofMachine(i, "duty_cycle")
	if !running.has() {
		return nil
	}
	if *running.Value == 0 {
		return say(b.data.Figures.Machines[i].Machine+" did not run in the ", hours(b.ofMachine(i, "observed_time")), " observed. ")
	}
	t := say(b.data.Figures.Machines[i].Machine+" ran for ", hours(running), " of ", hours(b.ofMachine(i, "observed_time")), " observed")
	fraction := b.ofMachine(i, "mean_load_fraction")
	switch {
	case duty.has():
		t = append(t, say(", and made air for ", strong(b.plain(duty)), " of its running time")...)
	case fraction.has():
		t = append(t, say(", at ", strong(b.plain(fraction)), " of its full flow on average")...)
	}
	if unloaded := b.ofMachine(i, "unloaded_time"); unloaded.has() && *unloaded.Value > 0 {
		t = append(t, say("; for ", hours(unloaded), " it ran and made none")...)
	}
	return append(t, Run{Text: ". "})
}

// hours is a time as a decider reads it, in hours to a tenth; its table has it in full.
func hours(r ref) Text {
	if !r.has() {
		return say("a time not known")
	}
	return Text{{Text: display.Rounded(*r.Value/3600, 1), At: r.at + "/value", Value: r.Value}, {Text: " h"}}
}

// plain is a figure without its interval, which stands where the figure is told in full.
func (b *builder) plain(r ref) Text {
	if !r.has() {
		return say("not known")
	}
	value, _, unit, _ := display.Interval(r.Figure, b.data.Site.Units)
	t := Text{{Text: value, At: r.at + "/value", Value: r.Value}}
	if unit != "" {
		t = append(t, Run{Text: " " + unit})
	}
	return t
}

// firstFindings are the findings that matter most, each with its effect and first step.
func (b *builder) firstFindings() (blocks []Block) {
	n := len(b.doc.Findings)
	if n == 0 {
		return []Block{para("No rule found anything to be done in this window. ", Run{Text: "What was looked for.", Link: "findings"})}
	}
	for i := range min(n, mostFindings) {
		f := &b.doc.Findings[i]
		box := &Box{Kind: BoxFinding, Title: fmt.Sprintf("Finding %d: %s", i+1, f.Title)}
		if worth := b.worth(i); len(worth) > 0 {
			box.Blocks = append(box.Blocks, para(worth, "."))
		}
		box.Blocks = append(box.Blocks, para(Text{{Text: "First: ", Strong: true}}, firstSentence(f.Advice)))
		blocks = append(blocks, Block{Box: box})
	}
	if n > mostFindings {
		var more []string
		for i := mostFindings; i < n; i++ {
			more = append(more, b.doc.Findings[i].Title)
		}
		blocks = append(blocks, para(Text{{Text: "Also found. ", Strong: true}}, strings.Join(more, "; ")+"."))
	}
	worth := 0
	for i := range n {
		if e := b.doc.Findings[i].Effect; e != nil && e.Money != nil {
			worth++
		}
	}
	sums := ""
	if worth > 1 {
		sums = "Sums for a year do not add up: what one saves another may have saved already. "
	}
	more := "The evidence, what the sums assume and the cautions"
	if n > mostFindings {
		more = fmt.Sprintf("All %d findings, the evidence, what the sums assume and the cautions", n)
	}
	return append(blocks, para(sums+more+" stand under ", Run{Text: "Findings in full", Link: "findings"}, "."))
}

// firstSentence is a text up to its first full stop before a space.
func firstSentence(t Text) (first Text) {
	for _, r := range t {
		if end := strings.Index(r.Text, ". "); end >= 0 && r.At == "" {
			r.Text = r.Text[:end+1]
			return append(first, r)
		}
		first = append(first, r)
	}
	return first
}
