package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

const minuteMS = 60_000

// airMinute is what one wall minute of a system says of its air.
type airMinute struct {
	startMS int64
	seenMS  int64 // for which every machine, and the tap or meter, was observed
	// By machine: seconds for which it delivered, after its delay, at full flow or
	// as much of it as it was set to.
	fullS []float64
	// What the uncertainty of fullS needs, by machine: loads in the minute, each by
	// the share of the delay that it took, edges whose moment is known to a scan only,
	// and the seconds of full flow by which part load may be wrong.
	loads     []float64
	edges     []int32
	partS     []float64
	meteredM3 float64
	meteredMS int64
	// Pressure that the stores follow, at the minute's begin and end, gauge.
	startPa, endPa float64
	hasPressure    bool
	// Square of the flow's share of full flow at those moments, where the pressure
	// is read before the parts that it drops across.
	startDrop, endDrop float64
	delivering         bool // a machine delivered, were it only for a moment
}

// airBalance is the mass balance of one system's air: what the machines
// delivered, or a meter counted, less what the stores took. All flows are free
// air at the inlet.
type airBalance struct {
	sys      *sitefile.System
	absent   string
	minutes  []airMinute
	machines []string
	flow     []gum.Value // of each machine at full load, m³/s
	volume   gum.Value   // m³ that follow the pressure
	inletPa  float64     // dry air at the inlet, absolute
	counts   bool        // a meter is part of the supply
	dryPa    gum.Value   // inletPa with its uncertainty
	inlet    inletAir
	basis    gum.Value // what the meter's basis brings: 1, and its uncertainty
	metered  bool      // a meter gives all of it, and volume is what lies behind it
	drop     gum.Value // Pa at full flow, from where the pressure is read to the stores
	full     float64   // m³/s of all machines at full load, whether metered or not
	// Uncertainty of the parts that are not flow or volume.
	delay     []gum.Value // s, of each machine, from a load until its air leaves
	delayU    []float64   // s, standard, of that
	edgeU     []float64   // s, standard, of the moment of one load or unload
	pressureU float64     // Pa, standard, of one reading of the pressure, by resolution and noise
	gaugeU    float64     // relative, of a difference of pressure, by the instrument's accuracy
	meterU    float64     // relative, of the meter
	storeU    float64     // relative, of dry air in the stores by their pressure: humidity and temperature
	scanS     float64     // slowest period of what is read
	names     airNames
	inputs    []string
	method    string
}

// airNames are the balance's inputs by name, where they are not by machine.
type airNames struct{ gauge, reading, meter, exponent, stored string }

// whole reports whether a minute can be balanced: all of it was observed, and
// the pressure at both its ends.
func (b *airBalance) whole(i int) bool {
	m := &b.minutes[i]
	if !m.hasPressure && b.volume.V > 0 || m.seenMS < leastMinuteMS || m.seenMS > mostMinuteMS {
		return false
	}
	return !b.counts || m.meteredMS >= leastMinuteMS
}

// A minute counts as observed where little of it was not. One of more than its
// length is a minute that the clock showed twice.
const (
	leastMinuteMS = 57_000
	mostMinuteMS  = 63_000
)

// airSums are the sums over chosen minutes that the balance is linear in.
type airSums struct {
	seconds      float64
	fullS, partS []float64
	loads, edges []float64
	meteredM3    float64
	gainPa       float64 // end less begin, over all runs of minutes
	drops        float64 // likewise, of the flow's share squared
	runs         int     // stretches of neighbouring minutes
	swingPa2S    float64 // Σ (gain of a run, damped by its length)²
}

// sum adds up the whole ones of the chosen minutes, which are in order.
func (b *airBalance) sum(minutes []int) airSums {
	n := len(b.flow)
	s := airSums{fullS: make([]float64, n), partS: make([]float64, n), loads: make([]float64, n), edges: make([]float64, n)}
	var run struct {
		begin, end         float64
		beginDrop, endDrop float64
		last               int
		minutes            int
	}
	close := func() {
		if run.minutes == 0 {
			return
		}
		gain := run.end - run.begin
		s.gainPa += gain
		s.drops += run.endDrop - run.beginDrop
		s.runs++
		swing := float64(gain * heatShare(float64(run.minutes)*60))
		s.swingPa2S += float64(swing * swing)
		run.minutes = 0
	}
	for _, i := range minutes {
		if !b.whole(i) {
			continue
		}
		m := &b.minutes[i]
		if run.minutes > 0 && (i != run.last+1 || m.startMS != b.minutes[run.last].startMS+minuteMS) {
			close()
		}
		if run.minutes == 0 {
			run.begin, run.beginDrop = m.startPa, m.startDrop
		}
		run.end, run.endDrop, run.last = m.endPa, m.endDrop, i
		run.minutes++
		s.seconds += float64(m.seenMS) / 1000
		s.meteredM3 += m.meteredM3
		for k := range n {
			s.fullS[k] += m.fullS[k]
			s.partS[k] += m.partS[k]
			s.loads[k] += m.loads[k]
			s.edges[k] += float64(m.edges[k])
		}
	}
	close()
	return s
}

