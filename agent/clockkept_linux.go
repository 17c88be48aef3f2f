package agent

import "golang.org/x/sys/unix"

// clockKept asks the kernel whether something keeps its clock right: adjtimex(2) with
// no mode sets nothing. maxErrorMS is the kernel's own bound, from microseconds.
func clockKept() (kept bool, maxErrorMS float64, known bool) {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return false, 0, false
	}
	return t.Status&unix.STA_UNSYNC == 0, float64(t.Maxerror) / 1000, true
}
