package report

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/display"
)

// methods is how the figures are made: formulas with their sources, each figure's
// method and inputs, and what the uncertainties come from.
func methods(b *builder) []Section {
	s := Section{ID: "methods", Title: "How the figures are made", Level: 1, Blocks: []Block{
		para("All figures follow from stored readings by one program; the same window gives the same figures to the last bit. “From memory” marks a source that was not read for this, “common practice” what the trade does without one. Notes in square brackets stand below each table."),
	}}
	if t := b.formulaTable(); t != nil {
		s.Blocks = append(s.Blocks, Block{Table: t})
	} else {
		s.Blocks = append(s.Blocks, gap("No figure to explain", "nothing was observed, or no machine and system is named"))
	}
	all := []Section{s}
	if tables := b.methodTables(); len(tables) > 0 {
		all = append(all, Section{ID: "each-figure", Title: "Each figure's method and inputs", Level: 2, Blocks: tables})
	}
	if blocks := b.budgets(); len(blocks) > 0 {
		all = append(all, Section{ID: "budgets", Title: "What the uncertainties come from", Level: 2, Blocks: blocks})
	}
	return all
}

// formulaTable has the formulas of those figures that there are; nil: none.
func (b *builder) formulaTable() *Table {
	have := map[string]bool{}
	b.eachFigure(func(_ string, r ref) { have[r.Name] = have[r.Name] || r.has() })
	t := &Table{Caption: "Formulas and their sources", Columns: []Column{{Head: "What"}, {Head: "How", Weight: 3}, {Head: "Source", Weight: 1.5}}}
	any := false
	for _, f := range formulas {
		if len(f.of) > 0 && !slices.ContainsFunc(f.of, func(name string) bool { return have[name] }) {
			continue
		}
		any = any || len(f.of) > 0
		t.Rows = append(t.Rows, []Text{say(f.what), say(f.how), say(f.source)})
	}
	if !any {
		return nil
	}
	return t
}

// methodTables has for each subject the figures of one method in a row; clauses that
// come again and again are notes.
func (b *builder) methodTables() (blocks []Block) {
	type row struct {
		names          []string
		method, inputs string
	}
	rows := map[string][]*row{}
	var subjects []string
	b.eachFigure(func(subject string, r ref) {
		if !r.has() || r.Method == "" {
			return
		}
		if rows[subject] == nil {
			subjects = append(subjects, subject)
		}
		inputs := strings.Join(r.Inputs, ", ")
		for _, o := range rows[subject] {
			if o.method == r.Method && o.inputs == inputs {
				o.names = append(o.names, figureName(r.Name))
				return
			}
		}
		rows[subject] = append(rows[subject], &row{[]string{figureName(r.Name)}, r.Method, inputs})
	})
	for _, subject := range subjects {
		var texts []string
		for _, o := range rows[subject] {
			texts = append(texts, o.method)
		}
		texts, notes := folded(texts)
		t := &Table{Caption: "Methods and inputs of " + subject, Columns: []Column{{Head: "Figures", Weight: 1.3}, {Head: "How", Weight: 2.6}, {Head: "Rests on", Weight: 1.4}}}
		for i, o := range rows[subject] {
			t.Rows = append(t.Rows, []Text{say(strings.Join(o.names, "; ")), say(texts[i]), say(orDash(o.inputs))})
		}
		for _, n := range notes {
			t.Notes = append(t.Notes, say(n))
		}
		blocks = append(blocks, Block{Table: t})
	}
	return blocks
}

// oneInput is the share of the variance from which on a budget has one part only.
const oneInput = 0.995

