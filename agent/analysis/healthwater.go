package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// wetCell is what is known of the air in one quarter hour in which it flowed.
type wetCell struct {
	flowingMS  int64
	inlet      estimate // K
	humidity   estimate // 0 to 1
	pressure   estimate // absolute, Pa, in the sump or at the discharge
	after      estimate // K, behind the aftercooler
	hasAfter   bool
	warmth     binList
	dewK, dewU float64 // dew point at that pressure, K
}

// wetAir gathers the cells; assumed is whether the humidity is taken for 100 %.
type wetAir struct {
	cells   []wetCell
	assumed bool
	why     string // there are none
	inputs  []string
}

// assumedHumidity is the worst.
const assumedHumidity = 1.0

// wet gathers the quarter hours in which air flowed and was known.
func (s *sheet) wet() wetAir {
	sp := s.g.sp
	ambient, why := s.thermometer(scan.AmbientTemperature)
	if why != "" {
		return wetAir{why: why}
	}
	pressure := -1
	for _, role := range []scan.Role{scan.DischargePressure, scan.SumpPressure} {
		if ch := sp.find(role); ch >= 0 && sp.healthAt[ch] >= 0 && sp.chans[ch].unit.Dimension == quantity.Pressure {
			pressure = sp.healthAt[ch]
		}
	}
	if pressure < 0 {
		return wetAir{why: "no channel for sump_pressure or discharge_pressure"}
	}
	w := wetAir{inputs: []string{s.healthChan(ambient).input(), s.healthChan(pressure).input(), "barometer"}}
	humid := s.humidityChan()
	if w.assumed = humid < 0; w.assumed {
		w.inputs = append(w.inputs, "ambient humidity 100 % (assumed, the worst)")
	} else {
		w.inputs = append(w.inputs, s.healthChan(humid).input())
	}
	after, _ := s.thermometer(scan.AftercoolerTemp)
	for i := range s.g.cells {
		c := &s.g.cells[i]
		h := c.d.health
		if h == nil || h[ambient].flowing.ms == 0 || h[pressure].flowing.ms == 0 || humid >= 0 && h[humid].flowing.ms == 0 {
			continue
		}
		cell := wetCell{flowingMS: h[pressure].flowing.ms, warmth: c.d.warmth, humidity: estimate{v: assumedHumidity},
			inlet: s.healthChan(ambient).mean(h[ambient].flowing), pressure: s.healthChan(pressure).mean(h[pressure].flowing)}
		cell.pressure.v += s.barometerPa()
		if humid >= 0 {
			cell.humidity = s.healthChan(humid).mean(h[humid].flowing)
		}
		if after >= 0 && h[after].flowing.ms > 0 {
			cell.after = s.healthChan(after).mean(h[after].flowing)
			cell.hasAfter = cell.after.v > quantity.ZeroCK-60 && cell.after.v < quantity.ZeroCK+150
		}
		if cell.sound(s.barometerPa()) {
			w.cells = append(w.cells, cell)
		}
	}
	if len(w.cells) == 0 {
		w.why = "air was not seen to flow while pressure, ambient temperature and humidity were read"
	}
	return w
}

// humidityChan is the place of a humidity in delta.health, or -1.
func (s *sheet) humidityChan() int {
	ch := s.g.sp.find(scan.AmbientHumidity)
	if ch < 0 || s.g.sp.chans[ch].unit.Dimension != quantity.Ratio {
		return -1
	}
	return s.g.sp.healthAt[ch]
}

// sound sets the dew point; false where the readings are no air of this world.
func (c *wetCell) sound(barometerPa float64) bool {
	c.humidity.v = math.Min(1, c.humidity.v)
	if !(c.inlet.v > quantity.ZeroCK-60 && c.inlet.v < quantity.ZeroCK+80 && c.humidity.v > 0.001 && c.pressure.v > barometerPa) {
		return false
	}
	at := func(inlet, humidity, pressure float64) float64 {
		return air.Condition{PressurePa: barometerPa, TemperatureK: inlet, Humidity: humidity}.DewPointK(pressure)
	}
	c.dewK = at(c.inlet.v, c.humidity.v, c.pressure.v)
	// What each input's uncertainty comes to, by a step of its size (GUM 5.1.3).
	c.dewU = quad(at(c.inlet.v+c.inlet.u, c.humidity.v, c.pressure.v)-c.dewK,
		at(c.inlet.v, c.humidity.v+c.humidity.u, c.pressure.v)-c.dewK,
		at(c.inlet.v, c.humidity.v, c.pressure.v+c.pressure.u)-c.dewK)
	return !math.IsNaN(c.dewK + c.dewU) // so little vapour that the formula has no dew point
}

