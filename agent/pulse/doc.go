// Package pulse tells whether loops still turn: a loop says what it is about to do and how
// long that may take at most (a Pulse), and somebody looks once a second whether it has
// come round since (Watch). A call that hangs in a driver or a lock is noticed so, whatever
// it hangs in.
//
// Time is counted in looks, not read from a clock: a computer that slept, a process that
// was stopped or starved, a clock that was set make no loop late, for they stop the looks
// as well.
//
// Non-goals: nothing is ended or begun anew here; what to do about a loop that hangs is
// its owner's.
package pulse
