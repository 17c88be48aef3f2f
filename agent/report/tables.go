package report

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
)

// para is a paragraph.
func para(parts ...any) Block { return Block{Text: say(parts...)} }

// gap is a box that says what is not known, and why.
func gap(title, why string) Block {
	return Block{Box: &Box{Kind: BoxGap, Title: title, Blocks: []Block{para(sentence(why))}}}
}

// strong sets a text off.
func strong(t Text) Text {
	all := append(Text{}, t...)
	for i := range all {
		all[i].Strong = true
	}
	return all
}

// tableUnit is what stands in a column's heading.
func (b *builder) tableUnit(c *analysis.Column) string {
	if isShare(c) {
		return "%"
	}
	unit, _, _ := b.data.Site.Units.Display(c.Unit)
	if unit == "1" || unit == "s" {
		return ""
	}
	return unit
}

// isShare reports a part of a whole, which people read in per cent.
func isShare(c *analysis.Column) bool { return c.Unit == "1" && strings.HasPrefix(c.Name, "share") }

// analysisTable shows a table of the figures, as summary prints it: a value and its
// uncertainty in one cell, times in words, no more digits than the uncertainty warrants.
// at is the table's place in report.json, first heads the rows' names. nil: it is empty.
func (b *builder) analysisTable(caption, first string, t *analysis.Table, at string) *Table {
	if t == nil || len(t.Rows) == 0 {
		return nil
	}
	out := &Table{Caption: caption, Columns: []Column{{Head: display.Capital(first), Weight: 2}}}
	var shown []int
	for i := range t.Columns {
		c := &t.Columns[i]
		if i > 0 && display.IsSpread(c) && c.Unit == t.Columns[i-1].Unit {
			continue // beside the value before
		}
		shown = append(shown, i)
		out.Columns = append(out.Columns, Column{Head: display.Capital(c.Name), Unit: b.tableUnit(c), Number: true})
	}
	decimals := display.FlowDecimals(t, b.data.Site.Units)
	for k, r := range t.Rows {
		row := []Text{say(r.Name)}
		for _, i := range shown {
			row = append(row, b.tableCell(t, at, k, i, decimals))
		}
		out.Rows = append(out.Rows, row)
		if r.Note != "" {
			out.Notes = append(out.Notes, say(b.sentence(r.Name+": "+r.Note)))
		}
	}
	if t.Method != "" {
		out.Notes = append(out.Notes, say(b.sentence(t.Method)))
	}
	return out
}

func (b *builder) tableCell(t *analysis.Table, at string, row, i, decimals int) Text {
	values, c, units := t.Rows[row].Values, &t.Columns[i], b.data.Site.Units
	place := func(i int) string { return fmt.Sprintf("%s/rows/%d/values/%d", at, row, i) }
	v := values[i]
	switch u := display.UncertaintyOf(t, values, i); {
	case v == nil:
		return say("–")
	case u != nil:
		value, half := display.Pair(v, u, c, units)
		return Text{{Text: value, At: place(i), Value: v}, {Text: " ± "}, {Text: half, At: place(i + 1), Value: u}}
	case isShare(c):
		return Text{{Text: display.PerCent(*v), At: place(i), Value: v}}
	case display.IsFlow(c):
		_, factor, _ := units.Display(c.Unit)
		return Text{{Text: display.Rounded(*v*factor, decimals), At: place(i), Value: v}}
	}
	return Text{{Text: display.Cell(v, c, units), At: place(i), Value: v}}
}

// lower makes the first letter small.
func lower(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 || r == utf8.RuneError {
		return s
	}
	return string(unicode.ToLower(r)) + s[n:]
}

// named is a figure's name in the code and for a reader.
type named struct{ name, shown string }

// noughtSays reports whether a figure of nought is worth a row: of a state that a machine
// does not have it says nothing.
func noughtSays(name string) bool {
	switch name {
	case "part_load_time", "standby_time", "off_time", "stopped_time":
		return false
	}
	return true
}

// figureTable sets figures of several machines side by side; figures that none has are
// left out of it, and the notes say why. nil: no machine has any of them.
func (b *builder) figureTable(caption string, machines []int, names []named) *Table {
	out := &Table{Caption: caption, Columns: []Column{{Head: "Figure", Weight: 1.6}}}
	for _, m := range machines {
		out.Columns = append(out.Columns, Column{Head: b.data.Figures.Machines[m].Machine, Number: true})
	}
	absent, read := reasons{}, reasons{}
	for _, n := range names {
		row, any := []Text{say(n.shown)}, false
		for _, m := range machines {
			r := b.ofMachine(m, n.name)
			if !r.has() {
				row = append(row, say("–"))
				absent.add(r, n.shown, b.data.Figures.Machines[m].Machine, len(machines) > 1)
				continue
			}
			any = any || *r.Value != 0 || noughtSays(n.name)
			row = append(row, b.withLimit(r))
			for _, note := range b.notesOf(n.shown, r) {
				read.put(note, b.data.Figures.Machines[m].Machine)
			}
		}
		if any {
			out.Rows = append(out.Rows, row)
		}
	}
	if len(out.Rows) == 0 {
		return nil
	}
	for _, note := range read.order {
		if of := read.of[note]; len(machines) > 1 {
			note += " (" + strings.Join(of, ", ") + ")"
		}
		out.Notes = append(out.Notes, say(b.sentence(note)))
	}
	for _, note := range absent.notes() {
		out.Notes = append(out.Notes, say(b.wordy(note[0].Text)))
	}
	return out
}

