package workbook

import (
	"encoding/json"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/report"
)

// readMe says what the workbook is made of.
func (b *book) readMe(s *sheet) error {
	s.column(26)
	s.column(110)
	fact := func(name, is string) {
		if is != "" {
			s.put(cell{name, look{strong: true}}, cell{is, wrapLook})
		}
	}
	m := &b.doc.Made
	s.put(cell{b.doc.Title, look{strong: true}})
	s.put()
	fact("site", m.Site)
	fact("from", b.stamp(m.From))
	fact("to", b.stamp(m.To))
	fact("made", b.stamp(m.At)+", by loadscribe "+m.Version)
	fact("site file", "SHA-256 of it and its maps: "+m.Hash)
	fact("checkpoint", m.Checkpoint+m.Why)
	fact("key", m.Key)
	fact("not under the checkpoint", m.Uncovered)
	s.put()
	for _, line := range []string{
		"The report itself, in report.html and report.pdf, says what the figures mean; this workbook has the numbers for reckoning on.",
		"Framed cells may be changed: prices on the sheet Prices, and the price of a saved kWh on the sheet Alternatives. Everything that follows from them is a formula; as written they give what the report says.",
		"± is the half width of a 95 % interval. An empty cell was not observed or cannot be told; the sheet Figures says why.",
		"Times stand in the site's zone, " + b.zone.String() + ", and in UTC: in the hour that a change of the clock repeats, UTC tells them apart.",
	} {
		s.put(cell{"", look{}}, cell{line, wrapLook})
	}
	return nil
}

// stamp is a time in words.
func (b *book) stamp(stamp string) string {
	if local, _ := b.times(stamp); local.value != nil {
		if t, ok := local.value.(interface{ Format(string) string }); ok {
			return t.Format("Mon 2006-01-02 15:04:05 MST")
		}
	}
	return stamp
}

// figureSheet lists every figure with all that is known of it.
func (b *book) figureSheet(s *sheet) error {
	s.head(2, column{"of", 18}, column{"figure", 28}, column{"in the report", 26}, column{"value", 14}, column{"± (95 %)", 12}, column{"unit", 14},
		column{"observed", 10}, column{"at least", 9}, column{"limit", 12}, column{"limit of", 30}, column{"share or mean of", 30}, column{"note, or why there is none", 60},
		column{"what the interval comes from", 50}, column{"method", 90}, column{"inputs", 50})
	write := func(of string, figures []analysis.Figure) {
		for i := range figures {
			b.figureRow(s, of, &figures[i])
		}
	}
	for _, sub := range b.subjects() {
		write(sub.name, sub.figures)
	}
	for i := range b.doc.Year {
		write(b.doc.Year[i].Subject+", a year", b.doc.Year[i].Figures)
	}
	return nil
}

func (b *book) figureRow(s *sheet, of string, f *analysis.Figure) {
	if f.Absent == analysis.NotOfMachine || f.Absent == analysis.NotOfSystem {
		return
	}
	if f.Value == nil {
		s.put(cell{of, look{}}, cell{f.Name, look{}}, cell{"not to be had", look{}}, cell{}, cell{}, cell{}, cell{}, cell{}, cell{}, cell{}, cell{}, cell{f.Absent, look{}})
		return
	}
	value, half, unit := display.Figure(f, b.units)
	v, u := b.shown(f.Value, f.Unit, false), b.shown(f.Uncertainty, f.Unit, true)
	least := ""
	if f.AtLeast {
		least = "yes"
	}
	var parts []string
	for _, p := range f.Budget {
		parts = append(parts, p.Input+": "+shareText(p.Share))
	}
	note := f.Note
	if f.AtLeastWhy != "" {
		note = strings.TrimPrefix(note+"; a lower bound, since "+f.AtLeastWhy, "; ")
	}
	coverage := cell{f.Coverage, shareLook}
	s.put(cell{of, look{}}, cell{f.Name, look{}}, cell{strings.Join(strings.Fields(value+" "+half+" "+unit), " "), look{}}, cell{v, lookOf(v, f.Unit)},
		cell{u, lookOf(u, f.Unit)}, cell{b.unitOf(f.Unit), look{}}, coverage, cell{least, look{}}, cell{b.shown(f.Limit, f.Unit, false), look{}},
		cell{f.LimitBasis, look{}}, cell{f.Denominator, look{}}, cell{note, look{}}, cell{strings.Join(parts, "; "), look{}}, cell{f.Method, look{}},
		cell{strings.Join(f.Inputs, ", "), look{}})
}

// shareText is a part of a budget; what is left over by rounding is no number to read.
func shareText(share float64) string {
	if share < 0.001 {
		return "under 0.1 %"
	}
	return display.PerCent(share) + " %"
}

