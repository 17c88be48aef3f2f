package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/scan"
)

// methods is how the figures are made: formulas with their sources, each figure's
// method and inputs, and what the uncertainties come from.
func methods(b *builder) []Section {
	s := Section{ID: "methods", Title: "How the figures are made", Level: 1, Blocks: []Block{
		para("All figures follow from stored readings by one program; the same window gives the same figures to the last bit. “From memory” marks a source that was not read for this, “common practice” what the trade does without one. Letters in square brackets stand for what is said below the tables."),
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

// methodRows are figures of one method and the same inputs.
type methodRows struct {
	methods, inputs []string
	of              []*figuresOf
	subjects        []string
}

// methodTables has the figures of one method in a row, machines first, then systems.
// A machine's channels are named by their roles, so that machines which are read alike
// share rows; clauses that come again and again are notes.
func (b *builder) methodTables() (blocks []Block) {
	machines, systems := b.methodRows("/data/figures/machines/"), b.methodRows("/data/figures/systems/")
	short, notes := folded(append(slices.Clone(machines.methods), systems.methods...))
	for _, kind := range []struct {
		rows    *methodRows
		caption string
		methods []string
	}{{machines, "Methods and inputs, machines", short[:len(machines.methods)]}, {systems, "Methods and inputs, systems", short[len(machines.methods):]}} {
		if len(kind.rows.of) == 0 {
			continue
		}
		t := &Table{Caption: kind.caption, Columns: []Column{{Head: "Figures", Weight: 1.3}, {Head: "How", Weight: 2.6}, {Head: "Rests on", Weight: 1.3}}}
		if len(kind.rows.subjects) == 1 {
			t.Caption += ", " + kind.rows.subjects[0]
		}
		for i, of := range kind.rows.of {
			figures := of.words(true)
			if len(kind.rows.subjects) == 1 {
				figures = strings.Join(of.names, ", ")
			}
			t.Rows = append(t.Rows, []Text{say(display.Capital(figures)), say(kind.methods[i]), say(orDash(kind.rows.inputs[i]))})
		}
		blocks = append(blocks, Block{Table: t})
	}
	if len(blocks) == 0 {
		return nil
	}
	list := []Text{say("“States” are the signals that tell a machine's state: see what the data themselves show. A machine's channels are named by their roles; which channel fills which stands under the plant."),
		say("A system's figure that is its only machine's too is not told again.")}
	for _, n := range notes {
		list = append(list, say(n))
	}
	return append(blocks, Block{List: list})
}

// methodRows are those of the figures below a place.
func (b *builder) methodRows(at string) *methodRows {
	m := &methodRows{}
	rows := map[string]int{}
	b.eachFigure(func(subject string, r ref) {
		if !r.has() || r.Method == "" || !strings.HasPrefix(r.at, at) || b.saidOfMachine(r) {
			return
		}
		method, in := b.wordy(b.byRole(subject, r.Method)), b.byRole(subject, inputsOf(r))
		i, known := rows[method+"|"+in]
		if !known {
			i = len(m.of)
			rows[method+"|"+in] = i
			m.methods, m.inputs, m.of = append(m.methods, method), append(m.inputs, in), append(m.of, &figuresOf{})
		}
		subject = strings.TrimPrefix(subject, "system ")
		if !slices.Contains(m.subjects, subject) {
			m.subjects = append(m.subjects, subject)
		}
		m.of[i].add(analysis.TitleOf(r.Name), subject)
	})
	return m
}

// inputsOf names a figure's inputs, of many those that come first.
func inputsOf(r ref) string {
	const most, named = 9, 6
	if len(r.Inputs) <= most {
		return strings.Join(r.Inputs, ", ")
	}
	return fmt.Sprintf("%s and %d more, in report.json", strings.Join(r.Inputs[:named], ", "), len(r.Inputs)-named)
}

// byRole names the signals of states, and the channels of a machine by their roles, in
// a text of it.
func (b *builder) byRole(subject, text string) string {
	for i := range b.data.Figures.Machines {
		name := b.data.Figures.Machines[i].Machine
		if r := b.ofMachine(i, "running_time"); r.has() && len(r.Inputs) > 1 {
			said := "states of " + name
			if name == subject {
				said = "states"
			}
			text = strings.ReplaceAll(text, strings.Join(r.Inputs, ", "), said)
		}
	}
	m, ok := b.data.Site.MachineByName(subject)
	if !ok {
		return text
	}
	roles := slices.Sorted(maps.Keys(m.Roles))
	slices.SortStableFunc(roles, func(x, y scan.Role) int { return len(m.Roles[y]) - len(m.Roles[x]) }) // none is part of one before
	for _, role := range roles {
		if id := m.Roles[role]; id != "" {
			text = strings.ReplaceAll(text, id, strings.ReplaceAll(string(role), "_", " "))
		}
	}
	return text
}

// oneInput is the share of the variance from which on a budget has one part only, and
// leastShare that from which on a part is named.
const oneInput, leastShare = 0.995, 0.02

// budgets is what the uncertainties come from. Figures whose parts are the same, and
// alike in size, stand together.
func (b *builder) budgets() (blocks []Block) {
	t := &Table{Caption: "Shares of the variance from 2 % on, the largest first", Columns: []Column{{Head: "Figures", Weight: 1.6}, {Head: "What their uncertainty comes from", Weight: 3}}}
	var of []*figuresOf
	var first []ref
	alone := map[string]*figuresOf{}
	var inputs []string
	b.eachFigure(func(subject string, r ref) {
		if !r.has() || len(r.Budget) == 0 {
			return
		}
		subject = strings.TrimPrefix(subject, "system ")
		if in := r.Budget[0].Input; r.Budget[0].Share >= oneInput {
			if alone[in] == nil {
				inputs, alone[in] = append(inputs, in), &figuresOf{}
			}
			alone[in].add(analysis.TitleOf(r.Name), subject)
			return
		}
		i := slices.IndexFunc(first, func(o ref) bool { return alikeBudget(o.Budget, r.Budget) })
		if i < 0 {
			i = len(of)
			of, first = append(of, &figuresOf{}), append(first, r)
			t.Rows = append(t.Rows, []Text{nil, b.shares(r)})
		}
		of[i].add(analysis.TitleOf(r.Name), subject)
	})
	for i := range of {
		t.Rows[i][0] = say(display.Capital(of[i].words(true)))
	}
	if len(t.Rows) > 0 {
		t.Notes = []Text{say("Shares are of the first figure in a row; those of the others differ by less than 4 in a hundred. report.json has each figure's own, and the parts below 2 %.")}
		blocks = append(blocks, Block{Table: t})
	}
	var list []Text
	for _, in := range inputs {
		list = append(list, say(display.Capital(in)+" alone makes the interval of: "+alone[in].words(true)+"."))
	}
	if len(list) > 0 {
		blocks = append(blocks, Block{List: list})
	}
	return blocks
}

// alikeBudget reports the same parts, but for small ones, with shares that differ by
// less than 0.04.
func alikeBudget(a, b []analysis.BudgetPart) bool {
	const near, small = 0.04, 0.05
	of := func(parts []analysis.BudgetPart) map[string]float64 {
		all := map[string]float64{}
		for _, p := range parts {
			all[p.Input] = p.Share
		}
		return all
	}
	inA, inB := of(a), of(b)
	for _, pair := range [][2]map[string]float64{{inA, inB}, {inB, inA}} {
		for in, share := range pair[0] {
			other, has := pair[1][in]
			if !has && share >= small || has && max(share-other, other-share) >= near {
				return false
			}
		}
	}
	return true
}

// shares is what a figure's uncertainty comes from.
func (b *builder) shares(r ref) (t Text) {
	for i := range r.Budget {
		p := &r.Budget[i]
		if p.Share < leastShare {
			continue
		}
		if len(t) > 0 {
			t = append(t, Run{Text: "; "})
		}
		t = append(t, Run{Text: p.Input + " "}, Run{Text: display.PerCent(p.Share), At: fmt.Sprintf("%s/budget/%d/share", r.at, i), Value: &p.Share}, Run{Text: " %"})
	}
	return t
}
