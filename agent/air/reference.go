package air

import (
	"fmt"
	"math"

	"loadscribe/agent/quantity"
)

// DryGas is the gas constant of dry air, J/(kg·K), and VapourMass the ratio of the
// molar mass of water to that of dry air (ASHRAE's values, from memory).
const (
	DryGas     = 287.055
	VapourMass = 0.621945
)

// Condition is a state of moist air.
type Condition struct {
	PressurePa   float64 // absolute
	TemperatureK float64
	Humidity     float64 // relative, 0 to 1
}

// The conditions that flows refer to.
const (
	psiPa  = 0.45359237 * 9.80665 / (0.0254 * 0.0254) // lbf/in², exact by definition
	zeroCK = quantity.ZeroCK
	rankin = 5.0 / 9.0 // kelvin in a degree Fahrenheit
)

// The standard atmosphere at sea level, and how it thins: ICAO's, for the
// troposphere (below 11 km; formula from memory).
const (
	seaLevelPa       = 101_325
	lapseByM         = 2.25577e-5
	standardExponent = 5.25588
)

// StandardPa is the pressure of the standard atmosphere at a height in metres.
func StandardPa(heightM float64) float64 {
	return seaLevelPa * math.Pow(1-float64(lapseByM*heightM), standardExponent)
}

// StandardHeightM is its inverse: the height at which it has a pressure.
func StandardHeightM(pa float64) float64 {
	return (1 - math.Pow(pa/seaLevelPa, 1/standardExponent)) / lapseByM
}

// What the air outside may be where it is not read (common practice, no source).
const (
	// InletMiddleK is its temperature.
	InletMiddleK = 293.15
	// WeatherLimitPa is how far the weather goes about the mean of a place whose
	// height or mean pressure is known.
	WeatherLimitPa = 2_000.0
	// NoHeightLimitPa is how far a place whose height is not known may be from sea
	// level's pressure: to 700 m.
	NoHeightLimitPa = 8_000.0
)

// FAD is the condition of ISO 1217 Annex F and of ISO 2787, dry (from memory).
func FAD() Condition { return Condition{PressurePa: 100e3, TemperatureK: zeroCK + 20} }

// ScfmTrade is the standard cubic foot of the compressed-air trade: 14.5 psia,
// 68 °F, dry (read).
func ScfmTrade() Condition {
	return Condition{PressurePa: 14.5 * psiPa, TemperatureK: (459.67 + 68) * rankin}
}

// ScfmGas is that of the gas trade: 14.696 psia, 60 °F, dry (U.S. practice, from
// memory). A cubic foot of it is 1.029 of the other.
func ScfmGas() Condition {
	return Condition{PressurePa: 14.696 * psiPa, TemperatureK: (459.67 + 60) * rankin}
}

// Normal is that of the normal cubic metre: 101.325 kPa, 0 °C, dry (read).
func Normal() Condition { return Condition{PressurePa: seaLevelPa, TemperatureK: zeroCK} }

// ANR is that of ISO 8778: 100 kPa, 20 °C, 65 % (purpose read, values from memory).
func ANR() Condition {
	return Condition{PressurePa: 100e3, TemperatureK: zeroCK + 20, Humidity: 0.65}
}

// Reference is the condition in which a flow on a basis is counted; scfm is what
// the site means by that. ok is false for free air, whose condition is the inlet's.
func Reference(b quantity.FlowBasis, scfm Condition) (c Condition, ok bool) {
	switch b {
	case quantity.Standard:
		return scfm, true
	case quantity.Normal:
		return Normal(), true
	case quantity.ANR:
		return ANR(), true
	}
	return Condition{}, false
}

// vapourPa is the pressure of the water vapour in it.
func (c Condition) vapourPa() float64 {
	if c.Humidity == 0 {
		return 0
	}
	return float64(c.Humidity * SaturationPa(c.TemperatureK))
}

// DryPa is the pressure of its dry part.
func (c Condition) DryPa() float64 { return c.PressurePa - c.vapourPa() }

// DryDensity is the mass of dry air in a cubic metre, kg: what a compressor moves
// and no cooler or dryer takes away.
func (c Condition) DryDensity() float64 { return c.DryPa() / float64(DryGas*c.TemperatureK) }

// Density is the mass of a cubic metre with its vapour, kg.
func (c Condition) Density() float64 {
	return (c.DryPa() + float64(VapourMass*c.vapourPa())) / float64(DryGas*c.TemperatureK)
}

// VolumeAt is the volume that the dry air of one cubic metre takes in another
// condition, m³: ACFM of SCFM, normal of free air (ideal gas; with the inlet's
// condition as the other it is the handbooks' ACFM formula, from memory).
func (c Condition) VolumeAt(other Condition) float64 {
	return c.DryPa() / other.DryPa() * (other.TemperatureK / c.TemperatureK)
}

// Named is a condition with what a flow in it is called.
type Named struct {
	Name string
	Condition
}

// References are the conditions in which people tell flows, the inlet's first.
func References(inlet, scfm Condition) []Named {
	return []Named{
		{"free air at the inlet, " + inlet.text(), inlet},
		{"FAD of ISO 1217, " + FAD().text(), FAD()},
		{"standard (scfm), " + scfm.text(), scfm},
		{"normal (Nm³), " + Normal().text(), Normal()},
		{"ANR of ISO 8778, " + ANR().text(), ANR()},
	}
}

// text is the condition in words.
func (c Condition) text() string {
	t := fmt.Sprintf("%.3f kPa, %.2f °C, ", c.PressurePa/1000, c.TemperatureK-zeroCK)
	if c.Humidity == 0 {
		return t + "dry"
	}
	return t + fmt.Sprintf("%.0f %%", 100*c.Humidity)
}
