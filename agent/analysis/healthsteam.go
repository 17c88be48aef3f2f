package analysis

import "math"

// if97 are the ten coefficients of region 4 of IAPWS R7-97(2012), from memory;
// the check values of its table 35 and handbook tables hold them.
func if97() [11]float64 {
	return [11]float64{0, 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5,
		-0.32325550322333e7, 0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6,
		-0.23855557567849, 0.65017534844798e3}
}

const pascalsPerMPa = 1e6

// saturationPa is the pressure at which water boils at a temperature: over
// liquid water below freezing too, to which humidity sensors refer (practice of
// meteorology, from memory). It holds to 647 K.
func saturationPa(kelvin float64) float64 {
	n := if97()
	t := kelvin + n[9]/(kelvin-n[10])
	sq := float64(t * t)
	a := sq + float64(n[1]*t) + n[2]
	b := float64(n[3]*sq) + float64(n[4]*t) + n[5]
	c := float64(n[6]*sq) + float64(n[7]*t) + n[8]
	root := 2 * c / (math.Sqrt(float64(b*b)-float64(4*a*c)) - b)
	return float64(root * root * root * root * pascalsPerMPa)
}

// saturationK is the temperature at which water boils at a pressure: the dew
// point of air that holds vapour of that pressure.
func saturationK(pa float64) float64 {
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

// Dry air and water vapour: gas constant of dry air, J/(kg·K), and the ratio of
// the molar masses (ASHRAE's values, from memory).
const (
	dryAirGas  = 287.055
	vapourMass = 0.621945
)

// vapourShare is the mass of water by that of dry air, where vapour of one
// pressure is in air of another.
func vapourShare(vapourPa, pa float64) float64 {
	if pa <= vapourPa {
		return math.Inf(1)
	}
	return vapourMass * vapourPa / (pa - vapourPa)
}

// condensateKgM3 is the water that comes out of a cubic metre of free air, as it is
// drawn in, that is compressed and then cooled to separatorK.
func condensateKgM3(inletK, humidity, inletPa, separatorK, dischargePa float64) float64 {
	dry := (inletPa - float64(humidity*saturationPa(inletK))) / float64(dryAirGas*inletK)
	return dry * condensateShare(inletK, humidity, inletPa, separatorK, dischargePa)
}

// condensateShare is that water by the mass of dry air; none where it stays vapour.
func condensateShare(inletK, humidity, inletPa, separatorK, dischargePa float64) float64 {
	out := vapourShare(saturationPa(separatorK), dischargePa)
	return math.Max(0, vapourShare(float64(humidity*saturationPa(inletK)), inletPa)-out)
}

// dewPointK is the temperature at which air from the inlet begins to give up
// its water at the discharge pressure.
func dewPointK(inletK, humidity, inletPa, dischargePa float64) float64 {
	return saturationK(float64(humidity*saturationPa(inletK)) * (dischargePa / inletPa))
}
