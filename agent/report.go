package agent

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/report"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// ReportRequest asks for the audit report of a window, as a person writes it: the
// body of a POST to /api/v1/report.
type ReportRequest struct {
	// From and To are times as everywhere; left out: the last seven days. Ages and
	// "now" count from the last reading before MadeAt.
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
	// Before is a period FROM/TO to compare the window with; empty: none.
	Before string `json:"before,omitempty"`
	// Alternatives are replayed; left out: those that suit the site.
	Alternatives []replay.Alternative `json:"alternatives,omitempty"`
	// Machines may take another's place; left out: the invented examples.
	Machines []replay.Listed `json:"machines,omitempty"`
	// MadeAt is when the report is made: what was recorded, noted or learnt later is
	// not in it. Left out: the present.
	MadeAt string `json:"made_at,omitempty"`
	// Checkpoint is the text of a checkpoint of the evidence log, which the report
	// prints once it is shown to be of this log; left out: the newest.
	Checkpoint string `json:"checkpoint,omitempty"`
	// Inputs are the names of the files that Alternatives and Machines were read
	// from, for the command that makes the report again.
	Inputs ReportInputs `json:"inputs,omitzero"`
}

// ReportInputs are names of files.
type ReportInputs struct {
	Changes  string `json:"changes,omitempty"`
	Machines string `json:"machines,omitempty"`
}

// Report makes the audit report of a window. An error of type *FieldError says what is
// wrong with the request. progress, which may be nil, is told of so many steps.
func (h *History) Report(ctx context.Context, r ReportRequest, progress func(done, total int)) (*report.Document, error) {
	at, err := h.reportTime(&r, h.clockNow())
	if err != nil {
		return nil, err
	}
	return h.report(ctx, &r, at, progress)
}

// clockNow is what the clock says.
func (h *History) clockNow() time.Time {
	_, wallMS := h.clock.Now()
	return time.UnixMilli(wallMS)
}

// reportTime reads when the report is made.
func (h *History) reportTime(r *ReportRequest, now time.Time) (time.Time, error) {
	if r.MadeAt == "" {
		return now, nil
	}
	at, err := sitefile.ParseTime(r.MadeAt, now, h.site.Location, false)
	switch {
	case err != nil:
		return at, wrongField("made_at", "%v", err)
	case at.After(now):
		return at, wrongField("made_at", "%s lies in the future: what will be recorded until then is not known", at.In(h.site.Location).Format(time.RFC3339))
	}
	return at, nil
}

// report makes the report as of a time.
func (h *History) report(ctx context.Context, r *ReportRequest, at time.Time, progress func(done, total int)) (*report.Document, error) {
	then, err := h.asOf(at)
	if err != nil {
		return nil, err
	}
	g := reportMaker{h: then, r: r, ctx: ctx, at: at, progress: progress}
	if g.progress == nil {
		g.progress = func(int, int) {}
	}
	if err := g.window(); err != nil {
		return nil, err
	}
	if r.MadeAt != "" {
		if err := then.unlikeThen(); err != nil {
			return nil, err
		}
	}
	made, err := g.made()
	if err != nil {
		return nil, err
	}
	if err := g.gather(); err != nil {
		return nil, err
	}
	return report.Build(made, &g.data), ctx.Err()
}

// asOf is the history as it stood at a time: what was recorded or written down later
// is not in it, and "now" is the last reading before it.
func (h *History) asOf(at time.Time) (*History, error) {
	last, err := h.lastBefore(at.UnixMilli())
	if err != nil {
		return nil, err
	}
	now := at
	if last > 0 {
		now = time.UnixMilli(last + 1) // a window that ends "now" includes the last scan
	}
	then := *h
	then.past = &past{at: at.UnixMilli(), now: now, newestMS: last}
	return &then, nil
}

// past is a time as of which a history is asked.
type past struct {
	at       int64     // Unix ms UTC: what is later is not known
	now      time.Time // what "now" is
	newestMS int64     // label of the newest reading; 0: none
}

// knew reports whether an event was known at the time. A note may be about an earlier
// one than that at which it was written.
func (p *past) knew(e *store.Event) bool {
	var written Stamp
	if text := e.Data["written"]; text != "" && written.UnmarshalJSON([]byte(`"`+text+`"`)) == nil {
		return int64(written) <= p.at
	}
	return e.WallMS <= p.at
}