// budgets is what the uncertainties come from.
func (b *builder) budgets() []Block {
	t := &Table{Caption: "Shares of the variance, the largest first", Columns: []Column{{Head: "Figures", Weight: 1.6}, {Head: "What their uncertainty comes from", Weight: 3}}}
	rows, alone := map[string]int{}, map[string]int{} // by what they say
	var of, single [][]string
	var inputs []string
	b.eachFigure(func(subject string, r ref) {
		if !r.has() || len(r.Budget) == 0 {
			return
		}
		name := figureName(r.Name) + " of " + subject
		if in := r.Budget[0].Input; r.Budget[0].Share >= oneInput {
			if _, known := alone[in]; !known {
				alone[in] = len(inputs)
				inputs, single = append(inputs, in), append(single, nil)
			}
			single[alone[in]] = append(single[alone[in]], name)
			return
		}
		said, key := b.shares(r)
		if _, known := rows[key]; !known {
			rows[key] = len(t.Rows)
			t.Rows, of = append(t.Rows, []Text{nil, said}), append(of, nil)
		}
		of[rows[key]] = append(of[rows[key]], name)
	})
	var blocks []Block
	for i := range t.Rows {
		t.Rows[i][0] = say(capital(strings.Join(of[i], "; ")))
	}
	if len(t.Rows) > 0 {
		blocks = append(blocks, Block{Table: t})
	}
	var list []Text
	for i, in := range inputs {
		list = append(list, say(capital(in)+" alone makes the interval of: "+strings.Join(single[i], "; ")+"."))
	}
	if len(list) > 0 {
		blocks = append(blocks, Block{List: list})
	}
	return blocks
}

// shares is what a figure's uncertainty comes from, and the same as one text.
func (b *builder) shares(r ref) (t Text, key string) {
	for i := range r.Budget {
		p := &r.Budget[i]
		if i > 0 {
			t = append(t, Run{Text: "; "})
		}
		t = append(t, Run{Text: p.Input + " "}, Run{Text: display.PerCent(p.Share), At: fmt.Sprintf("%s/budget/%d/share", r.at, i), Value: &p.Share}, Run{Text: " %"})
	}
	for _, r := range t {
		key += r.Text
	}
	return t, key
}

// folded replaces what several of the texts say word for word by a letter in square
// brackets, and returns what the letters stand for.
func folded(texts []string) (short, notes []string) {
	all := make([][]string, len(texts))
	for i, t := range texts {
		all[i] = strings.Fields(t)
	}
	for letter := 'A'; letter <= 'Z'; letter++ {
		phrase := repeated(all)
		if phrase == nil {
			break
		}
		last := phrase[len(phrase)-1]
		bare := strings.TrimRight(last, ",;:.")
		marker := fmt.Sprintf("[%c]%s", letter, last[len(bare):])
		for i := range all {
			if at := within(all[i], phrase); at >= 0 {
				all[i] = slices.Replace(all[i], at, at+len(phrase), marker)
			}
		}
		notes = append(notes, fmt.Sprintf("[%c] %s.", letter, strings.TrimRight(strings.Join(phrase, " "), ",;:.")))
	}
	for i := range all {
		short = append(short, strings.Join(all[i], " "))
	}
	return short, notes
}

// A phrase is worth a note from so many words on, and in so many texts.
const phraseWords, phraseTexts = 14, 3

// repeated is the first phrase that enough texts have, as long as all of these have it;
// nil: none.
func repeated(all [][]string) []string {
	in := map[string]int{}
	for _, words := range all {
		seen := map[string]bool{}
		for i := 0; i+phraseWords <= len(words); i++ {
			if gram := strings.Join(words[i:i+phraseWords], " "); !seen[gram] {
				seen[gram] = true
				in[gram]++
			}
		}
	}
	for _, words := range all {
		for i := 0; i+phraseWords <= len(words); i++ {
			n := in[strings.Join(words[i:i+phraseWords], " ")]
			if n < phraseTexts {
				continue
			}
			end := i + phraseWords
			for end < len(words) && having(all, words[i:end+1]) == n {
				end++
			}
			return slices.Clone(words[i:end])
		}
	}
	return nil
}

func having(all [][]string, phrase []string) (n int) {
	for _, words := range all {
		if within(words, phrase) >= 0 {
			n++
		}
	}
	return n
}

// within is where a phrase first stands; -1: nowhere.
func within(words, phrase []string) int {
	for i := 0; i+len(phrase) <= len(words); i++ {
		if slices.Equal(words[i:i+len(phrase)], phrase) {
			return i
		}
	}
	return -1
}
