package quantity

import (
	"errors"
	"math"
	"strings"
	"testing"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if math.Abs(got-want) > relative*math.Abs(want) {
		t.Errorf("%s: got %.12g, want %.12g within %g", what, got, want, relative)
	}
}

// TestConversions holds each unit to a published or defined value. Basis words
// as in the vector files: read, memory, computed.
func TestConversions(t *testing.T) {
	tests := []struct {
		text     string
		d        Dimension
		si       float64
		relative float64
		source   string
	}{
		{"1 m3/min", Flow, 1.0 / 60, 1e-12, "definition"},
		{"35.314667 cfm", Flow, 1.0 / 60, 1e-7, "1 m³/min in cfm, computed, tolerance 1e-5"},
		{"14.5 psia", Pressure, 99974.0, 1e-6, "14.5 psia = 99.974 kPa, reference condition table, read"},
		{"14.696 psia", Pressure, 101325.4, 1e-6, "gas trade reference, reference condition table, memory"},
		{"1 bar", Pressure, 1e5, 0, "SI brochure table 8, memory"},
		{"1 mbar", Pressure, 100, 0, "SI brochure, memory"},
		{"1013.25 hPa", Pressure, 101325, 1e-12, "standard atmosphere, memory"},
		{"1 kPa", Pressure, 1000, 0, "SI"},
		{"1 MPa", Pressure, 1e6, 0, "SI"},
		{"29.92126 inHg", Pressure, 101325, 1e-6, "standard atmosphere in conventional inHg, memory"},
		{"406.782 inH2O", Pressure, 101325, 1e-5, "standard atmosphere in inches of water at 4 °C, memory"},
		{"1 kg/cm2", Pressure, 98066.5, 1e-12, "technical atmosphere, memory"},
		{"68 °F", Temperature, 293.15, 1e-12, "68 °F = 20 °C, reference condition table, read"},
		{"60 F", Temperature, 288.7056, 1e-6, "15.5556 °C, reference condition table, memory"},
		{"32 degF", Temperature, 273.15, 1e-12, "definition"},
		{"-40 °F", Temperature, 233.15, 1e-12, "scales cross at -40"},
		{"20 degC", Temperature, 293.15, 1e-12, "definition"},
		{"300 K", Temperature, 300, 0, "SI"},
		{"1 hp", Power, 745.6998715822702, 0, "mechanical horsepower, memory"},
		{"37 kW", Power, 37000, 0, "SI"},
		{"2 MW", Power, 2e6, 0, "SI"},
		{"1 kWh", Energy, 3.6e6, 0, "definition"},
		{"250 Wh", Energy, 9e5, 0, "definition"},
		{"1 MJ", Energy, 1e6, 0, "SI"},
		{"880 gal", Volume, 117.6 * 0.028316846592, 1e-3, "storage vector: 117.6 ft³ printed as 880 gal, read"},
		{"117.6 ft3", Volume, 3.330061, 1e-6, "0.028316846592 m³ a cubic foot, computed"},
		{"500 l", Volume, 0.5, 1e-12, "SI brochure, memory"},
		{"1 ft", Length, 0.3048, 1e-15, "definition, memory"},
		{"2 in", Length, 0.0508, 1e-15, "definition, memory"},
		{"20 mA", Current, 0.02, 1e-12, "SI"},
		{"0.48 kV", Voltage, 480, 1e-12, "SI"},
		{"1800 1/min", RotationSpeed, 30, 1e-12, "definition"},
		{"85 %", Ratio, 0.85, 1e-12, "definition"},
		{"2 t", Mass, 2000, 0, "definition"},
		{"390 g/kWh", EmissionFactor, 0.39 / 3.6e6, 1e-12, "definition"},
		{"0.39 kg/kWh", EmissionFactor, 0.39 / 3.6e6, 1e-12, "definition"},
		{"4 kVA", ApparentPower, 4000, 0, "SI"},
		{"15m", Duration, 900, 0, "design: window of the tariff"},
		{"250ms", Duration, 0.25, 1e-12, "SI"},
		{"5 min", Duration, 300, 0, "definition"},
		{"2h", Duration, 7200, 0, "definition"},
		{"1 d", Duration, 86400, 0, "definition"},
		{"100 l/s", Flow, 0.1, 1e-12, "SI"},
		{"300 m³/h", Flow, 300.0 / 3600, 1e-12, "definition"},
		{"60 Hz", Frequency, 60, 0, "SI"},
	}
	for _, tt := range tests {
		t.Run(tt.text, func(t *testing.T) {
			q, err := ParseDim(tt.text, tt.d)
			if err != nil {
				t.Fatal(err)
			}
			near(t, tt.source, q.SI(), tt.si, tt.relative)
			near(t, "back", q.Unit.FromSI(q.SI()), q.Value, 1e-12)
		})
	}
}

