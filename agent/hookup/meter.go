package hookup

import (
	"fmt"
	"math"

	"loadscribe/agent/sitefile"
)

// Bounds of a right meter; see the package comment.
const (
	factorLow   = 0.62
	factorTop   = 0.95
	ratioWithin = 1.2
)

// oneLeg is what one of the six leads of a wye-delta motor carries of the line
// current.
var oneLeg = 1 / math.Sqrt(3)

func driven(m *sitefile.Machine) bool {
	return m.Control == sitefile.VariableSpeed || m.Motor.Starting == "drive"
}

// wyeDelta reports whether the motor may have six leads.
func wyeDelta(m *sitefile.Machine) bool {
	return m.Motor.Starting == "wye-delta" || m.Motor.Starting == ""
}

// near reports whether v is within a share of want; false for NaN.
func near(v, want, share float64) bool { return math.Abs(v-want) <= share*math.Abs(want) }

func wrongMeter(code, text, basis, mend string) []Finding {
	return []Finding{{Code: code, Severity: Wrong, Text: text, Basis: basis, Mend: mend + mendCT}}
}

// judgeMeter names what is wrong with the meter's connection, at most one
// thing.
func judgeMeter(m *sitefile.Machine, stopped, unloaded, loaded facts) []Finding {
	if math.IsNaN(loaded.power) {
		return nil
	}
	if f := judgeVoltage(m, stopped, unloaded, loaded); f != nil {
		return f
	}
	r := loaded.meterA / loaded.motorA
	q := math.NaN()
	if m.RatedPowerW > 0 {
		q = loaded.power / m.RatedPowerW
	}
	if f := judgePhases(m, loaded, r, q); f != nil {
		return f
	}
	if f := judgeRatio(m, loaded, r, q); f != nil {
		return f
	}
	return judgeBoundary(m, stopped, loaded, r, q)
}

// judgeVoltage finds a meter behind a drive: the mains stand still.
func judgeVoltage(m *sitefile.Machine, stopped, unloaded, loaded facts) []Finding {
	gone := stopped.volts < 0.2*loaded.volts
	moves := !math.IsNaN(unloaded.volts) && !near(unloaded.volts, loaded.volts, 0.1)
	off := gone && m.Motor.Volts > 0 && !near(loaded.volts, m.Motor.Volts, 0.12)
	basis := fmt.Sprintf("line voltage stopped %s, unloaded %s, loaded %s V", orDash(stopped.volts), orDash(unloaded.volts), orDash(loaded.volts))
	switch {
	case moves || off:
		return wrongMeter(CodeDriveOutput, "The meter measures a drive's output instead of its input: the voltage follows the speed. "+
			"The drive's own losses, the fan and the controls are missing, and few meters are right on a drive's output.", basis,
			"Move current transformers and voltage taps to the supply of the whole package, before the drive.")
	case gone:
		return []Finding{{Code: CodeMotorOnly, Severity: Hint, Basis: basis,
			Text: "The meter's voltage vanishes at standstill: it sits behind a contactor or a drive and measures the motor, not the package.",
			Mend: "Move it to the supply of the whole package." + mendCT}}
	}
	return nil
}

// judgePhases reads the power factor: directions, phases and legs.
func judgePhases(m *sitefile.Machine, loaded facts, r, q float64) []Finding {
	pf := loaded.factor
	basis := fmt.Sprintf("loaded: P = %.1f kW, S = %.1f kVA, P/S = %.3f", loaded.power/1e3, loaded.apparent/1e3, pf)
	if !math.IsNaN(r) {
		basis += fmt.Sprintf("; the meter's current is %.2f of the controller's", r)
	}
	leg := !driven(m) && wyeDelta(m) && !loaded.borrowed &&
		(near(r, oneLeg, 0.08) && (pf > 0.94 || pf < factorLow && pf > 0.2) || math.IsNaN(r) && pf > 0.96 && q > 0.4 && q < 0.8)
	switch {
	case math.IsNaN(pf):
		return nil
	case leg:
		return wrongMeter(CodeOneLeg, "The current transformers sit around one of the two leads of each phase of a wye-delta motor: they read 1/√3 = 0.577 of the line current, and 30° off.",
			basis, "Put each transformer around the conductor that feeds the package, before the starter.")
	case math.Abs(pf) < 0.15:
		return wrongMeter(CodeWrongPhase, "Current transformers are on the wrong phase (two of them swapped): the three powers cancel out.",
			basis+"; cos φ + cos(φ+120°) + cos(φ-120°) = 0", "Match each current with the voltage of its own phase, A with A, B with B, C with C.")
	case math.Abs(pf) > 0.2 && math.Abs(pf) < 0.38 && pf > 0:
		return wrongMeter(CodeReversed, "One current transformer is reversed: a third of the power is left.",
			basis+"; (1+1-1)/3 of a motor's 0.75-0.95 is 0.25-0.32", "Turn it round, or swap its two secondary wires at the meter.")
	case pf < 0:
		return wrongMeter(CodeReversed, "Power runs backwards: two or all three current transformers are reversed, or all three are one phase on.",
			basis+"; two reversed leave -1/3, three -1", "Turn them round, and match each with the voltage of its own phase.")
	case pf < factorLow && !loaded.borrowed:
		return []Finding{{Code: CodeLowFactor, Severity: Hint, Basis: basis,
			Text: "The power factor of the loaded machine is implausibly low; which mistake makes it cannot be told from these readings.",
			Mend: "Compare the power of each phase on the meter's own display, and measure the currents with a clamp meter."}}
	}
	return nil
}

