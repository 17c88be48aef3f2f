package agent

import (
	"errors"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// Days makes the local dates of a window: their figures, what the machines did,
// and their pressure; q.NowMS is set here. An error of type *FieldError says what
// is wrong with the request.
func (h *History) Days(q analysis.DaysQuery) (analysis.Days, error) { return h.days(q, h.Now()) }

// Days makes the local dates of a window: their figures, what the machines did,
// and their pressure; q.NowMS is set here. An error of type *FieldError says what
// is wrong with the request.
func (a *Agent) Days(q analysis.DaysQuery) (analysis.Days, error) { return a.days(q, a.end()) }

func (h *History) days(q analysis.DaysQuery, now time.Time) (analysis.Days, error) {
	q.NowMS = now.UnixMilli()
	d, err := analysis.DaysOf(h.source(), h.site, q)
	if wrong := (*analysis.CompareError)(nil); errors.As(err, &wrong) {
		return d, &FieldError{wrong.Field, wrong.Message}
	}
	if err != nil || len(d.Days) == 0 {
		return d, err
	}
	d.Pressure = pressureOf(h.site, d.Kind, d.Subject)
	if d.Pressure == "" {
		return d, nil
	}
	first, last := &d.Days[0], &d.Days[len(d.Days)-1]
	slotMS := d.SlotS * 1000
	from, to := first.SlotsFromMS(), last.SlotsFromMS()+int64(last.Slots)*slotMS
	s, err := h.Series(d.Pressure, from, to, int((to-from)/slotMS))
	if errors.Is(err, store.ErrUnknown) {
		d.Pressure = "" // never read
		return d, nil
	}
	if err != nil {
		return d, err
	}
	for i := range d.Days {
		d.Days[i].Pressure = slotPressure(&d.Days[i], &s, slotMS)
	}
	return d, nil
}

// pressureOf is the channel of a subject's pressure; empty: there is none.
func pressureOf(site *sitefile.Site, kind, subject string) string {
	if kind == "machine" {
		m, _ := site.MachineByName(subject)
		for _, role := range []scan.Role{scan.DischargePressure, scan.ReceiverPressure, scan.HeaderPressure} {
			if id := m.Roles[role]; id != "" {
				return id
			}
		}
		return ""
	}
	for i := range site.Systems {
		if site.Systems[i].Name == subject {
			return analysis.PressureTap(&site.Systems[i])
		}
	}
	return ""
}

// slotPressure lays the cells of a series, none wider than a slot, into the slots
// of a day.
func slotPressure(day *analysis.Day, s *store.Series, slotMS int64) *analysis.DayPressure {
	slots := make([]store.Cell, day.Slots)
	for i := range s.Cells {
		c := &s.Cells[i]
		at := c.StartMS - day.SlotsFromMS()
		if c.Count == 0 || at < 0 || at >= int64(day.Slots)*slotMS {
			continue
		}
		one := &slots[at/slotMS]
		if one.Count == 0 {
			one.Min, one.Max = c.Min, c.Max
		}
		one.Min, one.Max, one.Sum, one.Count = min(one.Min, c.Min), max(one.Max, c.Max), one.Sum+c.Sum, one.Count+c.Count
	}
	p := &analysis.DayPressure{Min: make([]*float64, day.Slots), Mean: make([]*float64, day.Slots), Max: make([]*float64, day.Slots)}
	for i := range slots {
		if c := &slots[i]; c.Count > 0 {
			mean := c.Sum / float64(c.Count)
			p.Min[i], p.Mean[i], p.Max[i] = &c.Min, &mean, &c.Max
		}
	}
	return p
}
