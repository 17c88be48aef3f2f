package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// CycleStorage is how long cycles are that the storage alone makes: t_load =
// V·Δp/(pa·(C-D)), t_unload = V·Δp/(pa·D), see air.LoadCycle, with the delivery delay.
type CycleStorage struct {
	Absent string   `json:"absent,omitempty"` // why there is no such curve
	Method string   `json:"method,omitempty"`
	Inputs []string `json:"inputs"`
	// BandKPa is between the pressures at which the machine is seen to load and unload,
	// where the air is stored; FillS how long its full flow takes to fill that, nobody
	// drawing, and DelayS how long after a load its air comes. Uncertainties are half
	// widths at 95 %.
	BandKPa *float64     `json:"band_kpa,omitempty"`
	FillS   *float64     `json:"fill_s,omitempty"`
	FillU   *float64     `json:"fill_uncertainty,omitempty"`
	DelayS  *float64     `json:"delay_s,omitempty"`
	Budget  []BudgetPart `json:"budget,omitempty"`
	// SeenS is FillS as the cycles themselves have it, the median of unloaded time times
	// the demand; SeenOf is how many tell it.
	SeenS  *float64     `json:"seen_s,omitempty"`
	SeenU  *float64     `json:"seen_uncertainty,omitempty"`
	SeenOf int          `json:"seen_of"`
	Points []CyclePoint `json:"points"`
	seen   gum.Value
	fill   gum.Value
}

// CyclePoint is how long a cycle is at a demand, a share of full flow.
type CyclePoint struct {
	Demand float64 `json:"demand"`
	CycleS float64 `json:"cycle_s"`
	LowS   float64 `json:"low_s"` // the interval at 95 %
	HighS  float64 `json:"high_s"`
}

// The curve is drawn between these demands: towards 0 and 1 cycles grow without end.
const leastCurve, mostCurve, curveSteps = 0.04, 0.96, 47

// cycleStorage makes the curve, and what the cycles say of it.
func (s *sheet) cycleStorage(m *sitefile.Machine, list []LoadCycle) CycleStorage {
	out := CycleStorage{Inputs: []string{}, Points: []CyclePoint{}}
	st := s.storage
	if why := s.noEdges(m, st.sys); why != "" {
		out.Absent = why
		return out
	}
	delay := s.deliveryDelay(m)
	out.DelayS = number64(delay.V)
	out.seenIn(list, delay, m.Name)
	slope, how, inputs := s.fillSlope(m)
	if slope.V <= 0 {
		out.Absent = how
		return out
	}
	band, of, bandInputs := s.storageBand(m)
	if band.V <= 0 {
		out.Absent = of
		return out
	}
	out.fill = band.Over(slope)
	out.BandKPa, out.FillS, out.FillU = number64(band.V/pascalsPerKPa), number64(out.fill.V), number64(coverageFactor*out.fill.U())
	out.Budget = budget(out.fill)
	out.Inputs = eachOnce(append(append([]string{}, inputs...), bandInputs...))
	out.Method = fmt.Sprintf("at an even demand a machine fills the band of its storage in V·Δp/(pa·(C-D)) and the plant empties it in V·Δp/(pa·D) (textbook form), C its full flow and D the demand; "+
		"both after a delivery delay of %.1f s, in which the pressure goes on falling; Δp: %s; V/C: %s", delay.V, of, how)
	for i := range curveSteps {
		f := leastCurve + float64(float64(i)*(mostCurve-leastCurve)/(curveSteps-1))
		t := out.fill.Scaled(1 / float64(f*(1-f))).Plus(delay.Scaled(1 / (1 - f)))
		c := air.LoadCycle(out.fill.V, 1, 1, 1, f).Delayed(delay.V, 1, f)
		half := float64(coverageFactor * t.U())
		out.Points = append(out.Points, CyclePoint{f, c.LoadedS + c.UnloadedS, max(0, c.LoadedS+c.UnloadedS-half), c.LoadedS + c.UnloadedS + half})
	}
	return out
}