// judgeRatio compares currents with each other and power with the nameplate.
func judgeRatio(m *sitefile.Machine, loaded facts, r, q float64) []Finding {
	const usual = 0.9 // of rated power, at a pressure somewhat below the rated one
	set := func(factor float64, more string) []Finding {
		return wrongMeter(CodeRatio, fmt.Sprintf("The current transformers' ratio is wrong: current and power read about %s times what they are.%s", factorText(factor), more),
			fmt.Sprintf("loaded: P = %.1f kW; meter's current over controller's %s; power over rated %s", loaded.power/1e3, orDash(r), orDash(q)),
			"Compare the ratio on the transformers' plates (such as 100:5) with the meter's setting.")
	}
	switch {
	case loaded.borrowed && loaded.factor > 1.05:
		return set(loaded.factor/0.87, " Power is more than the controller's current can carry.")
	case !math.IsNaN(r) && math.Abs(math.Log(r)) > math.Log(ratioWithin):
		if q > 0 && math.Abs(math.Log(q/usual)) <= math.Abs(math.Log(q/r/usual)) {
			return controllerCurrent(m, r, q)
		}
		more := ""
		if math.IsNaN(q) {
			more = " Or the controller's current is wrong: without rated_power in the site file this cannot be told."
		}
		return set(r, more)
	case math.IsNaN(r) && !loaded.borrowed && (q > 1.4 || q < 0.55):
		return set(q/usual, " Or rated_power in the site file is wrong: without a second current this cannot be told.")
	case q > 1.4 || q < 0.55:
		return []Finding{{Code: CodeRatedPower, Severity: Hint, Basis: fmt.Sprintf("loaded %.1f kW, rated %.1f kW", loaded.power/1e3, m.RatedPowerW/1e3),
			Text: "Power and the controller's current agree with each other, but not with the rated power.",
			Mend: "Check rated_power in the site file against the package's plate."}}
	}
	return nil
}

func controllerCurrent(m *sitefile.Machine, r, q float64) []Finding {
	basis := fmt.Sprintf("the controller's current is %.2f of the meter's; power over rated %.2f", 1/r, q)
	if near(1/r, oneLeg, 0.08) && wyeDelta(m) && !driven(m) {
		return []Finding{{Code: CodeControllerLeg, Severity: Hint, Basis: basis,
			Text: "The controller shows 1/√3 = 0.577 of the line current: its transformer sits around one of the six leads of a wye-delta motor. " +
				"That is how many packages are built; the motor current channel then needs the factor √3.",
			Mend: "In the register map, give motor_current a scale larger by 1.732, after a clamp meter has confirmed it."}}
	}
	return []Finding{{Code: CodeControllerRatio, Severity: Wrong, Basis: basis,
		Text: fmt.Sprintf("The controller's motor current reads about %s times what it is; the meter fits the rated power.", factorText(1/r)),
		Mend: "Check the scale of motor_current in the register map against a clamp meter."}}
}

// judgeBoundary hints at a meter on the motor instead of the package.
func judgeBoundary(m *sitefile.Machine, stopped, loaded facts, r, q float64) []Finding {
	const nothing = 0.0005 // of loaded power: less than any controls draw
	if math.IsNaN(stopped.power) || math.Abs(stopped.power) > nothing*loaded.power || r >= 1.02 {
		return nil
	}
	basis := fmt.Sprintf("stopped %.0f W", stopped.power)
	if !math.IsNaN(r) {
		basis += fmt.Sprintf("; the meter's current is %.3f of the motor's", r)
	}
	if !math.IsNaN(q) {
		basis += fmt.Sprintf("; loaded power is %.0f %% of the package's rated %.1f kW", 100*q, m.RatedPowerW/1e3)
	}
	return []Finding{{Code: CodeMotorOnly, Severity: Hint, Basis: basis,
		Text: "The meter seems to measure the motor instead of the package: at standstill it shows nothing, not even the controls. " +
			"Fan and controls are then missing from every figure. A meter that cannot show so little power looks the same.",
		Mend: "See that the transformers are before the point where fan and controls branch off." + mendCT}}
}

// factorText writes a factor as the plain ratio it is near to.
func factorText(f float64) string {
	for _, plain := range []float64{1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 20} {
		if near(f, plain, 0.09) {
			return fmt.Sprintf("%g (found %.2f)", plain, f)
		}
		if near(f, 1/plain, 0.09) {
			return fmt.Sprintf("1/%g (found %.3f)", plain, f)
		}
	}
	return fmt.Sprintf("%.2f", f)
}
