package air

import "math"

// isentropicWork is what an ideal compression without exchange of heat takes by
// volume and pressure of the inlet; a ratio of absolute pressures.
func isentropicWork(ratio float64) float64 {
	const exponent = (kappa - 1) / kappa
	return (math.Pow(ratio, exponent) - 1) / exponent
}

// IsentropicW is the power of that compression: a flow at the inlet's condition,
// from the inlet's to the discharge's absolute pressure
// (ISO 1217:2009/A1:2016, from memory). By the power a package takes in it is the
// isentropic efficiency.
func IsentropicW(flowM3S, inletPa, dischargePa float64) float64 {
	return inletPa * flowM3S * isentropicWork(dischargePa/inletPa)
}

// PressureFactor is what the power for the same air grows by from one discharge
// pressure to another, all absolute, where the efficiency stays: the ratio of the
// isentropic powers. Near 100 psig it is the handbooks' 0.5 % for each psi.
func PressureFactor(inletPa, fromPa, toPa float64) float64 {
	return isentropicWork(toPa/inletPa) / isentropicWork(fromPa/inletPa)
}

// The flows to which the regulation applies (10 CFR 431, Subpart T, App. A; read).
const (
	regulatedLeastM3S = 35 * cfmM3S
	regulatedMostM3S  = 1250 * cfmM3S
	cfmM3S            = 0.3048 * 0.3048 * 0.3048 / 60
)

// RegulatedEfficiency is the least package isentropic efficiency that
// 10 CFR 431.345, Table 1, allows a new rotary lubricated air-cooled compressor of a
// full-load flow, and the regression that it stands off from (coefficients read).
// ok is false outside its 35 to 1250 cfm. The liquid-cooled rows are not here: not
// all of their coefficients were seen.
func RegulatedEfficiency(flowM3S float64, variableSpeed bool) (least, regression float64, ok bool) {
	if flowM3S < regulatedLeastM3S || flowM3S > regulatedMostM3S {
		return 0, 0, false
	}
	ln := math.Log(0.4719 * flowM3S / cfmM3S) // of the flow in l/s
	d := -0.15
	if variableSpeed {
		regression = -0.01549*ln*ln + 0.21573*ln + 0.00905
		d = -0.10
	} else {
		regression = -0.00928*ln*ln + 0.13911*ln + 0.27110
	}
	return regression + (1-regression)*d, regression, true
}
