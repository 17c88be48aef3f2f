package hookup

import "loadscribe/agent/scan"

// Severity says how sure a finding is.
type Severity string

// The severities.
const (
	Wrong Severity = "wrong" // named with good reason
	Hint  Severity = "hint"  // look there; other causes are possible
)

// Finding is something wrong, named. Code is one of the Code constants.
type Finding struct {
	Code     string   `json:"code"`
	Severity Severity `json:"severity"`
	Text     string   `json:"text"`  // what is wrong, for people
	Basis    string   `json:"basis"` // the arithmetic it rests on
	Mend     string   `json:"mend"`  // what to do, with its caution
}

// The codes of findings.
const (
	CodeInvertedLoad    = "inverted_load_bit"
	CodeStillLoad       = "load_bit_still"
	CodeInvertedRunning = "inverted_running_bit"
	CodeStillRunning    = "running_bit_still"
	CodeSwappedSteps    = "steps_swapped"
	CodeNothingMoved    = "nothing_moved"
	CodeReversed        = "ct_reversed"
	CodeWrongPhase      = "ct_wrong_phase"
	CodeRatio           = "ct_ratio"
	CodeOneLeg          = "one_leg"
	CodeControllerLeg   = "controller_one_leg"
	CodeControllerRatio = "controller_current"
	CodeDriveOutput     = "drive_output"
	CodeMotorOnly       = "motor_only"
	CodeLowFactor       = "power_factor_low"
	CodeRatedPower      = "rated_power"
	CodePressure        = "pressure_wrong"
)

// Check is one thing that must move rightly between the steps. Result is
// "right", "wrong" or "not judged".
type Check struct {
	Name   string `json:"name"` // running_bit, loaded_bit, current, power, power_factor, pressure
	Result string `json:"result"`
	Text   string `json:"text"`
}

// StepReading is a role's mean in a step, in SI.
type StepReading struct {
	Role    scan.Role `json:"role"`
	Mean    float64   `json:"mean"`
	Unit    string    `json:"unit"` // W, VA, A, V, Pa or 1
	Samples int       `json:"samples"`
}

// StepReport is how far a step is: waiting, collecting, done or skipped.
type StepReport struct {
	Step     Step          `json:"step"`
	State    string        `json:"state"`
	Readings []StepReading `json:"readings"`
}

// Report is all there is to show of a walk. Verdict is empty until the last
// step is done, then well, hint or wrong.
type Report struct {
	Machine     string       `json:"machine"` // empty: no walk was begun
	Step        Step         `json:"step"`    // the one that waits or is collected; empty: none
	Phase       string       `json:"phase"`   // idle, waiting, collecting or done
	Instruction string       `json:"instruction"`
	Cautions    []string     `json:"cautions"`
	CollectedS  float64      `json:"collected_s"`
	NeededS     float64      `json:"needed_s"`
	Detail      string       `json:"detail"` // what is waited for, or why the step is to be done again
	Steps       []StepReport `json:"steps"`
	Checks      []Check      `json:"checks"`
	Findings    []Finding    `json:"findings"`
	Verdict     string       `json:"verdict"`
}

// Idle is the report where no walk was begun.
func Idle() Report {
	return Report{Phase: "idle", Instruction: "No hook-up check was begun.", Cautions: []string{},
		NeededS: WindowMS / 1000, Steps: []StepReport{}, Checks: []Check{}, Findings: []Finding{}}
}

// Report tells how far the walk is and, when all steps are done, what it found.
// The caller owns it.
func (w *Walk) Report() Report {
	w.mu.Lock()
	defer w.mu.Unlock()
	r := Idle()
	r.Machine, r.Detail = w.machine.Name, w.detail
	step, more := w.next()
	for _, s := range Steps() {
		r.Steps = append(r.Steps, w.stepReport(s, more && s == step && w.window != nil))
	}
	switch {
	case !more:
		r.Phase, r.Instruction = "done", "All steps are done."
		r.Checks, r.Findings = w.conclude()
		r.Verdict = verdict(r.Checks, r.Findings)
		if r.Verdict != "well" {
			r.Cautions = append(r.Cautions, cautionCT, cautionBleed, cautionLicence)
		}
	case w.window != nil:
		r.Phase, r.Step = "collecting", step
		r.Instruction = "Hold the machine as it is: " + doing(step) + "."
		r.CollectedS = float64(w.window.collectedMS()) / 1000
	default:
		r.Phase, r.Step, r.Instruction = "waiting", step, instruction(step)
		r.Cautions = append(r.Cautions, cautions(step)...)
	}
	return r
}

func (w *Walk) stepReport(s Step, collecting bool) StepReport {
	r := StepReport{Step: s, State: "waiting", Readings: []StepReading{}}
	switch result := w.results[s]; {
	case collecting:
		r.State = "collecting"
	case result == nil:
	case result.skipped:
		r.State = "skipped"
	default:
		r.State = "done"
		for _, role := range wanted() {
			if reading, ok := result.readings[role]; ok {
				r.Readings = append(r.Readings, StepReading{role, reading.Mean, unitOf(role), reading.Samples})
			}
		}
	}
	return r
}

func unitOf(r scan.Role) string {
	switch r {
	case scan.Power:
		return "W"
	case scan.ApparentPower:
		return "VA"
	case scan.MotorCurrent:
		return "A"
	case scan.VoltageAB, scan.VoltageBC, scan.VoltageCA:
		return "V"
	case scan.DischargePressure:
		return "Pa"
	}
	return "1"
}

func verdict(checks []Check, findings []Finding) string {
	v := "well"
	for _, c := range checks {
		if c.Result == resultWrong {
			return "wrong"
		}
	}
	for _, f := range findings {
		if f.Severity == Wrong {
			return "wrong"
		}
		v = "hint"
	}
	return v
}
