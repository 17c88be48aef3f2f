package agent

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// CompareRequest asks for a comparison of two periods, as a person writes it:
// the body of a POST to /api/v1/compare.
type CompareRequest struct {
	Before  string   `json:"before"` // FROM/TO, times as everywhere; a date as TO includes that day
	After   string   `json:"after"`
	Machine string   `json:"machine,omitempty"`
	System  string   `json:"system,omitempty"`
	Model   string   `json:"model,omitempty"`
	Peak    []string `json:"peak,omitempty"` // like "Mon-Fri 14:00-18:00"
	// PeakMonths are those in which the window counts, like "6-9" or "12,1,2".
	PeakMonths string                `json:"peak_months,omitempty"`
	Production []analysis.Production `json:"production,omitempty"`
}

// Compare tells what was saved between two periods. An error of type
// *FieldError says what is wrong with the request.
func (h *History) Compare(r CompareRequest) (analysis.Comparison, error) {
	return h.compare(&r, h.Now())
}

// Compare tells what was saved between two periods. An error of type
// *FieldError says what is wrong with the request.
func (a *Agent) Compare(r CompareRequest) (analysis.Comparison, error) {
	return a.compare(&r, a.end())
}

func (h *History) compare(r *CompareRequest, now time.Time) (analysis.Comparison, error) {
	q, err := r.query(now, h.site)
	if err != nil {
		return analysis.Comparison{}, err
	}
	if q.Changes, err = h.settingChanges(q.Before.FromMS, q.After.ToMS); err != nil {
		return analysis.Comparison{}, err
	}
	c, err := analysis.Compare(h.source(), h.site, q)
	if wrong := (*analysis.CompareError)(nil); errors.As(err, &wrong) {
		return c, &FieldError{wrong.Field, wrong.Message}
	}
	return c, err
}

// settingChanges are the changes of the site file and its maps in a window that
// may affect a figure.
func (h *History) settingChanges(fromMS, toMS int64) (all []analysis.SettingChange, err error) {
	changes, err := h.eventsWhere(fromMS, toMS, 0, func(e *store.Event) bool {
		return e.Kind == kindConfig && e.Data["before"] != "" && e.Data["affects"] != "no figure"
	})
	for i := range changes {
		e := &changes[i]
		at := time.UnixMilli(e.WallMS).In(h.site.Location)
		all = append(all, analysis.SettingChange{
			Text:   fmt.Sprintf("%s, %s", at.Format("2006-01-02 15:04"), e.Text),
			Meters: e.Data["role"] == "map" || strings.Contains(e.Data["changes"], "instrument"),
		})
	}
	return all, err
}

// query reads what a person wrote.
func (r *CompareRequest) query(now time.Time, site *sitefile.Site) (q analysis.CompareQuery, err error) {
	q = analysis.CompareQuery{NowMS: now.UnixMilli(), Machine: r.Machine, System: r.System, Model: r.Model, Production: r.Production,
		PeakText: strings.Join(r.Peak, ", ")}
	if q.Before, err = period("before", r.Before, now, site); err != nil {
		return q, err
	}
	if q.After, err = period("after", r.After, now, site); err != nil {
		return q, err
	}
	for _, text := range r.Peak {
		w, err := sitefile.ParseWindow(text)
		if err != nil {
			return q, wrongField("peak", "%v", err)
		}
		if w.FromMinute%60 != 0 || w.UntilMinute%60 != 0 {
			return q, wrongField("peak", "%q is not on whole hours: hours are what is compared; write it from and to a full hour", text)
		}
		q.Peak.Windows = append(q.Peak.Windows, w)
	}
	if r.PeakMonths == "" {
		return q, nil
	}
	if len(r.Peak) == 0 {
		return q, wrongField("peak_months", "months without a window: give the window's days and hours too, like %q", "Mon-Fri 14:00-18:00")
	}
	q.PeakText += ", months " + r.PeakMonths
	q.Peak.Months, err = months(r.PeakMonths)
	return q, err
}

// period reads FROM/TO.
func period(field, text string, now time.Time, site *sitefile.Site) (s analysis.Span, err error) {
	from, to, ok := strings.Cut(text, "/")
	if !ok {
		return s, wrongField(field, "%q is no period: write FROM/TO, like %q; a date as TO includes that day", text, "2026-03-02/2026-03-15")
	}
	for _, end := range []struct {
		text string
		isTo bool
		into *int64
	}{{from, false, &s.FromMS}, {to, true, &s.ToMS}} {
		t, err := sitefile.ParseTime(strings.TrimSpace(end.text), now, site.Location, end.isTo)
		if err != nil {
			return s, wrongField(field, "%v", err)
		}
		*end.into = t.UnixMilli()
	}
	return s, nil
}

// months reads "6-9", "12,1,2" or "11-2".
func months(text string) (all [13]bool, err error) {
	for _, part := range strings.Split(text, ",") {
		first, last, isRange := strings.Cut(strings.TrimSpace(part), "-")
		if !isRange {
			last = first
		}
		from, errFrom := strconv.Atoi(first)
		until, errUntil := strconv.Atoi(last)
		if errFrom != nil || errUntil != nil || min(from, until) < 1 || max(from, until) > 12 {
			return all, wrongField("peak_months", "%q is no month or range of months: write numbers from 1 to 12, like %q or %q", part, "6-9", "12,1,2")
		}
		for m := from; ; m = m%12 + 1 {
			all[m] = true
			if m == until {
				break
			}
		}
	}
	return all, nil
}
