package analysis

import (
	"fmt"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Less than this of flowing air, or of the running time, tells little of what a
// cooler does at full flow.
const (
	leastFlowingMS = 600_000
	leastLoadShare = 0.15
)

// thermometer finds a channel of temperature among those of delta.health, or
// says why there is none.
func (s *sheet) thermometer(role scan.Role) (at int, why string) {
	sp := s.g.sp
	ch := sp.find(role)
	switch {
	case ch < 0:
		return -1, "no channel for " + string(role)
	case !sp.hasStates:
		return -1, "when the machine runs is not known: " + sp.statesAbsent
	case sp.chans[ch].unit.Dimension != quantity.Temperature:
		return -1, sp.chans[ch].id + " is not in a unit of temperature"
	}
	return sp.healthAt[ch], ""
}

// healthChan is the channel at a place of delta.health.
func (s *sheet) healthChan(at int) *chanSpec { return &s.g.sp.chans[s.g.sp.health[at]] }

// heat sets what the temperatures say of the coolers and of the way to a trip.
func (s *sheet) heat(m *sitefile.Machine) {
	s.approach(m)
	s.rise()
	s.margin(m)
}

// approach sets approach_temperature: aftercooler over ambient at full flow.
func (s *sheet) approach(m *sitefile.Machine) {
	const name = "approach_temperature"
	after, why := s.thermometer(scan.AftercoolerTemp)
	if why != "" {
		s.absent(why+"; see discharge_rise", name)
		return
	}
	ambient, why := s.thermometer(scan.AmbientTemperature)
	if why != "" {
		s.absent(why, name)
		return
	}
	total := s.g.total
	e, why := s.approachOf(m, total.health, after, ambient, s.loadOf(total), total.loads)
	if why != "" {
		s.absent(why, name)
		return
	}
	s.ratio(name, "K", e, "mean of the aftercooler's temperature less the ambient one while the motor ran, over the mean flow in that time, as a share of full flow: what it comes to at full flow; it is taken to be in proportion to the flow (assumed)",
		fmt.Sprintf("running time with a reading, %s of it with air flowing", inWords(total.health[after].flowing.ms)),
		append([]string{s.healthChan(after).input(), s.healthChan(ambient).input()}, s.stateInputs()...))
	s.usualApproach()
}

// loadOf is the load fraction summed while the motor ran.
func (s *sheet) loadOf(d *delta) (f sum) {
	for st := range d.fraction.all {
		if State(st).Running() {
			f.merge(d.fraction.all[st])
		}
	}
	return f
}

// approachOf is the approach at full flow by the sums of a stretch of time in
// which the machine loaded so many times.
func (s *sheet) approachOf(m *sitefile.Machine, h []healthSum, after, ambient int, fraction sum, loads int64) (e estimate, why string) {
	a, b := h[after], h[ambient]
	switch {
	case a.running.ms == 0 || b.running.ms == 0:
		return e, "aftercooler and ambient temperature were not both read while the motor ran"
	case a.flowing.ms < leastFlowingMS:
		return e, fmt.Sprintf("air flowed for %s only", inWords(a.flowing.ms))
	}
	flow, ok := s.flowShare(m, &a, fraction, loads)
	if !ok || flow.v < leastLoadShare {
		return e, fmt.Sprintf("air flowed for less than %.0f %% of the running time, or how much is not known", 100*leastLoadShare)
	}
	x, y := s.healthChan(after).mean(a.running), s.healthChan(ambient).mean(b.running)
	return estimate{x.v - y.v, quad(x.u, y.u)}.over(flow), ""
}

// flowShare is the mean flow over the running time, by full flow. After each
// load no air flows until the minimum-pressure valve opens.
func (s *sheet) flowShare(m *sitefile.Machine, h *healthSum, fraction sum, loads int64) (estimate, bool) {
	sp := s.g.sp
	switch {
	case m.Control.PartLoad() && sp.fraction >= 0 && fraction.ms > 0:
		return sp.chans[sp.fraction].mean(fraction).scaled(sp.fractionScale()), true
	case m.Control.PartLoad() || sp.runOnly || h.running.ms == 0:
		return estimate{}, false
	}
	running := float64(h.running.ms) / 1000
	delay := float64(float64(loads) * deliveryDelayS)
	return estimate{(float64(h.flowing.ms)/1000 - delay) / running, float64(loads) * rectangular(deliveryDelayLimitS) / running}, true
}

// rise sets discharge_rise.
func (s *sheet) rise() {
	const name = "discharge_rise"
	discharge, why := s.thermometer(scan.DischargeTemperature)
	if why != "" {
		s.absent(why, name)
		return
	}
	ambient, why := s.thermometer(scan.AmbientTemperature)
	if why != "" {
		s.absent(why, name)
		return
	}
	hot, cold := s.g.total.health[discharge].flowing, s.g.total.health[ambient].flowing
	if hot.ms == 0 || cold.ms == 0 {
		s.absent("discharge and ambient temperature were not both read while air flowed", name)
		return
	}
	mean := func(ch int, of sum) gum.Value {
		c := s.healthChan(ch)
		return c.value(c.mean(of).v)
	}
	s.ratioValue(name, "K", mean(discharge, hot).Minus(mean(ambient, cold)),
		"mean discharge temperature less the ambient one while air flowed; where a thermostat valve holds the oil, dirt on the cooler shows in it only once that is wide open",
		fmt.Sprintf("loaded time with a reading, %s", inWords(hot.ms)),
		append([]string{s.healthChan(discharge).input(), s.healthChan(ambient).input()}, s.stateInputs()...))
}

// margin sets discharge_temperature_max, and discharge_margin against the site
// file's trip temperature.
func (s *sheet) margin(m *sitefile.Machine) {
	const most, name = "discharge_temperature_max", "discharge_margin"
	ch := s.g.sp.find(scan.DischargeTemperature)
	switch {
	case ch < 0:
		s.absent("no channel for discharge_temperature", most, name)
		return
	case s.g.sp.chans[ch].unit.Dimension != quantity.Temperature:
		s.absent(s.g.sp.chans[ch].id+" is not in a unit of temperature", most, name)
		return
	}
	c := &s.g.sp.chans[ch]
	a := &s.g.total.analog[c.slot]
	if a.n == 0 {
		s.absent("no discharge temperature was read in this window", most, name)
		return
	}
	_, high := c.extremes(a)
	_, in := s.g.seenDischarge.inSI(c)
	e := estimate{high - quantity.ZeroCK, c.reading(high)}
	s.add(most, "°C", e, "highest reading of "+c.id, []string{c.input()})
	s.moment(most, in.from, in.to)
	if m.TripTemperatureK == 0 {
		s.absent("no trip_temperature in the site file", name)
		return
	}
	method := "trip temperature of the site file less the highest reading of " + c.id
	if s.partial {
		method += "; hotter ones may lie in gaps"
	}
	s.put(name, "K", estimate{m.TripTemperatureK - high, e.u}, method, []string{c.input(), "trip temperature"})
	s.moment(name, in.from, in.to)
}
