package report

import (
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/display"
)

// energySection is where the electricity went and what it cost: by state, by the
// tariff's periods, and brought to a year.
func energySection(b *builder) []Section {
	s := Section{ID: "energy", Title: "Energy and what it costs", Level: 1}
	for _, of := range b.subjects() {
		s.Blocks = append(s.Blocks, b.energySums(of)...)
	}
	if len(b.subjects()) == 0 {
		s.Blocks = append(s.Blocks, gap("No energy", "the site file has neither a machine nor a system"))
		return []Section{s}
	}
	states := Section{ID: "energy-by-state", Title: "By what the machines did", Level: 2}
	for i := range b.data.Figures.Machines {
		states.Blocks = append(states.Blocks, b.energyByState(i)...)
	}
	if len(states.Blocks) == 0 {
		states.Blocks = append(states.Blocks, b.noFigure("Energy is not told by state", "energy_unloaded"))
	}
	all := []Section{s, states}
	money := Section{ID: "energy-by-tariff", Title: "By the tariff's periods", Level: 2}
	for i, of := range b.subjects() {
		money.Blocks = append(money.Blocks, b.energyByTariff(of, i)...)
	}
	if len(money.Blocks) > 0 {
		all = append(all, money)
	}
	year := Section{ID: "year", Title: "Brought to a year", Level: 2}
	for _, of := range b.subjects() {
		year.Blocks = append(year.Blocks, b.yearBlocks(of)...)
	}
	return append(all, year)
}

// energySums are the window's sums of a subject; each that is missing says why.
func (b *builder) energySums(of subject) []Block {
	energy := b.ofSubject(of, "energy")
	if !energy.has() {
		why := "it was not computed"
		if energy.Figure != nil {
			why = energy.Absent
		}
		return []Block{gap("The energy of "+of.name+" is not known", why)}
	}
	absent := reasons{}
	facts := []Fact{}
	for _, n := range []named{{"energy", "Electricity"}, {"energy_unloaded", "Of it without making air"}, {"energy_off_shift", "Of it outside the shifts"}, {"energy_cost", "Cost of the energy"},
		{"demand_cost", "Charges for demand, this window's share"}, {"peak_demand", "Highest demand"}, {"air_cost", "What a volume of air costs, without demand charges"}, {"emissions", "Emissions"}} {
		r := b.ofSubject(of, n.name)
		if r.has() {
			facts = append(facts, Fact{n.shown, b.figure(r)})
		} else {
			absent.add(r, n.shown, "", false)
		}
	}
	blocks := []Block{para("In this window "+of.name+" used ", strong(b.figure(energy)), " of electricity. Measured how: "+strings.TrimSuffix(energy.Method, ".")+"."), {Facts: facts}}
	if notes := absent.notes(); len(notes) > 0 {
		blocks = append(blocks, Block{List: notes})
	}
	return blocks
}

// energyByState is a machine's energy by what it did.
func (b *builder) energyByState(machine int) (blocks []Block) {
	name := b.data.Figures.Machines[machine].Machine
	t, at := b.tableOfMachine(machine, "energy_by_state")
	shown := b.analysisTable("Energy of "+name+" by state", "State", t, at)
	if shown == nil {
		return nil
	}
	if c := b.rowBars(t, "energy", "energy-state-"+slug(name, machine), "Energy of "+name+" by state"); c != nil {
		blocks = append(blocks, Block{Chart: c})
	}
	return append(blocks, Block{Table: shown})
}

