package analysis

import (
	"fmt"
	"slices"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Hour is one hour of the site's clock, its figures made by the code that makes
// them for any window. Energy and air are brought to the whole hour where part
// of it was not observed.
type Hour struct {
	StartMS            int64
	Coverage           float64
	EnergyJ            float64
	UnloadedJ          *float64 // the part of it used unloaded; nil: not known
	AirM3              *float64 // nil: not known
	AirMethod          string
	Specific           *Figure  // specific_power of the hour; nil: not known
	LoadedS, UnloadedS float64  // of all machines of a system
	PressurePa         *float64 // mean over the subject's running hours; nil: it did not run, or is not read
	Date               int64    // local: days since 1970-01-01
	ClockHour          int      // 0-23
	DayType            string
	Shift, Peak        bool
	seen               bool
}

// HoursQuery says of whom and when. One of Machine and System is named.
type HoursQuery struct {
	Machine, System     string
	FromMS, ToMS, NowMS int64
	Peak                PeakWindow
	// LeastCoverage is the share of an hour that must have been observed.
	LeastCoverage float64
}

// PeakWindow is a programme's window, in local time. No Windows: none.
type PeakWindow struct {
	Windows []sitefile.WeekWindow
	Months  [13]bool // by time.Month; all false: every month
}

// Hours are the hours of a window of which the energy is known.
type Hours struct {
	Rows []Hour
	// Whole is how many hours lie wholly in the window; LeftOut of them are not
	// in Rows, because too little of them was observed.
	Whole, LeftOut int
}

// HoursOf makes the hours that lie wholly in the window, and enough of them
// before now.
func HoursOf(src Source, site *sitefile.Site, q HoursQuery) (Hours, error) {
	m, err := newHourMaker(src, site, &q)
	if err != nil {
		return Hours{}, err
	}
	clock := localClock{loc: site.Location}
	recorded := recordedHours{m: m}
	var h Hours
	at := q.FromMS
	for {
		if into := mod(clock.at(at), hourMS); into > 0 {
			at += hourMS - into
			continue
		}
		// The last hour before now may lack what coverage may lack.
		if lack := int64(float64((1 - q.LeastCoverage) * hourMS)); at+hourMS > min(q.ToMS, q.NowMS+lack) {
			return h, nil
		}
		h.Whole++
		has, err := recorded.in(at)
		if err != nil {
			return Hours{}, err
		}
		if !has {
			h.LeftOut++
			at += hourMS
			continue
		}
		row, err := m.hour(at)
		if err != nil {
			return Hours{}, err
		}
		if row.seen && row.Coverage >= q.LeastCoverage {
			h.Rows = append(h.Rows, row)
		} else {
			h.LeftOut++
		}
		at += hourMS
	}
}

// recordedHours tells the hours of which anything was recorded from those that
// need no look: windows of decades hold few of the former.
type recordedHours struct {
	m        *hourMaker
	from, to int64 // the stretch that cells holds
	cells    map[int64]bool
}

// in reports whether anything was recorded in the hour that begins at a time. It
// asks the source by stretches of days, so that a long record takes no memory.
func (r *recordedHours) in(at int64) (bool, error) {
	const stretchMS = 8 * dayMS
	if at < r.from || at+hourMS > r.to {
		r.from, r.to = cellOf(at), cellOf(at)+stretchMS
		r.cells = map[int64]bool{}
		specs := r.m.specs
		if r.m.spec != nil {
			specs = append(specs[:len(specs):len(specs)], r.m.spec)
		}
		for _, sp := range specs {
			pieces, err := r.m.src.Pieces(sp.key, r.from, r.to)
			if err != nil {
				return false, fmt.Errorf("summaries of %s: %w", sp.name, err)
			}
			for i := range pieces {
				r.cells[pieces[i].StartMS] = true
			}
		}
	}
	for cell := cellOf(at); cell < at+hourMS; cell += cellMS {
		if r.cells[cell] {
			return true, nil
		}
	}
	return false, nil
}

// hourMaker holds what all hours share.
type hourMaker struct {
	src      Source
	site     *sitefile.Site
	q        *question
	machines []*sitefile.Machine
	specs    []*spec
	system   *sitefile.System // nil: of a machine
	spec     *spec            // of system
	days     *dayTypes
	peak     PeakWindow
}

func newHourMaker(src Source, site *sitefile.Site, q *HoursQuery) (*hourMaker, error) {
	// Money is no matter of an hour: its figures would look at whole months.
	bare := *site
	bare.Tariff = sitefile.Tariff{}
	m := &hourMaker{src: src, site: &bare, days: newDayTypes(site), peak: q.Peak}
	groups, levels := sitefile.Groups(site), calibrationsOf(src)
	names := []string{q.Machine}
	if q.System != "" {
		i := slices.IndexFunc(site.Systems, func(s sitefile.System) bool { return s.Name == q.System })
		if i < 0 {
			return nil, fmt.Errorf("system %q is not in the site file", q.System)
		}
		m.system = &bare.Systems[i]
		m.spec = systemSpec(&bare, groups, m.system, levels)
		names = m.system.Machines
	}
	for _, name := range names {
		machine, ok := bare.MachineByName(name)
		if !ok {
			return nil, fmt.Errorf("machine %q is not in the site file", name)
		}
		m.machines = append(m.machines, machine)
		m.specs = append(m.specs, machineSpec(&bare, groups, machine, levels[name]))
	}
	var err error
	m.q, err = newQuestion(src, &bare, groups, q.NowMS, false)
	return m, err
}

// sheets are the machines' sheets of a window, and the one of the subject.
func (m *hourMaker) sheets(from, to int64) (machines []*sheet, subject *sheet, err error) {
	for i, sp := range m.specs {
		g, err := gather(m.src, sp, from, to, nil)
		if err != nil {
			return nil, nil, err
		}
		s := newSheet(g, m.q)
		if s.machine(m.machines[i]); s.err != nil {
			return nil, nil, s.err
		}
		machines = append(machines, s)
	}
	if m.system == nil {
		return machines, machines[0], nil
	}
	g, err := gather(m.src, m.spec, from, to, nil)
	if err != nil {
		return nil, nil, err
	}
	s := newSheet(g, m.q)
	if m.spec.master >= 0 {
		s.pressures(m.system)
	}
	s.addMachines(machines)
	s.borrowCoverage(machines)
	return machines, s, s.err
}

func (m *hourMaker) hour(at int64) (Hour, error) {
	h := Hour{StartMS: at}
	h.Date, h.ClockHour, h.DayType, h.Shift = m.days.of(at)
	h.Peak = m.peak.holds(time.UnixMilli(at).In(m.site.Location))
	machines, subject, err := m.sheets(at, at+hourMS)
	if err != nil {
		return h, err
	}
	h.Coverage = subject.coverage
	whole := func(f *Figure) float64 {
		if f.AtLeast && h.Coverage > 0 {
			return *f.Value / h.Coverage
		}
		return *f.Value
	}
	if f := subject.figures["energy"]; f.Value != nil {
		h.EnergyJ, h.seen = float64(whole(&f)*joulesPerKWh), true
	}
	if f := subject.figures["energy_unloaded"]; f.Value != nil {
		h.UnloadedJ = number64(whole(&f) * joulesPerKWh)
	}
	if f := subject.made("air_delivered"); f.Value != nil {
		h.AirM3, h.AirMethod = number64(whole(&f)), f.Method
	}
	if f := subject.figures["specific_power"]; f.Value != nil {
		h.Specific = &f
	}
	if f := subject.figures["pressure_mean"]; f.Value != nil {
		h.PressurePa = number64(*f.Value * pascalsPerKPa)
	}
	for _, s := range machines {
		h.LoadedS += float64(s.g.total.stateMS[Loaded]) / 1000
		h.UnloadedS += float64(s.g.total.stateMS[Unloaded]) / 1000
	}
	return h, nil
}

// ambient is the mean of the first machine's room temperature that is read, in
// K.
func ambient(machines []*sheet) *float64 {
	for _, s := range machines {
		ch := s.g.sp.find(scan.AmbientTemperature)
		if ch < 0 {
			continue
		}
		if part := s.g.total.analog[s.g.sp.chans[ch].slot].sum; part.ms > 0 {
			return number64(s.g.sp.chans[ch].mean(part).v)
		}
	}
	return nil
}

// holds reports whether an hour that begins at a local time lies in the window.
func (p *PeakWindow) holds(local time.Time) bool {
	if p.Months != [13]bool{} && !p.Months[local.Month()] {
		return false
	}
	return slices.ContainsFunc(p.Windows, func(w sitefile.WeekWindow) bool { return w.Contains(local) })
}
