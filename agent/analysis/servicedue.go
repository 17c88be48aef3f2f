package analysis

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// ServiceDone says that a service item was done, by a note.
type ServiceDone struct {
	Machine, Item string
	AtMS          int64
	HourMeter     *float64 // h, as the machine showed it then; nil: not written down
	Note          uint64
	// Text, Found and Author are the note's.
	Text, Found, Author string
}

// MachineService is what is due on one machine. The JSON is the contract of
// /api/v1/service.
type MachineService struct {
	Machine string `json:"machine"`
	// HourMeter is the last reading of the machine's own, h.
	HourMeter *float64 `json:"hour_meter,omitempty"`
	// HoursPerDay is how long the machine ran each day of the last OverDays days,
	// all days of the week, and Uncertainty its half width at 95 %, from how
	// the days differ. Absent where RateAbsent says why.
	HoursPerDay *float64      `json:"hours_per_day,omitempty"`
	Uncertainty *float64      `json:"uncertainty,omitempty"`
	OverDays    float64       `json:"over_days,omitempty"`
	Method      string        `json:"method,omitempty"`
	RateAbsent  string        `json:"rate_absent,omitempty"`
	Items       []ServiceItem `json:"items"`
}

// ServiceItem is one item of the site file. Times are RFC 3339 UTC.
type ServiceItem struct {
	Item        string  `json:"item"`
	EveryHours  float64 `json:"every_hours,omitempty"`
	EveryMonths float64 `json:"every_months,omitempty"`
	Done        string  `json:"done,omitempty"` // when last
	Note        uint64  `json:"note,omitempty"` // that says so
	// HoursSince is how long the machine has run since then; AtLeast where part
	// of that was not observed and no meter bridges it.
	HoursSince *float64 `json:"hours_since,omitempty"`
	AtLeast    bool     `json:"at_least,omitempty"`
	HoursLeft  *float64 `json:"hours_left,omitempty"` // below 0: overdue
	// Due is the first of the two; By says which: hours or months. Earliest and
	// Latest bound a date that follows from hours, where they can be told.
	Due      string `json:"due,omitempty"`
	By       string `json:"by,omitempty"`
	Earliest string `json:"earliest,omitempty"`
	Latest   string `json:"latest,omitempty"`
	Overdue  bool   `json:"overdue"`
	// Absent says what cannot be told, and what would mend it.
	Absent string `json:"absent,omitempty"`
	// Marks are the times it was done, the latest first, mostMarks at most; those
	// of notes that were put right are not among them.
	Marks []ServiceMark `json:"marks,omitempty"`
	// Moves are the figures that it should move.
	Moves []ServiceMove `json:"moves,omitempty"`
}

// ServiceMark is one time that an item was done, as its note says.
type ServiceMark struct {
	Note      uint64   `json:"note"`
	At        string   `json:"at"` // RFC 3339 UTC
	HourMeter *float64 `json:"hour_meter,omitempty"`
	Author    string   `json:"author,omitempty"`
	Text      string   `json:"text"`
	Found     string   `json:"found,omitempty"`
}

// mostMarks of an item are told; the notes have them all.
const mostMarks = 20

// marksOf are the times that an item was done, the latest first.
func marksOf(done []ServiceDone, machine, item string) []ServiceMark {
	var of []ServiceDone
	for _, d := range done {
		if d.Machine == machine && d.Item == item {
			of = append(of, d)
		}
	}
	slices.SortStableFunc(of, func(a, b ServiceDone) int { return cmp.Or(cmp.Compare(b.AtMS, a.AtMS), cmp.Compare(b.Note, a.Note)) })
	var all []ServiceMark
	for _, d := range of[:min(len(of), mostMarks)] {
		all = append(all, ServiceMark{d.Note, stamp(d.AtMS), d.HourMeter, d.Author, d.Text, d.Found})
	}
	return all
}