// rowBars draws one column of a table, a bar for each row but that of the sum; nil: it
// has nothing to draw.
func (b *builder) rowBars(t *analysis.Table, column, id, title string) *chart.Chart {
	at := -1
	for i := range t.Columns {
		if t.Columns[i].Name == column {
			at = i
		}
	}
	if at < 0 {
		return nil
	}
	unit, factor, _ := b.data.Site.Units.Display(t.Columns[at].Unit)
	bars := &chart.Bars{Value: chart.Axis{Label: column, Unit: unit, Zero: true}, Parts: []string{column}, Across: true}
	var said []string
	for _, r := range t.Rows {
		v := r.Values[at]
		if r.Name == "all" || v == nil || *v <= 0 {
			continue
		}
		label := display.Cell(v, &t.Columns[at], b.data.Site.Units) + " " + unit
		bar := chart.Bar{Name: r.Name, Values: chart.Values{rounded(*v * factor)}, Label: label}
		if u := display.UncertaintyOf(t, r.Values, at); u != nil && *u > 0 {
			bar.Low, bar.High = rounded(max(0, *v-*u)*factor), rounded((*v+*u)*factor)
		}
		bars.Bars = append(bars.Bars, bar)
		said = append(said, r.Name+" "+label)
	}
	if len(bars.Bars) == 0 {
		return nil
	}
	return &chart.Chart{ID: id, Title: title, Summary: display.Capital(strings.Join(said, ", ")) + ".", Bars: bars}
}

// energyByTariff is a subject's energy by price, its bills for demand, and what using
// less at the margin would save.
func (b *builder) energyByTariff(of subject, number int) (blocks []Block) {
	t, at := b.tableOfSubject(of, "energy_by_period")
	if shown := b.analysisTable("Energy of "+of.name+" by the tariff's periods", "Period", t, at); shown != nil {
		if len(t.Rows) > 2 { // more than one price and the sum
			if c := b.rowBars(t, "cost", "cost-period-"+slug(of.name, number), "What the energy of "+of.name+" cost by period"); c != nil {
				blocks = append(blocks, Block{Chart: c})
			}
		}
		blocks = append(blocks, Block{Table: shown})
	}
	for _, more := range []struct{ name, caption, first string }{
		{"demand_by_month", "Charges for the demand of " + of.name, "Billing month"},
		{"savings_at_the_margin", "What " + of.name + " would save by using none of it", "Use"},
	} {
		t, at := b.tableOfSubject(of, more.name)
		if shown := b.analysisTable(more.caption, more.first, t, at); shown != nil {
			blocks = append(blocks, Block{Table: shown})
		}
	}
	return blocks
}

// yearNames are the figures of a year for a reader.
func yearNames() []named {
	return []named{{"energy_year", "Electricity"}, {"energy_unloaded_year", "Of it without making air"}, {"energy_cost_year", "Cost of the energy"},
		{"unloaded_cost_year", "Of it without making air"}, {"demand_cost_year", "Charges for demand"}, {"cost_year", "Energy and demand together"},
		{"air_year", "Air delivered"}, {"emissions_year", "Emissions"}}
}

// yearBlocks are a subject's figures of a year, and what they assume.
func (b *builder) yearBlocks(of subject) []Block {
	table := &Table{Caption: "A year of " + of.name, Columns: []Column{{Head: "Figure", Weight: 2}, {Head: "A year", Number: true, Weight: 1.5}}}
	absent := reasons{}
	for _, n := range yearNames() {
		r := b.ofYear(of.key(), n.name)
		if !r.has() {
			absent.add(r, analysis.TitleOf(n.name), "", false)
			continue
		}
		table.Rows = append(table.Rows, []Text{say(n.shown), b.figure(r)})
		if r.Note != "" {
			table.Notes = append(table.Notes, say(sentence(n.shown+": "+r.Note)))
		}
		if r.AtLeast && r.AtLeastWhy != "" {
			table.Notes = append(table.Notes, say(sentence(n.shown+" is a lower bound: "+r.AtLeastWhy)))
		}
	}
	notes := absent.notes()
	for i := range notes {
		notes[i] = say(b.wordy(wordsOf(notes[i])))
	}
	if len(table.Rows) == 0 {
		box := &Box{Kind: BoxGap, Title: "No year of " + of.name}
		box.Blocks = append(box.Blocks, Block{List: notes})
		if len(notes) == 0 {
			box.Blocks = []Block{para("It has no figures.")}
		}
		return []Block{{Box: box}}
	}
	table.Notes = append(table.Notes, notes...)
	blocks := []Block{{Table: table}}
	if r := b.ofYear(of.key(), "cost_year"); r.has() {
		blocks = append(blocks, para(sentence(r.Method)))
	} else if r := b.ofYear(of.key(), "energy_year"); r.has() {
		blocks = append(blocks, para(sentence(r.Method)))
	}
	return blocks
}
