package quantity

// Reference returns the absolute pressure (Pa) and temperature (K) at which a
// cubic metre of the basis is counted, dry. ok is false for FreeAir, whose
// condition is the inlet's, and for ANR, whose 65 % humidity needs a formula
// for moist air that is not here.
func (b FlowBasis) Reference() (pressurePa, temperatureK float64, ok bool) {
	switch b {
	case Standard:
		// 14.5 psia and 68 °F; published figures print 99 974 Pa.
		return 14.5 * psiPa, zeroFK + 68*fahrenheitK, true
	case Normal:
		return 101325, zeroCK, true
	}
	return 0, 0, false
}

// DryVolumeRatio is the volume that a unit volume of dry air at (fromPa, fromK)
// takes at (toPa, toK), by the ideal gas law. Pressures are absolute.
func DryVolumeRatio(fromPa, fromK, toPa, toK float64) float64 {
	return fromPa / toPa * toK / fromK
}
