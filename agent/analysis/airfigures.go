package analysis

import (
	"fmt"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// After loading, no air leaves until the sump has passed the minimum-pressure
// valve: 3 s, anything from 0 to 6 (common practice, no source).
const deliveryDelayS, deliveryDelayLimitS = 3.0, 3.0

// airResult is the air delivered in the observed time, as free air at the inlet.
type airResult struct {
	absent string
	m3     gum.Value
	// seconds for which a meter was read; 0: the air is that of all observed time.
	seconds float64
	method  string
	inputs  []string
}

// airFigures sets the figures of one machine's air.
func (s *sheet) airFigures(m *sitefile.Machine) {
	s.inlet = airAtInlet(s)
	s.findFullFlow(m)
	s.air = s.findAir(m)
	s.airSums(&s.air, &s.energy)
	s.loadedPower(m)
}

// findAir takes air from a flow meter, else from full-load flow and loaded time.
func (s *sheet) findAir(m *sitefile.Machine) airResult {
	if a, ok := s.meteredAir(s.g.sp.find(scan.Flow)); ok {
		return a
	}
	sp := s.g.sp
	switch {
	case s.full.v.V <= 0:
		return airResult{absent: "no flow meter and " + s.full.absent}
	case !sp.hasStates:
		return airResult{absent: "no flow meter, and " + sp.statesAbsent}
	case sp.runOnly:
		return airResult{absent: "no flow meter, and no loaded signal, load fraction or power tells loaded from unloaded"}
	}
	t := s.g.total
	full := gum.New(float64(t.stateMS[Loaded])/1000, s.timeU(s.edges[Loaded]), momentsInput(m.Name))
	a := airResult{method: s.full.method, inputs: append(append([]string(nil), s.full.inputs...), s.stateInputs()...)}
	if part := t.stateMS[PartLoad]; part > 0 {
		f := t.fraction.all[PartLoad]
		if sp.fraction < 0 || f.ms == 0 {
			return airResult{absent: "no flow meter, and no load fraction says what it delivered at part load"}
		}
		// Time at part load without a reading counts at the mean fraction.
		c := &sp.chans[sp.fraction]
		full = full.Plus(c.value(c.mean(f).v).Scaled(sp.fractionScale()).Scaled(float64(part) / 1000))
		a.method += ", in proportion to the load fraction at part load (assumed)"
		a.inputs = append(a.inputs, c.input())
	}
	loads := float64(t.loads)
	delay, how, from := s.settledDelay(m), "assumed", "delivery delay (assumed)"
	if s.delaySeen() {
		how, from = "as the pressure shows it, see delivery_delay", s.storage.tap
		if seen := s.deliveryDelay(m).V; delay.V > seen {
			how = fmt.Sprintf("that of a sump that has blown down, led on from the %.1f s of delivery_delay, which is of the loads as they were", seen)
		}
	}
	fills := s.fills()
	off := delay.Scaled(fills)
	off.V = min(off.V, full.V)
	a.method += fmt.Sprintf(", times loaded time less %.1f ± %.1f s for each of %.0f loads until the minimum-pressure valve opens (%s)",
		delay.V, coverageFactor*delay.U(), loads, how)
	if fills < 0.95*loads {
		a.method += fmt.Sprintf("; %.0f %% of that in the mean, since the sump had not yet blown down", 100*fills/loads)
	}
	a.inputs = append(a.inputs, from)
	a.m3 = s.full.v.Times(full.Minus(off))
	return a
}

// meteredAir integrates a flow channel.
func (s *sheet) meteredAir(ch int) (airResult, bool) {
	if ch < 0 {
		return airResult{}, false
	}
	c := &s.g.sp.chans[ch]
	part := s.g.total.analog[c.slot].sum
	if part.ms == 0 || c.unit.Dimension != quantity.Flow {
		return airResult{}, false
	}
	a := airResult{inputs: []string{c.input()}, method: "integral of the flow meter", seconds: float64(part.ms) / 1000}
	a.m3 = s.metered(c, c.mean(part).v).Scaled(float64(part.ms) / 1000)
	if c.unit.Basis != quantity.FreeAir {
		a.method += ", brought from " + c.unit.Symbol + " to free air at the inlet"
	}
	a.inputs = append(a.inputs, s.basisInputs(c)...)
	a.method += s.meterKind(c)
	return a, true
}

// A meter that was read for less than this part of the observed time does not stand
// for the rest of it; of less than wholeMetered it is said.
const leastMetered, wholeMetered = 0.9, 0.98

// inAll is the air in all observed time, were its mean the same where the meter was
// not read; short says how long that was, if long.
func (a *airResult) inAll(seenS float64) (m3 gum.Value, short string) {
	if a.seconds == 0 || seenS == 0 {
		return a.m3, ""
	}
	if a.seconds < float64(wholeMetered*seenS) {
		short = fmt.Sprintf("; the flow meter was read for %.0f %% of the observed time", 100*a.seconds/seenS)
	}
	return a.m3.Scaled(seenS / a.seconds), short
}

// airSums sets the figures that follow from air and energy, for machines and
// systems.
func (s *sheet) airSums(a *airResult, e *energyResult) {
	if a.absent != "" {
		s.absent(a.absent, append(perAirNames(), "air_delivered", "flow_mean")...)
		return
	}
	seen := float64(s.g.total.observedMS()) / 1000
	m3, short := a.inAll(seen)
	s.boundValue("air_delivered", "m³", a.m3, s.partial || short != "", "free air at the inlet: "+a.method+short, a.inputs)
	if seen > 0 {
		s.ratioValue("flow_mean", "m³/min", m3.Scaled(60/seen), "air delivered over observed time; "+a.method+short, "observed time", a.inputs)
		if s.figures["flow_mean"].Value != nil {
			s.referenceTable(m3.Scaled(1 / seen))
		}
	} else {
		s.absent(nothingSeen, "flow_mean")
	}
	switch {
	case e.absent != "":
		s.absent(e.absent, perAirNames()...)
		return
	case a.seconds > 0 && a.seconds < float64(leastMetered*seen):
		s.absent("the flow meter was not read in enough of the time whose energy is known"+short, perAirNames()...)
		return
	case a.m3.V <= 0:
		s.absent("no air was delivered in the observed time", perAirNames()...)
		return
	}
	inputs := append(append([]string(nil), e.inputs...), a.inputs...)
	kWh := func(of gum.Value) gum.Value { return of.Scaled(1 / joulesPerKWh) }
	s.ratioValue("specific_power", "kW/(m³/min)", kWh(e.running).Over(m3).Scaled(60),
		"energy of all observed running time over the air delivered in it, at the pressure it was delivered at; air: "+a.method, "air delivered, all running time", inputs)
	s.ratioValue("specific_energy", "kWh/m³", kWh(e.seen).Over(m3),
		"energy of all observed time over the air delivered in it; air: "+a.method, "air delivered, all observed time", inputs)
	s.airCost(e, m3, a.method, inputs)
}

// perAirNames are the figures that are divided by air.
func perAirNames() []string { return []string{"specific_power", "specific_energy", "air_cost"} }

// airCost sets what a volume of air costs in electricity.
func (s *sheet) airCost(e *energyResult, m3 gum.Value, air string, inputs []string) {
	const name = "air_cost"
	if e.moneyAbsent != "" {
		s.absent(e.moneyAbsent, name)
		return
	}
	method := "cost of the energy of all observed time, each quarter hour at its price, over the air delivered in it"
	if len(s.site.Tariff.Demand) > 0 {
		method += "; the demand charge is left out: it follows the highest demand, not the volume"
	}
	s.ratioValue(name, s.site.Tariff.Currency+"/m³", e.money.Over(m3), method+"; no service, no depreciation; air: "+air,
		"air delivered, all observed time", append([]string{"tariff"}, inputs...))
}

// addAir is the sum of the machines' air. What they share, such as the air at the
// inlets, stays shared.
func addAir(parts []airResult) airResult {
	var total airResult
	for i, p := range parts {
		if p.absent != "" {
			return airResult{absent: "not known for every machine: " + p.absent}
		}
		total.m3 = total.m3.Plus(p.m3)
		if i == 0 {
			total.method = "sum of the machines; first of them: " + p.method
		}
		total.inputs = append(total.inputs, p.inputs...)
	}
	if len(parts) == 0 {
		return airResult{absent: "the system has no machine"}
	}
	return total
}
