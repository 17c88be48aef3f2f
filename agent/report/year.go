package report

import (
	"fmt"

	"loadscribe/agent/analysis"
)

// years are what the window comes to in a year, for each machine and system.
func years(d *Data) []YearOf {
	all := []YearOf{}
	add := func(subject string, figures []analysis.Figure) {
		all = append(all, YearOf{Subject: subject, Figures: analysis.YearOf(d.Site, d.Hours[subject], figures, d.FromMS, min(d.ToMS, d.NowMS))})
	}
	for i := range d.Figures.Machines {
		m := &d.Figures.Machines[i]
		add("machine "+m.Machine, m.Figures)
	}
	for i := range d.Figures.Systems {
		s := &d.Figures.Systems[i]
		add("system "+s.System, s.Figures)
	}
	return all
}

// ofYear finds a figure of a year; subject is "machine comp1" or "system main".
func (b *builder) ofYear(subject, name string) ref {
	for i := range b.doc.Year {
		if b.doc.Year[i].Subject == subject {
			return find(b.doc.Year[i].Figures, name, fmt.Sprintf("/year/%d/figures", i))
		}
	}
	return ref{}
}
