package agent

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/store"
)

// The kinds of event that are not made elsewhere. Changes of state are read
// from the fold's summaries, where they are kept in a few bytes each: they are
// in no second place, and so cannot differ from the figures.
const (
	kindState  = "state"
	kindConfig = "config_changed"
	kindNote   = "note"
)

// EventQuery says which events are wanted.
type EventQuery struct {
	FromMS, ToMS int64    // half open, Unix ms UTC; a ToMS of 0 is no bound
	Kinds        []string // empty: all
	Subjects     []string // empty: all
	// Changes are those of analysis.TurnWords that are wanted of the kind
	// state. Empty: all where Kinds names state, else all but loading, unloading
	// and the like, which would drown the rest.
	Changes []string
	Limit   int    // above 0
	After   string // EventPage.Next of the page before; empty: the newest
}

// EventPage is a part of what was asked for, newest first.
type EventPage struct {
	Events []Event `json:"events"`
	Next   string  `json:"next"` // to ask for older ones; empty: there are none
}

// ErrCursor: EventQuery.After is not what a page gave.
var ErrCursor = errors.New("not a place in the events")

// endOfTime is behind every time that the store takes.
const endOfTime = int64(1) << 53

// eventPlace is where an event stands in the order of all: by time, those that
// follow from the fold before the stored ones of the same millisecond.
type eventPlace struct {
	wallMS int64
	seq    uint64 // 0: from the fold
	nth    int    // of those of the same millisecond
}

func (p eventPlace) compare(q eventPlace) int {
	return cmp.Or(cmp.Compare(p.wallMS, q.wallMS), cmp.Compare(p.seq, q.seq), cmp.Compare(p.nth, q.nth))
}

func (p eventPlace) String() string { return fmt.Sprintf("%d.%d.%d", p.wallMS, p.seq, p.nth) }

func parsePlace(text string) (p eventPlace, err error) {
	parts := strings.Split(text, ".")
	if len(parts) != 3 {
		return p, fmt.Errorf("%q: %w", text, ErrCursor)
	}
	var errs [3]error
	p.wallMS, errs[0] = strconv.ParseInt(parts[0], 10, 64)
	p.seq, errs[1] = strconv.ParseUint(parts[1], 10, 64)
	p.nth, errs[2] = strconv.Atoi(parts[2])
	if errors.Join(errs[:]...) != nil {
		return p, fmt.Errorf("%q: %w", text, ErrCursor)
	}
	return p, nil
}

type placedEvent struct {
	eventPlace
	Event
}

// Events returns a page of events. An error of type *FieldError names a kind or
// a subject that there is not.
func (h *History) Events(q EventQuery) (EventPage, error) { return h.eventPage(q, h.Now()) }

// Events is History's, up to the present.
func (a *Agent) Events(q EventQuery) (EventPage, error) { return a.eventPage(q, a.end()) }

func (h *History) eventPage(q EventQuery, now time.Time) (EventPage, error) {
	end := eventPlace{wallMS: cmp.Or(q.ToMS, endOfTime)}
	if q.After != "" {
		after, err := parsePlace(q.After)
		if err != nil {
			return EventPage{}, err
		}
		if after.compare(end) < 0 {
			end = after
		}
	}
	if err := h.checkQuery(&q); err != nil {
		return EventPage{}, err
	}
	q.Limit = max(q.Limit, 1)
	all, err := h.stored(&q, end)
	if err != nil {
		return EventPage{}, err
	}
	turns, err := h.turns(&q, end, now)
	if err != nil {
		return EventPage{}, err
	}
	all = append(all, turns...)
	slices.SortFunc(all, func(a, b placedEvent) int { return b.compare(a.eventPlace) })
	page := EventPage{Events: []Event{}}
	for i := range all {
		if i == q.Limit {
			page.Next = all[i-1].eventPlace.String()
			break
		}
		page.Events = append(page.Events, all[i].Event)
	}
	return page, errors.Join(h.markCorrected(page.Events), h.markWithdrawn(page.Events), h.markBroken(page.Events))
}

