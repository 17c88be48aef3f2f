package agent

import (
	"fmt"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/store"
)

// Compare tells what was saved between two periods; q.NowMS and q.Changes are
// set here.
func (h *History) Compare(q analysis.CompareQuery) (analysis.Comparison, error) {
	return h.compare(q, h.Now())
}

// Compare tells what was saved between two periods; q.NowMS and q.Changes are
// set here.
func (a *Agent) Compare(q analysis.CompareQuery) (analysis.Comparison, error) {
	return a.compare(q, a.end())
}

func (h *History) compare(q analysis.CompareQuery, now time.Time) (analysis.Comparison, error) {
	q.NowMS = now.UnixMilli()
	changes, err := h.store.EventsWhere(q.Before.FromMS, q.After.ToMS, 0, func(e *store.Event) bool {
		return e.Kind == kindConfig && e.Data["before"] != "" && e.Data["affects"] != "no figure"
	})
	if err != nil {
		return analysis.Comparison{}, err
	}
	q.Changes = nil
	for i := range changes {
		e := &changes[i]
		at := time.UnixMilli(e.WallMS).In(h.site.Location)
		q.Changes = append(q.Changes, analysis.SettingChange{
			Text:   fmt.Sprintf("%s, %s", at.Format("2006-01-02 15:04"), e.Text),
			Meters: e.Data["role"] == "map" || strings.Contains(e.Data["changes"], "instrument"),
		})
	}
	return analysis.Compare(h.source(), h.site, q)
}
