package simulator

import (
	"fmt"
	"math"
	"math/cmplx"
	"strconv"
	"strings"
)

// The mistakes a meter can be wired with. Each is worked out as a meter of
// three wattmeters would show it: P = Σ Re(Vk·conj(Ik)) over the three phases,
// S = Σ |Vk|·|Ik|.
const (
	wiringRight      = "none"
	wiringReversed   = "ct_reversed"    // one current transformer the wrong way round
	wiringWrongPhase = "ct_wrong_phase" // two current transformers swapped
	wiringRatio      = "ct_ratio"       // "ct_ratio=2": currents read twice what they are
	wiringOneLeg     = "one_leg"        // around one of the two leads of each phase of a wye-delta motor
	wiringDrive      = "drive_output"   // behind a drive that feeds this motor
	wiringMotorOnly  = "motor_only"     // behind the starter: fan and controls are not measured
)

// Of its mains' voltage and frequency, what the pretended drive of
// wiringDrive puts out.
const (
	driveLoadedShare   = 0.9
	driveUnloadedShare = 0.5
)

// parseWiring splits "ct_ratio=2"; ratio is 1 for every other mistake.
func parseWiring(text string) (mistake string, ratio float64, err error) {
	mistake, number, given := strings.Cut(text, "=")
	switch mistake {
	case "", wiringRight, wiringReversed, wiringWrongPhase, wiringOneLeg, wiringDrive, wiringMotorOnly:
		if !given {
			return mistake, 1, nil
		}
	case wiringRatio:
		if ratio, err = strconv.ParseFloat(number, 64); err == nil && ratio > 0.01 && ratio < 100 {
			return mistake, ratio, nil
		}
	}
	return "", 0, fmt.Errorf("wiring: %q is unknown; none, ct_reversed, ct_wrong_phase, ct_ratio=2, one_leg, drive_output and motor_only are known", text)
}

// seen is what a meter shows of a machine.
type seen struct {
	volts     [3]float64 // line to line
	amps      float64    // mean of the phases
	activeW   float64
	apparentW float64
	hz        float64
}

// seenBy is what a meter with a wiring mistake sees of s. The phases are taken
// as alike: only the magnitudes of the line voltages differ.
func seenBy(mistake string, ratio float64, s *snapshot) seen {
	right := seen{volts: s.volts, amps: s.lineA, activeW: s.activeW, apparentW: s.apparentW, hz: gridHz}
	if mistake == "" || mistake == wiringRight {
		return right
	}
	w := right
	mean := (s.volts[0] + s.volts[1] + s.volts[2]) / 3
	motorA := 0.0
	if mean > 0 {
		motorA = math.Hypot(s.motorW, s.motorVar) / (math.Sqrt(3) * mean)
	}
	package3 := threePhase(s.lineA, s.activeW, s.reactiveW)
	currents := package3
	switch mistake {
	case wiringReversed:
		currents[0] = -currents[0]
	case wiringWrongPhase:
		currents[0], currents[1] = currents[1], currents[0]
	case wiringRatio:
		for k := range currents {
			currents[k] *= complex(ratio, 0)
		}
	case wiringMotorOnly:
		currents = threePhase(motorA, s.motorW, s.motorVar)
	case wiringOneLeg:
		currents = threePhase(motorA, s.motorW, s.motorVar)
		if !s.wye {
			// The winding's current in delta: line current = √3 ∠-30° of it.
			leg := cmplx.Rect(1/math.Sqrt(3), math.Pi/6)
			for k := range currents {
				currents[k] *= leg
			}
		}
	case wiringDrive:
		share := driveShare(s.status)
		for k := range w.volts {
			w.volts[k] *= share
		}
		mean *= share
		w.hz *= share
		currents = threePhase(motorA, s.motorW, s.motorVar)
	}
	return w.measure(mean, currents)
}

// driveShare is 0 at standstill.
func driveShare(status uint16) float64 {
	switch {
	case status&bitRunning == 0:
		return 0
	case status&bitLoaded == 0:
		return driveUnloadedShare
	}
	return driveLoadedShare
}

// threePhase is the currents of three phases whose voltages are at 0, -120 and
// -240 degrees.
func threePhase(amps, activeW, reactiveVar float64) [3]complex128 {
	lag := math.Atan2(reactiveVar, activeW)
	var currents [3]complex128
	for k := range currents {
		currents[k] = cmplx.Rect(amps, -float64(k)*2*math.Pi/3-lag)
	}
	return currents
}

// measure fills in what three wattmeters make of the currents.
func (w seen) measure(lineVolts float64, currents [3]complex128) seen {
	w.amps, w.activeW, w.apparentW = 0, 0, 0
	for k, i := range currents {
		v := cmplx.Rect(lineVolts/math.Sqrt(3), -float64(k)*2*math.Pi/3)
		w.activeW += real(v * cmplx.Conj(i))
		w.apparentW += cmplx.Abs(v) * cmplx.Abs(i)
		w.amps += cmplx.Abs(i) / 3
	}
	return w
}