// EventsEnd is behind the newest event and the newest scan of a stopped store:
// a note may have been written since.
func (h *History) EventsEnd() (time.Time, error) {
	newest, err := h.store.EventsWhere(0, 0, 1, func(*store.Event) bool { return true })
	end := h.Now()
	if err == nil && len(newest) > 0 {
		if t := time.UnixMilli(newest[0].WallMS + 1); t.After(end) {
			end = t
		}
	}
	return end, err
}

// stored are the newest events before end, one more than the limit. Changes of
// state that earlier versions stored are left out: the fold has them.
func (h *History) stored(q *EventQuery, end eventPlace) ([]placedEvent, error) {
	kept, err := h.store.EventsWhere(q.FromMS, end.wallMS+1, q.Limit+1, func(e *store.Event) bool {
		return e.Kind != kindState && wants(q.Kinds, e.Kind) && wants(q.Subjects, e.Subject) &&
			eventPlace{e.WallMS, e.Seq, 0}.compare(end) < 0
	})
	all := make([]placedEvent, len(kept))
	for i := range kept {
		all[i] = placedEvent{eventPlace{kept[i].WallMS, kept[i].Seq, 0}, EventOf(kept[i])}
	}
	return all, err
}

func wants(list []string, word string) bool { return len(list) == 0 || slices.Contains(list, word) }

// Changes of state are looked for in spans that double, from the newest back.
const (
	firstTurnSpanMS = int64(24 * time.Hour / time.Millisecond)
	maxTurnSpanMS   = 64 * firstTurnSpanMS
)

// turns are the newest changes of state before end, one more than the limit or
// some more.
func (h *History) turns(q *EventQuery, end eventPlace, now time.Time) ([]placedEvent, error) {
	changes := q.Changes
	if len(changes) == 0 && !slices.Contains(q.Kinds, kindState) {
		changes = []string{analysis.TurnStart, analysis.TurnStop, analysis.TurnTrip, analysis.TurnLost, analysis.TurnFound}
	}
	if !wants(q.Kinds, kindState) {
		return nil, nil
	}
	src := h.source()
	begin, err := h.turnsBegin()
	if err != nil {
		return nil, err
	}
	begin = max(begin, q.FromMS)
	var all []placedEvent
	to := min(end.wallMS+1, now.UnixMilli()+1)
	for span := firstTurnSpanMS; to > begin && len(all) <= q.Limit; span = min(2*span, maxTurnSpanMS) {
		from := max(to-span, begin)
		some, err := h.turnsBetween(src, from, to, now.UnixMilli())
		if err != nil {
			return nil, err
		}
		for _, e := range some {
			if e.compare(end) < 0 && wants(changes, e.Data["change"]) && wants(q.Subjects, e.Subject) {
				all = append(all, e)
			}
		}
		to = from
	}
	return all, nil
}

// turnsBegin is before the first change of state there can be.
func (h *History) turnsBegin() (int64, error) {
	first, ok := h.First()
	begin, sealed, err := h.store.PiecesBegin()
	switch {
	case err != nil:
		return 0, err
	case !ok && !sealed:
		return endOfTime, nil
	case !sealed || ok && first.UnixMilli() < begin:
		begin = first.UnixMilli()
	}
	return begin, nil
}

// turnsBetween are the changes of all machines: which one is the how-manieth of
// its millisecond must not hang on what is asked for.
func (h *History) turnsBetween(src analysis.Source, fromMS, toMS, nowMS int64) ([]placedEvent, error) {
	var all []placedEvent
	for i := range h.site.Machines {
		name := h.site.Machines[i].Name
		turns, err := analysis.Turns(src, h.site, name, fromMS, toMS, nowMS)
		if err != nil {
			return nil, fmt.Errorf("changes of state of %s: %w", name, err)
		}
		for k := range turns {
			all = append(all, placedEvent{eventPlace{wallMS: turns[k].WallMS}, turnEvent(name, &turns[k])})
		}
	}
	slices.SortStableFunc(all, func(a, b placedEvent) int { return cmp.Compare(a.wallMS, b.wallMS) })
	for i := 1; i < len(all); i++ {
		if all[i].wallMS == all[i-1].wallMS {
			all[i].nth = all[i-1].nth + 1
		}
	}
	return all, nil
}