// seenIn is the median over the cycles without a stop of unloaded time times demand:
// what is drawn while unloaded is what the band holds.
func (o *CycleStorage) seenIn(list []LoadCycle, delay gum.Value, machine string) {
	var all, parts []float64
	for i := range list {
		if c := &list[i]; c.Demand != nil && c.Ended == TurnLoad && c.Started == "" {
			all = append(all, float64(c.UnloadedS**c.Demand))
			parts = append(parts, c.UnloadedS / *c.CycleS)
		}
	}
	o.SeenOf = len(all)
	if len(all) < leastCycles {
		return
	}
	middle, u, _ := middleOf(all)
	share, _, _ := middleOf(parts)
	o.seen = gum.New(middle, u, scatterInput("load cycles", machine)).Plus(gum.Exact(delay.V).Minus(delay).Scaled(share))
	o.SeenS, o.SeenU = number64(middle), number64(coverageFactor*o.seen.U())
}

// fillSlope is how fast full flow raises the pressure of the storage, Pa/s: by the
// volume of the site file and the machine's flow, for that is what the cycles are
// held against; else by the pressure itself.
func (s *sheet) fillSlope(m *sitefile.Machine) (slope gum.Value, how string, inputs []string) {
	st := s.storage
	volume := knownVolume(st.sys)
	flow := s.full.own
	switch {
	case volume.V > 0 && flow.V > 0:
		// perFlow of a slope gives volume over flow, so that of volume over flow gives the slope.
		how = fmt.Sprintf("the parts of the site file (%.3g m³, within %.0f %%) and its full flow (%s)", volume.V, 100*volumeLimit, s.full.method)
		return s.perFlow(volume.Over(flow), st.sys), how, append([]string{"site file"}, s.full.inputs...)
	case st.absent == "":
		return st.slope, st.method, []string{st.tap}
	case volume.V == 0:
		return gum.Value{}, "no part of the system has a volume in the site file, and the pressure does not show it: " + st.absent, nil
	}
	return gum.Value{}, "the full flow of " + m.Name + " is not known, and the pressure does not show how fast it fills the storage: " + st.absent, nil
}

// storageBand is between the pressures of the storage at the loads and at the unloads,
// Pa: by the lines before them where there are enough, else by the machine's own
// readings.
func (s *sheet) storageBand(m *sitefile.Machine) (band gum.Value, of string, inputs []string) {
	st := s.storage
	direct := map[int64]bool{}
	for i := range s.g.total.cycles {
		if y := &s.g.total.cycles[i]; y.direct {
			direct[y.loadWall] = true
		}
	}
	var low, high []float64
	for i := range st.loads {
		if f := &st.loads[i]; direct[f.wall] {
			low = append(low, f.at)
		}
	}
	for i := range st.stops {
		high = append(high, st.stops[i].at)
	}
	if len(low) >= leastEdges && len(high) >= leastEdges {
		c := &s.g.sp.chans[s.g.sp.tap]
		text := fmt.Sprintf("of %s, median of %d loads and %d unloads", c.id, len(low), len(high))
		bottom, bottomU, _ := middleOf(low)
		top, topU, _ := middleOf(high)
		band = s.between(c, bottom, top, quad(bottomU, topU))
		if st.drop.V > 0 {
			band = band.Minus(st.drop)
			text += ", less the drop of its flow"
		}
		return band, text, []string{c.input()}
	}
	c := s.pressureOf()
	if c == nil {
		return gum.Value{}, "no pressure of the machine is read", nil
	}
	in, out, late := s.bandEdges()
	if late || len(in.twice) == 0 || len(out.twice) == 0 {
		return gum.Value{}, "no load that followed unloaded running was seen with pressure", nil
	}
	bottom, bottomU := s.edge(&in)
	top, topU := s.edge(&out)
	band = s.between(c, bottom, top, quad(bottomU, topU))
	text := fmt.Sprintf("of %s, median of %d loads and %d unloads", c.id, len(in.twice), len(out.twice))
	if drop, ok := s.values["treatment_drop"]; ok && gaugePlace(st.sys, c) < 0 {
		return band.Minus(drop.Scaled(pascalsPerKPa)), text + ", less the drop of its flow to the receiver", []string{c.input()}
	}
	return band, text, []string{c.input()}
}

// between is the difference of two pressures on one gauge, whose offset cancels.
func (s *sheet) between(c *chanSpec, low, high, u float64) gum.Value {
	slope := math.Abs(c.reading(high) - c.reading(low))
	return gum.New(high-low, u, scatterInput("band", s.g.sp.name)).Plus(gum.New(0, slope, accuracyInput(c)))
}
