package scan

import "fmt"

// Reason says why a value or a whole scan is missing. The numbers are stored
// and never change their meaning; new reasons are added at the end.
type Reason uint8

// The reasons. Good means that the value counts.
const (
	Good           Reason = 0  // the value counts
	Timeout        Reason = 1  // the device did not answer in time
	BadChecksum    Reason = 2  // an answer came, damaged
	Exception      Reason = 3  // the device answered with an exception code
	Implausible    Reason = 4  // outside the map's valid range; raw kept
	Absent         Reason = 5  // one of the map's codes for "no value"; raw kept
	PortGone       Reason = 6  // serial port or connection cannot be opened or was lost
	AgentStopped   Reason = 7  // the agent was not running
	WrongAnswer    Reason = 8  // an answer that does not fit the request (unit id, function, length)
	Dropped        Reason = 9  // read, but the writer could not take it (full disk, stalled disk)
	ClockStep      Reason = 10 // the wall clock stepped: a new recording segment begins
	SensorFault    Reason = 11 // fault level of a 4-20 mA loop (NAMUR NE 43)
	LineBusy       Reason = 12 // another master is on the line
	StartMismatch  Reason = 13 // the map's expected constants were not found
	numReasons     Reason = 14
	reasonUnlisted        = "unknown reason"
)

var reasonNames = [numReasons]string{
	Good:          "good",
	Timeout:       "timeout",
	BadChecksum:   "bad checksum",
	Exception:     "device exception",
	Implausible:   "implausible",
	Absent:        "no value",
	PortGone:      "port gone",
	AgentStopped:  "agent stopped",
	WrongAnswer:   "wrong answer",
	Dropped:       "dropped",
	ClockStep:     "clock step",
	SensorFault:   "sensor fault",
	LineBusy:      "line busy",
	StartMismatch: "wrong map",
}

// String returns the name used in exports, labels and the API.
func (r Reason) String() string {
	if r < numReasons {
		return reasonNames[r]
	}
	return reasonUnlisted
}

// ParseReason is the inverse of String.
func ParseReason(s string) (Reason, error) {
	for i, n := range reasonNames {
		if n == s {
			return Reason(i), nil
		}
	}
	return 0, fmt.Errorf("reason %q is not known", s)
}

// Reasons lists all reasons but Good, for metrics that must exist from the
// start.
func Reasons() []Reason {
	var all []Reason
	for r := Good + 1; r < numReasons; r++ {
		all = append(all, r)
	}
	return all
}
