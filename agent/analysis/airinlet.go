package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// Where the air at the inlet is not read (common practice, no source).
const (
	inletLimitK                    = 10.0
	inletHumidity, inletHumidLimit = 0.5, 0.5
)

// inletAir is the air at the inlets over a window.
type inletAir struct {
	pressure, temperature, humidity gum.Value // Pa absolute, K, 0 to 1
	inputs                          []string
}

// meanOf is the time-weighted mean of the first channel with a role that was read
// in the window, with its place.
func (s *sheet) meanOf(role scan.Role, d quantity.Dimension) (*chanSpec, float64, bool) {
	ch := s.g.sp.find(role)
	if ch < 0 || s.g.sp.chans[ch].class != classAnalog || s.g.sp.chans[ch].unit.Dimension != d {
		return nil, 0, false
	}
	c := &s.g.sp.chans[ch]
	part := s.g.total.analog[c.slot].sum
	if part.ms == 0 {
		return nil, 0, false
	}
	return c, c.mean(part).v, true
}

// airAtInlet is the air at the inlets: of the first of the sheets that reads each
// quantity, else assumed. A barometer that is read goes before the site's value.
func airAtInlet(sheets ...*sheet) inletAir {
	site := sheets[0].site
	limit := air.NoHeightLimitPa
	names := [3]string{"barometer of sea level (assumed)", "inlet at 20 ± 10 °C (assumed)", "inlet at 50 ± 50 % humidity (assumed)"}
	if site.BarometerGiven {
		limit, names[0] = air.WeatherLimitPa, "barometer of the site file"
	}
	in := inletAir{pressure: gum.New(site.BarometerPa, rectangular(limit), inletInput("pressure", site.Name)),
		temperature: gum.New(air.InletMiddleK, rectangular(inletLimitK), inletInput("temperature", site.Name)),
		humidity:    gum.New(inletHumidity, rectangular(inletHumidLimit), inletInput("humidity", site.Name))}
	// Backwards, so that the first that reads has the last word.
	for i := len(sheets) - 1; i >= 0; i-- {
		s := sheets[i]
		if c, v, ok := s.meanOf(scan.Barometer, quantity.Pressure); ok {
			if v = absolutePa(c, v, s.site.BarometerPa); v > 45e3 && v < 115e3 {
				in.pressure, names[0] = c.value(v), c.input()
			}
		}
		if c, v, ok := s.meanOf(scan.AmbientTemperature, quantity.Temperature); ok && v > quantity.ZeroCK-60 && v < quantity.ZeroCK+80 {
			in.temperature, names[1] = c.value(v), c.input()
		}
		if c, v, ok := s.meanOf(scan.AmbientHumidity, quantity.Ratio); ok {
			in.humidity, names[2] = c.value(math.Max(0, math.Min(1, v))), c.input()
		}
	}
	in.inputs = names[:]
	return in
}

// absolutePa is what a barometer reads: its pressure is absolute whether or not its
// unit says so.
func absolutePa(c *chanSpec, v, barometerPa float64) float64 {
	if c.unit.Absolute {
		return v + barometerPa // the fold has made it gauge
	}
	return v
}

// barometerPa is the pressure of the air outside: as it is read, else the site's.
func (s *sheet) barometerPa() float64 {
	if pa := s.inlet.pressure.V; pa > 0 {
		return pa
	}
	return s.site.BarometerPa
}

func (in *inletAir) condition() air.Condition {
	return air.Condition{PressurePa: in.pressure.V, TemperatureK: in.temperature.V, Humidity: in.humidity.V}
}

// of is a function of the air at the inlet.
func (in *inletAir) of(f func(air.Condition) float64) gum.Value {
	return through(func(x []float64) float64 {
		return f(air.Condition{PressurePa: x[0], TemperatureK: x[1], Humidity: x[2]})
	}, in.pressure, in.temperature, in.humidity)
}

// through is a function of values, with what each brings to it by a step of its
// uncertainty either way (GUM, 5.1.3).
func through(f func([]float64) float64, of ...gum.Value) gum.Value {
	at := make([]float64, len(of))
	for i := range of {
		at[i] = of[i].V
	}
	var terms []gum.Term
	for i := range of {
		u := of[i].U()
		if u == 0 {
			continue
		}
		at[i] = of[i].V + u
		high := f(at)
		at[i] = of[i].V - u
		terms = append(terms, gum.Term{C: (high - f(at)) / (2 * u), X: of[i]})
		at[i] = of[i].V
	}
	return gum.Linear(f(at), terms...)
}

// toInlet is what one cubic metre in a basis is in free air at the inlet.
func (in *inletAir) toInlet(b quantity.FlowBasis, scfm air.Condition) gum.Value {
	from, ok := air.Reference(b, scfm)
	if !ok {
		return gum.Exact(1)
	}
	return in.of(func(c air.Condition) float64 { return from.VolumeAt(c) })
}

// referenceTable tells the mean flow in every reference condition, so that no
// number of cubic metres or feet stands without its name.
func (s *sheet) referenceTable(flowM3S gum.Value) {
	in := &s.inlet
	if flowM3S.V <= 0 {
		return
	}
	at := in.condition()
	table := Table{Name: "reference_conditions", Columns: []Column{{"mean flow", "m³/min"}, {"uncertainty", "m³/min"}},
		Method: fmt.Sprintf("flow_mean as the dry air in it, which no cooler or dryer takes away, counts in each condition (ideal gas; water by IAPWS R7-97); the inlet's: %s, %s, %s",
			in.inputs[0], in.inputs[1], in.inputs[2])}
	for i, ref := range air.References(at, s.site.Scfm()) {
		f := flowM3S.Scaled(60)
		if i > 0 {
			f = f.Times(in.of(func(c air.Condition) float64 { return c.VolumeAt(ref.Condition) }))
		}
		table.Rows = append(table.Rows, Row{Name: ref.Name, Values: []*float64{number64(f.V), number64(coverageFactor * f.U())}})
	}
	s.tables = append(s.tables, table)
}
