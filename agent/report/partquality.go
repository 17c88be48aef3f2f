package report

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
)

// mostEvents bounds what is told of the record's own history.
const mostEvents = 30

// quality is what the data themselves show of their quality.
func quality(b *builder) []Section {
	s := Section{ID: "data-quality", Title: "What the data themselves show", Level: 1}
	s.Blocks = append(s.Blocks, para("The readings are watched for what is missing, what stands still while the machine moves, what contradicts another reading, what cannot be, and for what an instrument's record leaves open. An error within an instrument's accuracy, and a drift as slow as the weather, are not seen by this."))
	list := b.dataFindings()
	switch {
	case len(list) > 0:
		s.Blocks = append(s.Blocks, Block{List: list})
	case b.data.Figures.Observed():
		s.Blocks = append(s.Blocks, para("None of this was found in the period."))
	default:
		s.Blocks = append(s.Blocks, gap("Nothing to judge", "nothing was observed in this period"))
	}
	if states := b.statesKnown(); len(states) > 0 {
		s.Blocks = append(s.Blocks, Block{List: states})
	}
	if t := b.recordTable(); t != nil {
		s.Blocks = append(s.Blocks, Block{Table: t})
	}
	return []Section{s}
}

// statesKnown says how the states of the machines were known, or why they were not.
func (b *builder) statesKnown() (list []Text) {
	var order []string
	of := map[string][]string{}
	for i := range b.data.Figures.Machines {
		r := b.ofMachine(i, "running_time")
		if r.Figure == nil {
			continue
		}
		said := "were known: " + r.Method
		if !r.has() {
			said = "are not known: " + r.Absent
		}
		if of[said] == nil {
			order = append(order, said)
		}
		of[said] = append(of[said], b.data.Figures.Machines[i].Machine)
	}
	for _, said := range order {
		list = append(list, say("The states of "+listed(of[said])+" "+strings.TrimSuffix(said, ".")+"."))
	}
	return list
}

// dataFindings are those of the figures that are about the data, not about the machine.
// What is so of several subjects alike, as of a machine and its system, is told once.
func (b *builder) dataFindings() (list []Text) {
	type told struct {
		of       *analysis.Finding
		subjects []string
	}
	var all []*told
	by := map[string]*told{}
	add := func(findings []analysis.Finding) {
		for i := range findings {
			f := &findings[i]
			if f.Kind == "machine" {
				continue
			}
			key := strings.Join([]string{f.Kind, f.From, f.To, strings.TrimPrefix(f.Sentence, f.Subject)}, "|")
			if by[key] == nil {
				by[key] = &told{of: f}
				all = append(all, by[key])
			}
			if t := by[key]; !slices.Contains(t.subjects, f.Subject) {
				t.subjects = append(t.subjects, f.Subject)
			}
		}
	}
	for i := range b.data.Figures.Machines {
		add(b.data.Figures.Machines[i].Findings)
	}
	for i := range b.data.Figures.Systems {
		add(b.data.Figures.Systems[i].Findings)
	}
	for _, one := range all {
		f := one.of
		t := Text{{Text: display.Capital(f.Kind) + ": " + listed(one.subjects) + ". ", Strong: true}, {Text: b.when(f.From) + " to " + b.when(f.To) + ": " + strings.TrimSuffix(f.Sentence, ".") + "."}}
		if len(f.Evidence) > 0 {
			t = append(t, Run{Text: " Seen in: " + strings.Join(f.Evidence, "; ") + "."})
		}
		list = append(list, t)
	}
	return list
}

// RecordKinds are the events that bear on what the record is worth; gaps of devices
// stand with the coverage, faults and notes in their own parts.
var RecordKinds = []string{"clock_step", "clock_not_set", "clock_set", "clock_behind", "computer_slept", "agent_started", "agent_stopped", "agent_broke_off",
	"store_down", "store_up", "scans_dropped", "data_damaged", "config_changed", "counter_wrapped", "counter_reset", "raw_dropped", "evidence_began", "evidence_key",
	"import", "import_undone", "clocks_aligned", "levels", "hookup", "spot_reading", "calibration"}

// recordTable is what happened to the record in the period; nil: nothing.
func (b *builder) recordTable() *Table {
	t := &Table{Caption: "What happened to the record in the period", Columns: []Column{{Head: "When", Weight: 1.2}, {Head: "About"}, {Head: "What", Weight: 3}}}
	more := 0
	for i := range b.data.Events {
		e := &b.data.Events[i]
		if !slices.Contains(RecordKinds, e.Kind) {
			continue
		}
		if len(t.Rows) == mostEvents {
			more++
			continue
		}
		t.Rows = append(t.Rows, []Text{say(b.whenMS(e.WallMS)), say(orDash(e.Subject)), say(sentence(strings.ReplaceAll(e.Text, "\n", "; ")))})
	}
	if len(t.Rows) == 0 {
		return nil
	}
	if more > 0 {
		t.Notes = append(t.Notes, say(fmt.Sprintf("%d more are left out; loadscribe events lists them.", more)))
	}
	return t
}

