package publish

import (
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// Source gives what a scrape shows. It may be called from several goroutines
// and must answer from memory.
type Source interface {
	Metrics() Snapshot
}

// Snapshot is all that one scrape shows. The collector only reads it.
type Snapshot struct {
	Machines    []Machine
	Systems     []System
	Devices     []Device
	Alarms      Alarms
	Messages    *Messages    // nil: nobody is told of alarms
	RemoteWrite *RemoteWrite // nil: nothing is sent on
	Store       Store
	StartedMS   int64 // Unix milliseconds of the agent's start
}

// Machine is one compressor.
type Machine struct {
	Name string
	// State is the present state's name, one of States.
	State string
	// Readings are the machine's roles with a good last value; others are left
	// out.
	Readings []Reading
	Totals   Totals
	// RecentStarts are the starts seen in the last 60 minutes.
	RecentStarts int64
	// StartsLimit is how many the motor may have in 60 minutes; 0: the site file does
	// not say.
	StartsLimit float64
}

// System is machines and piping together.
type System struct {
	Name string
	Taps []Tap
	// QuietM3S is what flows when nobody works, free air at the inlet, of the last
	// seven days; nil: not known.
	QuietM3S *float64
}

// Tap is the last good value of a channel that the site file names as a tap.
type Tap struct {
	Channel string
	Reading Reading
}

// Reading is the last good value of a role.
type Reading struct {
	Role      scan.Role
	Dimension quantity.Dimension
	// SI is the value in the dimension's SI unit: Pa, K, W, m³/s.
	SI float64
	// Absolute is true for absolute pressures, which are not shown: the metric
	// is gauge pressure.
	Absolute bool
	// AgeMS is the age of the scan by the monotonic clock, PeriodMS its
	// group's period. Older than three periods is absent.
	AgeMS, PeriodMS int64
}

// Totals are a machine's counts since the store began. They never fall. What is nil is
// not known; TotalsOf says why.
type Totals struct {
	// StateMS is milliseconds by state; a state left out has none.
	StateMS            map[string]int64
	Starts, LoadCycles *int64
	// RunningJ is the part of EnergyJ while the motor was on.
	EnergyJ, RunningJ, AirM3 *float64
}

// Device is something that answers on a line.
type Device struct {
	Name string
	Up   bool
	// LastGoodMS is the wall clock of the last good scan in Unix milliseconds;
	// zero: none yet.
	LastGoodMS int64
	// Errors are failed scans by reason since the store began. Reasons left out
	// are shown as zero.
	Errors map[scan.Reason]int64
	// Durations is how long exchanges took; nil: none yet.
	Durations *Durations
	// LineRestarts and LineMissed are of the device's line since the agent started:
	// times that it hung and was begun anew, polls that were passed over.
	LineRestarts, LineMissed int64
}

// Alarms are what stands and how the rules do.
type Alarms struct {
	Kinds []AlarmKind
	Rules []RuleCount // all states that a rule can be in
}

// AlarmKind counts the standing alarms of the rules on one thing.
type AlarmKind struct {
	On                                      string
	Raised, Acknowledged, Shelved, Returned int64
}

// RuleCount is how many rules are in a state.
type RuleCount struct {
	State string
	Count int64
}

// Messages are those of alarms, of all targets. Sent and GivenUp never fall, and outlast
// a restart.
type Messages struct {
	Waiting, Sent, GivenUp int64
	Working, Failing       int64 // targets
}

// RemoteWrite is what is sent on, of all receivers. Counts never fall, and outlast a
// restart.
type RemoteWrite struct {
	Sending, Failing, Held int64 // receivers
	Samples                int64
	// Refused are samples by reason, all that there are: those without any are zero.
	Refused                  map[string]int64
	WaitingScans, BehindMS   int64 // of the receiver that is furthest behind
	MissedScans              int64
	Requests, Retries, Bytes int64
}

// Store is how the store is.
type Store struct {
	OK             bool
	Measured       bool // DirectoryBytes and DatabaseBytes are known
	DirectoryBytes int64
	FreeBytes      int64 // on its disk; negative: not known
	// WaitingScans are read and not yet safe on disk.
	WaitingScans int64
	// Since the store began: Scans counts those taken, DurableScans those safe
	// on disk, DroppedScans those that were read and could not be kept.
	Scans, DurableScans, DroppedScans int64
	// DatabaseBytes is the size of store.db, FreePageBytes what of it is free to
	// be used again, OldestMS the wall time of the oldest raw scan kept (0: none).
	DatabaseBytes, FreePageBytes, OldestMS int64
	// DroppedDays counts days of raw readings dropped since the agent started.
	// CleanupMS is when it was last looked for such days (0: raw is kept for good),
	// CleanupOK that this went well.
	DroppedDays, CleanupMS int64
	CleanupOK              bool
}

// Live are the counters of the live sockets, since the agent started.
type Live struct {
	Clients                    int
	Coalesced, Kicked, Refused int64
}

// States are the states a machine can be in, in the order of the design.
func States() []string {
	return []string{
		"off", "standby", "stopped", "starting", "unloaded", "loaded", "part-load", "tripped", "unobserved",
	}
}
