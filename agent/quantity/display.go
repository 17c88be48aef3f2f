package quantity

import (
	"math"
	"strconv"
	"strings"
)

// display says how a dimension is named, written and shown.
type display struct {
	word     string
	article  string
	examples string
	// Symbol and decimals of the display unit in each System.
	symbol   [2]string
	decimals [2]int
}

// displays is indexed by Dimension. It is never changed.
var displays = [numDimensions]display{
	Plain:          {"plain number", "a", `"1"`, [2]string{"1", "1"}, [2]int{2, 2}},
	Pressure:       {"pressure", "a", `"125 psi" or "7.2 bar(g)"`, [2]string{"bar", "psi"}, [2]int{2, 1}},
	Flow:           {"flow", "a", `"185 cfm" or "5.2 m³/min"`, [2]string{"m³/min", "cfm"}, [2]int{2, 1}},
	Power:          {"power", "a", `"37 kW" or "50 hp"`, [2]string{"kW", "kW"}, [2]int{1, 1}},
	Energy:         {"energy", "an", `"12.5 kWh"`, [2]string{"kWh", "kWh"}, [2]int{1, 1}},
	Temperature:    {"temperature", "a", `"185 °F" or "85 °C"`, [2]string{"°C", "°F"}, [2]int{1, 1}},
	Duration:       {"time", "a", `"250ms", "1s" or "5 min"`, [2]string{"s", "s"}, [2]int{1, 1}},
	Volume:         {"volume", "a", `"240 gal" or "0.9 m³"`, [2]string{"m³", "gal"}, [2]int{2, 1}},
	Length:         {"length", "a", `"210 m" or "690 ft"`, [2]string{"m", "ft"}, [2]int{1, 1}},
	Current:        {"current", "a", `"62 A"`, [2]string{"A", "A"}, [2]int{1, 1}},
	Voltage:        {"voltage", "a", `"460 V"`, [2]string{"V", "V"}, [2]int{1, 1}},
	Frequency:      {"frequency", "a", `"60 Hz"`, [2]string{"Hz", "Hz"}, [2]int{2, 2}},
	RotationSpeed:  {"rotation speed", "a", `"1780 rpm"`, [2]string{"rpm", "rpm"}, [2]int{0, 0}},
	Ratio:          {"share", "a", `"15 %"`, [2]string{"%", "%"}, [2]int{1, 1}},
	Mass:           {"mass", "a", `"12 kg"`, [2]string{"kg", "kg"}, [2]int{1, 1}},
	EmissionFactor: {"emission factor", "an", `"0.39 kg/kWh"`, [2]string{"kg/kWh", "kg/kWh"}, [2]int{3, 3}},
	ApparentPower:  {"apparent power", "an", `"42 kVA"`, [2]string{"kVA", "kVA"}, [2]int{1, 1}},
}

// String returns the dimension's word, such as "pressure".
func (d Dimension) String() string {
	if d < numDimensions {
		return displays[d].word
	}
	return "unknown dimension"
}

func (d Dimension) withArticle() string {
	if d < numDimensions {
		return displays[d].article + " " + displays[d].word
	}
	return d.String()
}

func (d Dimension) examples() string {
	if d < numDimensions {
		return displays[d].examples
	}
	return ""
}

// Unit returns the unit that people of system s are shown for d. Flows are
// free air and pressures gauge. An unknown d gives the plain unit.
func (s System) Unit(d Dimension) Unit {
	if d >= numDimensions {
		d = Plain
	}
	symbol := displays[d].symbol[s.index()]
	for i := range spellings {
		if spellings[i].text == symbol {
			return spellings[i].unit
		}
	}
	return Unit{Symbol: "1", Scale: 1}
}

func (s System) index() int {
	if s == US {
		return int(US)
	}
	return int(SI)
}

// String returns the word of the site file: "us" or "si".
func (s System) String() string {
	if s == US {
		return "us"
	}
	return "si"
}

// Format writes an SI value of dimension d for people of system s, with a
// fixed number of decimals and the unit. What is not a finite number is "–".
func Format(si float64, d Dimension, s System) string {
	if math.IsNaN(si) || math.IsInf(si, 0) {
		return "–"
	}
	if d >= numDimensions {
		d = Plain
	}
	u := s.Unit(d)
	text := strconv.FormatFloat(u.FromSI(si), 'f', displays[d].decimals[s.index()], 64)
	if strings.HasPrefix(text, "-") && strings.Trim(text, "-0.") == "" {
		text = text[1:] // a rounded -0.04 is 0.0
	}
	if d == Plain {
		return text
	}
	return text + " " + u.Symbol
}

// String writes the quantity in its own unit with as many digits as it takes
// to read it back unchanged.
func (q Quantity) String() string {
	text := strconv.FormatFloat(q.Value, 'g', -1, 64)
	if q.Unit.Dimension == Plain {
		return text
	}
	return text + " " + q.Unit.Symbol
}
