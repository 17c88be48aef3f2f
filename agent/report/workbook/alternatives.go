package workbook

import (
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
)

// outcome is a row of what a plant did, or would have done.
func (s *sheet) outcome(system, what, settings string, o *replay.Outcome, remark string) {
	row := []cell{{system, look{}}, {what, look{}}, {settings, look{}}}
	row = append(row, make([]cell, 10)...)
	s.put(append(append(row, s.rest(o)...), cell{}, cell{remark, wrapLook})...)
}

// rest are the last numbers of a row: energy, starts, load cycles, lowest pressure.
func (s *sheet) rest(o *replay.Outcome) []cell {
	lowest := s.book.shown(times(o.LowestPa.Value, 1e-3), "kPa", false)
	return []cell{{o.Energy.Value, decimals(1)}, {o.Starts.Value, decimals(1)}, {o.Loads.Value, decimals(0)}, {lowest, decimals(1)}}
}

// alternative is a row of one alternative.
func (s *sheet) alternative(system string, r *replay.Result) {
	var set []string
	for _, k := range r.Set {
		set = append(set, k.Key+" = "+k.Value)
	}
	if r.Absent != "" {
		row := []cell{{system, look{}}, {r.Name, wrapLook}, {strings.Join(set, "\n"), wrapLook}}
		s.put(append(append(row, make([]cell, 14)...), cell{r.Absent, wrapLook})...)
		return
	}
	price, live, liveYear := s.costs(r.SavedKWh.Value, r.SavedCost.Value, r.SavedYear.Value)
	row := []cell{{system, look{}}, {r.Name, wrapLook}, {strings.Join(set, "\n"), wrapLook},
		{r.SavedKWh.Value, decimals(2)}, {r.SavedKWh.Interval, decimals(2)}, {r.SavedShare.Value, look{format: "0.00%"}},
		{r.SavedCost.Value, moneyLook}, {r.SavedCost.Interval, moneyLook}, price, live,
		{r.SavedYear.Value, moneyLook}, {r.SavedYear.Interval, moneyLook}, liveYear}
	row = append(row, s.rest(&r.Outcome)...)
	s.put(append(row, cell{}, cell{strings.Join(append(append([]string{}, r.Remarks...), r.Cautions...), "\n"), wrapLook})...)
}

// eventSheet lists what happened.
func (b *book) eventSheet(s *sheet) error {
	s.head(2, column{"when", 22}, column{"when, UTC", 20}, column{"kind", 18}, column{"of", 24}, column{"what", 100})
	for i := range b.data.Events {
		e := &b.data.Events[i]
		local, utc := b.moment(unixMS(e.WallMS))
		s.put(local, utc, cell{strings.ReplaceAll(e.Kind, "_", " "), look{}}, cell{e.Subject, look{}}, cell{e.Text, look{}})
	}
	if len(b.data.Events) == 0 {
		s.put(cell{"none in the window", look{}})
	}
	return nil
}

// states are the columns of the quarter hours.
func states() (all []string) {
	for _, s := range analysis.States() {
		if s != analysis.Unobserved {
			all = append(all, s.String())
		}
	}
	return all
}
