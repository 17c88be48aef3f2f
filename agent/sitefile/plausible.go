package sitefile

import (
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
)

// What a rotary-screw package can be. The efficiencies are far beyond both ends
// of what 10 CFR 431 Subpart T covers (regression 0.5 to 0.8); the others are
// common practice, no source. Outside, a unit or a digit has slipped.
const (
	leastEfficiency, mostEfficiency     = 0.35, 0.9
	leastPackageShare, mostPackageShare = 0.6, 1.7 // package input over the motor's rating
	mostOverRated                       = 1.15     // cut_out over rated pressure
	leastOfRated                        = 1. / 3
)

// warnUnlikely tells of a nameplate that no machine of its kind has: a slip
// there makes every figure of air wrong by as much.
func (l *loader) warnUnlikely(s *section, m *Machine) {
	at := func(key string) position { return s.table.find(key).value.at }
	if m.RatedFlowM3S > 0 && m.RatedPressurePa > 0 && m.RatedPowerW > 0 {
		inlet := l.site.BarometerPa
		eta := air.IsentropicW(m.RatedFlowM3S, inlet, inlet+m.RatedPressurePa) / m.RatedPowerW
		if eta < leastEfficiency || eta > mostEfficiency {
			s.warn(at("rated_flow"), "rated_flow", "read rated_flow, rated_pressure and rated_power again: one of them has a wrong unit or digit",
				"this air at this pressure for this power would be an isentropic efficiency of %s; screw packages have 0.5 to 0.8", short(eta))
		}
	}
	if m.Motor.PowerW > 0 && m.RatedPowerW > 0 {
		if r := m.RatedPowerW / m.Motor.PowerW; r < leastPackageShare || r > mostPackageShare {
			s.warn(at("rated_power"), "rated_power", "write what the package takes in at rated flow, and the motor's rating under motor.power",
				"the package takes %s times the motor's rating; 0.9 to 1.3 is usual", short(r))
		}
	}
	if m.CutOutPa > 0 && m.RatedPressurePa > 0 {
		if r := m.CutOutPa / m.RatedPressurePa; r > mostOverRated || r < leastOfRated {
			s.warn(at("rated_pressure"), "rated_pressure", "read rated_pressure and cut_out again, with their units",
				"it unloads at %s and is rated for %s", l.shown(m.CutOutPa), l.shown(m.RatedPressurePa))
		}
	}
}

// warnMinimum tells of a minimum that no machine of the system keeps: it
// would be below it in every cycle.
func (l *loader) warnMinimum(s *section, sys *System) {
	highest := 0.0
	for _, name := range sys.Machines {
		m, ok := l.site.MachineByName(name)
		if !ok || m.CutOutPa == 0 && m.RatedPressurePa == 0 {
			return
		}
		highest = max(highest, m.CutInPa, m.CutOutPa)
		if m.CutOutPa == 0 {
			highest = max(highest, m.RatedPressurePa)
		}
	}
	if highest > 0 && sys.MinimumPressurePa >= highest {
		s.warn(s.table.find("minimum_pressure").value.at, "minimum_pressure", "write the least pressure that the plant needs",
			"%s is not below the %s at which its machines unload", l.shown(sys.MinimumPressurePa), l.shown(highest))
	}
}

func (l *loader) shown(gaugePa float64) string {
	return quantity.Format(gaugePa, quantity.Pressure, l.site.Units)
}

// short writes a ratio with two figures.
func short(v float64) string {
	if v >= 10 {
		return fmt.Sprint(math.Round(v))
	}
	return fmt.Sprintf("%.2g", v)
}
