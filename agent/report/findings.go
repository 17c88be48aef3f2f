package report

import (
	"fmt"
	"strings"

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
	s.Blocks = append(s.Blocks, Block{Text: say("What may hurt people stands first, then what makes the figures untrue, then what stops the work, then a limit that is broken, then money by what may surely be counted on in a year, which is the lower end of its interval (where what following an advice brings was not played, by what the thing costs now), then the rest by what it matters. Each follows from a rule on the figures beside it; the person who knows the plant decides. The sums of several are not to be added: what one change saves, another cannot save again.")})
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
	if f.Cost != nil {
		box.Blocks = append(box.Blocks, Block{Text: append(append(Text{{Text: "What it costs now in a year. ", Strong: true}}, b.cost(i)...), Run{Text: ". What following this would bring of it is not told: it was not played."})})
	}
	if f.Caution != "" {
		box.Blocks = append(box.Blocks, Block{Text: Text{{Text: "Caution. ", Strong: true}, {Text: f.Caution}}})
	}
	return box
}

// effect shows what the i-th finding would bring in a year: money and energy, each with
// its interval. Empty: it is not told.
func (b *builder) effect(i int) Text {
	e := b.doc.Findings[i].Effect
	if e == nil {
		return nil
	}
	return b.sums(e.Money, e.EnergyKWh, fmt.Sprintf("/findings/%d/effect", i), e.Currency)
}

// cost shows what the i-th finding costs in a year as it is. Empty: it is not told.
func (b *builder) cost(i int) Text {
	c := b.doc.Findings[i].Cost
	if c == nil {
		return nil
	}
	return b.sums(c.Money, c.EnergyKWh, fmt.Sprintf("/findings/%d/cost", i), c.Currency)
}

func (b *builder) sums(money, energyKWh *Amount, at, currency string) (t Text) {
	if money != nil {
		t = b.amount(money, at+"/money", currency)
	}
	if energyKWh != nil {
		if len(t) > 0 {
			t = append(t, Run{Text: "; "})
		}
		t = append(t, b.amount(energyKWh, at+"/energy_kwh", "kWh")...)
	}
	return t
}

// worth heads the i-th finding's money in a line of its own: what it is the worth of, or
// what it costs as it is. Empty: no money is told.
func (b *builder) worth(i int) Text {
	f := &b.doc.Findings[i]
	switch {
	case f.Effect != nil && f.Effect.By != "":
		return append(Text{{Text: "Worth in a year, " + f.Effect.By + ": ", Strong: true}}, b.effect(i)...)
	case f.Effect != nil:
		return append(Text{{Text: "Worth in a year: ", Strong: true}}, b.effect(i)...)
	case f.Cost != nil:
		return append(Text{{Text: "Costs now, in a year: ", Strong: true}}, b.cost(i)...)
	}
	return nil
}

// Brief is a finding in a line: its title, and what following it is worth in a year, or
// what it costs as it is.
func Brief(doc *Document, i int) string {
	b := &builder{data: doc.Data, doc: doc}
	line := doc.Findings[i].Title
	for n, run := range b.worth(i) {
		if n == 0 {
			line += ", " + strings.ToLower(run.Text[:1]) + run.Text[1:]
			continue
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