func TestPressureAndFlowSayWhatTheyMean(t *testing.T) {
	for text, absolute := range map[string]bool{
		"psi": false, "psig": false, "psia": true, "bar": false, "bar(g)": false,
		"bar(a)": true, "kPa(g)": false, "kPa(a)": true, "kPa": false, "kg/cm2": false, "hPa(a)": true,
	} {
		u, err := ParseUnit(text)
		if err != nil || u.Dimension != Pressure || u.Absolute != absolute {
			t.Errorf("%s: got %+v, %v; want pressure with absolute %v", text, u, err, absolute)
		}
	}
	for text, basis := range map[string]FlowBasis{
		"cfm": FreeAir, "acfm": FreeAir, "m³/min": FreeAir, "l/s": FreeAir, "scfm": Standard,
		"Nm3/min": Normal, "Nm³/h": Normal, "m³/min(ANR)": ANR, "m3/min(ANR)": ANR,
	} {
		u, err := ParseUnit(text)
		if err != nil || u.Dimension != Flow || u.Basis != basis {
			t.Errorf("%s: got %+v, %v; want flow of basis %d", text, u, err, basis)
		}
	}
}

func mustUnit(t *testing.T, text string) Unit {
	t.Helper()
	u, err := ParseUnit(text)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func TestParseErrors(t *testing.T) {
	tests := []struct {
		name, text string
		d          Dimension
		is         error
		says       []string
	}{
		{"unknown unit", "185 cmf", Flow, ErrUnknownUnit, []string{`"cmf"`, `did you mean "cfm"?`, `"185 cfm"`}},
		{"case", "7 PSI", Pressure, ErrUnknownUnit, []string{`did you mean "psi"?`}},
		{"nothing near", "3 furlongs", Length, ErrUnknownUnit, []string{"furlongs", "for example", `"210 m"`}},
		{"wrong dimension", "7 bar", Flow, ErrWrongDimension, []string{`"7 bar" is a pressure`, "a flow is wanted", "185 cfm"}},
		{"power for energy", "3 kW", Energy, ErrWrongDimension, []string{"is a power", "an energy is wanted"}},
		{"no number", "psi", Pressure, ErrNotANumber, []string{"does not begin with a number", "125 psi"}},
		{"no unit", "125", Pressure, ErrNotANumber, []string{"has no unit", "125 psi"}},
		{"comma", "7,2 bar", Pressure, ErrNotANumber, []string{"decimal sign is a point"}},
		{"empty", "", Power, ErrNotANumber, []string{"37 kW"}},
		{"infinite", "1e999 bar", Pressure, ErrNotANumber, []string{"too large"}},
		{"overflow in SI", "1e308 bar", Pressure, ErrNotANumber, []string{"too large"}},
		{"not a number", "NaN bar", Pressure, ErrNotANumber, []string{"does not begin with a number"}},
		{"metres are no time elsewhere", "5 m", Pressure, ErrWrongDimension, []string{"is a length"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ParseDim(tt.text, tt.d)
			if !errors.Is(err, tt.is) {
				t.Fatalf("ParseDim(%q): got %v, want %v", tt.text, err, tt.is)
			}
			for _, s := range tt.says {
				if !strings.Contains(err.Error(), s) {
					t.Errorf("ParseDim(%q): %q does not say %q", tt.text, err, s)
				}
			}
		})
	}
}

func TestFormat(t *testing.T) {
	tests := []struct {
		si   float64
		d    Dimension
		s    System
		want string
	}{
		{861844.66, Pressure, US, "125.0 psi"},
		{861844.66, Pressure, SI, "8.62 bar"},
		{5.2 / 60, Flow, SI, "5.20 m³/min"},
		{5.2 / 60, Flow, US, "183.6 cfm"},
		{37250, Power, US, "37.2 kW"},
		{37250, Power, SI, "37.2 kW"},
		{358.15, Temperature, SI, "85.0 °C"},
		{358.15, Temperature, US, "185.0 °F"},
		{0.908499, Volume, US, "240.0 gal"},
		{0.908499, Volume, SI, "0.91 m³"},
		{210, Length, US, "689.0 ft"},
		{210, Length, SI, "210.0 m"},
		{0.153, Ratio, US, "15.3 %"},
		{3.6e6, Energy, SI, "1.0 kWh"},
		{30, RotationSpeed, SI, "1800 rpm"},
		{-0.001, Power, SI, "0.0 kW"},
		{3, Plain, SI, "3.00"},
		{math.NaN(), Power, SI, "–"},
		{math.Inf(1), Power, SI, "–"},
	}
	for _, tt := range tests {
		if got := Format(tt.si, tt.d, tt.s); got != tt.want {
			t.Errorf("Format(%g, %v, %v): got %q, want %q", tt.si, tt.d, tt.s, got, tt.want)
		}
	}
}

// TestEveryDimensionIsWhole: each dimension has a word and, in both systems, a
// display unit that parses back to itself; each spelling parses to a unit
// whose symbol is a spelling of it; no spelling is listed twice.
func TestEveryDimensionIsWhole(t *testing.T) {
	for d := Plain; d < numDimensions; d++ {
		if d.String() == "" || d.examples() == "" {
			t.Errorf("dimension %d has no word or no example", d)
		}
		for _, s := range []System{SI, US} {
			if u := s.Unit(d); u.Dimension != d || u.Absolute || u.Basis != FreeAir {
				t.Errorf("%v in %v is shown as %+v", d, s, u)
			}
		}
	}
	seen := map[string]bool{}
	for _, sp := range spellings {
		if seen[sp.text] {
			t.Errorf("%q is listed twice", sp.text)
		}
		seen[sp.text] = true
		if back := mustUnit(t, sp.unit.Symbol); back != sp.unit {
			t.Errorf("%q: symbol %q is another unit", sp.text, sp.unit.Symbol)
		}
	}
}

func TestNearest(t *testing.T) {
	known := []string{"discharge_pressure", "sump_pressure", "speed"}
	for name, want := range map[string]string{
		"discharge_presure": "discharge_pressure", "pressure_discharge": "", "sped": "speed",
		"Speed": "speed", "psump_ressure": "sump_pressure", "": "", "zzz": "",
	} {
		if got := Nearest(name, known); got != want {
			t.Errorf("Nearest(%q): got %q, want %q", name, got, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"185 cfm", "7.2 bar(g)", "-5 °C", "1e3Pa", "5 1", "1e", ".", "+.5 %", "15m", "9e999 W", "7,2 bar"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		q, err := Parse(s)
		if err != nil {
			return
		}
		if math.IsNaN(q.SI()) || math.IsInf(q.SI(), 0) {
			t.Fatalf("%q: SI is not finite", s)
		}
		if q.Unit.Dimension == Plain {
			return
		}
		back, err := Parse(q.String())
		if err != nil || back != q {
			t.Fatalf("%q: wrote %q, read %+v, %v; want %+v", s, q.String(), back, err, q)
		}
	})
}

func FuzzParseUnit(f *testing.F) {
	for _, s := range []string{"cfm", "bar (g)", "m³/min(ANR)", "\xff\xfe", "", "°"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		u, err := ParseUnit(s)
		if err != nil && !errors.Is(err, ErrUnknownUnit) {
			t.Fatalf("%q: %v", s, err)
		}
		if err == nil && (u.Symbol == "" || u.Scale <= 0 || u.Dimension >= numDimensions) {
			t.Fatalf("%q: %+v is not a unit", s, u)
		}
	})
}
