package analysis

import (
	"fmt"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Assumptions for air without a flow meter.
const (
	// True flow lies -12 to +5 % off the nameplate (common practice, no
	// source). The nameplate is corrected to the middle of that range; the rest
	// of it is a rectangular limit.
	flowMiddle    = 1 - 0.035
	flowHalfWidth = 0.085
	// After loading, no air leaves until the sump has passed the
	// minimum-pressure valve: 3 s, anything from 0 to 6 (common practice, no
	// source).
	deliveryDelayS, deliveryDelayLimitS = 3.0, 3.0
)

// airResult is the air delivered in the observed time.
type airResult struct {
	absent string
	m3     estimate
	method string
	inputs []string
	flow   estimate // m³/s at full load; v 0: not known
	dry    bool     // m3 is dry air of ISO 1217's condition, else air as it is drawn in
}

// toFreeAir is what one cubic metre in a basis is in free air, dry at 100 kPa and
// 20 °C. Free air at the inlet is taken as it stands.
func toFreeAir(b quantity.FlowBasis, scfm air.Condition) float64 {
	if from, ok := air.Reference(b, scfm); ok {
		return from.VolumeAt(air.FAD())
	}
	return 1
}

func (s *sheet) toFreeAir(b quantity.FlowBasis) float64 { return toFreeAir(b, s.site.Scfm) }

// airFigures sets the figures of one machine's air.
func (s *sheet) airFigures(m *sitefile.Machine) {
	s.air = s.findAir(m)
	s.airSums(&s.air, &s.energy)
	s.specificLoaded()
}

// findAir takes air from a flow meter, else from rated flow and loaded time.
func (s *sheet) findAir(m *sitefile.Machine) airResult {
	if a, ok := s.meteredAir(s.g.sp.find(scan.Flow)); ok {
		return a
	}
	sp := s.g.sp
	switch {
	case m.RatedFlowM3S <= 0:
		return airResult{absent: "no flow meter and no rated flow"}
	case !sp.hasStates:
		return airResult{absent: "no flow meter, and " + sp.statesAbsent}
	case sp.runOnly:
		return airResult{absent: "no flow meter, and no loaded signal, load fraction or power tells loaded from unloaded"}
	}
	t := s.g.total
	full := estimate{float64(t.stateMS[Loaded]) / 1000, s.timeU(s.edges[Loaded])}
	a := airResult{method: "rated flow less 3.5 % (true flow lies -12 to +5 % off the nameplate)",
		inputs: append([]string{"rated flow (assumed)"}, s.stateInputs()...)}
	rated := m.RatedFlowM3S * flowMiddle
	a.flow = estimate{rated, rectangular(flowHalfWidth * m.RatedFlowM3S)}
	if part := t.stateMS[PartLoad]; part > 0 {
		f := t.fraction.all[PartLoad]
		if sp.fraction < 0 || f.ms == 0 {
			return airResult{absent: "no flow meter, and no load fraction says what it delivered at part load"}
		}
		// Time at part load without a reading counts at the mean fraction.
		share := sp.chans[sp.fraction].mean(f).scaled(sp.fractionScale())
		full = full.plus(share.scaled(float64(part) / 1000))
		a.method += ", in proportion to the load fraction at part load (assumed)"
		a.inputs = append(a.inputs, sp.chans[sp.fraction].input())
	}
	loads := float64(t.loads)
	delay := min(float64(loads*deliveryDelayS), full.v)
	flowing := estimate{full.v - delay, quad(full.u, loads*rectangular(deliveryDelayLimitS))}
	a.method += fmt.Sprintf(", times loaded time less %.0f ± %.0f s for each of %.0f loads until the minimum-pressure valve opens (assumed)",
		deliveryDelayS, deliveryDelayLimitS, loads)
	a.m3 = estimate{float64(rated * flowing.v), quad(a.flow.u*flowing.v, rated*flowing.u)}
	a.inputs = append(a.inputs, "delivery delay (assumed)")
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
	a := airResult{m3: c.integral(part).scaled(s.toFreeAir(c.unit.Basis)), inputs: []string{c.input()},
		method: "integral of the flow meter"}
	if c.unit.Basis != quantity.FreeAir {
		a.dry = true
		a.method += ", brought to free air (dry, 100 kPa, 20 °C)"
	}
	return a, true
}

// airSums sets the figures that follow from air and energy, for machines and
// systems.
func (s *sheet) airSums(a *airResult, e *energyResult) {
	if a.absent != "" {
		s.absent(a.absent, "air_delivered", "flow_mean", "specific_power", "specific_energy")
		return
	}
	s.add("air_delivered", "m³", a.m3, a.method, a.inputs)
	seen := float64(s.g.total.observedMS()) / 1000
	if seen > 0 {
		s.ratio("flow_mean", "m³/min", a.m3.scaled(60/seen), "air delivered over observed time; "+a.method, "observed time", a.inputs)
	} else {
		s.absent("nothing was observed in this window", "flow_mean")
	}
	switch {
	case e.absent != "":
		s.absent(e.absent, "specific_power", "specific_energy")
		return
	case a.m3.v <= 0:
		s.absent("no air was delivered in the observed time", "specific_power", "specific_energy")
		return
	}
	inputs := append(append([]string(nil), e.inputs...), a.inputs...)
	kWh := estimateOf(e.running.Scaled(1 / joulesPerKWh))
	s.ratio("specific_power", "kW/(m³/min)", kWh.over(a.m3).scaled(60),
		"energy of all observed running time over the air delivered in it; air: "+a.method, "air delivered, all running time", inputs)
	s.ratio("specific_energy", "kWh/m³", estimateOf(e.seen.Scaled(1/joulesPerKWh)).over(a.m3),
		"energy of all observed time over the air delivered in it; air: "+a.method, "air delivered, all observed time", inputs)
}

// specificLoaded sets the full-load specific power.
func (s *sheet) specificLoaded() {
	const name = "specific_power_loaded"
	sp := s.g.sp
	switch {
	case sp.power < 0:
		s.absent("no power channel", name)
	case s.air.flow.v <= 0:
		s.absent("no rated flow to set against loaded power", name)
		if s.air.absent == "" && sp.find(scan.Flow) >= 0 {
			s.absent("this version does not split a flow meter's reading by state", name)
		}
	case !sp.hasStates || s.g.total.power.same[Loaded].ms == 0:
		s.absent("the machine was not seen loaded", name)
	default:
		c := &sp.chans[sp.power]
		kW := c.mean(s.g.total.power.same[Loaded]).scaled(1 / wattsPerKW)
		s.ratio(name, "kW/(m³/min)", kW.over(s.air.flow.scaled(60)),
			"mean loaded power over rated flow less 3.5 % (true flow lies -12 to +5 % off the nameplate); package boundary as the power channel has it; wear cannot be seen with an assumed flow",
			"rated flow at full load", []string{c.input(), "rated flow (assumed)"})
	}
}

// addAir is the sum of independent machines' air.
func addAir(parts []airResult) airResult {
	var total airResult
	var us []float64
	for i, p := range parts {
		if p.absent != "" {
			return airResult{absent: "not known for every machine: " + p.absent}
		}
		total.m3.v += p.m3.v
		us = append(us, p.m3.u)
		if i == 0 {
			total.method = "sum of the machines; first of them: " + p.method
		}
		total.inputs = append(total.inputs, p.inputs...)
	}
	if len(parts) == 0 {
		return airResult{absent: "the system has no machine"}
	}
	total.m3.u = quad(us...)
	return total
}
