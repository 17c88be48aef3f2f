package air

import "math"

// kappa is the ratio of the heat capacities of air (ISO 1217, from memory).
const kappa = 1.4

// Choked reports whether air leaves a hole at the speed of sound: the pressure
// before it is more than 1.893 times that behind it, both absolute (textbook).
func Choked(pressurePa, behindPa float64) bool {
	return behindPa < pressurePa*math.Pow(2/(kappa+1), kappa/(kappa-1))
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

// BleedDownM3S is the leak at the pressure a bleed-down began with, as free air of
// freePa: what a volume with no supply loses while it falls from one absolute
// pressure to another in a time. Holes in which air is choked let out in
// proportion to the absolute pressure, and the vessel keeps its temperature, so
// that the fall is exponential: V·p₁·ln(p₁/p₂)/(p₀·t).
func BleedDownM3S(volumeM3, fromPa, toPa, seconds, freePa float64) float64 {
	return volumeM3 * fromPa * math.Log(fromPa/toPa) / (freePa * seconds)
}

// BleedDownHandbookM3S is the same by the handbooks' rule, V·(p₁-p₂)/(p₀·t)·1.25
// (DOE Sourcebook as restated on a stored page, read). Its factor holds for a fall
// to about half the gauge pressure alone: the exact one is 1.31 from 100 to 50 psig
// and 1.04 from 110 to 100.
func BleedDownHandbookM3S(volumeM3, fromPa, toPa, seconds, freePa float64) float64 {
	const handbookFactor = 1.25
	return volumeM3 * (fromPa - toPa) / (freePa * seconds) * handbookFactor
}

// Cost is what a flow costs over a time, at a price for each cubic metre.
func Cost(flowM3S, seconds, perM3 float64) float64 { return flowM3S * seconds * perM3 }
