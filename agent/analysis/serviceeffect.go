package analysis

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/sitefile"
)

// ServiceEffectQuery asks what changed with a service that was done.
type ServiceEffectQuery struct {
	Mark    ServiceDone
	Days    int           // whole local days on either side of the service's own
	Others  []ServiceDone // everything that was done, Mark among it
	Changes []SettingChange
	// RecordFromMS is when the record begins.
	RecordFromMS, NowMS int64
}

// ServiceEffect sets the days before a service beside those after it. That a
// figure moved with the service is no proof that it moved by it: what else was
// unlike is in the remarks.
type ServiceEffect struct {
	Note    uint64 `json:"note"`
	Machine string `json:"machine"`
	Item    string `json:"item"`
	Done    string `json:"done"`
	Found   string `json:"found,omitempty"`
	// DaysAsked on either side, and Days as there are. The day of the service
	// belongs to neither.
	DaysAsked int `json:"days_asked"`
	Days      int `json:"days"`
	// Absent says why there is nothing to compare; Periods is then left out.
	Absent   string         `json:"absent,omitempty"`
	Sentence string         `json:"sentence,omitempty"`
	Moves    []ServiceMoved `json:"moves"`
	Remarks  []string       `json:"remarks"`
	Periods  *Periods       `json:"periods,omitempty"`
}

// ServiceMoved is a figure that the service should move, and whether it did.
type ServiceMoved struct {
	Figure string `json:"figure"`
	Way    string `json:"way,omitempty"`
	Why    string `json:"why"`
	// Row is its place in the periods' rows; left out where Absent says that it
	// is not among them.
	Row    *int   `json:"row,omitempty"`
	Absent string `json:"absent,omitempty"`
	// Judged is what became of it, in words.
	Judged string `json:"judged,omitempty"`
}

// ServiceEffectOf compares the days before a service with those after it.
func ServiceEffectOf(src Source, site *sitefile.Site, q ServiceEffectQuery) (ServiceEffect, error) {
	d := q.Mark
	e := ServiceEffect{Note: d.Note, Machine: d.Machine, Item: d.Item, Done: stamp(d.AtMS), Found: d.Found, DaysAsked: q.Days, Moves: []ServiceMoved{}, Remarks: []string{}}
	first, second, days, absent := aroundService(site, &q)
	if e.Days, e.Absent = days, absent; absent != "" {
		return e, nil
	}
	moves := ServiceMoves(d.Item)
	ask := PeriodsQuery{First: first, Second: second, NowMS: q.NowMS, Changes: q.Changes, more: figuresOf(moves)}
	if ask.System = systemFor(site, d.Machine, ask.more); ask.System == "" {
		ask.Machine = d.Machine
	}
	p, err := PeriodsOf(src, site, ask)
	if err != nil {
		return e, err
	}
	e.Periods = &p
	e.judge(moves)
	e.remark(&q, first, second)
	return e, nil
}

func figuresOf(moves []ServiceMove) []string {
	var all []string
	for _, m := range moves {
		all = append(all, m.Figure)
	}
	return all
}

// systemFor is the machine's system where one of the figures is of systems alone;
// else empty.
func systemFor(site *sitefile.Site, machine string, figures []string) string {
	if !slices.ContainsFunc(figures, systemOnly) {
		return ""
	}
	for i := range site.Systems {
		if slices.Contains(site.Systems[i].Machines, machine) {
			return site.Systems[i].Name
		}
	}
	return ""
}

// midnight is the begin of the local day so many days after that of a moment.
func midnight(site *sitefile.Site, ms int64, days int) int64 {
	y, m, d := time.UnixMilli(ms).In(site.Location).Date()
	return time.Date(y, m, d+days, 0, 0, 0, 0, site.Location).UnixMilli()
}

// ServiceSpan is the time from the first day before a service to the last after it.
func ServiceSpan(site *sitefile.Site, atMS int64, days int) Span {
	return Span{midnight(site, atMS, -days), midnight(site, atMS, days+1)}
}

