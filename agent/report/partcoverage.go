package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"loadscribe/agent/display"
	"loadscribe/agent/scan"
)

// mostGaps bounds the gaps that are told one by one; the longest are.
const mostGaps = 15

// coverage says what of the period was observed, and what was not and why.
func coverage(b *builder) []Section {
	s := Section{ID: "coverage", Title: "What was observed, and what was not", Level: 1}
	s.Blocks = append(s.Blocks, para("Time between two good readings further apart than three of their periods is not observed. It is never filled in: figures are of the observed time, and a sum over a period with holes is a lower bound. ", b.weekSaid()))
	if t := b.coverageTable(); t != nil {
		s.Blocks = append(s.Blocks, Block{Table: t})
	}
	switch t := b.gapTable(); {
	case t != nil:
		s.Blocks = append(s.Blocks, Block{Table: t})
	case b.data.Figures.Observed():
		s.Blocks = append(s.Blocks, para("No device was silent for a minute or more."))
	}
	if made, to := b.data.NowMS, b.data.ToMS; made < to {
		s.Blocks = append(s.Blocks, gap("The period was not over", fmt.Sprintf("the report was made on %s, before the period's end: what came after is not in it", b.when(b.doc.Made.At))))
	}
	for _, note := range b.data.Figures.Notes {
		s.Blocks = append(s.Blocks, para(sentence(note)))
	}
	return []Section{s}
}

// coverage shows an observed share in per cent: never 100 for less than all.
func (b *builder) coverage(r ref) Run {
	percent := 100 * *r.Coverage
	shown := display.Rounded(percent, 1)
	if shown == "100.0" {
		shown = "100"
		if *r.Coverage < 1 && percent < 99.99 {
			shown = display.Rounded(math.Floor(percent*100)/100, 2)
		}
	}
	return Run{Text: shown, At: r.at + "/coverage", Value: r.Coverage}
}

// weekSaid says which days of the week the period holds, since a plant's nights and
// weekends are not as its days.
func (b *builder) weekSaid() string {
	from, to := time.UnixMilli(b.data.FromMS).In(b.data.Site.Location), time.UnixMilli(b.data.ToMS).In(b.data.Site.Location).Round(time.Minute)
	var whole [7]bool
	begin := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, from.Location())
	if begin.Before(from) {
		begin = begin.AddDate(0, 0, 1)
	}
	for at, n := begin, 0; n < 7; at, n = at.AddDate(0, 0, 1), n+1 {
		if !at.AddDate(0, 0, 1).After(to) {
			whole[at.Weekday()] = true
		}
	}
	var missing []string
	for _, d := range []time.Weekday{1, 2, 3, 4, 5, 6, 0} {
		if !whole[d] {
			missing = append(missing, d.String())
		}
	}
	if len(missing) == 0 {
		return "The period holds every day of the week."
	}
	if len(missing) == 7 {
		return "The period holds no whole day. A typical week is the least that a plant is usually judged by: nights and weekends are not as the hours before you."
	}
	return "The period holds no whole " + strings.Join(missing, ", ") + ". A typical week is the least that a plant is usually judged by."
}

// coverageTable has the observed and unobserved time of machines and systems; nil
// where none has any.
func (b *builder) coverageTable() *Table {
	t := &Table{Caption: "Observed time", Columns: []Column{{Head: "Of", Weight: 1.4}, {Head: "Observed", Number: true}, {Head: "Not observed", Number: true}, {Head: "Share observed", Unit: "%", Number: true}}}
	var why reasons
	add := func(name string, seen, unseen ref) {
		if !seen.has() || !unseen.has() {
			if seen.Figure != nil && seen.Absent != "" {
				why.add(seen, "observed time of "+name, "", false)
			}
			return
		}
		share := say("–")
		if seen.Coverage != nil {
			share = say(b.coverage(seen))
		}
		t.Rows = append(t.Rows, []Text{say(name), say(lasted(*seen.Value, seen.at+"/value", seen.Value)), say(lasted(*unseen.Value, unseen.at+"/value", unseen.Value)), share})
	}
	for i := range b.data.Figures.Machines {
		add("machine "+b.data.Figures.Machines[i].Machine, b.ofMachine(i, "observed_time"), b.ofMachine(i, "unobserved_time"))
	}
	for i := range b.data.Figures.Systems {
		add("system "+b.data.Figures.Systems[i].System, b.ofSystem(i, "observed_time"), b.ofSystem(i, "unobserved_time"))
	}
	if t.Notes = why.notes(); len(t.Rows) == 0 {
		return nil
	}
	return t
}

// lasted is a time in words.
func lasted(seconds float64, at string, value *float64) Run {
	return Run{Text: display.Duration(seconds), At: at, Value: value}
}

// gapTable has the longest stretches in which a device was not read; nil: none.
func (b *builder) gapTable() *Table {
	if len(b.data.Gaps) == 0 {
		return nil
	}
	t := &Table{Caption: "When a device was not read, the longest first", Columns: []Column{{Head: "Device"}, {Head: "From", Weight: 1.6}, {Head: "To", Weight: 1.6}, {Head: "For", Number: true}, {Head: "Why", Weight: 1.6}}}
	for i := range b.data.Gaps {
		if i == mostGaps {
			t.Notes = append(t.Notes, say(fmt.Sprintf("%d more, none longer than the last of these, are in report.json.", len(b.data.Gaps)-mostGaps)))
			break
		}
		g := &b.data.Gaps[i]
		t.Rows = append(t.Rows, []Text{say(g.Device), say(b.when(g.From)), say(b.when(g.To)),
			say(lasted(g.ForS, fmt.Sprintf("/data/gaps/%d/for_s", i), &g.ForS)), say(whyUnread(g.Reason))})
	}
	return t
}

// whyUnread says in words why a device was not read.
func whyUnread(reason string) string {
	for code, words := range map[scan.Reason]string{
		scan.Timeout: "no answer in time: without power, switched off, or the line broken", scan.BadChecksum: "answers came damaged", scan.Exception: "it answered with an error",
		scan.PortGone: "the connection was lost", scan.AgentStopped: "the recorder was not running", scan.WrongAnswer: "answers did not fit the question",
		scan.Dropped: "read, but not kept: the disk was full or slow", scan.ClockStep: "the clock was set", scan.LineBusy: "another master was on the line",
		scan.StartMismatch: "the map is not of this device",
	} {
		if reason == code.String() {
			return words
		}
	}
	return reason
}

// whenMS is a time as the site's people read it; Unix ms UTC.
func (b *builder) whenMS(ms int64) string {
	return b.when(time.UnixMilli(ms).UTC().Format(time.RFC3339Nano))
}
