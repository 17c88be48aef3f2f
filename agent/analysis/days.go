package analysis

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/sitefile"
)

// MostDays is how many local dates Days takes at once.
const MostDays = 35

// DaysQuery says whose days, and which. One of Machine and System may be named;
// with neither it is the first system, or the only machine.
type DaysQuery struct {
	Machine, System     string
	FromMS, ToMS, NowMS int64
}

// Days are the local dates of a window, each with its figures and what the
// machines did, and the same hours by weekday and clock.
type Days struct {
	Kind    string `json:"kind"` // machine or system
	Subject string `json:"subject"`
	From    string `json:"from"` // RFC 3339 UTC
	To      string `json:"to"`
	SlotS   int64  `json:"slot_s"` // length of a slot, s
	// Pressure is the channel of the days' pressure; empty where none is read.
	Pressure string  `json:"pressure,omitempty"`
	Days     []Day   `json:"days"`
	Energy   WeekMap `json:"energy_week"`
	Demand   WeekMap `json:"demand_week"`
	// Instruments are the records behind the figures.
	Instruments []sitefile.InstrumentFacts `json:"instruments"`
	Notes       []string                   `json:"notes"`
}

// Day is one local date, or the part of it that lies in the window and before now.
type Day struct {
	Date    string   `json:"date"` // local, like 2026-03-02
	From    string   `json:"from"` // RFC 3339 UTC
	To      string   `json:"to"`
	Share   float64  `json:"share"` // of the date that lies in it, 0-1
	DayType string   `json:"day_type"`
	Figures []Figure `json:"figures"` // of the subject
	// SlotsFrom is where the first slot begins; Slots is how many there are.
	SlotsFrom string       `json:"slots_from"`
	Slots     int          `json:"slots"`
	Machines  []DayMachine `json:"machines"`
	// Pressure has an entry for each slot, in the channel's unit; nil where no
	// pressure is read.
	Pressure *DayPressure `json:"pressure,omitempty"`
	fromMS   int64        // of the first slot
}

// DayMachine is what one machine did on a day.
type DayMachine struct {
	Machine string   `json:"machine"`
	Figures []Figure `json:"figures"`
	// States has for each state that was seen its seconds in each slot.
	States map[string][]float64 `json:"states"`
	Absent string               `json:"absent,omitempty"` // why no states are known
}

// DayPressure has for each slot the lowest, mean and highest reading; nil where
// nothing was read.
type DayPressure struct {
	Min  []*float64 `json:"min"`
	Mean []*float64 `json:"mean"`
	Max  []*float64 `json:"max"`
}

// SlotsFromMS is where the day's first slot begins.
func (d *Day) SlotsFromMS() int64 { return d.fromMS }

// dayFigures are shown of a day's subject, dayMachineFigures of each machine.
func dayFigures() []string {
	return []string{"energy", "energy_off_shift", "energy_cost", "peak_demand", "air_delivered", "air_demand_mean", "air_demand_peak", "quiet_demand",
		"specific_power", "pressure_mean", "pressure_min", "time_below_minimum"}
}

func dayMachineFigures() []string {
	return []string{"loaded_share", "mean_load_fraction", "running_time", "starts", "load_cycles", "energy", "energy_unloaded"}
}

// DaysOf makes the days of a window.
func DaysOf(src Source, site *sitefile.Site, q DaysQuery) (Days, error) {
	kind, subject, machines, err := subjectOf(site, q.Machine, q.System)
	if err != nil {
		return Days{}, err
	}
	to := max(q.FromMS, min(q.ToMS, q.NowMS))
	dates := LocalDays(site.Location, q.FromMS, to)
	if len(dates) > MostDays {
		return Days{}, wrongly("from", "%d days are asked for: at most %d can be at once", len(dates), MostDays)
	}
	d := Days{Kind: kind, Subject: subject, From: stamp(q.FromMS), To: stamp(to), SlotS: cellMS / 1000, Days: []Day{}, Notes: []string{}}
	types := newDayTypes(site)
	for _, date := range dates {
		day, notes, err := dayOf(src, site, kind, subject, machines, date, q.NowMS)
		if err != nil {
			return Days{}, err
		}
		_, _, day.DayType, _ = types.of(date.FromMS)
		d.Days = append(d.Days, day)
		d.note(notes)
	}
	for i := range machines {
		if err := d.states(src, site, machines[i], q.FromMS, to); err != nil {
			return Days{}, err
		}
	}
	return d, d.weeks(src, site, &q, to)
}

// subjectOf finds a machine or system by name, and the machines that belong to it.
func subjectOf(site *sitefile.Site, machine, system string) (kind, subject string, machines []string, err error) {
	switch {
	case machine != "" && system != "":
		return "", "", nil, wrongly("machine", "a machine and a system are named: name one of them")
	case machine == "" && system == "" && len(site.Systems) > 0:
		system = site.Systems[0].Name
	case machine == "" && system == "" && len(site.Machines) == 1:
		machine = site.Machines[0].Name
	case machine == "" && system == "" && len(site.Machines) == 0:
		return "", "", nil, wrongly("machine", "the site file has no machine")
	case machine == "" && system == "":
		return "", "", nil, wrongly("machine", "the site has several machines and no system: name a machine")
	}
	if machine != "" {
		if _, ok := site.MachineByName(machine); !ok {
			return "", "", nil, wrongly("machine", "the site file has no machine %q: use one of %s", machine, strings.Join(machineNames(site), ", "))
		}
		return "machine", machine, []string{machine}, nil
	}
	at := slices.IndexFunc(site.Systems, func(s sitefile.System) bool { return s.Name == system })
	if at < 0 {
		var names []string
		for i := range site.Systems {
			names = append(names, site.Systems[i].Name)
		}
		if len(names) == 0 {
			return "", "", nil, wrongly("system", "the site file has no system")
		}
		return "", "", nil, wrongly("system", "the site file has no system %q: use one of %s", system, strings.Join(names, ", "))
	}
	return "system", system, site.Systems[at].Machines, nil
}