// lastBefore is the label of the newest reading before a time, 0 where there is none.
// It looks back in spans that grow.
func (h *History) lastBefore(atMS int64) (int64, error) {
	stats := h.store.Stats()
	if stats.NewestMS == 0 || stats.OldestMS >= atMS {
		return 0, nil
	}
	if stats.NewestMS < atMS {
		return stats.NewestMS, nil
	}
	last := int64(0)
	for to, span := atMS, int64(time.Minute/time.Millisecond); to > stats.OldestMS && last == 0; span *= 4 {
		from := max(to-span, 1)
		err := h.store.Scans(store.ScanQuery{FromMS: from, ToMS: to}, func(s *scan.Scan) error {
			last = max(last, s.WallMS)
			return nil
		})
		if err != nil {
			return 0, fmt.Errorf("look for the last reading: %w", err)
		}
		to = from
	}
	return last, nil
}

// eventsWhere are the store's, or of those the ones that were known.
func (h *History) eventsWhere(fromMS, toMS int64, limit int, wanted func(*store.Event) bool) ([]store.Event, error) {
	if h.past == nil {
		return h.store.EventsWhere(fromMS, toMS, limit, wanted)
	}
	return h.store.EventsWhere(fromMS, toMS, limit, func(e *store.Event) bool { return h.past.knew(e) && wanted(e) })
}

// unlikeThen refuses a report as of a time since which the record has been changed
// where it was already: it would not be the one of then.
func (h *History) unlikeThen() error {
	later, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool {
		switch e.Kind {
		case analysis.LevelsEvent, store.KindImport, store.KindImportUndone, kindAligned, "clock_set", store.KindRawDropped, "data_damaged":
			return !h.past.knew(e)
		}
		return false
	})
	if err != nil {
		return err
	}
	if len(later) > 0 {
		e := &later[0]
		return wrongField("made_at", "what was recorded before has been changed since: on %s %s: %s. A report as of %s cannot be made again; leave made_at out",
			time.UnixMilli(e.WallMS).In(h.site.Location).Format("2006-01-02 15:04"), e.Kind, e.Text, Stamp(h.past.at))
	}
	if setBackOver(h.store.Segments(), h.past.at) {
		return wrongField("made_at", "the clock was set back over %s, so that what was recorded before and after it cannot be told apart; leave made_at out", Stamp(h.past.at))
	}
	return nil
}

// setBackOver reports whether the clock was set back over a time: a later segment begins
// before it though an earlier one reached beyond.
func setBackOver(segments []store.Segment, atMS int64) bool {
	reached := int64(0) // the latest label that earlier segments surely had
	for i := range segments {
		s := &segments[i]
		begin := s.StartWallMS + s.ShiftMS
		if begin < atMS && reached >= atMS {
			return true
		}
		reached = max(reached, begin)
		if i+1 < len(segments) && !segments[i+1].NewClock() {
			reached = max(reached, begin+segments[i+1].StartMonoMS-s.StartMonoMS)
		}
	}
	return false
}

// reportMaker gathers a report's data.
type reportMaker struct {
	h        *History // as it stood then
	r        *ReportRequest
	ctx      context.Context
	at       time.Time
	progress func(done, total int)
	before   string // FROM/TO with times in full; empty: none
	data     report.Data
}

// window reads from when to when.
func (g *reportMaker) window() error {
	for _, of := range [][2]string{{"inputs.changes", g.r.Inputs.Changes}, {"inputs.machines", g.r.Inputs.Machines}} {
		field, name := of[0], of[1]
		if strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) || len(name) > 255 {
			return wrongField(field, "%.60q is no name of a file: give one in one line, of 255 bytes at most", name)
		}
	}
	site, now := g.h.site, g.h.Now()
	q := ReplayRequest{From: g.r.From, To: g.r.To, Alternatives: g.r.Alternatives}
	w, err := q.query(now, site)
	if err != nil {
		return err
	}
	from, to := w.FromMS, min(w.ToMS, now.UnixMilli())
	if from >= to {
		return wrongField("from", "nothing had been recorded so late: the last reading is of %s; give an earlier time", now.In(site.Location).Format(time.RFC3339))
	}
	g.data = report.Data{Site: site, FromMS: from, ToMS: to, NowMS: now.UnixMilli()}
	if g.r.Before != "" {
		span, err := period("before", g.r.Before, now, site)
		if err != nil {
			return err
		}
		g.before = Stamp(span.FromMS).String() + "/" + Stamp(span.ToMS).String()
	}
	return nil
}

// fieldOf makes a *FieldError of what package replay refuses.
func fieldOf(err error) error {
	if wrong := (*replay.RequestError)(nil); errors.As(err, &wrong) {
		return &FieldError{wrong.Field, wrong.Message}
	}
	return err
}
