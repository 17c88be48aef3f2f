package report

import (
	"fmt"
	"strings"
	"time"

	"loadscribe/agent/display"
)

// front says what the report is of, for whom, and how it is to be read.
func front(b *builder) []Section {
	site, made := b.data.Site, b.doc.Made
	s := Section{ID: "about", Title: "About this report", Level: 1}
	s.Blocks = append(s.Blocks, para(b.opening()))
	if !b.data.Figures.Observed() {
		s.Blocks = append(s.Blocks, gap("Nothing was observed in this period", "no reading of it is in the record, so that no figure can be told. Choose a period that holds readings; what the site file says of the plant, and the evidence, stand below all the same"))
	}
	told := site.Report
	facts := []Fact{}
	add := func(name, is string) {
		if is != "" {
			facts = append(facts, Fact{name, say(is)})
		}
	}
	add("Site", site.Name)
	add("Place", told.Place)
	add("Prepared for", told.PreparedFor)
	add("Prepared by", told.PreparedBy)
	facts = append(facts, Fact{"Period", say(fmt.Sprintf("%s to %s (%s; times in this report are in %s)", b.when(made.From), b.whenMS(roundedEnd(b.data.ToMS)), b.length(), site.Location))})
	if t := b.observedShares(); len(t) > 0 {
		facts = append(facts, Fact{"Observed", t})
	}
	add("Made", fmt.Sprintf("%s, by loadscribe %s", b.when(made.At), made.Version))
	s.Blocks = append(s.Blocks, Block{Facts: facts})
	s.Blocks = append(s.Blocks, titled("What it is to answer. ", told.Goals)...)
	s.Blocks = append(s.Blocks, titled("What was looked at. ", told.Scope)...)
	s.Blocks = append(s.Blocks, Block{List: []Text{
		say("A value is followed by the half width of the interval that holds the true one in about 95 of 100 cases: 6.4 ± 0.6. “At least” is a lower bound: part of the period was not observed, or something named beside the value is not counted."),
		say("What could not be told is not nought: it is absent, and its place says why."),
		say("A figure for a year says what it assumes. Money is in the prices of the site file, without tax, service or depreciation."),
		say("The report is made by a program of what instruments recorded. Nobody walked the plant for it, and it claims no conformity with any standard. What a person must add stands in the program's documentation."),
	}})
	return []Section{s}
}

// opening is the first sentence.
func (b *builder) opening() string {
	var names []string
	for i := range b.data.Figures.Machines {
		names = append(names, b.data.Figures.Machines[i].Machine)
	}
	if len(names) == 0 {
		return "The site file names no compressor, so that nothing can be told but what was recorded."
	}
	var devices []string
	for i := range b.data.Site.Devices {
		devices = append(devices, b.data.Site.Devices[i].Name)
	}
	return fmt.Sprintf("This report tells what the compressed air of %s cost in the period below, how %s spent the hours, what that comes to in a year, and what could be changed first. It rests on what %s recorded, and on nameplates only where nothing was recorded.",
		b.data.Site.Name, listed(names), listed(devices))
}

// listed names all: "a, b and c"; beyond six it counts the rest.
func listed(names []string) string {
	const most = 6
	if len(names) > most+1 {
		names = append(names[:most:most], fmt.Sprintf("%d more", len(names)-most))
	}
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

func plural(n int, one, several string) string {
	if n == 1 {
		return one
	}
	return several
}

// titled are paragraphs of a person's text, the first with a title; none where it is
// empty.
func titled(title, text string) (blocks []Block) {
	for line := range strings.SplitSeq(text, "\n") {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		t := say(line)
		if len(blocks) == 0 {
			t = append(Text{{Text: title, Strong: true}}, t...)
		}
		blocks = append(blocks, Block{Text: t})
	}
	return blocks
}

// length is how long the period is: whole local days, or hours and minutes.
func (b *builder) length() string {
	from, to := time.UnixMilli(b.data.FromMS).In(b.data.Site.Location), time.UnixMilli(b.data.ToMS).In(b.data.Site.Location)
	if days, ok := wholeDays(from, to); ok {
		return fmt.Sprintf("%d %s", days, plural(days, "day", "days"))
	}
	if long := to.Sub(from); long >= time.Hour {
		return display.Duration(long.Round(time.Minute).Seconds())
	}
	return display.Duration(to.Sub(from).Seconds())
}

// roundedEnd is the end of a window that ends with the last reading, a moment before a
// full minute, as a person calls it.
func roundedEnd(ms int64) int64 {
	const moment, minute = 2_000, 60_000
	if left := minute - ms%minute; left <= moment {
		return ms + left
	}
	return ms
}

// wholeDays counts the local days from midnight to midnight.
func wholeDays(from, to time.Time) (days int, ok bool) {
	to = to.Round(time.Minute) // "now" is the last reading, a moment before midnight
	for at := from; at.Before(to); days++ {
		next := time.Date(at.Year(), at.Month(), at.Day()+1, 0, 0, 0, 0, at.Location())
		if next.After(to) || days == 0 && (at.Hour() != 0 || at.Minute() != 0 || at.Second() != 0) {
			return 0, false
		}
		at = next
	}
	return days, days > 0
}

// observedShares is the observed part of the period, for each machine and system that
// has one.
func (b *builder) observedShares() (t Text) {
	add := func(name string, r ref) {
		if r.Figure == nil || r.Coverage == nil {
			return
		}
		if len(t) > 0 {
			t = append(t, Run{Text: "; "})
		}
		t = append(t, Run{Text: name + " "}, b.coverage(r), Run{Text: " %"})
	}
	for i := range b.data.Figures.Machines {
		add(b.data.Figures.Machines[i].Machine, b.ofMachine(i, "observed_time"))
	}
	for i := range b.data.Figures.Systems {
		add("system "+b.data.Figures.Systems[i].System, b.ofSystem(i, "observed_time"))
	}
	return t
}