func machineNames(site *sitefile.Site) (names []string) {
	for i := range site.Machines {
		names = append(names, site.Machines[i].Name)
	}
	return names
}

// only is the site's name of the machine where no system is asked for: Compute
// makes just that machine then.
func only(kind, subject string) string {
	if kind == "machine" {
		return subject
	}
	return ""
}

// dayOf makes one day's figures: those that Compute gives for the same window.
func dayOf(src Source, site *sitefile.Site, kind, subject string, machines []string, date LocalDay, nowMS int64) (Day, []string, error) {
	rep, err := Compute(src, site, date.FromMS, date.ToMS, nowMS, only(kind, subject))
	if err != nil {
		return Day{}, nil, fmt.Errorf("%s: %w", date.Date.Format("2006-01-02"), err)
	}
	first := cellOf(date.FromMS)
	day := Day{Date: date.Date.Format("2006-01-02"), From: rep.From, To: rep.To, Share: date.Share(),
		SlotsFrom: stamp(first), fromMS: first, Slots: int((date.ToMS - first + cellMS - 1) / cellMS), Figures: []Figure{}, Machines: []DayMachine{}}
	for i := range rep.Systems {
		if kind == "system" && rep.Systems[i].System == subject {
			day.Figures = named(rep.Systems[i].Figures, dayFigures())
		}
	}
	for i := range rep.Machines {
		m := &rep.Machines[i]
		if kind == "machine" && m.Machine == subject {
			day.Figures = named(m.Figures, dayFigures())
		}
		if one, _ := site.MachineByName(m.Machine); slices.Contains(machines, m.Machine) {
			names := slices.DeleteFunc(dayMachineFigures(), func(name string) bool { return !ofControl(name, one.Control) })
			day.Machines = append(day.Machines, DayMachine{Machine: m.Machine, Figures: named(m.Figures, names), States: map[string][]float64{}})
		}
	}
	return day, rep.Notes, nil
}

// named are the figures of some names, in the order of the names; those that are
// of the other kind of subject are left out.
func named(figures []Figure, names []string) []Figure {
	all := []Figure{}
	for _, name := range names {
		at := slices.IndexFunc(figures, func(f Figure) bool { return f.Name == name })
		if at >= 0 && figures[at].Absent != NotOfSystem && figures[at].Absent != NotOfMachine {
			all = append(all, figures[at])
		}
	}
	return all
}

// note keeps each note once.
func (d *Days) note(notes []string) {
	for _, n := range notes {
		if !slices.Contains(d.Notes, n) {
			d.Notes = append(d.Notes, n)
		}
	}
}

// states lays what a machine did into the slots of the days.
func (d *Days) states(src Source, site *sitefile.Site, machine string, from, to int64) error {
	sp, err := specOf(src, site, machine)
	if err != nil {
		return err
	}
	var g *gathered
	if sp.hasStates && from < to {
		if g, err = gather(src, sp, cellOf(from), cellOf(to-1)+cellMS, nil); err != nil {
			return fmt.Errorf("states of %s: %w", machine, err)
		}
	}
	for i := range d.Days {
		day := &d.Days[i]
		at := slices.IndexFunc(day.Machines, func(m DayMachine) bool { return m.Machine == machine })
		if at < 0 {
			continue
		}
		if m := &day.Machines[at]; g == nil {
			m.Absent = sp.statesAbsent
		} else {
			m.fill(g, day)
		}
	}
	return nil
}

// fill sets the states of a day from the cells that overlap it.
func (m *DayMachine) fill(g *gathered, day *Day) {
	for i := range g.cells {
		c := &g.cells[i]
		slot := (cellOf(c.from) - day.fromMS) / cellMS
		if c.from < day.fromMS || slot >= int64(day.Slots) {
			continue
		}
		for st, ms := range c.d.stateMS {
			if ms == 0 || State(st) == Unobserved {
				continue
			}
			name := State(st).String()
			if m.States[name] == nil {
				m.States[name] = make([]float64, day.Slots)
			}
			m.States[name][slot] += float64(ms) / 1000
		}
	}
}

// weeks sets the maps by weekday and hour.
func (d *Days) weeks(src Source, site *sitefile.Site, q *DaysQuery, to int64) (err error) {
	h := HoursQuery{FromMS: q.FromMS, ToMS: q.ToMS, NowMS: q.NowMS, LeastCoverage: LeastDrawnHour, System: d.Subject}
	if d.Kind == "machine" {
		h.Machine, h.System = d.Subject, ""
	}
	if d.Energy, err = energyWeekMap(src, site, h); err != nil {
		return err
	}
	rep, err := Compute(src, site, q.FromMS, q.ToMS, q.NowMS, only(d.Kind, d.Subject))
	if err != nil {
		return err
	}
	d.note(rep.Notes)
	d.Instruments = rep.Instruments
	if d.Kind == "machine" {
		d.Demand = WeekMap{Cells: []WeekCell{}, Absent: NotOfMachine}
		return nil
	}
	for i := range rep.Systems {
		if rep.Systems[i].System == d.Subject {
			d.Demand = demandWeekMap(site.Location, &rep.Systems[i], q.FromMS, to)
		}
	}
	return nil
}
