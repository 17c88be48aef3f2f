package air

import "math"

// if97 are the ten coefficients of region 4 of IAPWS R7-97(2012), from memory;
// the check values of its table 35 and handbook tables hold them.
func if97() [11]float64 {
	return [11]float64{0, 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5,
		-0.32325550322333e7, 0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6,
		-0.23855557567849, 0.65017534844798e3}
}

const pascalsPerMPa = 1e6

// SaturationPa is the pressure at which water boils at a temperature: over
// liquid water below freezing too, to which humidity sensors refer (practice of
// meteorology, from memory). It holds to 647 K.
func SaturationPa(kelvin float64) float64 {
	n := if97()
	t := kelvin + n[9]/(kelvin-n[10])
	sq := float64(t * t)
	a := sq + float64(n[1]*t) + n[2]
	b := float64(n[3]*sq) + float64(n[4]*t) + n[5]
	c := float64(n[6]*sq) + float64(n[7]*t) + n[8]
	root := 2 * c / (math.Sqrt(float64(b*b)-float64(4*a*c)) - b)
	return float64(root * root * root * root * pascalsPerMPa)
}

// SaturationK is the temperature at which water boils at a pressure: the dew
// point of air that holds vapour of that pressure.
func SaturationK(pa float64) float64 {
	n := if97()
	b := math.Sqrt(math.Sqrt(pa / pascalsPerMPa))
	sq := float64(b * b)
	e := sq + float64(n[3]*b) + n[6]
	f := float64(n[1]*sq) + float64(n[4]*b) + n[7]
	g := float64(n[2]*sq) + float64(n[5]*b) + n[8]
	d := -2 * g / (f + math.Sqrt(float64(f*f)-float64(4*e*g)))
	s := n[10] + d
	return (s - math.Sqrt(float64(s*s)-float64(4*(n[9]+float64(n[10]*d))))) / 2
}

// VapourShare is the mass of water by that of dry air, where vapour of one
// pressure is in air of another.
func VapourShare(vapourPa, pa float64) float64 {
	if pa <= vapourPa {
		return math.Inf(1)
	}
	return VapourMass * vapourPa / (pa - vapourPa)
}

// CondensateShare is the water that comes out of the air, by the mass of dry air,
// once it is compressed to dischargePa (absolute) and cooled to separatorK; none
// where it stays vapour. Times DryDensity it is kg by cubic metre as drawn in.
func (c Condition) CondensateShare(separatorK, dischargePa float64) float64 {
	out := VapourShare(SaturationPa(separatorK), dischargePa)
	return math.Max(0, VapourShare(c.vapourPa(), c.PressurePa)-out)
}

// DewPointK is the temperature at which the air begins to give up its water once
// it is compressed to dischargePa (absolute).
func (c Condition) DewPointK(dischargePa float64) float64 {
	return SaturationK(c.vapourPa() * (dischargePa / c.PressurePa))
}
