package simulator

import "fmt"

// State is what a machine truly is doing.
type State uint8

// The states. A load/unload machine is never at part load; one that can be is
// loaded from 98 % of its flow on and unloaded below 5 %. There is no
// "stopped": that word is for those who cannot tell off from standby.
const (
	Off      State = iota // switched off, by its schedule
	Standby               // stopped, may start without warning
	Starting              // from the first contactor to the permission to load
	Unloaded              // running, inlet valve less than half open
	Loaded                // running, inlet valve at least half open
	PartLoad              // running between the two
	Tripped               // stopped by a fault
	NumStates
)

// String returns the state's word as used everywhere in loadscribe.
func (s State) String() string {
	switch s {
	case Off:
		return "off"
	case Standby:
		return "standby"
	case Starting:
		return "starting"
	case Unloaded:
		return "unloaded"
	case Loaded:
		return "loaded"
	case PartLoad:
		return "part-load"
	case Tripped:
		return "tripped"
	}
	return fmt.Sprintf("state(%d)", uint8(s))
}

// MarshalText writes the state's word.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Running reports whether the motor is connected.
func (s State) Running() bool {
	return s == Starting || s == Unloaded || s == Loaded || s == PartLoad
}

// delivering reports whether the inlet lets air through.
func (s State) delivering() bool { return s == Loaded || s == PartLoad }