// turnEvent is a change of state as an event. It has no number: what has one is
// stored by itself.
func turnEvent(machine string, t *analysis.Turn) Event {
	e := Event{Time: Stamp(t.WallMS), Kind: kindState, Subject: machine, Text: turnText(t), Data: map[string]string{
		"change": t.Word(), "from": t.From.String(), "to": t.To.String(),
		"lasted_s": strconv.FormatFloat(float64(t.HeldMS)/1000, 'f', -1, 64), "lasted_known": strconv.FormatBool(t.HeldKnown)}}
	if t.Reason != "" {
		e.Data["reason"] = t.Reason
	}
	return e
}

func turnText(t *analysis.Turn) string {
	held := spoken(t.HeldMS)
	if !t.HeldKnown {
		held = "at least " + held
	}
	before := fmt.Sprintf("after %s %s", held, t.From)
	switch t.Word() {
	case analysis.TurnLost:
		return fmt.Sprintf("nothing was read from here on (%s), %s", t.Reason, before)
	case analysis.TurnFound:
		if t.Reason == "" {
			return fmt.Sprintf("the first reading: %s", t.To)
		}
		return fmt.Sprintf("read again after %s (%s): %s", held, t.Reason, t.To)
	case analysis.TurnStart:
		if t.To == analysis.Starting {
			return "the motor started, " + before
		}
		return fmt.Sprintf("the motor started (%s), %s", t.To, before)
	case analysis.TurnStop:
		return fmt.Sprintf("the motor stopped (%s), %s", t.To, before)
	case analysis.TurnTrip:
		if !t.From.Running() {
			return fmt.Sprintf("a fault came while the machine stood (%s), %s", t.To, before)
		}
		return fmt.Sprintf("the machine tripped, %s", before)
	case analysis.TurnLoad:
		return fmt.Sprintf("went on load (%s), %s", t.To, before)
	case analysis.TurnUnload:
		return fmt.Sprintf("went off load, %s", before)
	}
	return fmt.Sprintf("%s, %s", t.To, before)
}

// spoken is a duration in its two largest units.
func spoken(ms int64) string {
	d := time.Duration(ms) * time.Millisecond
	switch days := int64(d / (24 * time.Hour)); {
	case days > 0:
		return fmt.Sprintf("%d d %d h", days, int64(d/time.Hour)%24)
	case d >= time.Hour:
		return fmt.Sprintf("%d h %d min", int64(d/time.Hour), int64(d/time.Minute)%60)
	case d >= 10*time.Minute:
		return fmt.Sprintf("%d min", int64(d.Round(time.Minute)/time.Minute))
	case d >= time.Minute:
		return fmt.Sprintf("%d min %d s", int64(d/time.Minute), int64(d/time.Second)%60)
	case d >= 10*time.Second:
		return fmt.Sprintf("%d s", int64(d.Round(time.Second)/time.Second))
	}
	return fmt.Sprintf("%.1f s", d.Seconds())
}

// markCorrected says of each note that a later one corrects which one that is.
func (h *History) markCorrected(page []Event) error {
	if !slices.ContainsFunc(page, func(e Event) bool { return e.Kind == kindNote }) {
		return nil
	}
	notes, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindNote && e.Data["corrects"] != "" })
	if err != nil {
		return err
	}
	slices.SortFunc(notes, func(a, b store.Event) int { return cmp.Compare(a.Seq, b.Seq) })
	by := map[string]string{}
	for i := range notes {
		by[notes[i].Data["corrects"]] = strconv.FormatUint(notes[i].Seq, 10)
	}
	for i := range page {
		if seq := by[strconv.FormatUint(page[i].Seq, 10)]; page[i].Kind == kindNote && seq != "" {
			page[i].Data["corrected_by"] = seq
		}
	}
	return nil
}
