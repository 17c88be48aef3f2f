package analysis

import (
	"fmt"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// efficiencyLimit is by how much of itself the correction to rated pressure may be
// wrong, since a real machine's efficiency does not stay the same (common
// practice, no source).
const efficiencyLimit = 0.3

// loadedPower sets the figures of full load: specific power at the pressure seen
// and at rated pressure, and efficiency.
func (s *sheet) loadedPower(m *sitefile.Machine) {
	const loaded, rated, efficiency = "specific_power_loaded", "specific_power_rated", "isentropic_efficiency"
	kW, why := s.kiloWattsLoaded()
	switch {
	case why != "":
		s.absent(why, loaded, rated, efficiency)
		return
	case s.full.v.V <= 0:
		s.absent("no flow to set against loaded power: "+s.full.absent, loaded, rated, efficiency)
		return
	}
	inputs := append(append([]string(nil), s.draw.inputs...), s.full.inputs...)
	wear := ""
	if s.full.assumed {
		wear = "; wear cannot be seen with an assumed flow"
	}
	specific := kW.Over(s.full.v.Scaled(60))
	s.ratioValue(loaded, "kW/(m³/min)", specific, "mean loaded power over "+s.full.method+", at the pressure seen while loaded; "+s.boundary()+wear,
		"flow at full load", inputs)
	p, why, with := s.pressureLoaded()
	if why != "" {
		s.absent(why, rated, efficiency)
		return
	}
	inputs = append(inputs, with...)
	s.specificRated(m, specific, p, wear, inputs)
	ideal := through(func(x []float64) float64 { return air.IsentropicW(1, x[0], x[1]) }, s.inlet.pressure, p)
	// W by m³/s over kW by m³/min.
	share := ideal.Scaled(1 / (60 * wattsPerKW)).Over(specific)
	s.ratioValue(efficiency, "1", share,
		fmt.Sprintf("isentropic power of the delivered free air from the inlet to the package's discharge at %s (ISO 1217:2009/A1:2016, from memory) over the package's power, while loaded; %s%s",
			s.shownPressure(p.V-s.inlet.pressure.V), s.boundary(), wear), "package power at full load", inputs)
	s.regulated(m, efficiency, p.V-s.inlet.pressure.V)
}

// kiloWattsLoaded is the mean power of full load.
func (s *sheet) kiloWattsLoaded() (kW gum.Value, why string) {
	part := s.g.total.power.same[Loaded]
	switch {
	case s.draw == nil:
		return kW, s.drawAbsent
	case !s.g.sp.hasStates:
		return kW, s.g.sp.statesAbsent
	case part.ms == 0:
		return kW, "the machine was not seen loaded"
	}
	return s.draw.mean(Loaded, part, s.g.to).Scaled(1 / wattsPerKW), ""
}

// boundary says what the power is of.
func (s *sheet) boundary() string {
	text := "package boundary: what the power channel is connected to"
	for _, r := range []scan.Role{scan.FanPower, scan.DryerPower} {
		if ch := s.g.sp.find(r); ch >= 0 {
			text += fmt.Sprintf(", %s (%s) not added", s.g.sp.chans[ch].id, r)
		}
	}
	return text
}

// pressureLoaded is the mean absolute pressure at the package's discharge while air
// flowed.
func (s *sheet) pressureLoaded() (pa gum.Value, why string, inputs []string) {
	ch := s.g.sp.find(scan.DischargePressure)
	switch {
	case ch < 0 || s.g.sp.chans[ch].unit.Dimension != quantity.Pressure || s.g.sp.healthAt[ch] < 0:
		return pa, "no channel for discharge_pressure", nil
	case s.g.total.health[s.g.sp.healthAt[ch]].flowing.ms == 0:
		return pa, "the discharge pressure was not read while air flowed", nil
	}
	c := &s.g.sp.chans[ch]
	pa = c.value(c.mean(s.g.total.health[s.g.sp.healthAt[ch]].flowing).v)
	if c.unit.Absolute {
		pa.V += s.site.BarometerPa // the fold has made it gauge
	} else {
		pa = pa.Plus(s.inlet.pressure)
	}
	if gauge := pa.Minus(s.inlet.pressure); gauge.V <= 2*coverageFactor*gauge.U() {
		return pa, fmt.Sprintf("the discharge pressure read while air flowed, %s, is not clearly above that of the air outside", s.shownPressure(gauge.V)), nil
	}
	return pa, "", []string{c.input(), s.inlet.inputs[0]}
}

// shownPressure is a gauge pressure of a sentence in the site's units.
func (s *sheet) shownPressure(pa float64) string { return shownIn(s.site, pa/pascalsPerKPa, "kPa") }

// specificRated brings specific power to the rated pressure.
func (s *sheet) specificRated(m *sitefile.Machine, specific, pa gum.Value, wear string, inputs []string) {
	const name = "specific_power_rated"
	if m.RatedPressurePa <= 0 {
		s.absent("no rated_pressure in the site file", name)
		return
	}
	factor := through(func(x []float64) float64 {
		return air.PressureFactor(x[0], x[1], x[0]+m.RatedPressurePa)
	}, s.inlet.pressure, pa)
	by := factor.V - 1
	factor = factor.Plus(gum.New(0, rectangular(efficiencyLimit*by), "efficiency of "+m.Name+" at rated pressure (assumed)"))
	s.ratioValue(name, "kW/(m³/min)", specific.Times(factor),
		fmt.Sprintf("specific_power_loaded times %.4f, the ratio of isentropic powers from the %s seen to the rated %s (±%.0f %% of the correction, since efficiency does not quite stay the same); comparable with a data sheet whose boundary is the same; %s%s",
			factor.V, s.shownPressure(pa.V-s.inlet.pressure.V), s.shownPressure(m.RatedPressurePa), 100*efficiencyLimit, s.boundary(), wear),
		"flow at full load", inputs)
}

// The machines to which the regulation applies (10 CFR 431 Subpart T; read): full
// pressure 75 to 200 psig, motor 10 to 200 hp.
const (
	regulatedLeastPa, regulatedMostPa = 75 * 6894.757, 200 * 6894.757
	regulatedLeastW, regulatedMostW   = 10 * 745.7, 200 * 745.7
)

// regulated sets what a regulation asks of a new machine of this flow beside an
// efficiency.
func (s *sheet) regulated(m *sitefile.Machine, name string, gaugePa float64) {
	var variable bool
	switch m.Control {
	case sitefile.VariableSpeed:
		variable = true
	case sitefile.LoadUnload, sitefile.StartStop, sitefile.ModulateThenUnload, sitefile.Modulating, sitefile.VariableDisplacement:
	default:
		return
	}
	if gaugePa < regulatedLeastPa || gaugePa > regulatedMostPa || m.Roles[scan.WaterInTemperature] != "" ||
		m.Motor.PowerW > 0 && (m.Motor.PowerW < regulatedLeastW || m.Motor.PowerW > regulatedMostW) {
		return
	}
	least, regression, ok := air.RegulatedEfficiency(s.full.v.V, variable)
	f := s.figures[name]
	if !ok || f.Value == nil {
		return
	}
	f.Limit = &least
	f.LimitBasis = fmt.Sprintf("least that 10 CFR 431.345 allows a new air-cooled rotary lubricated machine of this flow at its own full-load pressure; its regression for such machines: %.3f", regression)
	s.figures[name] = f
}
