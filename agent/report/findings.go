package report

import (
	"fmt"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
)

// findings is the part with every finding in full.
func findings(b *builder) []Section {
	s := Section{ID: "findings", Title: "Findings in full", Level: 1}
	if len(b.doc.Findings) == 0 {
		s.Blocks = append(s.Blocks, Block{Text: say("No rule fired: nothing in this window asks for anything to be done. That is no proof that nothing is wrong: a rule sees only what was measured, and what could not be told stands under its figure.")})
		return []Section{s}
	}
	s.Blocks = append(s.Blocks, Block{Text: say("What may hurt people stands first, then what makes the figures untrue, then what stops the work, then money by what may surely be counted on in a year, which is the lower end of its interval, then the rest by what it matters. Each follows from a rule on the figures beside it; the person who knows the plant decides. The sums of several are not to be added: what one change saves, another cannot save again.")})
	for i := range b.doc.Findings {
		s.Blocks = append(s.Blocks, Block{Box: b.findingBox(i)})
	}
	return []Section{s}
}

// findingBox shows one finding.
func (b *builder) findingBox(i int) *Box {
	f := &b.doc.Findings[i]
	box := &Box{Kind: BoxFinding, Title: f.Title, Blocks: []Block{{List: f.Evidence}, {Text: append(Text{{Text: "What to do. ", Strong: true}}, f.Advice...)}}}
	if e := f.Effect; e != nil {
		t := append(Text{{Text: "What it would bring in a year. ", Strong: true}}, b.effect(i)...)
		box.Blocks = append(box.Blocks, Block{Text: append(t, Run{Text: ". It is told " + e.How + ", and assumes " + e.Assumes + "."})})
	}
	if f.Caution != "" {
		box.Blocks = append(box.Blocks, Block{Text: Text{{Text: "Caution. ", Strong: true}, {Text: f.Caution}}})
	}
	return box
}

// effect shows what the i-th finding would bring in a year: money and energy, each with
// its interval. Empty: it is not told.
func (b *builder) effect(i int) (t Text) {
	e := b.doc.Findings[i].Effect
	if e == nil {
		return nil
	}
	at := fmt.Sprintf("/findings/%d/effect", i)
	if e.Money != nil {
		t = b.amount(e.Money, at+"/money", e.Currency)
	}
	if e.EnergyKWh != nil {
		if len(t) > 0 {
			t = append(t, Run{Text: "; "})
		}
		t = append(t, b.amount(e.EnergyKWh, at+"/energy_kwh", "kWh")...)
	}
	return t
}

// Brief is a finding in a line: its title, and what following it is worth in a year.
func Brief(doc *Document, i int) string {
	b := &builder{data: doc.Data, doc: doc}
	line := doc.Findings[i].Title
	for n, run := range b.effect(i) {
		if n == 0 {
			line += ", worth in a year "
		}
		line += run.Text
	}
	return line
}

// amount shows a value with its interval, to as many digits as that warrants.
func (b *builder) amount(a *Amount, at, unit string) Text {
	value, half := display.Pair(&a.Value, a.Half, &analysis.Column{Name: "saving", Unit: unit}, b.data.Site.Units)
	t := Text{{Text: value, At: at + "/value", Value: &a.Value}}
	if a.Half != nil {
		t = append(t, Run{Text: " ± "}, Run{Text: half, At: at + "/uncertainty", Value: a.Half})
	}
	return append(t, Run{Text: " " + unit})
}