// tableSheet has every table of every subject below one another.
func (b *book) tableSheet(s *sheet) error {
	columns := []column{{"of, and what", 44}}
	for range 12 {
		columns = append(columns, column{"", 14})
	}
	s.head(1, columns...)
	for _, sub := range b.subjects() {
		for i := range sub.tables {
			b.table(s, sub.name, &sub.tables[i])
		}
	}
	return nil
}

func (b *book) table(s *sheet, of string, t *analysis.Table) {
	head := []cell{{of + ": " + strings.ReplaceAll(t.Name, "_", " "), look{head: true}}}
	for _, c := range t.Columns {
		title := c.Name
		if unit := b.unitOf(c.Unit); unit != "" {
			title += " [" + unit + "]"
		}
		head = append(head, cell{title, look{head: true}})
	}
	s.put(append(head, cell{"", look{head: true}})...)
	for _, r := range t.Rows {
		row := []cell{{r.Name, look{}}}
		for i, v := range r.Values {
			row = append(row, b.number(v, t.Columns[i]))
		}
		s.put(append(row, cell{r.Note, look{}})...)
	}
	s.put(cell{t.Method, look{}})
	s.put()
}

// findingSheet lists the report's findings and what the data themselves show.
func (b *book) findingSheet(s *sheet) error {
	s.head(2, column{"of", 18}, column{"finding", 50}, column{"evidence", 70}, column{"what to do", 70}, column{"a year [kWh]", 14}, column{"± (95 %)", 12},
		column{"a year [" + b.data.Site.Tariff.Currency + "]", 14}, column{"± (95 %)", 12}, column{"by", 18}, column{"what a year assumes", 60}, column{"caution", 60})
	for i := range b.doc.Findings {
		f := &b.doc.Findings[i]
		var evidence []string
		for _, t := range f.Evidence {
			evidence = append(evidence, plain(t))
		}
		row := []cell{{f.Subject, wrapLook}, {f.Title, wrapLook}, {strings.Join(evidence, "\n"), wrapLook}, {plain(f.Advice), wrapLook}}
		if e := f.Effect; e != nil {
			row = append(row, b.amount(e.EnergyKWh, decimals(0))...)
			row = append(row, b.amount(e.Money, moneyLook)...)
			row = append(row, cell{e.How, wrapLook}, cell{e.Assumes, wrapLook})
		} else {
			row = append(row, make([]cell, 6)...)
		}
		s.put(append(row, cell{f.Caution, wrapLook})...)
	}
	if len(b.doc.Findings) == 0 {
		s.put(cell{"", look{}}, cell{"none", look{}})
	}
	s.put()
	s.put(cell{"what the data themselves show", look{strong: true}})
	write := func(findings []analysis.Finding) {
		for i := range findings {
			f := &findings[i]
			s.put(cell{f.Subject, wrapLook}, cell{f.Sentence, wrapLook}, cell{strings.Join(f.Evidence, "\n"), wrapLook})
		}
	}
	for i := range b.data.Figures.Machines {
		write(b.data.Figures.Machines[i].Findings)
	}
	for i := range b.data.Figures.Systems {
		write(b.data.Figures.Systems[i].Findings)
	}
	return nil
}

func (b *book) amount(a *report.Amount, l look) []cell {
	if a == nil {
		return make([]cell, 2)
	}
	return []cell{{a.Value, l}, {a.Half, l}}
}

// plain is a text's words.
func plain(t report.Text) string {
	var all strings.Builder
	for i := range t {
		all.WriteString(t[i].Text)
	}
	return all.String()
}

// instrumentSheet lists the instruments with what the site file says of each.
func (b *book) instrumentSheet(s *sheet) error {
	s.head(1, column{"instrument", 26}, column{"serial", 16}, column{"calibrated", 14}, column{"until", 14}, column{"standing", 14}, column{"certificate", 18},
		column{"accuracy", 60}, column{"channels", 60}, column{"figures that rest on it", 80})
	for i := range b.data.Figures.Instruments {
		f := &b.data.Figures.Instruments[i]
		accuracy, err := json.Marshal(f.Accuracy) // by key
		if err != nil {
			return err
		}
		said := strings.NewReplacer(`{"`, "", `"}`, "", `":"`, " ", `","`, ", ", "null", "").Replace(string(accuracy))
		s.put(cell{f.Subject, look{}}, cell{f.Serial, look{}}, cell{f.Calibrated, look{}}, cell{f.CalibratedUntil, look{}}, cell{string(f.Standing), look{}},
			cell{f.Certificate, look{}}, cell{said, look{}}, cell{strings.Join(f.Channels, ", "), look{}}, cell{strings.Join(f.Figures, ", "), look{}})
	}
	return nil
}
