package report

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
)

// Build makes the document of what was gathered. It does not change data, which the
// Document holds.
func Build(made Made, data *Data) *Document {
	b := &builder{data: data, doc: &Document{Format: Format, Made: made, Data: data, Findings: []Finding{}, Year: years(data)}}
	b.doc.Title = "Compressed air at " + data.Site.Name
	b.ask()
	for _, part := range parts() {
		b.doc.Sections = append(b.doc.Sections, part(b)...)
	}
	groupNumbers(b.doc, data.Site.Units)
	return b.doc
}

// parts are the parts of a report in its order, each of one section or more; a part
// that has nothing to say of this site returns none.
func parts() []func(*builder) []Section {
	return []func(*builder) []Section{
		front,
		answer,
		coverage,
		system,
		days,
		duty,
		cycles,
		unloadSection,
		energySection,
		powerForAir,
		pressures,
		demands,
		leaks,
		storage,
		replays,
		beforeAfter,
		health,
		faults,
		findings,
		quality,
		narrower,
		methods,
		cautions,
		evidence,
	}
}

// JSON writes report.json.
func JSON(doc *Document) ([]byte, error) {
	text, err := json.MarshalIndent(doc, "", " ")
	return append(text, '\n'), err
}

// builder holds what the parts share.
type builder struct {
	data *Data
	doc  *Document
}

// words is a text without numbers of the report.
func words(format string, args ...any) Run { return Run{Text: fmt.Sprintf(format, args...)} }

// say joins runs and texts to a text; strings are words.
func say(parts ...any) (all Text) {
	for _, p := range parts {
		switch p := p.(type) {
		case string:
			all = append(all, Run{Text: p})
		case Run:
			all = append(all, p)
		case Text:
			all = append(all, p...)
		default:
			panic(fmt.Sprintf("report: say(%T): a mistake of the program", p))
		}
	}
	return all
}

// machine and system are places in data.Figures; -1: none of that name.
func (b *builder) machine(name string) int {
	for i := range b.data.Figures.Machines {
		if b.data.Figures.Machines[i].Machine == name {
			return i
		}
	}
	return -1
}

func (b *builder) system(name string) int {
	for i := range b.data.Figures.Systems {
		if b.data.Figures.Systems[i].System == name {
			return i
		}
	}
	return -1
}

// ref is a figure and where it stands.
type ref struct {
	*analysis.Figure
	at string // JSON pointer to the figure
}

// has reports a figure that is there and has a value.
func (r ref) has() bool { return r.Figure != nil && r.Value != nil }

// ofMachine and ofSystem find a figure; the i-th machine or system of data.Figures.
func (b *builder) ofMachine(i int, name string) ref {
	return find(b.data.Figures.Machines[i].Figures, name, fmt.Sprintf("/data/figures/machines/%d/figures", i))
}

func (b *builder) ofSystem(i int, name string) ref {
	return find(b.data.Figures.Systems[i].Figures, name, fmt.Sprintf("/data/figures/systems/%d/figures", i))
}

func find(figures []analysis.Figure, name, under string) ref {
	for i := range figures {
		if figures[i].Name == name {
			return ref{&figures[i], fmt.Sprintf("%s/%d", under, i)}
		}
	}
	return ref{}
}

// figure shows a figure with its uncertainty and unit, or says why there is none.
func (b *builder) figure(r ref) Text {
	switch {
	case r.Figure == nil:
		return say("not told")
	case r.Value == nil:
		return say("not to be had: " + r.Absent)
	}
	value, half, unit, ends := display.Interval(r.Figure, b.data.Site.Units)
	t := Text{{Text: value, At: r.at + "/value", Value: r.Value}}
	switch {
	case ends != "":
		t = append(t, Run{Text: " ("}, Run{Text: ends, At: r.at + "/uncertainty", Value: r.Uncertainty}, Run{Text: ")"})
	case half != "":
		t = append(t, Run{Text: " " + half, At: r.at + "/uncertainty", Value: r.Uncertainty})
	}
	if unit != "" {
		t = append(t, Run{Text: " " + unit})
	}
	return t
}

// when is a time as the site's people read it.
func (b *builder) when(stamp string) string {
	t, err := time.Parse(time.RFC3339Nano, stamp)
	if err != nil {
		return stamp
	}
	return t.In(b.data.Site.Location).Format("Mon 2 Jan 2006 15:04 MST")
}

// sentence begins with a capital and ends with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return s
	}
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return display.Capital(s)
}