// rateDays is how far back the running hours of a day are looked for.
const rateDays = 28

// Service projects every service item of the site to now. done may hold several
// for an item: the latest counts.
func Service(src Source, site *sitefile.Site, done []ServiceDone, nowMS int64) ([]MachineService, error) {
	all := []MachineService{}
	groups, levels := sitefile.Groups(site), calibrationsOf(src)
	for i := range site.Machines {
		m := &site.Machines[i]
		b := &serviceBook{src: src, site: site, sp: machineSpec(site, groups, m, levels[m.Name]), now: nowMS}
		ms, err := b.machine(m, done)
		if err != nil {
			return nil, fmt.Errorf("service of %s: %w", m.Name, err)
		}
		all = append(all, ms)
	}
	return all, nil
}

// serviceBook is one machine's.
type serviceBook struct {
	src     Source
	site    *sitefile.Site
	sp      *spec
	now     int64
	perDay  estimate // h
	hasRate bool
	meter   float64 // h
	metered bool    // meter is known
}

func (b *serviceBook) machine(m *sitefile.Machine, done []ServiceDone) (MachineService, error) {
	ms := MachineService{Machine: m.Name, Items: []ServiceItem{}}
	if len(m.Service) == 0 {
		return ms, nil
	}
	g, err := b.window(b.now - rateDays*dayMS)
	if err != nil {
		return ms, err
	}
	b.rate(g, &ms)
	b.readMeter(g)
	if b.metered {
		ms.HourMeter = number64(b.meter)
	}
	for _, it := range m.Service {
		last, ok := lastDone(done, m.Name, it.Item)
		item, err := b.item(it, last, ok)
		if err != nil {
			return ms, err
		}
		item.Marks, item.Moves = marksOf(done, m.Name, it.Item), ServiceMoves(it.Item)
		ms.Items = append(ms.Items, item)
	}
	return ms, nil
}

// window gathers whole quarter hours from since to now: no raw scans are needed.
func (b *serviceBook) window(since int64) (*gathered, error) {
	g, err := gather(b.src, b.sp, cellOf(max(since, beginMS)), cellOf(b.now)+cellMS, nil)
	if errors.Is(err, errRawMissing) { // never: nothing is cut
		return nil, fmt.Errorf("%w: a whole interval is not whole", err)
	}
	return g, err
}

func lastDone(done []ServiceDone, machine, item string) (last ServiceDone, ok bool) {
	for _, d := range done {
		if d.Machine == machine && d.Item == item && (!ok || d.AtMS >= last.AtMS) {
			last, ok = d, true
		}
	}
	return last, ok
}

// readMeter takes the last reading of the machine's hour meter.
func (b *serviceBook) readMeter(g *gathered) {
	ch := b.sp.find(scan.RunHours)
	if ch < 0 || g.exit == nil || !g.exit.tracks[ch].has {
		return
	}
	b.meter, b.metered = b.hours(ch, float64(g.exit.tracks[ch].counts)), true
}

// hours is a count of an hour meter in hours.
func (b *serviceBook) hours(ch int, counts float64) float64 {
	c := &b.sp.chans[ch]
	if c.unit.Dimension == quantity.Duration {
		return float64(counts*c.countSI) / 3600
	}
	return float64(counts * c.countSI)
}

// ran is how long the machine ran in a window, by its own meter where that
// counts on over gaps, else as observed; less says that it may be more.
func (b *serviceBook) ran(g *gathered) (hours float64, how string, less, ok bool) {
	if ch := b.sp.find(scan.RunHours); ch >= 0 {
		n := &g.total.counters[b.sp.chans[ch].slot]
		counts := n.diff
		for _, gap := range n.gaps {
			if gap.from < g.from { // part of it lies before
				less = true
				continue
			}
			counts += gap.diff
			less = less || gap.reset
		}
		if n.ms > 0 || len(n.gaps) > 0 {
			return b.hours(ch, float64(counts)), "the machine's hour meter, gaps included", less, true
		}
	}
	if !b.sp.hasStates || g.total.observedMS() == 0 {
		return 0, "", false, false
	}
	less = len(g.total.gaps) > 0
	return float64(g.total.runningMS()) / hourMS, "running time as observed, states " + b.sp.stateMethod, less, true
}

