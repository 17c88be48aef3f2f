//go:build !linux

package agent

// clockKept is not known here.
func clockKept() (kept bool, maxErrorMS float64, known bool) { return false, 0, false }
