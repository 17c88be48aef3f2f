package agent

import (
	"errors"
	"time"

	"loadscribe/agent/analysis"
)

// PeriodsRequest asks for two periods side by side, as a person writes them:
// FROM/TO, times as everywhere; a date as TO includes that day.
type PeriodsRequest struct{ First, Second, Machine, System string }

// Periods sets two periods side by side. An error of type *FieldError says what is
// wrong with the request.
func (h *History) Periods(r PeriodsRequest) (analysis.Periods, error) { return h.periods(r, h.Now()) }

// Periods sets two periods side by side. An error of type *FieldError says what is
// wrong with the request.
func (a *Agent) Periods(r PeriodsRequest) (analysis.Periods, error) { return a.periods(r, a.end()) }

func (h *History) periods(r PeriodsRequest, now time.Time) (p analysis.Periods, err error) {
	q := analysis.PeriodsQuery{Machine: r.Machine, System: r.System, NowMS: now.UnixMilli()}
	if q.First, err = period("first", r.First, now, h.site); err != nil {
		return p, err
	}
	if q.Second, err = period("second", r.Second, now, h.site); err != nil {
		return p, err
	}
	from, to := min(q.First.FromMS, q.Second.FromMS), max(q.First.ToMS, q.Second.ToMS)
	if q.Changes, err = h.settingChanges(from, to); err != nil {
		return p, err
	}
	p, err = analysis.PeriodsOf(h.source(), h.site, q)
	if wrong := (*analysis.CompareError)(nil); errors.As(err, &wrong) {
		return p, &FieldError{wrong.Field, wrong.Message}
	}
	return p, err
}
