package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// pascalsPerKPa brings Pa to the unit of the figures.
const pascalsPerKPa = 1e3

// pressures sets mean, extremes and percentiles of the subject's pressure.
func (s *sheet) pressures() {
	names := []string{"pressure_mean", "pressure_min", "pressure_max", "pressure_p05", "pressure_p95"}
	sp := s.g.sp
	if sp.pressure < 0 {
		why := "no pressure channel"
		if sp.system {
			why = "no pressure tap"
		}
		s.absent(why, names...)
		return
	}
	c := &sp.chans[sp.pressure]
	a := &s.g.total.analog[c.slot]
	switch {
	case c.unit.Dimension != quantity.Pressure:
		s.absent(c.id+" is not in a unit of pressure", names...)
		return
	case a.ms == 0 || a.n == 0:
		s.absent("pressure was not read in this window", names...)
		return
	}
	inputs := []string{c.input()}
	at := s.pressureAt()
	s.ratio("pressure_mean", "kPa", c.mean(a.sum).scaled(1/pascalsPerKPa),
		"time-weighted mean"+at, fmt.Sprintf("%.0f s with a reading", float64(a.ms)/1000), inputs)
	low, high := c.extremes(a)
	method := "lowest reading" + at
	if s.partial {
		method += "; lower ones may lie in gaps"
	}
	s.put("pressure_min", "kPa", s.reading(low), method, inputs)
	s.add("pressure_max", "kPa", s.reading(high), "highest reading"+at, inputs)
	if len(s.g.total.bins) == 0 {
		s.absent("pressure was not read in this window", "pressure_p05", "pressure_p95")
		return
	}
	s.put("pressure_p05", "kPa", s.reading(s.percentile(0.05)), "pressure below which it was for 5 % of the time"+at, inputs)
	s.put("pressure_p95", "kPa", s.reading(s.percentile(0.95)), "pressure below which it was for 95 % of the time"+at, inputs)
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

// binEdges are the ends of a bin in SI: half a count beyond its outer counts.
func (sp *spec) binEdges(at int64) (from, to float64) {
	c := &sp.chans[sp.pressure]
	width := math.Ldexp(1, int(sp.binShift))
	lower := float64(float64(at)*width) - 0.5
	return c.si(lower), c.si(lower + width)
}

// percentile is the pressure in Pa below which it was for a share of the time.
// Within a bin, time is taken as spread evenly.
func (s *sheet) percentile(share float64) float64 {
	bins := s.g.total.bins
	var all int64
	for _, b := range bins {
		all += b.halfMS
	}
	rest := float64(share * float64(all))
	for i, b := range bins {
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
func (s *sheet) below(pa float64) float64 {
	var half float64
	for _, b := range s.g.total.bins {
		from, to := s.g.sp.binEdges(b.at)
		part := (pa - from) / (to - from)
		half += float64(math.Max(0, math.Min(1, part)) * float64(b.halfMS))
	}
	return half / 2000
}

// bandSeen sets cut_in_seen and cut_out_seen.
func (s *sheet) bandSeen() {
	sp := s.g.sp
	if sp.pressure < 0 || sp.chans[sp.pressure].unit.Dimension != quantity.Pressure {
		s.absent("no pressure channel", "cut_in_seen", "cut_out_seen")
		return
	}
	var in, out []int64
	for _, c := range s.g.total.cycles {
		if c.hasPressure {
			in = append(in, c.atLoad)
			out = append(out, c.atUnload)
		}
	}
	if len(in) == 0 {
		s.absent("no load cycle with pressure was seen whole", "cut_in_seen", "cut_out_seen")
		return
	}
	c := &sp.chans[sp.pressure]
	set := func(name, what string, twice []int64) {
		// Where between the two readings the transition lay is not known.
		spread := spreadOf(twice) * math.Abs(c.countSI) / math.Sqrt(float64(len(twice)))
		pa := c.si(medianOf(twice))
		e := estimate{pa, quad(c.reading(pa), spread)}.scaled(1 / pascalsPerKPa)
		s.ratio(name, "kPa", e, "median pressure, gauge, midway between the readings before and after the machine "+what,
			fmt.Sprintf("%d load cycles", len(twice)), append([]string{c.input()}, s.stateInputs()...))
	}
	set("cut_in_seen", "loads", in)
	set("cut_out_seen", "unloads", out)
}

// spreadOf is the standard deviation in counts of values given twice.
func spreadOf(twice []int64) float64 {
	if len(twice) < 2 {
		return 0
	}
	var mean, square float64
	for _, v := range twice {
		mean += float64(float64(v) / 2)
	}
	mean /= float64(len(twice))
	for _, v := range twice {
		d := float64(float64(v)/2) - mean
		square += float64(d * d)
	}
	return math.Sqrt(square / float64(len(twice)-1))
}

// belowMinimum sets the system's time_below_minimum.
func (s *sheet) belowMinimum(sys *sitefile.System) {
	const name = "time_below_minimum"
	sp := s.g.sp
	switch {
	case sys.MinimumPressurePa <= 0:
		s.absent("no minimum pressure in the site file", name)
	case sp.pressure < 0:
		s.absent("no pressure tap", name)
	case sp.chans[sp.pressure].unit.Dimension != quantity.Pressure || len(s.g.total.bins) == 0:
		s.absent("pressure was not read in this window", name)
	default:
		c := &sp.chans[sp.pressure]
		u := c.reading(sys.MinimumPressurePa)
		t := s.below(sys.MinimumPressurePa)
		low, high := s.below(sys.MinimumPressurePa-float64(coverageFactor*u)), s.below(sys.MinimumPressurePa+float64(coverageFactor*u))
		half := math.Max(math.Abs(high-t), math.Abs(t-low))
		s.add(name, "s", estimate{t, quad(half/coverageFactor, s.timeU(0))},
			"time"+s.pressureAt()+" below the site's minimum pressure; the interval moves the limit by the instrument's uncertainty",
			[]string{c.input(), "minimum pressure"})
	}
}
