package air

import (
	"math"

	"loadscribe/agent/gum"
)

// kappa is the ratio of the heat capacities of air (ISO 1217, from memory).
const kappa = 1.4

// Choked reports whether air leaves a hole at the speed of sound: the pressure
// before it is more than 1.893 times that behind it, both absolute (textbook).
func Choked(pressurePa, behindPa float64) bool { return behindPa < pressurePa*criticalRatio() }

func criticalRatio() float64 { return math.Pow(2/(kappa+1), kappa/(kappa-1)) }

// OrificeShare is what leaves a hole, by what would at the same pressure before
// it and the speed of sound in it: ISO 6358's ellipse (from memory).
func OrificeShare(pressurePa, behindPa float64) float64 {
	if Choked(pressurePa, behindPa) {
		return 1
	}
	critical := criticalRatio()
	x := (behindPa/pressurePa - critical) / (1 - critical)
	return math.Sqrt(max(0, 1-float64(x*x)))
}

// OrificeKgS is the mass flow through a round hole that is Choked: pressure
// (absolute) and temperature before it. The coefficient is the jet's area by the
// hole's and there is no default: 1 is the table of engineering handbooks (read),
// 0.97 what that table's note gives for a well-rounded entrance and what the
// printed leak table of the DOE (from memory) already has in it, 0.61 to 0.65
// sharp edges (read). Applied to the DOE's table, 0.97 would be taken twice.
//
// Textbook: C·A·p·√(κ/(R·T))·(2/(κ+1))^((κ+1)/(2(κ-1))), which is the handbooks'
// W[lb/s] = 0.5303·C·A[in²]·p[psia]/√T[°R] (read).
func OrificeKgS(coefficient, diameterM, pressurePa, temperatureK float64) float64 {
	area := math.Pi / 4 * diameterM * diameterM
	choke := math.Pow(2/(kappa+1), (kappa+1)/(2*(kappa-1)))
	return coefficient * area * pressurePa * math.Sqrt(kappa/(DryGas*temperatureK)) * choke
}

// LeakShare is what leaks of a machine's capacity, from a test without users: the
// time it was loaded by all of it (DOE Sourcebook; formula read). Unloaded running
// is not loaded time, nor is a stop.
func LeakShare(loadedS, otherS float64) float64 { return loadedS / (loadedS + otherS) }

// LoadedM3S is the leak by that share: the flow of the machine times the time it was
// loaded, over all the time.
func LoadedM3S(flowM3S, loadedS gum.Value, seconds float64) gum.Value {
	return flowM3S.Times(loadedS).Scaled(1 / seconds)
}

// DecayM3S is the leak at an absolute pressure, as free air of freePa, of a volume
// with no supply whose absolute pressure falls at a rate (1/s, of its logarithm):
// V·p·λ/p₀. Holes in which air is choked let out in proportion to the absolute
// pressure, and the vessel keeps its temperature, so that the fall is exponential
// and its rate the same all along.
func DecayM3S(rate, volumeM3 gum.Value, pressurePa float64, freePa gum.Value) gum.Value {
	return rate.Times(volumeM3).Scaled(pressurePa).Over(freePa)
}

// DecayMeanPa is the mean pressure of such falls, by what they fell and the sum of
// ln(p₁/p₂). There DecayM3S is the straight V·Δp/(p₀·t), which a balance of stored
// air gives.
func DecayMeanPa(fellPa, logFall float64) float64 { return fellPa / logFall }

// BleedDownM3S is the leak at the pressure a bleed-down began with, as free air of
// freePa, by DecayM3S: what a volume with no supply loses while it falls from one
// absolute pressure to another in a time, V·p₁·ln(p₁/p₂)/(p₀·t).
func BleedDownM3S(volumeM3, fromPa, toPa, seconds, freePa float64) float64 {
	rate := math.Log(fromPa/toPa) / seconds
	return DecayM3S(gum.Exact(rate), gum.Exact(volumeM3), fromPa, gum.Exact(freePa)).V
}

// BleedDownHandbookM3S is the same by the handbooks' rule, V·(p₁-p₂)/(p₀·t)·1.25
// (DOE Sourcebook as restated on a stored page, read). Its factor holds for a fall
// to about half the gauge pressure alone: the exact one is 1.31 from 100 to 50 psig
// and 1.04 from 110 to 100.
func BleedDownHandbookM3S(volumeM3, fromPa, toPa, seconds, freePa float64) float64 {
	const handbookFactor = 1.25
	return volumeM3 * (fromPa - toPa) / (freePa * seconds) * handbookFactor
}

// LeakCost is what a leak costs that follows the absolute pressure: its flow at one
// pressure, what a cubic metre takes, and the sum of pressure times time times the
// price of that.
func LeakCost(leakM3S gum.Value, pressurePa float64, perM3 gum.Value, pricedPaS float64) gum.Value {
	return leakM3S.Scaled(1 / pressurePa).Times(perM3).Scaled(pricedPaS)
}