// narrower is what one more instrument, test or line in the site file would buy, and
// what could not be told for want of one.
func narrower(b *builder) []Section {
	s := Section{ID: "one-more-instrument", Title: "What one more instrument would buy", Level: 1}
	tables := b.narrowerTables()
	switch {
	case len(tables) > 0:
		s.Blocks = append(s.Blocks, para("Where an interval is wide, this is the cheapest thing that would make it at least a quarter narrower, and what it would then be, all else as it is. What each leaves is common practice, no source."))
		s.Blocks = append(s.Blocks, tables...)
	case b.data.Figures.Observed():
		s.Blocks = append(s.Blocks, para("No figure has an interval wider than a twentieth of itself that one instrument, test or line in the site file would make a quarter narrower."))
	}
	if list := b.notTold(); len(list) > 0 {
		s.Blocks = append(s.Blocks, para(Run{Text: "What could not be told, and why.", Strong: true}), Block{List: list})
	}
	if len(s.Blocks) == 0 {
		return nil
	}
	return []Section{s}
}

// narrowerTables has a table for each thing that would narrow figures, in the order of
// the figures.
func (b *builder) narrowerTables() (blocks []Block) {
	of := map[string]*Table{}
	b.eachFigure(func(subject string, r ref) {
		if !r.has() || r.Narrower == nil || r.Uncertainty == nil || b.saidOfMachine(r) {
			return
		}
		n := r.Narrower
		t := of[n.Sentence]
		if t == nil {
			t = &Table{Caption: sentence(n.Sentence), Columns: []Column{{Head: "Figure", Weight: 2}, {Head: "Now", Number: true, Weight: 1.4}, {Head: "Then ±", Number: true}}}
			of[n.Sentence] = t
			blocks = append(blocks, Block{Table: t})
		}
		then := *r.Figure
		then.Uncertainty = &n.Uncertainty
		_, half, unit, ends := display.Interval(&then, b.data.Site.Units)
		if half == "" {
			half = ends
		}
		shown := Run{Text: strings.TrimPrefix(half, "± "), At: r.at + "/narrower/uncertainty", Value: &n.Uncertainty}
		t.Rows = append(t.Rows, []Text{say(subject + ": " + analysis.TitleOf(r.Name)), b.figure(r), say(shown, strings.TrimRight(" "+unit, " "))})
	})
	return blocks
}

// saidOfMachine reports a figure of a system of one machine that reads as that machine's.
func (b *builder) saidOfMachine(r ref) bool {
	for i := range b.data.Figures.Systems {
		if !strings.HasPrefix(r.at, fmt.Sprintf("/data/figures/systems/%d/", i)) {
			continue
		}
		for k := range b.data.Site.Systems {
			sys := &b.data.Site.Systems[k]
			if sys.Name != b.data.Figures.Systems[i].System || len(sys.Machines) != 1 {
				continue
			}
			if at := b.machine(sys.Machines[0]); at >= 0 {
				of := b.ofMachine(at, r.Name)
				return of.has() && wordsOf(b.figure(of)) == wordsOf(b.figure(r))
			}
		}
	}
	return false
}

func wordsOf(t Text) (all string) {
	for _, r := range t {
		all += r.Text
	}
	return all
}

// eachFigure visits every figure of machines and systems, in order.
func (b *builder) eachFigure(visit func(subject string, r ref)) {
	for i := range b.data.Figures.Machines {
		m := &b.data.Figures.Machines[i]
		for k := range m.Figures {
			visit(m.Machine, ref{&m.Figures[k], fmt.Sprintf("/data/figures/machines/%d/figures/%d", i, k)})
		}
	}
	for i := range b.data.Figures.Systems {
		s := &b.data.Figures.Systems[i]
		for k := range s.Figures {
			visit("system "+s.System, ref{&s.Figures[k], fmt.Sprintf("/data/figures/systems/%d/figures/%d", i, k)})
		}
	}
}

// notTold are the absent figures by their reason, each reason once.
func (b *builder) notTold() (list []Text) {
	var order []string
	of := map[string]*figuresOf{}
	b.eachFigure(func(subject string, r ref) {
		if r.Absent == "" || analysis.NoLack(r.Absent) {
			return
		}
		if of[r.Absent] == nil {
			order, of[r.Absent] = append(order, r.Absent), &figuresOf{}
		}
		of[r.Absent].add(analysis.TitleOf(r.Name), subject)
	})
	for _, why := range order {
		list = append(list, say(display.Capital(of[why].words(false))+": "+strings.TrimSuffix(b.wordy(why), ".")+"."))
	}
	return list
}
