package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// pascalsPerKPa brings Pa to the unit of the figures.
const pascalsPerKPa = 1e3

// pressed is the subject's pressure over some of the window's hours.
type pressed struct {
	analogSum
	bins  binList
	stood binList // of bins, those of which no machine was seen to run
}

// add takes in all of d's pressure; slot is its place in delta.analog.
func (p *pressed) add(d *delta, slot int) {
	p.merge(&d.analog[slot])
	p.bins.merge(d.bins)
	p.bins.merge(d.ranBins)
	p.stood.merge(d.bins)
}

// hours are the hours that pressure figures are taken over.
type hours struct {
	suffix string // of the figures' names
	row    string // of the table
	over   string // in the denominators
	what   pressed
	when   *firstSeen
	absent string // why there are none
}

// The hours, as figures tell them apart: those in which the subject's machines
// ran, those of the site's shifts, and all that were observed.
const (
	hoursRunning = iota
	hoursShift
	hoursAll
	numHours
)

func (s *sheet) hoursOf() (all [numHours]hours) {
	sp, t := s.g.sp, s.g.total
	every := pressed{}
	every.add(t, sp.chans[sp.pressure].slot)
	all[hoursAll] = hours{suffix: "_all", row: "all observed hours", over: "whether the plant was on or off", what: every, when: &s.g.seenAll}

	run := hours{row: "running hours", over: "while the machine ran", what: pressed{analogSum: t.ran, bins: t.ranBins}, when: &s.g.seenRunning, absent: "the machine did not run in the observed time"}
	if sp.system {
		run.over, run.absent = "while one of its machines ran", "none of its machines ran in the observed time"
	}
	if !s.runningKnown() {
		run.what, run.when, run.over = every, &s.g.seenAll, "at all observed hours, since when the plant ran is not known"
	}
	all[hoursRunning] = run

	all[hoursShift] = hours{suffix: "_shift", row: "shift hours", over: "in shift hours", what: s.g.shift, when: &s.g.seenShift, absent: "no shift hours with a reading lie in this window"}
	if sp.onShift == nil {
		all[hoursShift].absent = "no shifts in the site file"
	}
	return all
}

// runningKnown reports whether the hours in which the plant ran are known.
func (s *sheet) runningKnown() bool {
	if s.g.sp.system {
		return len(s.g.sp.runSigns) > 0
	}
	return s.g.sp.hasStates
}

func (h *hours) denominator() string {
	return inWords(h.what.ms) + " with a reading, " + h.over
}

// pressures sets what is said of the pressure at the subject's tap over running
// and shift hours, beside all hours in a table. sys is nil for a machine.
func (s *sheet) pressures(sys *sitefile.System) {
	sp := s.g.sp
	why := ""
	switch {
	case sp.pressure < 0 && sp.system:
		why = "no pressure tap"
	case sp.pressure < 0:
		why = "no pressure channel"
	case sp.chans[sp.pressure].unit.Dimension != quantity.Pressure:
		why = sp.chans[sp.pressure].id + " is not in a unit of pressure"
	case s.g.total.analog[sp.chans[sp.pressure].slot].ms == 0:
		why = "pressure was not read in this window"
	}
	if why != "" {
		for _, suffix := range []string{"", "_shift"} {
			s.absent(why, "pressure_mean"+suffix, "pressure_min"+suffix, "pressure_max"+suffix, "pressure_p05"+suffix, "pressure_p95"+suffix)
		}
		if sys != nil {
			s.belowAbsent(why)
		}
		return
	}
	all := s.hoursOf()
	s.pressureOver(&all[hoursRunning])
	s.pressureOver(&all[hoursShift])
	if sys != nil {
		s.belowMinimum(sys, &all)
	}
	s.pressureTable(&all)
}