// rate sets how long the machine runs a day.
func (b *serviceBook) rate(g *gathered, ms *MachineService) {
	if len(g.cells) == 0 {
		ms.RateAbsent = "nothing was recorded in the last four weeks"
		return
	}
	days := float64(g.cells[len(g.cells)-1].to-g.cells[0].from) / dayMS
	hours, how, _, ok := b.ran(g)
	switch {
	case !ok:
		ms.RateAbsent = "no hour meter, and " + cmp.Or(b.sp.statesAbsent, "nothing was observed")
		return
	case days < 1:
		ms.RateAbsent = "less than a day is recorded: too little to project from"
		return
	}
	if seen := float64(g.total.observedMS()) / dayMS; b.sp.find(scan.RunHours) < 0 && seen < 0.98*days {
		how += fmt.Sprintf("; %.1f of %.1f days were observed, and the rest is taken to be alike (assumed)", seen, days)
		hours *= days / math.Max(seen, 1e-9)
	}
	b.perDay, b.hasRate = estimate{hours / days, b.spread(g, hours/days)}, true
	ms.HoursPerDay, ms.OverDays, ms.Method = number64(b.perDay.v), days, how
	ms.Uncertainty = number64(float64(coverageFactor * b.perDay.u))
}

// spread is the standard uncertainty of the mean day, from how the days differ;
// half of it where they are too few to tell.
func (b *serviceBook) spread(g *gathered, mean float64) float64 {
	byDay := map[int64]float64{}
	var order []int64
	for i := range g.cells {
		c := &g.cells[i]
		day := (c.from - g.cells[0].from) / dayMS
		if _, ok := byDay[day]; !ok {
			order = append(order, day)
		}
		ms := c.d.stateMS
		byDay[day] += float64(ms[Starting]+ms[Unloaded]+ms[Loaded]+ms[PartLoad]) / hourMS
	}
	n := float64(len(order))
	if len(order) < 5 || !b.sp.hasStates {
		return mean / 2
	}
	middle := 0.0
	for _, d := range order {
		middle += byDay[d] / n
	}
	square := 0.0
	for _, d := range order {
		off := byDay[d] - middle
		square += float64(off * off)
	}
	return math.Sqrt(square / (n - 1) / n)
}

// item projects one item.
func (b *serviceBook) item(it sitefile.ServiceItem, last ServiceDone, ok bool) (ServiceItem, error) {
	s := ServiceItem{Item: it.Item, EveryHours: it.Hours, EveryMonths: it.Months}
	if !ok {
		s.Absent = "when it was last done is not known: write a note that names this item, with the day and, if that was before this record, the hour meter"
		return s, nil
	}
	s.Done, s.Note = stamp(last.AtMS), last.Note
	due := int64(math.MaxInt64)
	if it.Months > 0 {
		due, s.By = b.afterMonths(last.AtMS, it.Months), "months"
	}
	if it.Hours > 0 {
		if err := b.since(&s, last); err != nil {
			return s, err
		}
		if at, ok := b.afterHours(&s); ok && at < due {
			due, s.By = at, "hours"
		}
		if s.By != "hours" {
			s.Earliest, s.Latest = "", ""
		}
	}
	if s.By != "" {
		s.Due, s.Overdue = stamp(due), due <= b.now
	}
	return s, nil
}