// heatShare is how much of the heat of compression is still in the air of a
// vessel after a change of pressure that took so long: its walls take it up in
// about a minute (common practice, no source).
func heatShare(seconds float64) float64 { return wallS / (wallS + float64(seconds)) }

const (
	wallS = 60.0
	// Without any exchange of heat the exponent is that of air, 1.4, and a vessel
	// takes 1/1.4 of what it does at a steady temperature.
	adiabaticShare = 1 - 1/1.4
)

// mean is the demand over chosen minutes in order, as a flow of free air in m³/s, and the
// observed seconds it is over; 0 seconds: none of them can be balanced. What all
// minutes share (flow, volume) stays in the mean, what each has of its own (the
// resolution of its pressure, the moment of a load) shrinks with their number.
func (b *airBalance) mean(minutes []int) (gum.Value, float64) {
	if b.absent != "" {
		return gum.Value{}, 0
	}
	s := b.sum(minutes)
	if s.seconds == 0 {
		return gum.Value{}, 0
	}
	v := b.supply(&s).Minus(b.stored(&s))
	return v.Scaled(1 / s.seconds), s.seconds
}

// supply is the air that came, m³.
func (b *airBalance) supply(s *airSums) gum.Value {
	var total gum.Value
	if b.counts {
		total = gum.New(s.meteredM3, math.Abs(float64(s.meteredM3*b.meterU)), b.names.meter).Times(b.basis)
	}
	if b.metered {
		return total
	}
	for k, q := range b.flow {
		if s.fullS[k] == 0 && s.edges[k] == 0 || q.V == 0 {
			continue
		}
		name := b.machines[k]
		total = total.Plus(q.Scaled(s.fullS[k])).
			Plus(gum.New(0, float64(s.partS[k]*q.V)/math.Sqrt(3), partLoadInput(name))).
			// A longer delay is less air.
			Minus(b.delay[k].Minus(gum.Exact(b.delay[k].V)).Scaled(float64(s.loads[k] * q.V))).
			Plus(gum.New(0, float64(math.Sqrt(s.edges[k])*b.edgeU[k])*q.V, momentsInput(name)))
	}
	return total
}

// stored is the air that the stores gained, m³ of free air.
func (b *airBalance) stored(s *airSums) gum.Value {
	v := b.volume.V / b.inletPa
	gainPa := gum.Exact(s.gainPa).Minus(b.drop.Scaled(s.drops))
	gain := float64(gainPa.V * v)
	return b.volume.Times(gainPa).Over(b.dryPa).
		Plus(gum.New(0, float64(gain*b.gaugeU), b.names.gauge)).
		Plus(gum.New(0, float64(gain*b.storeU), b.names.stored)).
		Plus(gum.New(0, float64(math.Sqrt(s.swingPa2S)*v*adiabaticShare)/math.Sqrt(3), b.names.exponent)).
		Plus(gum.New(0, float64(b.pressureU*math.Sqrt(2*float64(s.runs)))*v, b.names.reading))
}

// noiseM3 is the standard uncertainty in a stretch's air that does not grow with
// its length: the pressure at its two ends, and one load or unload of the
// largest machine in each.
func (b *airBalance) noiseM3() float64 {
	noise := float64(b.pressureU*math.Sqrt2) * b.volume.V / b.inletPa
	var edge float64
	if !b.metered {
		for k := range b.flow {
			edge = max(edge, b.flow[k].V*quad(float64(b.edgeU[k]*math.Sqrt2), b.delayU[k]))
		}
	}
	return quad(noise, edge)
}

// resolvable is what counts as resolved: noise of at most this share of the
// machines' full flow, with a 95 % interval.
const resolvable = 0.10

// resolutionS is the shortest time over which demand can be told, in seconds: in
// less, the noise of one stretch hides a tenth of full flow.
func (b *airBalance) resolutionS() float64 {
	if b.full <= 0 {
		return 0
	}
	return max(coverageFactor*b.noiseM3()/(resolvable*b.full), 3*b.scanS)
}

// resolution says so in words.
func (b *airBalance) resolution() string {
	return fmt.Sprintf("not resolvable below %.0f s: in less, volume times the pressure's resolution, and a load's moment and delay, hide a tenth of the full flow",
		b.resolutionS())
}
