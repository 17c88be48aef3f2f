package analysis

// State is what a machine is doing. The numbers are stored in summaries and
// never change their meaning.
type State uint8

// The states (design, section 3).
const (
	Unobserved State = 0 // nothing is known: a gap
	Off        State = 1 // stopped, will not start by itself
	Standby    State = 2 // stopped, may start without warning
	Stopped    State = 3 // stopped; which of off and standby is not known
	Starting   State = 4 // motor on, not yet settled into loaded or unloaded
	Unloaded   State = 5 // running, delivering nothing
	Loaded     State = 6 // running, delivering all it can
	PartLoad   State = 7 // running, delivering between nothing and all
	Tripped    State = 8 // stopped with a fault code standing
	numStates        = 9
)

var stateNames = [numStates]string{
	"unobserved", "off", "standby", "stopped", "starting",
	"unloaded", "loaded", "part-load", "tripped",
}

// String returns the word used in the API, on the page and in labels.
func (s State) String() string {
	if s < numStates {
		return stateNames[s]
	}
	return "unknown state"
}

// Running reports whether the main motor turns in this state.
func (s State) Running() bool {
	return s == Starting || s == Unloaded || s == Loaded || s == PartLoad
}

// delivering reports whether air leaves the machine in this state.
func (s State) delivering() bool { return s == Loaded || s == PartLoad }

// States lists all states in the order of their numbers, for metrics that must
// exist from the start.
func States() []State {
	all := make([]State, 0, numStates)
	for s := Unobserved; s < numStates; s++ {
		all = append(all, s)
	}
	return all
}
