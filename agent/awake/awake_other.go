//go:build !linux && !windows

package awake

func hold() (release func(), asked bool, err error) { return func() {}, false, nil }

func look(request) State {
	return State{Sleep: Unknown, Why: "loadscribe cannot read whether this system falls asleep.",
		Mend: "Switch off sleep in its energy settings for as long as it records."}
}
