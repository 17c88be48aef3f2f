package report

import (
	"fmt"

	"loadscribe/agent/chart"
	"loadscribe/agent/scan"
)

// faults is the part on faults, trips and power failures, the most frequent first.
func faults(b *builder) []Section {
	s := Section{ID: "faults", Title: "Faults", Level: 1}
	if t := b.faultTable(); t != nil {
		n := len(b.data.Faults)
		lead := fmt.Sprintf("The controllers showed faults of %d kinds, the most frequent first.", n)
		if n == 1 {
			lead = "The controllers showed faults of one kind."
		}
		s.Blocks = append(s.Blocks, para(lead+" A fault is counted where its code came up; one that stood as the window began counts once."))
		if c := b.faultChart(); c != nil {
			s.Blocks = append(s.Blocks, Block{Chart: c})
		}
		s.Blocks = append(s.Blocks, Block{Table: t})
	} else {
		s.Blocks = append(s.Blocks, para(b.noFaults()))
	}
	if t := b.figureTable("Starts that went wrong", b.everyMachine(), []named{{"starts", "starts"}, {"starts_failed", "starts that ended within a minute without loading"},
		{"starts_after_power_failure", "starts after a power failure"}}); t != nil {
		s.Blocks = append(s.Blocks, Block{Table: t})
	}
	for i := range b.data.Figures.Machines {
		if r := b.ofMachine(i, "starts_after_power_failure"); r.has() && *r.Value > 0 {
			s.Blocks = append(s.Blocks, Block{Box: &Box{Kind: BoxCaution, Title: "Machines started after a power failure",
				Blocks: []Block{para("A machine that comes back by itself with the power starts without warning. Whether it may, and what must be shown and locked beside it, local codes and licensed people say.")}}})
			break
		}
	}
	return []Section{s}
}

func (b *builder) everyMachine() (all []int) {
	for i := range b.data.Figures.Machines {
		all = append(all, i)
	}
	return all
}

// noFaults says whether anything could have told of one.
func (b *builder) noFaults() string {
	if !b.data.Figures.Observed() {
		return "Nothing was observed in this window: whether there were faults is not known."
	}
	for i := range b.data.Site.Machines {
		if b.data.Site.Machines[i].Roles[scan.FaultCode] != "" {
			return "No controller showed a fault in the observed time."
		}
	}
	return "No channel tells of faults here: give a channel the role fault_code, and the report counts them."
}

func (b *builder) faultTable() *Table {
	t := &Table{Caption: "Faults by how often they came", Columns: []Column{{Head: "Machine or device", Weight: 1.2}, {Head: "Code"}, {Head: "Text", Weight: 2.5}, {Head: "Times", Number: true},
		{Head: "Stood for", Number: true, Weight: 1.3}, {Head: "First", Weight: 1.8}, {Head: "Last", Weight: 1.8}}}
	for i := range b.data.Faults {
		f, at := &b.data.Faults[i], fmt.Sprintf("/data/faults/%d", i)
		times := float64(f.Times)
		text := f.Text
		if text == "" {
			text = "no text in the map"
		}
		t.Rows = append(t.Rows, []Text{say(f.Subject), say(f.Code), say(text), b.at(&times, at+"/times", "1"), b.at(&f.OnS, at+"/on_s", "s"),
			say(b.whenOr(f.First, "before the window")), say(b.whenOr(f.Last, "–"))})
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}

func (b *builder) whenOr(stamp, none string) string {
	if stamp == "" {
		return none
	}
	return b.when(stamp)
}

func (b *builder) faultChart() *chart.Chart {
	const most = 12
	if len(b.data.Faults) < 2 {
		return nil
	}
	var bars []chart.Bar
	for i := range b.data.Faults[:min(most, len(b.data.Faults))] {
		f := &b.data.Faults[i]
		name := f.Subject + ", " + f.Code
		if f.Text != "" {
			name = f.Subject + ": " + f.Text
		}
		bars = append(bars, chart.Bar{Name: name, Values: chart.Values{float64(f.Times)}, Label: fmt.Sprint(f.Times)})
	}
	return &chart.Chart{ID: "faults", Title: "Faults by how often they came", Summary: "How often each fault came up, the most frequent first.",
		Bars: &chart.Bars{Value: chart.Axis{Label: "times", Zero: true}, Parts: []string{"times"}, Bars: bars, Across: true}}
}