// aroundService are as many whole local days before the service's own day as
// after it: so many as were asked for, fewer where the record or the present ends.
func aroundService(site *sitefile.Site, q *ServiceEffectQuery) (first, second Span, days int, absent string) {
	at := q.Mark.AtMS
	recorded := func(days int) bool { return q.RecordFromMS > 0 && midnight(site, at, -days) >= q.RecordFromMS-cellMS }
	passed := func(days int) bool { return midnight(site, at, days+1) <= q.NowMS }
	for days < q.Days && recorded(days+1) && passed(days+1) {
		days++
	}
	switch {
	case days > 0:
		first, second = Span{midnight(site, at, -days), midnight(site, at, 0)}, Span{midnight(site, at, 1), midnight(site, at, days+1)}
	case !recorded(1):
		absent = "no whole day before the service is recorded"
	default:
		absent = "no whole day has passed since the day of the service: look again when one has"
	}
	return first, second, days, absent
}

// judge says of each figure that should have moved whether it did.
func (e *ServiceEffect) judge(moves []ServiceMove) {
	told, expected := 0, 0
	for _, m := range moves {
		moved := ServiceMoved{Figure: m.Figure, Way: m.Way, Why: m.Why}
		at := slices.IndexFunc(e.Periods.Rows, func(r PeriodRow) bool { return r.Name == m.Figure && (r.Machine == "" || r.Machine == e.Machine) })
		switch {
		case at < 0:
			moved.Absent = "the machine does not have this figure"
		case e.Periods.Rows[at].Difference.Value == nil:
			moved.Absent = e.Periods.Rows[at].Difference.Absent
		default:
			r := &e.Periods.Rows[at]
			moved.Row = &at
			moved.Judged = judgeMove(m, r)
			if expected++; r.Told {
				told++
			}
		}
		e.Moves = append(e.Moves, moved)
	}
	e.Sentence = movedSentence(e.Item, told, expected)
}

func movedSentence(item string, told, expected int) string {
	switch {
	case expected == 0:
		return fmt.Sprintf("None of the figures that the service “%s” should move is known on both sides.", item)
	case expected == 1 && told == 1:
		return fmt.Sprintf("The one known figure that the service “%s” should move differs by %s.", item, moreThanWrong)
	case expected == 1:
		return fmt.Sprintf("The one known figure that the service “%s” should move differs %s.", item, withinWrong)
	case told == 0:
		return fmt.Sprintf("Of %d known figures that the service “%s” should move, none differs by %s.", expected, item, moreThanWrong)
	case told == 1:
		return fmt.Sprintf("Of %d known figures that the service “%s” should move, one differs by %s.", expected, item, moreThanWrong)
	}
	return fmt.Sprintf("Of %d known figures that the service “%s” should move, %d differ by %s.", expected, item, told, moreThanWrong)
}

func judgeMove(m ServiceMove, r *PeriodRow) string {
	way := higher
	if *r.Difference.Value < 0 {
		way = lower
	}
	switch {
	case !r.Told:
		return withinWrong
	case m.Way == "":
		return way + ", " + moreThanWrong
	case m.Way == way:
		return way + " as it should be, " + moreThanWrong
	}
	return way + ", against what the service should do, " + moreThanWrong
}

// remark tells what else was done in these days, and that days are fewer.
func (e *ServiceEffect) remark(q *ServiceEffectQuery, first, second Span) {
	if e.Days < e.DaysAsked {
		e.Remarks = append(e.Remarks, fmt.Sprintf("Whole days on either side: %d, not the %d that were asked for.", e.Days, e.DaysAsked))
	}
	var others []string
	for _, d := range q.Others {
		if d.Machine == q.Mark.Machine && d.Note != q.Mark.Note && d.AtMS >= first.FromMS && d.AtMS < second.ToMS && !slices.Contains(others, d.Item) {
			others = append(others, d.Item)
		}
	}
	if len(others) > 0 {
		e.Remarks = append(e.Remarks, "In these days this was done too, and its share cannot be told apart: "+strings.Join(others, ", ")+".")
	}
	e.Remarks = append(e.Remarks, e.Periods.Remarks...)
}