// afterMonths counts calendar months in the site's time; parts of one are of 30.4 days.
func (b *serviceBook) afterMonths(ms int64, months float64) int64 {
	whole := math.Floor(months)
	from := time.UnixMilli(ms).In(b.site.Location)
	t := from.AddDate(0, int(whole), 0)
	if t.Day() != from.Day() { // a shorter month: its last day, not one of the next
		t = t.AddDate(0, 0, -t.Day())
	}
	return t.Add(time.Duration((months - whole) * 30.4375 * 24 * float64(time.Hour))).UnixMilli()
}

// since sets how long the machine has run since the item was done.
func (b *serviceBook) since(s *ServiceItem, last ServiceDone) error {
	if last.HourMeter != nil && b.metered {
		const rounded = 1 // h: who wrote it down may have rounded up
		if b.meter < *last.HourMeter-rounded {
			s.Absent = fmt.Sprintf("the hour meter shows %.0f h, less than the %.0f h written down: it was set back, or one of them is wrong", b.meter, *last.HourMeter)
			return nil
		}
		s.HoursSince = number64(math.Max(0, b.meter-*last.HourMeter))
		return b.doubt(s, last)
	}
	if last.AtMS >= b.now { // after the last reading of a stopped agent
		s.HoursSince = number64(0)
		return nil
	}
	g, err := b.window(last.AtMS)
	if err != nil {
		return err
	}
	hours, _, less, ok := b.ran(g)
	if !ok {
		s.Absent = "how long the machine has run since is not known: no hour meter is read, and " + cmp.Or(b.sp.statesAbsent, "nothing was observed")
		return nil
	}
	s.HoursSince = number64(hours)
	// A day without readings at its begin: what ran before the record is not in it.
	s.AtLeast = less || len(g.cells) > 0 && g.cells[0].from-last.AtMS > dayMS
	if s.AtLeast {
		s.Absent = "not all of the time since is recorded: with the hour meter's reading of that day it would be exact: correct the note"
	}
	return nil
}

// doubt holds an hour meter that was written down against the machine's own,
// where all the time since is recorded: a slip of the pen there moves a service
// by as many hours. The machine's own count is then what holds.
func (b *serviceBook) doubt(s *ServiceItem, last ServiceDone) error {
	const apart = 2 // h: read before or after the work, rounded
	g, err := b.window(last.AtMS)
	if err != nil || len(g.cells) == 0 || g.cells[0].from-last.AtMS > hourMS {
		return err
	}
	ran, _, less, ok := b.ran(g)
	if !ok || less || math.Abs(ran-*s.HoursSince) <= apart {
		return nil
	}
	s.HoursSince = number64(ran)
	s.say(fmt.Sprintf("the hour meter written down, %.0f h, cannot be: the machine's own shows %.0f h and ran %.0f h since, which is taken; correct the note", *last.HourMeter, b.meter, ran))
	return nil
}

// say adds to what cannot be told.
func (s *ServiceItem) say(text string) {
	if s.Absent != "" {
		s.Absent += "; "
	}
	s.Absent += text
}

// afterHours projects when the hours will be run.
func (b *serviceBook) afterHours(s *ServiceItem) (due int64, ok bool) {
	if s.HoursSince == nil {
		return 0, false
	}
	left := s.EveryHours - *s.HoursSince
	s.HoursLeft = &left
	if left <= 0 {
		return b.now, true
	}
	in := func(perDay float64) int64 { return b.now + int64(left/perDay*dayMS) }
	const furthest = 100 * daysPerYear // days: beyond it no date can be told
	soonest := left / furthest
	switch {
	case !b.hasRate:
		s.say("how long the machine runs a day is not known, so that no date by hours can be told")
		return 0, false
	case b.perDay.v < soonest:
		s.say("at the pace of the last four weeks its hours would take more than a hundred years: no date by hours can be told")
		return 0, false
	}
	u := coverageFactor * b.perDay.u
	s.Earliest = stamp(in(b.perDay.v + float64(u)))
	if slow := b.perDay.v - float64(u); slow > soonest {
		s.Latest = stamp(in(slow))
	}
	return in(b.perDay.v), true
}
