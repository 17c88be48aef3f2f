package agent

import (
	"slices"
	"time"

	"loadscribe/agent/analysis"
)

// ServiceEffectRequest asks what changed with a service: the number of the note
// that says it was done, and how many whole days on either side are compared.
type ServiceEffectRequest struct {
	Note uint64
	Days int
}

// MostEffectDays on either side: beyond it weather and work differ more than any
// service can move.
const MostEffectDays = 28

// ServiceEffect sets the days before a service beside those after it. An error of
// type *FieldError says what is wrong with the request.
func (h *History) ServiceEffect(r ServiceEffectRequest) (analysis.ServiceEffect, error) {
	return h.serviceEffect(r, h.Now())
}

// ServiceEffect sets the days before a service beside those after it. An error of
// type *FieldError says what is wrong with the request.
func (a *Agent) ServiceEffect(r ServiceEffectRequest) (analysis.ServiceEffect, error) {
	return a.serviceEffect(r, a.end())
}

func (h *History) serviceEffect(r ServiceEffectRequest, now time.Time) (e analysis.ServiceEffect, err error) {
	if r.Days < 1 || r.Days > MostEffectDays {
		return e, wrongField("days", "%d days cannot be compared: use 1 to %d on either side", r.Days, MostEffectDays)
	}
	done, err := h.serviceDone()
	if err != nil {
		return e, err
	}
	at := slices.IndexFunc(done, func(d analysis.ServiceDone) bool { return d.Note == r.Note })
	if at < 0 {
		return e, wrongField("note", "%d is no note that says a service was done, or it was put right by a later one: loadscribe service-due --json lists them as marks", r.Note)
	}
	q := analysis.ServiceEffectQuery{Mark: done[at], Days: r.Days, Others: done, RecordFromMS: h.store.RecordFrom(), NowMS: now.UnixMilli()}
	span := analysis.ServiceSpan(h.site, q.Mark.AtMS, r.Days)
	if q.Changes, err = h.settingChanges(span.FromMS, span.ToMS); err != nil {
		return e, err
	}
	return analysis.ServiceEffectOf(h.source(), h.site, q)
}
