package hookup

import (
	"fmt"
	"math"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const (
	resultRight = "right"
	resultWrong = "wrong"
	resultNone  = "not judged"
)

// conclude judges the finished steps.
func (w *Walk) conclude() ([]Check, []Finding) {
	stopped, unloaded, loaded, again := w.facts(Stopped), w.facts(Unloaded), w.facts(Loaded), w.facts(UnloadedAgain)
	if swapped(unloaded, loaded) {
		return []Check{}, []Finding{{Code: CodeSwappedSteps, Severity: Wrong,
			Text:  "The steps seem to have been mistaken for each other: the machine drew more in the step called unloaded, and its loaded bit agrees.",
			Basis: fmt.Sprintf("drawn unloaded %s, loaded %s", unloaded.activityText(), loaded.activityText()),
			Mend:  "Begin the check again, and wait for cut-out before the unloaded step."}}
	}
	if nothingMoved(&w.machine, stopped, unloaded, loaded, again) {
		return []Check{}, []Finding{{Code: CodeNothingMoved, Severity: Wrong,
			Text:  "Nothing moved: in every step the readings are those of a machine that stands. It did not run, or they are of another machine.",
			Basis: drawnText(stopped, unloaded, loaded),
			Mend:  "Begin the check again while the machine runs. If it ran, look at the unit ids and whose cables the transformers sit around." + mendCT}}
	}
	meter := judgeMeter(&w.machine, stopped, unloaded, loaded)
	checks, findings := []Check{}, []Finding{} // lists for the API where nothing is found, too
	add := func(c Check, f []Finding) {
		checks = append(checks, c)
		findings = append(findings, f...)
	}
	add(judgeBit("running_bit", CodeInvertedRunning, CodeStillRunning,
		[]float64{stopped.running, unloaded.running, loaded.running, again.running}, []float64{0, 1, 1, 1}))
	add(judgeBit("loaded_bit", CodeInvertedLoad, CodeStillLoad,
		[]float64{stopped.loaded, unloaded.loaded, loaded.loaded, again.loaded}, []float64{0, 0, 1, 0}))
	add(rises("current", "A", stopped.current(), unloaded.current(), loaded.current(), again.current(), 1), nil)
	add(rises("power", "kW", stopped.power, unloaded.power, loaded.power, again.power, 1e3), nil)
	add(judgeFactor(&w.machine, unloaded, loaded), nil)
	add(judgePressure(unloaded, loaded))
	return checks, append(findings, meter...)
}

// swapped reports that the machine drew clearly more in the unloaded step and
// that its bit says the same.
func swapped(unloaded, loaded facts) bool {
	return loaded.activity() < 0.9*unloaded.activity() && loaded.loaded == 0 && unloaded.loaded == 1
}

// nothingMoved reports that no bit says that the machine ran, and that it drew in
// no step more than its controls do: under a fiftieth of its rated power (common
// practice, no source). Without power, a rated power, or a step to compare, it is
// not told.
func nothingMoved(m *sitefile.Machine, stopped, unloaded, loaded, again facts) bool {
	for _, f := range []facts{stopped, unloaded, loaded, again} {
		if f.running == 1 || f.loaded == 1 {
			return false
		}
	}
	idle := func(f facts) bool {
		// A motor's current at its rated power, roughly: √3·V·I as if the factor were 1.
		amps := f.current() * math.Sqrt(3) * m.Motor.Volts
		return math.Abs(f.power) < m.RatedPowerW/50 && !(f.apparent > m.RatedPowerW/50) && !(amps > m.RatedPowerW/50)
	}
	return idle(unloaded) && idle(loaded)
}

// judgeBit compares a bit with what it should have been in each step; NaN is
// not known.
func judgeBit(name, inverted, still string, got, want []float64) (Check, []Finding) {
	known, right, ones := 0, 0, 0
	for i := range got {
		if math.IsNaN(got[i]) {
			continue
		}
		known++
		if got[i] == want[i] {
			right++
		}
		if got[i] == 1 {
			ones++
		}
	}
	basis := fmt.Sprintf("stopped, unloaded, loaded, unloaded again: read %s, should be %s", bits(got), bits(want))
	switch {
	case known == 0:
		return Check{name, resultNone, "there is no channel for it"}, nil
	case right == known && ones == 0:
		return Check{name, resultNone, "it was not seen to change"}, nil
	case right == known:
		return Check{name, resultRight, basis}, nil
	case right == 0 && ones < known:
		return Check{name, resultWrong, basis}, []Finding{{Code: inverted, Severity: Wrong, Basis: basis,
			Text: "The " + words(name) + " is inverted: it says the contrary of what the machine did, in every step.",
			Mend: "In the register map, write inverted = true at the bit (or remove it where it stands), or take the channel that means the contrary."}}
	default:
		return Check{name, resultWrong, basis}, []Finding{{Code: still, Severity: Wrong, Basis: basis,
			Text: "The " + words(name) + " does not follow the machine: it is another bit, or the wrong register.",
			Mend: "Look the bit up in the controller's register list; loadscribe probe shows which bits move."}}
	}
}

func words(name string) string {
	if name == "running_bit" {
		return "running bit"
	}
	return "loaded bit"
}

func bits(list []float64) string {
	text := ""
	for i, v := range list {
		if i > 0 {
			text += " "
		}
		if math.IsNaN(v) {
			text += "-"
		} else {
			text += fmt.Sprintf("%g", v)
		}
	}
	return text
}

// rises wants stopped < unloaded < loaded, each clearly, and back again.
func rises(name, unit string, stopped, unloaded, loaded, again, per float64) Check {
	if math.IsNaN(unloaded) || math.IsNaN(loaded) {
		return Check{name, resultNone, "there is no channel for it"}
	}
	text := fmt.Sprintf("unloaded %.4g, loaded %.4g, unloaded again %s %s", unloaded/per, loaded/per, orDash(again/per), unit)
	if !math.IsNaN(stopped) {
		text = fmt.Sprintf("stopped %.3g, ", stopped/per) + text
	}
	// Blow-down and rising temperature change an unloaded machine by less than
	// a quarter of its loaded draw; a stopped one draws its controls.
	ok := loaded > 0 && unloaded > 0.08*loaded && unloaded < 0.95*loaded &&
		!(stopped > 0.05*loaded) && !(stopped < -0.05*loaded) && !(math.Abs(again-unloaded) > 0.25*loaded)
	if ok {
		return Check{name, resultRight, text}
	}
	return Check{name, resultWrong, text}
}

func orDash(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return fmt.Sprintf("%.4g", v)
}

// judgeFactor wants a loaded motor's power factor, and a lower one unloaded. A
// drive's input may stay high.
func judgeFactor(m *sitefile.Machine, unloaded, loaded facts) Check {
	const name = "power_factor"
	if math.IsNaN(loaded.factor) || loaded.borrowed {
		return Check{name, resultNone, "there is neither apparent power nor power factor"}
	}
	text := fmt.Sprintf("unloaded %s, loaded %.3f", orDash(unloaded.factor), loaded.factor)
	top := factorTop
	if driven(m) {
		top = 1.001
	}
	if loaded.factor < factorLow || loaded.factor > top || !driven(m) && unloaded.factor >= loaded.factor {
		return Check{name, resultWrong, text}
	}
	return Check{name, resultRight, text}
}

// judgePressure compares the slopes: loaded, air is added.
func judgePressure(unloaded, loaded facts) (Check, []Finding) {
	const name = "pressure"
	if unloaded.pressure.Samples < 3 || loaded.pressure.Samples < 3 {
		return Check{name, resultNone, "there is no channel for it"}, nil
	}
	u, l := unloaded.pressure, loaded.pressure
	text := fmt.Sprintf("unloaded %+.1f kPa/min, loaded %+.1f kPa/min", u.PerS*0.06, l.PerS*0.06)
	uncertain := 4 * math.Hypot(u.PerSU, l.PerSU)
	switch {
	case l.PerS-u.PerS > uncertain:
		return Check{name, resultRight, text}, nil
	case l.PerS < -4*l.PerSU && u.PerS > 4*u.PerSU && u.PerS-l.PerS > uncertain:
		return Check{name, resultWrong, text}, []Finding{{Code: CodePressure, Severity: Wrong, Basis: text,
			Text: "The discharge pressure falls while the machine is loaded and rises while it is not: the sensor belongs to another " +
				"machine or place, or its signal is upside down.",
			Mend: "Compare it with the gauge at the package outlet. " + cautionBleed}}
	}
	return Check{name, resultNone, text + ": what the plant took hides the difference"}, nil
}

// facts are a step's means; NaN where there is none.
type facts struct {
	running, loaded float64
	volts           float64 // mean line voltage as measured, else NaN
	power           float64 // W
	apparent        float64 // VA
	factor          float64
	meterA          float64 // the meter's current, from apparent power and voltage
	motorA          float64 // of another device than the power's; else NaN
	anyA            float64 // the motor_current channel, whoever reads it
	borrowed        bool    // apparent was worked out from motorA
	pressure        Reading
}

func (f facts) current() float64 {
	if !math.IsNaN(f.anyA) {
		return f.anyA
	}
	return f.meterA
}

// activity is what best tells loaded from unloaded whatever the wiring: a
// current where there is one. It only compares steps with each other.
func (f facts) activity() float64 {
	for _, v := range []float64{f.anyA, f.apparent, f.power} {
		if !math.IsNaN(v) {
			return v
		}
	}
	return math.NaN()
}

// drawnText says what was drawn in each step that was walked.
func drawnText(stopped, unloaded, loaded facts) string {
	text := fmt.Sprintf("unloaded %s, loaded %s", unloaded.activityText(), loaded.activityText())
	if !math.IsNaN(stopped.activity()) { // that step can be skipped
		text = fmt.Sprintf("stopped %s, %s", stopped.activityText(), text)
	}
	return "drawn " + text
}

func (f facts) activityText() string {
	switch {
	case !math.IsNaN(f.anyA):
		return fmt.Sprintf("%.1f A", f.anyA)
	case !math.IsNaN(f.apparent):
		return fmt.Sprintf("%.1f kVA", f.apparent/1e3)
	}
	return fmt.Sprintf("%.1f kW", f.power/1e3)
}

// facts collects a step's means. Voltage not measured is the motor's nameplate.
func (w *Walk) facts(s Step) facts {
	nan := math.NaN()
	f := facts{running: nan, loaded: nan, volts: nan, power: nan, apparent: nan, factor: nan, meterA: nan, motorA: nan, anyA: nan}
	result := w.results[s]
	if result == nil || result.skipped {
		return f
	}
	mean := func(r scan.Role) float64 {
		if reading, ok := result.readings[r]; ok {
			return reading.Mean
		}
		return nan
	}
	f.running, f.loaded, f.power = mean(scan.MotorRunning), mean(scan.Loaded), mean(scan.Power)
	f.anyA, f.pressure = mean(scan.MotorCurrent), result.readings[scan.DischargePressure]
	f.volts = w.volts(mean)
	volts := f.volts
	if math.IsNaN(volts) && w.machine.Motor.Volts > 0 {
		volts = w.machine.Motor.Volts
	}
	if w.device(scan.MotorCurrent) != w.device(scan.Power) {
		f.motorA = f.anyA
	}
	shown := mean(scan.PowerFactor)
	switch {
	case !math.IsNaN(mean(scan.ApparentPower)):
		f.apparent = mean(scan.ApparentPower)
	case math.Abs(shown) > 0.02:
		f.apparent = math.Abs(f.power / shown)
	case !math.IsNaN(shown): // too small to divide by: the factor itself must do
		f.factor = shown
	case !math.IsNaN(f.anyA):
		f.apparent, f.borrowed = math.Sqrt(3)*volts*f.anyA, !math.IsNaN(f.motorA)
	}
	if f.apparent > 0 {
		f.factor = f.power / f.apparent
	}
	if volts > 0 && !f.borrowed {
		f.meterA = f.apparent / (math.Sqrt(3) * volts)
	}
	return f
}

func (w *Walk) volts(mean func(scan.Role) float64) float64 {
	sum, n := 0.0, 0.0
	for _, r := range []scan.Role{scan.VoltageAB, scan.VoltageBC, scan.VoltageCA} {
		if v := mean(r); !math.IsNaN(v) {
			sum, n = sum+v, n+1
		}
	}
	if n == 0 {
		return math.NaN()
	}
	return sum / n
}

func (w *Walk) device(r scan.Role) string {
	for i := range w.channels {
		if w.channels[i].role == r {
			return w.channels[i].device
		}
	}
	return ""
}
