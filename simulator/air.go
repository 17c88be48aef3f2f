package simulator

import "math"

// criticalRatio is the pressure ratio below which an orifice is choked; that of
// an ideal nozzle for air, 0.528.
const criticalRatio = 0.528

// laminarPaSM3 keeps the slope of a flow²-drop finite at zero flow.
const laminarPaSM3 = 2e4

// vessel holds air as free air.
type vessel struct {
	volumeM3 float64
	freeM3   float64 // stored, counted from vacuum
	scale    float64 // barometer/volume: absolute pressure = freeM3·scale
}

func newVessel(volumeM3, absolutePa, barometerPa float64) vessel {
	return vessel{volumeM3: volumeM3, freeM3: volumeM3 * absolutePa / barometerPa, scale: barometerPa / volumeM3}
}

// pressurePa is absolute.
func (v *vessel) pressurePa() float64 { return v.freeM3 * v.scale }

// chokedShare is the flow of an orifice between absolute pressures up and down,
// as a share of its choked flow at up (ISO 6358: an ellipse; from memory).
func chokedShare(up, down float64) float64 {
	if down <= criticalRatio*up {
		return 1
	}
	if up <= down {
		return 0
	}
	x := (down/up - criticalRatio) / (1 - criticalRatio)
	return math.Sqrt(1 - x*x)
}

// linkFlow is the flow through a resistance (drop = resistance·flow²) between
// two vessels over one step: the flow whose drop fits the pressures at the end
// of the step (implicit Euler). deltaPa is the difference at its beginning,
// stepPaPerM3 how much each m³ moved lessens it. Never negative.
func linkFlow(deltaPa, resistance, stepPaSM3 float64) float64 {
	if deltaPa <= 0 {
		return 0
	}
	b := laminarPaSM3 + stepPaSM3
	if resistance <= 0 {
		return deltaPa / b
	}
	// Root of resistance·q² + b·q - delta = 0, in the form that does not cancel.
	return 2 * deltaPa / (b + math.Sqrt(b*b+4*resistance*deltaPa))
}

// link joins a vessel to the next one down the line.
type link struct {
	resistance float64 // Pa/(m³/s)²
	stepPaSM3  float64 // stepS·(scale up + scale down)
	flowM3S    float64 // of the last step
}
