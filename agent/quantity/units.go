package quantity

// Conversion factors. The inch, foot, gallon, pound and the standard
// acceleration of free fall are exact by definition (1959 yard and pound
// agreement; 9.80665 m/s² by the 3rd CGPM): from memory.
const (
	inchM       = 0.0254
	footM       = 12 * inchM
	cubicFootM3 = footM * footM * footM
	gallonM3    = 231 * inchM * inchM * inchM
	poundKg     = 0.45359237
	gravityMS2  = 9.80665
	psiPa       = poundKg * gravityMS2 / (inchM * inchM)
	inHgPa      = 3386.38864  // conventional inch of mercury, 0 °C
	inH2OPa     = 249.0889083 // conventional inch of water, 4 °C
	kgfCm2Pa    = gravityMS2 * 1e4
	fahrenheitK = 5.0 / 9.0
	zeroFK      = 459.67 * fahrenheitK
)

// HorsepowerW is the mechanical horsepower, 550 ft·lbf/s, in watts.
const HorsepowerW = 745.6998715822702

// ZeroCK is 0 °C in kelvin, by definition of the degree Celsius (SI brochure, from
// memory).
const ZeroCK = 273.15

// spelling is a way to write a unit. The first spelling of a unit in the
// table is its Symbol.
type spelling struct {
	text string
	unit Unit
}

// spellings lists every way to write every unit. It is never changed.
var spellings = buildSpellings()

func buildSpellings() []spelling {
	var all []spelling
	add := func(u Unit, texts ...string) {
		u.Symbol = texts[0]
		for _, t := range texts {
			all = append(all, spelling{t, u})
		}
	}
	plain := func(d Dimension, scale float64, texts ...string) {
		add(Unit{Dimension: d, Scale: scale}, texts...)
	}
	addPressures(add)
	addFlows(add)
	temp := func(scale, offset float64, texts ...string) {
		add(Unit{Dimension: Temperature, Scale: scale, Offset: offset}, texts...)
	}
	temp(1, ZeroCK, "°C", "C", "degC")
	temp(fahrenheitK, zeroFK, "°F", "F", "degF")
	temp(1, 0, "K")

	plain(Plain, 1, "1")
	plain(Power, 1, "W")
	plain(Power, 1e3, "kW")
	plain(Power, 1e6, "MW")
	plain(Power, HorsepowerW, "hp")
	plain(Energy, 1, "J")
	plain(Energy, 1e3, "kJ")
	plain(Energy, 1e6, "MJ")
	plain(Energy, 3600, "Wh")
	plain(Energy, 3.6e6, "kWh")
	plain(Energy, 3.6e9, "MWh")
	plain(Duration, 1e-3, "ms")
	plain(Duration, 1, "s")
	plain(Duration, 60, "min")
	plain(Duration, 3600, "h")
	plain(Duration, 86400, "d")
	plain(Volume, 1e-3, "L", "l")
	plain(Volume, 1, "m³", "m3")
	plain(Volume, gallonM3, "gal")
	plain(Volume, cubicFootM3, "ft³", "ft3")
	addMeasures(plain)
	return all
}

// addMeasures adds what has neither offset nor marks, beside energy, time and
// volume.
func addMeasures(plain func(Dimension, float64, ...string)) {
	plain(Length, 1e-3, "mm")
	plain(Length, 1e-2, "cm")
	plain(Length, 1, "m")
	plain(Length, footM, "ft")
	plain(Length, inchM, "in")
	plain(Current, 1e-3, "mA")
	plain(Current, 1, "A")
	plain(Voltage, 1e-3, "mV")
	plain(Voltage, 1, "V")
	plain(Voltage, 1e3, "kV")
	plain(Frequency, 1, "Hz")
	plain(RotationSpeed, 1.0/60, "rpm", "1/min")
	plain(Ratio, 0.01, "%")
	plain(Mass, 1e-3, "g")
	plain(Mass, 1, "kg")
	plain(Mass, 1e3, "t")
	plain(EmissionFactor, 1/3.6e6, "kg/kWh")
	plain(EmissionFactor, 1e-3/3.6e6, "g/kWh")
	plain(ApparentPower, 1, "VA")
	plain(ApparentPower, 1e3, "kVA")
}

// addPressures adds each pressure unit unmarked and marked gauge (both gauge)
// and marked absolute.
func addPressures(add func(Unit, ...string)) {
	gauge := func(scale float64, texts ...string) {
		add(Unit{Dimension: Pressure, Scale: scale}, texts...)
	}
	absolute := func(scale float64, texts ...string) {
		add(Unit{Dimension: Pressure, Scale: scale, Absolute: true}, texts...)
	}
	for _, p := range []struct {
		scale float64
		text  string
	}{
		{1, "Pa"}, {1e2, "hPa"}, {1e2, "mbar"}, {1e3, "kPa"}, {1e6, "MPa"},
		{inHgPa, "inHg"}, {inH2OPa, "inH2O"},
	} {
		gauge(p.scale, p.text)
		gauge(p.scale, p.text+"(g)")
		absolute(p.scale, p.text+"(a)")
	}
	gauge(1e5, "bar")
	gauge(1e5, "bar(g)", "barg")
	absolute(1e5, "bar(a)", "bara")
	gauge(psiPa, "psi")
	gauge(psiPa, "psig", "psi(g)")
	absolute(psiPa, "psia", "psi(a)")
	gauge(kgfCm2Pa, "kg/cm²", "kg/cm2")
	absolute(kgfCm2Pa, "kg/cm²(a)", "kg/cm2(a)")
}

func addFlows(add func(Unit, ...string)) {
	flow := func(b FlowBasis, scale float64, texts ...string) {
		add(Unit{Dimension: Flow, Scale: scale, Basis: b}, texts...)
	}
	flow(FreeAir, cubicFootM3/60, "cfm")
	flow(FreeAir, cubicFootM3/60, "acfm")
	flow(FreeAir, 1, "m³/s", "m3/s")
	flow(FreeAir, 1.0/60, "m³/min", "m3/min")
	flow(FreeAir, 1.0/3600, "m³/h", "m3/h")
	flow(FreeAir, 1e-3, "l/s", "L/s")
	flow(FreeAir, 1e-3/60, "l/min", "L/min")
	flow(Standard, cubicFootM3/60, "scfm")
	flow(Normal, 1.0/60, "Nm³/min", "Nm3/min")
	flow(Normal, 1.0/3600, "Nm³/h", "Nm3/h")
	flow(ANR, 1.0/60, "m³/min(ANR)", "m3/min(ANR)", "m³/min ANR", "m3/min ANR")
	flow(ANR, 1.0/3600, "m³/h(ANR)", "m3/h(ANR)", "m³/h ANR", "m3/h ANR")
	flow(ANR, 1e-3/60, "l/min(ANR)", "L/min(ANR)", "l/min ANR", "L/min ANR")
}