// water sets sump_dew_point and water_risk_share.
func (s *sheet) water(w *wetAir) {
	const dew, risk = "sump_dew_point", "water_risk_share"
	if w.why != "" {
		s.absent(w.why, dew, risk)
		return
	}
	var mean, all, u float64
	for i := range w.cells {
		c := &w.cells[i]
		mean += float64(float64(c.flowingMS) * c.dewK)
		u += float64(float64(c.flowingMS) * c.dewU)
		all += float64(c.flowingMS)
	}
	humidity := ""
	if w.assumed {
		humidity = "; no humidity is read: 100 % is assumed, so it is the highest it can be"
	}
	s.ratio(dew, "°C", estimate{mean/all - quantity.ZeroCK, u / all},
		"temperature at which the air in the sump gives up its water, at the sump's pressure (the discharge pressure where that is not read): saturation pressure by IAPWS R7-97"+humidity,
		"loaded time with readings, by quarter hours", w.inputs)
	if s.g.sp.warm < 0 {
		s.absent("no channel of temperature for discharge_temperature or oil_temperature", risk)
		return
	}
	s.waterRisk(w, risk, humidity)
}

// waterRisk sets the share of loaded time in which the discharge was colder than
// the dew point there: water then stays in the oil.
func (s *sheet) waterRisk(w *wetAir, name, humidity string) {
	warm := &s.g.sp.chans[s.g.sp.warm]
	var all, at, low, high float64
	for i := range w.cells {
		c := &w.cells[i]
		u := coverageFactor * quad(c.dewU, warm.reading(c.dewK))
		at += s.g.sp.colder(c.warmth, c.dewK)
		low += s.g.sp.colder(c.warmth, c.dewK-float64(u))
		high += s.g.sp.colder(c.warmth, c.dewK+float64(u))
		for _, b := range c.warmth {
			all += float64(b.halfMS)
		}
	}
	if all == 0 {
		s.absent("no temperature was read while air flowed", name)
		return
	}
	half := math.Max(high-at, at-low) / all
	s.ratio(name, "1", estimate{at / all, half / coverageFactor},
		fmt.Sprintf("share of the loaded time in which %s was below the dew point in the sump: water then stays in the oil; the interval moves both by their uncertainties", warm.id)+
			humidity, fmt.Sprintf("loaded time with readings, %s", inWords(int64(all/2))), append([]string{warm.input()}, w.inputs...))
}

// colder is the time in half milliseconds below a temperature; within a bin time
// is taken as spread evenly.
func (sp *spec) colder(bins binList, kelvin float64) (half float64) {
	c := &sp.chans[sp.warm]
	width := math.Ldexp(1, int(sp.warmShift))
	for _, b := range bins {
		from := c.si(float64(float64(b.at)*width) - 0.5)
		part := (kelvin - from) / float64(c.countSI*width)
		half += float64(math.Max(0, math.Min(1, part)) * float64(b.halfMS))
	}
	return half
}

// Behind an aftercooler that is not read the air is taken to be so much above
// ambient, ±: common practice, no source.
const (
	afterOverAmbientK      = 10.0
	afterOverAmbientLimitK = 5.0
)

// condensate sets condensate: litres of water a day.
func (s *sheet) condensate(w *wetAir) {
	const name = "condensate"
	switch {
	case w.why != "":
		s.absent(w.why, name)
		return
	case w.assumed:
		s.absent("no channel for ambient_humidity", name)
		return
	case s.air.absent != "":
		s.absent(s.air.absent, name)
		return
	}
	barometer := s.barometerPa()
	var sum, all, u2 float64
	read := false
	for i := range w.cells {
		c := &w.cells[i]
		after := estimate{c.inlet.v + afterOverAmbientK, rectangular(afterOverAmbientLimitK)}
		if c.hasAfter {
			after, read = c.after, true
		}
		at := func(inlet, humidity, after, pressure float64) float64 {
			drawn := air.Condition{PressurePa: barometer, TemperatureK: inlet, Humidity: humidity}
			water := drawn.CondensateShare(after, pressure)
			return float64(drawn.DryDensity() * water)
		}
		kg := at(c.inlet.v, c.humidity.v, after.v, c.pressure.v)
		u := quad(at(c.inlet.v+c.inlet.u, c.humidity.v, after.v, c.pressure.v)-kg, at(c.inlet.v, c.humidity.v+c.humidity.u, after.v, c.pressure.v)-kg,
			at(c.inlet.v, c.humidity.v, after.v+after.u, c.pressure.v)-kg, at(c.inlet.v, c.humidity.v, after.v, c.pressure.v+c.pressure.u)-kg)
		t := float64(c.flowingMS)
		sum, all, u2 = sum+float64(t*kg), all+t, u2+float64(t*u)
	}
	inputs := append(append([]string(nil), w.inputs...), s.air.inputs...)
	if read {
		inputs = append(inputs, s.g.sp.chans[s.g.sp.find(scan.AftercoolerTemp)].input())
	} else {
		inputs = append(inputs, "aftercooler 10 ± 5 K above ambient (assumed)")
	}
	days := float64(s.g.total.observedMS()) / (24 * hourMS)
	kg := estimate{sum / all, u2 / all}
	litres := estimate{float64(kg.v * s.air.m3.V), quad(kg.u*s.air.m3.V, kg.v*s.air.m3.U())}
	s.ratio(name, "l/d", litres.scaled(1/days),
		fmt.Sprintf("%.2f g of water out of each m³ of free air by the time it has passed the aftercooler, times the air delivered; what a dryer takes out comes on top; air: %s", 1000*kg.v, s.air.method),
		"observed time", inputs)
}