// withLimit is a figure and what it is held to.
func (b *builder) withLimit(r ref) Text {
	t := b.figure(r)
	if r.Limit == nil {
		return t
	}
	limit := *r.Figure
	limit.Value, limit.Uncertainty, limit.AtLeast = r.Limit, nil, false
	value, _, _, _ := display.Interval(&limit, b.data.Site.Units)
	word := "; limit "
	switch r.Name {
	case "shortest_rest":
		word = "; least "
	case "isentropic_efficiency": // of new machines: no limit of this one
		word = "; beside "
	}
	return append(t, Run{Text: word}, Run{Text: value, At: r.at + "/limit", Value: r.Limit})
}

// notesOf is what must be read with a figure.
func (b *builder) notesOf(shown string, r ref) (notes []string) {
	if r.LimitBasis != "" {
		notes = append(notes, shown+": "+r.LimitBasis)
	}
	if r.Denominator != "" && display.IsShare(r.Figure) {
		notes = append(notes, shown+" is of "+r.Denominator)
	}
	if r.AtLeastWhy != "" {
		notes = append(notes, shown+" is a lower bound, since "+r.AtLeastWhy)
	}
	return notes
}

// reasons gathers what is said of several figures or machines, each once, in order.
type reasons struct {
	order []string
	of    map[string][]string
}

func (a *reasons) add(r ref, shown, machine string, several bool) {
	if r.Figure == nil || r.Absent == analysis.NotOfMachine || r.Absent == analysis.NotOfSystem {
		return
	}
	if several {
		shown += " of " + machine
	}
	a.put(r.Absent, lower(shown))
}

func (a *reasons) put(why, of string) {
	if a.of == nil {
		a.of = map[string][]string{}
	}
	if _, known := a.of[why]; !known {
		a.order = append(a.order, why)
	}
	a.of[why] = append(a.of[why], of)
}

func (a *reasons) notes() (notes []Text) {
	for _, why := range a.order {
		notes = append(notes, say("Not told: "+strings.Join(a.of[why], ", ")+" ("+strings.TrimSuffix(why, ".")+")."))
	}
	return notes
}

// groups are the machines by as many as a table shows side by side.
func (b *builder) groups() (all [][]int) {
	const beside = 4
	for i := range b.data.Figures.Machines {
		if i%beside == 0 {
			all = append(all, nil)
		}
		all[len(all)-1] = append(all[len(all)-1], i)
	}
	return all
}

// figureTables are the tables of all machines, as many as it takes.
func (b *builder) figureTables(caption string, names []named) (blocks []Block) {
	for _, machines := range b.groups() {
		if t := b.figureTable(caption, machines, names); t != nil {
			blocks = append(blocks, Block{Table: t})
		}
	}
	return blocks
}

// subject is what money and energy are told of: a system, or a machine of none.
type subject struct {
	kind, name string // "system", "main"
	at         int    // its place in data.Figures
}

func (s subject) key() string { return s.kind + " " + s.name }

func (b *builder) subjects() (all []subject) {
	for i := range b.data.Figures.Systems {
		all = append(all, subject{"system", b.data.Figures.Systems[i].System, i})
	}
	for i := range b.data.Figures.Machines {
		if name := b.data.Figures.Machines[i].Machine; b.systemOf(name) == "" {
			all = append(all, subject{"machine", name, i})
		}
	}
	return all
}

func (b *builder) ofSubject(s subject, name string) ref {
	if s.kind == "system" {
		return b.ofSystem(s.at, name)
	}
	return b.ofMachine(s.at, name)
}

func (b *builder) tableOfSubject(s subject, name string) (*analysis.Table, string) {
	if s.kind == "system" {
		return b.tableOfSystem(s.at, name)
	}
	return b.tableOfMachine(s.at, name)
}

// slug is a name as a part of an ID; number keeps those apart that come out alike.
func slug(name string, number int) string {
	var s strings.Builder
	for _, r := range strings.ToLower(name) {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			s.WriteRune(r)
		case s.Len() > 0 && !strings.HasSuffix(s.String(), "-"):
			s.WriteByte('-')
		}
		if s.Len() >= 24 {
			break
		}
	}
	return strings.Trim(fmt.Sprintf("%s-%d", s.String(), number+1), "-")
}
