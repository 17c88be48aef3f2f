package agent

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// kindAudit is the kind of the events of an audit. Their data's "audit" says of
// which sort: begun, mark, replayed or reported.
const kindAudit = "audit"

const (
	auditBegun    = "begun"
	auditMarked   = "mark"
	auditReplayed = "replayed"
	auditReported = "reported"
	// auditDays is how long one is planned where nobody says so.
	auditDays = 7
	// longestAudit bounds a slip of the pen, not a plan.
	longestAudit = 366 * 24 * time.Hour
)

// AuditBegin begins an audit: the body of a POST to /api/v1/audit/begin.
type AuditBegin struct {
	Who string `json:"who"`
	// Ends is the planned end: RFC 3339, or a local date, which is in it; empty: seven
	// days on.
	Ends string `json:"ends,omitempty"`
}

// AuditMark is what a person says of a step: that it was looked at, and what was
// found; or why what is still missing is accepted.
type AuditMark struct {
	Step string `json:"step"`
	Who  string `json:"who"`
	Text string `json:"text"`
}

// BeginAudit keeps the beginning of an audit. One that was begun before stays in
// the record; what is asked for from then on is asked of this one.
func (a *Agent) BeginAudit(b AuditBegin) (Event, error) {
	e, err := a.auditBegin(b, a.Now())
	if err != nil {
		return Event{}, err
	}
	return a.keepAudit(e)
}

func (h *History) auditBegin(b AuditBegin, now time.Time) (none store.Event, err error) {
	who, err := noteText("who", b.Who, maxNoteAuthor)
	if err != nil {
		return none, err
	}
	if who == "" {
		return none, wrongField("who", "say who does the audit")
	}
	ends := now.In(h.site.Location).AddDate(0, 0, auditDays)
	if text := strings.TrimSpace(b.Ends); text != "" {
		if ends, err = sitefile.ParseTime(text, now, h.site.Location, true); err != nil {
			return none, wrongField("ends", "%v", err)
		}
	}
	if !ends.After(now) || ends.Sub(now) > longestAudit {
		return none, wrongField("ends", "%s is not within a year from now: write the planned end, like %s",
			ends.In(h.site.Location).Format(time.DateOnly), now.In(h.site.Location).AddDate(0, 0, auditDays).Format(time.DateOnly))
	}
	return store.Event{WallMS: now.UnixMilli(), Kind: kindAudit, Text: fmt.Sprintf("audit begun by %s, planned until %s", who,
		ends.In(h.site.Location).Format("2006-01-02 15:04")), Data: map[string]string{"audit": auditBegun, "who": who, "ends": StampOf(ends).String()}}, nil
}

// MarkAudit keeps what a person says of a step.
func (a *Agent) MarkAudit(m AuditMark) (Event, error) {
	e, err := a.auditMark(m, a.Now())
	if err != nil {
		return Event{}, err
	}
	return a.keepAudit(e)
}

func (h *History) auditMark(m AuditMark, now time.Time) (none store.Event, err error) {
	if titleOfStep(m.Step) == "" {
		return none, wrongField("step", "%q is no step of an audit: use %s%s", m.Step, strings.Join(auditStepNames(), ", "), didYouMean(m.Step, auditStepNames()))
	}
	who, err := noteText("who", m.Who, maxNoteAuthor)
	if err != nil {
		return none, err
	}
	if who == "" {
		return none, wrongField("who", "say who looked at it")
	}
	text, err := noteText("text", m.Text, maxNoteText)
	if err != nil {
		return none, err
	}
	if text == "" {
		return none, wrongField("text", "say what was done or seen, or why it is accepted as it is")
	}
	kept, err := h.auditEvents()
	if err != nil {
		return none, err
	}
	if newestBegun(kept) == nil {
		return none, wrongField("step", "no audit was begun: begin one first")
	}
	return store.Event{WallMS: now.UnixMilli(), Kind: kindAudit, Text: text, Data: map[string]string{"audit": auditMarked, "step": m.Step, "who": who}}, nil
}

func (a *Agent) keepAudit(e store.Event) (Event, error) {
	kept, err := a.store.AppendEvent(e)
	if err != nil {
		return Event{}, fmt.Errorf("keep it: %w", err)
	}
	return a.keptSafe(kept), nil
}

// auditEvents are those of all audits, oldest first.
func (h *History) auditEvents() ([]store.Event, error) {
	kept, err := h.eventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindAudit })
	if err != nil {
		return nil, fmt.Errorf("read the audits: %w", err)
	}
	return kept, nil
}

// newestBegun is the beginning that was kept last: by its number, since the clock may
// have been set back meanwhile. nil: no audit was begun.
func newestBegun(kept []store.Event) *store.Event {
	var newest *store.Event
	for i := range kept {
		if e := &kept[i]; e.Data["audit"] == auditBegun && (newest == nil || e.Seq > newest.Seq) {
			newest = e
		}
	}
	return newest
}

// auditGoesOn reports whether an audit was begun and of its events of a sort none
// says it already.
func (a *Agent) auditGoesOn(sort string, says func(*store.Event) bool) bool {
	kept, err := a.auditEvents()
	begun := newestBegun(kept)
	if err != nil || begun == nil {
		return false
	}
	return !slices.ContainsFunc(kept, func(e store.Event) bool { return e.Seq > begun.Seq && e.Data["audit"] == sort && says(&e) })
}

// auditReplay keeps that alternatives were played while an audit goes on, unless it
// knows of all of them. One is known by what it sets: names are given anew each time.
func (a *Agent) auditReplay(q *replay.Query, answer *replay.Answer) {
	if answer == nil {
		return
	}
	var names, sets []string
	for i := range answer.Results {
		if r := &answer.Results[i]; r.Absent == "" && r.Flags != "" && !slices.Contains(sets, r.Flags) {
			names, sets = append(names, cmp.Or(r.Name, r.Flags)), append(sets, r.Flags)
		}
	}
	fresh := slices.Clone(sets)
	if len(sets) == 0 || !a.auditGoesOn(auditReplayed, func(e *store.Event) bool {
		known := strings.Split(e.Data["sets"], "\n")
		fresh = slices.DeleteFunc(fresh, func(set string) bool { return slices.Contains(known, set) })
		return len(fresh) == 0
	}) {
		return
	}
	a.queueEvent(store.Event{Kind: kindAudit, Subject: q.System, Text: "replayed for the audit: " + strings.Join(names, ", "), Data: map[string]string{"audit": auditReplayed,
		"alternatives": strings.Join(names, "\n"), "sets": strings.Join(sets, "\n"), "from": Stamp(q.FromMS).String(), "to": Stamp(q.ToMS).String()}})
}

// auditReport keeps that a report was made while an audit goes on, where it reaches
// further than those before it. Times are RFC 3339 in UTC and sort as they are.
func (a *Agent) auditReport(m *ReportMade) {
	if m == nil || !a.auditGoesOn(auditReported, func(e *store.Event) bool { return e.Data["to"] >= m.To }) {
		return
	}
	a.queueEvent(store.Event{Kind: kindAudit, Text: "report made: " + m.Title, Data: map[string]string{"audit": auditReported, "from": m.From, "to": m.To, "at": m.At}})
}

// audited is work whose answer is told to the audit that goes on.
func audited[A any](work jobWork[A], tell func(*A)) jobWork[A] {
	return func(ctx context.Context, progress func(done, total int)) (*A, error) {
		answer, err := work(ctx, progress)
		if err == nil {
			tell(answer)
		}
		return answer, err
	}
}
