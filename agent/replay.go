package agent

import (
	"context"
	"errors"
	"time"

	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

// ReplayRequest asks what other settings or machines would have done, as a person
// writes it: the body of a POST to /api/v1/replay.
type ReplayRequest struct {
	System string `json:"system,omitempty"` // may be left out where there is one
	// From and To are times as everywhere; left out: the last seven days.
	From         string               `json:"from,omitempty"`
	To           string               `json:"to,omitempty"`
	Alternatives []replay.Alternative `json:"alternatives,omitempty"`
	// Machines may take another's place; left out: the invented examples.
	Machines []replay.Listed `json:"machines,omitempty"`
	// Search asks for the best of many combinations too.
	Search *replay.SearchSpec `json:"search,omitempty"`
	Trace  bool               `json:"trace,omitempty"` // pressure and states at each event
}

// Bounds of one request: of alternatives, and of the days that are traced, those of
// each alternative counted. A day of trace takes some 0.2 MB, and as much again as
// JSON.
const (
	maxAlternatives = 100
	maxTracedDays   = 50
)

// Replay plays the demand of a window again. An error of type *FieldError says what
// is wrong with the request. progress may be nil.
func (h *History) Replay(ctx context.Context, r ReplayRequest, progress func(done, total int)) (*replay.Answer, error) {
	q, err := r.query(h.Now(), h.site)
	if err != nil {
		return nil, err
	}
	return h.replay(ctx, q, r.Search, progress)
}

func (h *History) replay(ctx context.Context, q replay.Query, search *replay.SearchSpec, progress func(done, total int)) (*replay.Answer, error) {
	a, err := h.study(ctx, q, search, progress)
	if err != nil {
		return nil, asFieldError(err)
	}
	return &a, nil
}

// asFieldError makes a *FieldError of what is wrong with a question.
func asFieldError(err error) error {
	if wrong := (*replay.RequestError)(nil); errors.As(err, &wrong) {
		return &FieldError{wrong.Field, wrong.Message}
	}
	return err
}

// study evaluates the alternatives, beside a search where that is asked for.
func (h *History) study(ctx context.Context, q replay.Query, search *replay.SearchSpec, progress func(done, total int)) (replay.Answer, error) {
	st, err := replay.Open(h.source(), h.site, q)
	if err != nil {
		return replay.Answer{}, err
	}
	if search == nil || st.Absent() != "" {
		return st.Evaluate(ctx, q.Alternatives, progress)
	}
	a, err := st.Search(ctx, *search, q.Alternatives, progress)
	if a.Search != nil {
		for i := range a.Search.Points { // to be traced one is asked for by name
			a.Search.Points[i].Result.Outcome.Trace = nil
		}
	}
	return a, err
}

// query reads what a person wrote.
func (r *ReplayRequest) query(now time.Time, site *sitefile.Site) (q replay.Query, err error) {
	q = replay.Query{System: r.System, NowMS: now.UnixMilli(), Alternatives: r.Alternatives, Machines: r.Machines, Trace: r.Trace}
	to := now
	if r.To != "" {
		if to, err = sitefile.ParseTime(r.To, now, site.Location, true); err != nil {
			return q, wrongField("to", "%v", err)
		}
	}
	from := to.In(site.Location).AddDate(0, 0, -7)
	if r.From != "" {
		if from, err = sitefile.ParseTime(r.From, now, site.Location, false); err != nil {
			return q, wrongField("from", "%v", err)
		}
	}
	if !from.Before(to) {
		return q, wrongField("from", "it (%s) is not before the end (%s): name the earlier time first",
			from.In(site.Location).Format(time.RFC3339), to.In(site.Location).Format(time.RFC3339))
	}
	q.FromMS, q.ToMS = from.UnixMilli(), to.UnixMilli()
	runs := len(r.Alternatives) + 1
	if runs-1 > maxAlternatives {
		return q, wrongField("alternatives", "%d are too many for one question: ask for at most %d at once", runs-1, maxAlternatives)
	}
	if days := to.Sub(from).Hours() / 24 * float64(runs); r.Trace && days > maxTracedDays {
		return q, wrongField("trace", "of %d runs it would be %.0f days: ask for a shorter window or fewer alternatives, at most %d days in all", runs, days, maxTracedDays)
	}
	return q, nil
}

// replayKind bounds the replays of a running agent.
func replayKind() jobKind {
	return jobKind{name: "replay", many: "replays", atOnce: 2, kept: 4}
}

// StartReplay begins a replay beside the recording. An error of type *FieldError
// says what is wrong with the request; one that wraps ErrJobsBusy, that too many
// are at work.
func (a *Agent) StartReplay(r ReplayRequest) (ReplayJob, error) {
	q, err := r.query(a.end(), a.site)
	if err != nil {
		return ReplayJob{}, err
	}
	if err := replay.Check(a.site, q, r.Search); err != nil {
		return ReplayJob{}, asFieldError(err)
	}
	return a.replays.start(audited(func(ctx context.Context, progress func(done, total int)) (*replay.Answer, error) {
		return a.replay(ctx, q, r.Search, progress)
	}, func(answer *replay.Answer) { a.auditReplay(&q, answer) }))
}

// ReplayJob tells how a replay stands. The error wraps ErrNoJob where there is
// none of that id. What the answer holds is not to be changed.
func (a *Agent) ReplayJob(id string) (ReplayJob, error) { return a.replays.show(id) }

// CancelReplay breaks a replay off; one that has ended stays as it is. The error
// wraps ErrNoJob where there is none of that id.
func (a *Agent) CancelReplay(id string) (ReplayJob, error) { return a.replays.stop(id) }
