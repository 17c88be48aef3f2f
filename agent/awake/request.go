package awake

// windowsState is what a request brought on Windows. That a person, the lid and an
// empty battery still put the computer to sleep is from the function's description
// (remarks of SetThreadExecutionState: it keeps the idle timers from running out and
// does not hinder who puts the computer to sleep).
func windowsState(r request) State {
	const settings = "In the power settings set sleep to never, on mains and on battery, and the lid to do nothing."
	switch {
	case r.err != nil:
		return State{Sleep: May, Why: "Windows refused to stay awake (" + r.err.Error() + ").", Mend: settings}
	case !r.asked:
		return State{Sleep: May, Why: "Nothing asks Windows to stay awake now.", Mend: settings}
	}
	return State{Sleep: Held, How: "a request to Windows, for as long as loadscribe runs",
		Why:  "Windows does not fall asleep by itself while loadscribe runs. A closed lid, the sleep button or an empty battery still put it to sleep.",
		Mend: "Keep the lid open or set it to do nothing, and keep the computer on mains power."}
}
