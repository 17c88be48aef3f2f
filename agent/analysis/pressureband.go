package analysis

import (
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// band sets where the machine is seen to load and unload, what is set, and how
// far the pressure swings.
func (s *sheet) band(m *sitefile.Machine) {
	in, out := s.setAt("cut_in_set", "cut_in", scan.CutInSetting, m.CutInPa), s.setAt("cut_out_set", "cut_out", scan.CutOutSetting, m.CutOutPa)
	if in != nil && out != nil {
		s.put("band_set", "kPa", estimate{*out.Value - *in.Value, quad(*in.Uncertainty, *out.Uncertainty) / coverageFactor},
			"cut-out less cut-in as set", append(append([]string(nil), in.Inputs...), out.Inputs...))
	} else {
		s.absent("cut-in and cut-out are not both set", "band_set")
	}
	s.bandSeen()
	s.swings()
	s.bandTable()
}

// setAt is a setting: the controller's own where it is read, else the site
// file's.
func (s *sheet) setAt(name, key string, role scan.Role, sitePa float64) *Figure {
	if ch := s.g.sp.find(role); ch >= 0 && s.g.sp.chans[ch].unit.Dimension == quantity.Pressure {
		c := &s.g.sp.chans[ch]
		if a := &s.g.total.analog[c.slot]; a.n > 0 && s.g.exit != nil {
			last := c.si(float64(s.g.exit.tracks[ch].counts))
			method := "the controller's own setting, gauge"
			if a.min != a.max {
				low, high := c.extremes(a)
				method = fmt.Sprintf("the controller's own setting at the window's end, gauge; it was changed within the window, between %.4g and %.4g kPa",
					low/pascalsPerKPa, high/pascalsPerKPa)
			}
			return s.put(name, "kPa", estimate{last, resolutionU(c.countSI)}.scaled(1/pascalsPerKPa), method, []string{c.id})
		}
	}
	if sitePa > 0 {
		return s.put(name, "kPa", estimate{sitePa / pascalsPerKPa, 0}, "as the site file has it, gauge", []string{key + " of the site file"})
	}
	s.absent("neither the site file nor a channel says what is set", name)
	return nil
}

// transitions is the pressure at the loads or unloads of a machine, twice the
// counts, and how far it moved between the readings around each.
type bandEdge struct{ twice, steps []int64 }

func (e *bandEdge) add(twice, step int64) {
	e.twice, e.steps = append(e.twice, twice), append(e.steps, step)
}

// edges are the loads and unloads to judge the band by. A load that follows a
// start comes late by the start's length, and an unloading that is a stop may be
// anybody's doing: they count only where there is nothing else.
func (s *sheet) bandEdges() (in, out bandEdge, late bool) {
	var lateIn, stops bandEdge
	for _, c := range s.g.total.cycles {
		if !c.hasPressure {
			continue
		}
		if c.direct {
			in.add(c.atLoad, c.loadStep)
		} else {
			lateIn.add(c.atLoad, c.loadStep)
		}
		c.atUnload = s.atUnload(&c)
		if c.unloadMS > 0 {
			out.add(c.atUnload, c.unloadStep)
		} else {
			stops.add(c.atUnload, c.unloadStep)
		}
	}
	if len(in.twice) == 0 {
		in, late = lateIn, true
	}
	if len(out.twice) == 0 {
		out = stops
	}
	return in, out, late
}

// atUnload is twice the counts of the pressure at which a cycle unloaded. A level
// tells of the unloading seconds late, when the pressure has turned: the highest
// reading of the cycle is nearer.
func (s *sheet) atUnload(c *cycle) int64 {
	switch {
	case s.g.sp.loadLevel == nil:
		return c.atUnload
	case s.g.sp.chans[s.g.sp.pressure].countSI < 0:
		return 2 * c.minCounts
	}
	return 2 * c.maxCounts
}

// bandSeen sets cut_in_seen, cut_out_seen and their difference.
func (s *sheet) bandSeen() {
	sp := s.g.sp
	names := []string{"cut_in_seen", "cut_out_seen", "band_seen"}
	if sp.pressure < 0 || sp.chans[sp.pressure].unit.Dimension != quantity.Pressure {
		s.absent("no pressure channel", names...)
		return
	}
	in, out, late := s.bandEdges()
	if len(in.twice) == 0 {
		s.absent("no load cycle with pressure was seen whole", names...)
		return
	}
	note := ""
	if late {
		note = "; every load seen followed a start, during which the pressure goes on falling"
	}
	c := &sp.chans[sp.pressure]
	inputs := append([]string{c.input()}, s.stateInputs()...)
	low, lowU := s.edge(&in)
	high, highU := s.edge(&out)
	set := func(name, what string, pa, u float64, n int) {
		s.ratio(name, "kPa", estimate{pa, quad(c.reading(pa), u)}.scaled(1/pascalsPerKPa),
			"median pressure"+s.pressureAt()+" when the machine "+what+", led on from the last reading before by half of what it last moved; the interval holds what it moves from reading to reading", fmt.Sprintf("%d transitions", n), inputs)
	}
	set("cut_in_seen", "loads"+note, low, lowU, len(in.twice))
	set("cut_out_seen", "unloads", high, highU, len(out.twice))
	if sp.loadLevel != nil { // see bandEdges
		f := s.figures["cut_out_seen"]
		f.Method = "median of the highest reading" + s.pressureAt() + " of each load cycle, since a level tells of the unloading seconds late"
		s.figures["cut_out_seen"] = f
	}
	// One gauge reads both: its offset cancels, its slope and resolution stay.
	slope := math.Abs(c.reading(high) - c.reading(low))
	s.ratio("band_seen", "kPa", estimate{high - low, quad(lowU, highU, slope, float64(math.Sqrt2*resolutionU(c.countSI)))}.scaled(1/pascalsPerKPa),
		"cut-out less cut-in as seen; an offset of the gauge cancels", fmt.Sprintf("%d loads and %d unloads", len(in.twice), len(out.twice)), inputs)
}

// edge is the median pressure in Pa at transitions and its standard uncertainty
// without the gauge's: where between two readings each one lay, which polling
// and registers that are refreshed slowly may shift all the same way, and how
// far they scatter. The median of n scatters 1.25 times as much as their mean
// (normal law: √(π/2); from memory).
func (s *sheet) edge(e *bandEdge) (pa, u float64) {
	c := &s.g.sp.chans[s.g.sp.pressure]
	spread := float64(spreadOf(e.twice)*math.Abs(c.countSI)) / math.Sqrt(float64(len(e.twice)))
	slices.Sort(e.steps)
	step := float64(float64(e.steps[len(e.steps)/2]) * c.countSI)
	// What a level tells is seen late by its dwell as well.
	if l := s.g.sp.loadLevel; l != nil && c.periodMS > 0 {
		step *= 1 + float64(2*float64(l.dwellMS)/float64(c.periodMS))
	}
	return c.si(medianOf(e.twice)), quad(rectangular(step/2), float64(math.Sqrt(math.Pi/2)*spread))
}

// spreadOf is the standard deviation in counts of values given twice, by their
// quartiles, so that a few strays do not count (normal law: 1.349 of it lies
// between them; from memory); of fewer than four, half their range.
func spreadOf(twice []int64) float64 {
	sorted := append([]int64(nil), twice...)
	slices.Sort(sorted)
	n := len(sorted)
	if n == 0 {
		return 0
	}
	if n < 4 {
		return float64(sorted[n-1]-sorted[0]) / 4
	}
	return float64(sorted[3*n/4]-sorted[n/4]) / 2 / 1.349
}

// swings sets the lowest and highest reading of a load cycle and their distance.
func (s *sheet) swings() {
	sp := s.g.sp
	names := []string{"cycle_low", "cycle_high", "pressure_swing"}
	if sp.pressure < 0 || sp.chans[sp.pressure].unit.Dimension != quantity.Pressure {
		s.absent("no pressure channel", names...)
		return
	}
	c := &sp.chans[sp.pressure]
	var lows, highs, swings []int64 // twice the counts
	for _, cy := range s.g.total.cycles {
		if cy.hasPressure && cy.end == endedByLoad {
			low, high := cy.minCounts, cy.maxCounts
			if c.countSI < 0 {
				low, high = high, low
			}
			lows, highs, swings = append(lows, 2*low), append(highs, 2*high), append(swings, 2*(cy.maxCounts-cy.minCounts))
		}
	}
	if len(swings) == 0 {
		s.absent("no load cycle that began and ended with a load, without a stop or a gap, was seen with pressure", names...)
		return
	}
	over := fmt.Sprintf("%d whole load cycles, no stop between", len(swings))
	inputs := append([]string{c.input()}, s.stateInputs()...)
	set := func(name, what string, twice []int64) {
		scatter := float64(spreadOf(twice)*math.Abs(c.countSI)) / math.Sqrt(float64(len(twice)))
		pa := c.si(medianOf(twice))
		s.ratio(name, "kPa", estimate{pa, quad(c.reading(pa), float64(math.Sqrt(math.Pi/2)*scatter))}.scaled(1/pascalsPerKPa),
			"median of the "+what+" reading"+s.pressureAt()+" in each load cycle, from load to load", over, inputs)
	}
	set("cycle_low", "lowest", lows)
	set("cycle_high", "highest", highs)
	step := math.Abs(c.countSI)
	scatter := float64(spreadOf(swings)*step) / math.Sqrt(float64(len(swings)))
	f := s.put("pressure_swing", "kPa", estimate{float64(medianOf(swings) * step), quad(float64(math.Sqrt2*resolutionU(step)), float64(math.Sqrt(math.Pi/2)*scatter))}.scaled(1/pascalsPerKPa),
		"median of highest less lowest reading"+s.pressureAt()+" in each load cycle; an offset of the gauge cancels", inputs)
	f.Denominator = over
	f.Distribution = swingClasses(swings, float64(step/2/pascalsPerKPa))
	s.figures["pressure_swing"] = *f
}

// swingClasses counts sorted swings by classes of 10 kPa, wider where they
// would be more than thirty. kPa is what one of them is worth.
func swingClasses(sorted []int64, kPa float64) []Class {
	width := 10.0
	for float64(float64(sorted[len(sorted)-1])*kPa) > 30*width {
		width *= 2
	}
	var all []Class
	first := math.Floor(float64(float64(sorted[0])*kPa) / width)
	for i, k := 0, 0.0; i < len(sorted); k++ {
		to := float64((first + k + 1) * width)
		begin := i
		for i < len(sorted) && float64(float64(sorted[i])*kPa) < to {
			i++
		}
		all = append(all, Class{From: float64((first + k) * width), To: &to, Count: i - begin})
	}
	return all
}

// bandTable sets what is seen beside what is set.
func (s *sheet) bandTable() {
	if s.figures["cut_in_seen"].Value == nil || s.figures["cut_in_set"].Value == nil && s.figures["cut_out_set"].Value == nil {
		return
	}
	table := Table{Name: "pressure_band", Method: s.figures["cut_in_seen"].Method,
		Columns: []Column{{"seen", "kPa"}, {"uncertainty", "kPa"}, {"set", "kPa"}, {"seen less set", "kPa"}}}
	for _, r := range []struct{ row, key string }{{"cut-in", "cut_in"}, {"cut-out", "cut_out"}, {"band", "band"}} {
		seen, set := s.figures[r.key+"_seen"], s.figures[r.key+"_set"]
		row := Row{Name: r.row, Values: []*float64{seen.Value, seen.Uncertainty, set.Value, nil}}
		if set.Value != nil {
			off := *seen.Value - *set.Value
			row.Values[3] = &off
			if math.Abs(off) > quad(*seen.Uncertainty, *set.Uncertainty) {
				row.Note = "further from what is set than the uncertainty covers: the controller goes by a pressure taken elsewhere, the machine answers late, or the setting was another"
			}
		}
		table.Rows = append(table.Rows, row)
	}
	s.tables = append(s.tables, table)
}