// pressureOver sets the figures of some hours.
func (s *sheet) pressureOver(h *hours) {
	name := func(what string) string { return "pressure_" + what + h.suffix }
	if h.what.ms == 0 || h.what.n == 0 {
		s.absent(h.absent, name("mean"), name("min"), name("max"), name("p05"), name("p95"))
		return
	}
	c := &s.g.sp.chans[s.g.sp.pressure]
	inputs, at := []string{c.input()}, s.pressureAt()
	set := func(what string, e estimate, method string) {
		s.ratio(name(what), "kPa", e, method, h.denominator(), inputs)
	}
	set("mean", c.mean(h.what.sum).scaled(1/pascalsPerKPa), "time-weighted mean"+at)
	low, high := c.extremes(&h.what.analogSum)
	more := ""
	if s.partial {
		more = "; lower ones may lie in gaps"
	}
	set("min", s.reading(low), "lowest reading"+at+more)
	set("max", s.reading(high), "highest reading"+at)
	f := s.figures[name("max")]
	f.AtLeast = s.partial
	s.figures[name("max")] = f
	lowIn, highIn := h.when.inSI(c)
	s.moment(name("min"), lowIn.from, lowIn.to)
	s.moment(name("max"), highIn.from, highIn.to)
	set("p05", s.reading(s.percentile(h.what.bins, 0.05)), "pressure below which it was for 5 % of the time"+at)
	set("p95", s.reading(s.percentile(h.what.bins, 0.95)), "pressure below which it was for 95 % of the time"+at)
}

// pressureTable sets the hours side by side.
func (s *sheet) pressureTable(all *[numHours]hours) {
	table := Table{Name: "pressure_by_hours", Method: "readings" + s.pressureAt() + "; a pair of readings belongs to what the machines did at its start, and to the hours in which it ends",
		Columns: []Column{{"time", "s"}, {"mean", "kPa"}, {"lowest", "kPa"}, {"5 %", "kPa"}, {"95 %", "kPa"}, {"highest", "kPa"}}}
	below := s.g.sp.hasLow
	if below {
		table.Columns = append(table.Columns, Column{"below minimum", "s"}, Column{"longest below", "s"})
	}
	c := &s.g.sp.chans[s.g.sp.pressure]
	kPa := func(pa float64) *float64 { return number64(pa / pascalsPerKPa) }
	for i := range all {
		h := &all[i]
		if h.what.ms == 0 || i == hoursRunning && !s.runningKnown() {
			continue
		}
		low, high := c.extremes(&h.what.analogSum)
		row := Row{Name: h.row, Values: []*float64{number64(float64(h.what.ms) / 1000), kPa(c.mean(h.what.sum).v), kPa(low),
			kPa(s.percentile(h.what.bins, 0.05)), kPa(s.percentile(h.what.bins, 0.95)), kPa(high)}}
		if below {
			row.Values = append(row.Values, s.figures["time_below_minimum"+h.suffix].Value, s.figures["longest_below_minimum"+h.suffix].Value)
		}
		table.Rows = append(table.Rows, row)
	}
	s.tables = append(s.tables, table)
}

// pressureAt says where the pressure was read.
func (s *sheet) pressureAt() string {
	return " of " + s.g.sp.chans[s.g.sp.pressure].id + ", gauge"
}

// reading is a single pressure in Pa as a figure in kPa.
func (s *sheet) reading(pa float64) estimate {
	return estimate{pa, s.g.sp.chans[s.g.sp.pressure].reading(pa)}.scaled(1 / pascalsPerKPa)
}

// extremes are the lowest and highest reading in SI, whatever the sign of the
// scale.
func (c *chanSpec) extremes(a *analogSum) (low, high float64) {
	x, y := c.si(float64(a.min)), c.si(float64(a.max))
	return math.Min(x, y), math.Max(x, y)
}

// binEdges are the ends of a bin in SI, the lower first whatever the sign of the
// scale: half a count beyond its outer counts.
func (sp *spec) binEdges(at int64) (from, to float64) {
	c := &sp.chans[sp.pressure]
	width := math.Ldexp(1, int(sp.binShift))
	lower := float64(float64(at)*width) - 0.5
	from, to = c.si(lower), c.si(lower+width)
	return min(from, to), max(from, to)
}

// percentile is the pressure in Pa below which it was for a share of the time.
// Within a bin, time is taken as spread evenly.
func (s *sheet) percentile(bins binList, share float64) float64 {
	var all int64
	for _, b := range bins {
		all += b.halfMS
	}
	rest := float64(share * float64(all))
	falling := s.g.sp.chans[s.g.sp.pressure].countSI < 0 // the highest counts are the lowest pressure
	for i := range bins {
		b := bins[i]
		if falling {
			b = bins[len(bins)-1-i]
		}
		t := float64(b.halfMS)
		if rest <= t || i == len(bins)-1 {
			from, to := s.g.sp.binEdges(b.at)
			part := 0.0
			if t > 0 {
				part = min(1, rest/t)
			}
			return from + float64(part*(to-from))
		}
		rest -= t
	}
	return math.NaN()
}

