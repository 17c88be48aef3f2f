package analysis

import (
	"fmt"
	"time"

	"loadscribe/agent/sitefile"
)

// LeastDrawnHour is the share of an hour that must have been observed for it to
// stand in a map of the week.
const LeastDrawnHour = 0.5

// HourPower is the mean power in an hour of the clock on one day of the week.
type HourPower struct {
	KW float64
	N  int // hours that it is the mean of; 0: none
}

// PowerWeek is the mean power by weekday, from Monday, and hour of the clock.
func PowerWeek(h *Hours, loc *time.Location) (week [7][24]HourPower) {
	for i := range h.Rows {
		r := &h.Rows[i]
		c := &week[mod(r.Date+3, 7)][r.ClockHour] // 1970-01-01 was a Thursday
		c.KW += r.EnergyJ / joulesPerKWh
		c.N++
	}
	for d := range week {
		for k := range week[d] {
			if c := &week[d][k]; c.N > 0 {
				c.KW /= float64(c.N)
			}
		}
	}
	return week
}

// WeekMap is a mean by weekday and hour of the local clock.
type WeekMap struct {
	Unit   string `json:"unit,omitempty"`
	Method string `json:"method,omitempty"`
	Absent string `json:"absent,omitempty"` // why there is none; Cells is empty then
	// Cells are the hours that the window holds, by day and hour.
	Cells []WeekCell `json:"cells"`
}

// WeekCell is an hour of the clock on one day of the week.
type WeekCell struct {
	Day  int `json:"day"`  // 0 is Monday
	Hour int `json:"hour"` // 0-23
	// Value is the mean over what was observed; left out where nothing was.
	Value    *float64 `json:"value,omitempty"`
	Observed float64  `json:"observed_h"`
	Hours    float64  `json:"hours"` // of it in the window
	// From and To are the latest of these hours, RFC 3339 UTC.
	From string `json:"from"`
	To   string `json:"to"`
}

// weekOf is the hours of the clock that a window touches, without values.
func weekOf(loc *time.Location, from, to int64) (week [7][24]WeekCell) {
	clock := localClock{loc: loc}
	for at := from; at < to; {
		end := min(to, at+hourMS-mod(clock.at(at), hourMS))
		day, minute := clock.dayAndMinute(at)
		c := &week[mod(day+3, 7)][minute/60]
		c.Day, c.Hour = int(mod(day+3, 7)), minute/60
		c.Hours += float64(end-at) / hourMS
		c.From, c.To = stamp(at), stamp(end)
		at = end
	}
	return week
}

// energyWeekMap is the mean power of a subject.
func energyWeekMap(src Source, site *sitefile.Site, q HoursQuery) (WeekMap, error) {
	hours, err := HoursOf(src, site, q)
	if err != nil {
		return WeekMap{}, err
	}
	if len(hours.Rows) == 0 {
		return WeekMap{Cells: []WeekCell{}, Absent: fmt.Sprintf("no whole hour of this window was observed for %.0f %% of it with its energy known", 100*LeastDrawnHour)}, nil
	}
	m := WeekMap{Unit: "kW", Cells: []WeekCell{}, Method: fmt.Sprintf("mean energy of the whole hours of the clock that were observed for at least %.0f %%, each brought to its hour; %d of %d hours were left out",
		100*LeastDrawnHour, hours.LeftOut, hours.Whole)}
	power := PowerWeek(&hours, site.Location)
	cells := weekOf(site.Location, q.FromMS, min(q.ToMS, q.NowMS))
	for d := range cells {
		for h := range cells[d] {
			c := &cells[d][h]
			if c.Hours == 0 {
				continue
			}
			if p := power[d][h]; p.N > 0 {
				c.Value, c.Observed = number64(p.KW), float64(p.N)
			}
			m.Cells = append(m.Cells, *c)
		}
	}
	return m, nil
}

// demandWeekMap is the mean demand of a system as its tables have it.
func demandWeekMap(loc *time.Location, figures *SystemFigures, from, to int64) WeekMap {
	var profile, coverage *Table
	for i := range figures.Tables {
		switch t := &figures.Tables[i]; t.Name {
		case demandProfile:
			profile = t
		case demandProfileCoverage:
			coverage = t
		}
	}
	m := WeekMap{Cells: []WeekCell{}}
	if profile == nil || coverage == nil {
		m.Absent = absentOf(figures.Figures, "air_demand_mean", "air_demand_peak")
		return m
	}
	m.Unit, m.Method = profile.Columns[0].Unit, profile.Method
	cells := weekOf(loc, from, to)
	for d := range cells {
		for h := range cells[d] {
			c := &cells[d][h]
			if c.Hours == 0 {
				continue
			}
			c.Value = profile.Rows[h].Values[d]
			if share := coverage.Rows[h].Values[d]; share != nil && c.Value != nil {
				c.Observed = *share * c.Hours
			}
			m.Cells = append(m.Cells, *c)
		}
	}
	return m
}

// absentOf is the first reason that one of some figures is absent for.
func absentOf(figures []Figure, names ...string) string {
	for _, name := range names {
		for i := range figures {
			if figures[i].Name == name && figures[i].Absent != "" {
				return figures[i].Absent
			}
		}
	}
	return nothingSeen
}