// below is the time in seconds at less than pa.
func (s *sheet) below(bins binList, pa float64) float64 {
	var half float64
	for _, b := range bins {
		from, to := s.g.sp.binEdges(b.at)
		part := (pa - from) / (to - from)
		half += float64(math.Max(0, math.Min(1, part)) * float64(b.halfMS))
	}
	return half / 2000
}

func (s *sheet) belowAbsent(why string) {
	for _, suffix := range []string{"", "_shift", "_all"} {
		s.absent(why, "time_below_minimum"+suffix, "longest_below_minimum"+suffix)
	}
	s.absent(why, standingShare)
}

// belowMinimum sets how long the tap lay below the system's minimum, in all and
// at a stretch.
func (s *sheet) belowMinimum(sys *sitefile.System, all *[numHours]hours) {
	if sys.MinimumPressurePa <= 0 {
		s.belowAbsent("no minimum pressure in the site file")
		return
	}
	c := &s.g.sp.chans[s.g.sp.pressure]
	u := float64(coverageFactor * c.reading(sys.MinimumPressurePa))
	inputs := []string{c.input(), "minimum pressure"}
	for i := range all {
		h := &all[i]
		total, longest := "time_below_minimum"+h.suffix, "longest_below_minimum"+h.suffix
		if h.what.ms == 0 {
			s.absent(h.absent, total, longest)
			continue
		}
		t := s.below(h.what.bins, sys.MinimumPressurePa)
		fewer, more := s.below(h.what.bins, sys.MinimumPressurePa-u), s.below(h.what.bins, sys.MinimumPressurePa+u)
		half := math.Max(math.Abs(more-t), math.Abs(t-fewer))
		s.ratio(total, "s", estimate{t, quad(half/coverageFactor, s.timeU(0))},
			"time"+s.pressureAt()+" below the site's minimum pressure; the interval moves the limit by the instrument's uncertainty",
			h.denominator(), inputs)
		s.longestBelow(longest, i, h, half, inputs)
		for _, name := range []string{total, longest} {
			f := s.figures[name]
			f.AtLeast = f.Value != nil && s.partial
			s.figures[name] = f
		}
	}
	s.standingLow(sys.MinimumPressurePa, u, &all[hoursShift], inputs)
}

// longestBelow sets the longest time below the minimum at a stretch. half is by how
// much the whole time below changes where the limit moves by the gauge's uncertainty:
// all of that may lie at the longest stretch.
func (s *sheet) longestBelow(name string, which int, h *hours, half float64, inputs []string) {
	kind := lowAll
	if which == hoursRunning && s.runningKnown() {
		kind = lowRunning
	}
	var best span
	for _, l := range s.g.lows(kind) {
		part := span{max(l.from, s.g.from), min(l.to, s.g.to)}
		if which == hoursShift {
			part = longestPart(part.from, part.to, s.g.sp.onShift)
		}
		if part.to-part.from > best.to-best.from {
			best = part
		}
	}
	seconds := float64(best.to-best.from) / 1000
	s.ratio(name, "s", estimate{seconds, quad(half/coverageFactor, s.timeU(1))},
		fmt.Sprintf("longest time%s below the site's minimum pressure, from half way to the reading before to half way to the one after; a return to it for under %d s does not end it; the interval moves the limit by the instrument's uncertainty, and takes all that changes for the longest's",
			s.pressureAt(), LowBridgeMS/1000), h.denominator(), inputs)
	if best.to > best.from {
		s.moment(name, best.from, best.to)
	}
}

// longestPart is the longest part of a stretch of whose minutes in is true.
func longestPart(from, to int64, in func(int64) bool) (best span) {
	begin := from
	for at := from; at < to; {
		next := min(to, at-mod(at, 60_000)+60_000)
		switch {
		case !in(at):
			begin = next
		case next-begin > best.to-best.from:
			best = span{begin, next}
		}
		at = next
	}
	return best
}
