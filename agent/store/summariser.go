package store

import "loadscribe/agent/scan"

// Summariser turns stored scans into interval summaries. The analysis
// implements it; the store only knows when to call and keeps the bytes.
//
// The store's writer calls Step for each scan in sequence order, exactly once
// in a store's life but for those replayed after a start: at open the store
// calls Restore with the state saved by the last seal, then Step for each scan
// of the journal's tail, so that the state is as if nothing had happened.
// No call overlaps another.
type Summariser interface {
	// Restore sets the state to what Flush returned; nil means a new store.
	// A state that cannot be used (another version, another site file) is an
	// error; the store then rebuilds from raw: Restore(nil) and all scans.
	Restore(state []byte) error
	// Step takes the next scan. It must not keep s or its slices.
	Step(s *scan.Scan)
	// Flush returns the pieces finished or begun since the last Flush, and
	// the state to restore from. It is called at each seal. The pieces handed
	// out are cut here: what follows goes into new pieces.
	Flush() (pieces []Piece, state []byte)
}

// Calibrated is a Summariser whose fold depends on events that the store keeps,
// such as levels learnt from the data. Before Restore the store hands it all
// those of the kinds that it asks for, in their order.
type Calibrated interface {
	Summariser
	// Calibrates reports whether events of the kind matter.
	Calibrates(kind string) bool
	// Calibrate sets what they say; the state is then that of a new store.
	Calibrate(events []Event)
}

// Piece is what one machine (or system) did within one 15-minute cell of UTC
// time, one recording segment and one run of sequence numbers. Pieces of one
// cell are merged by the analysis.
type Piece struct {
	Key      string // machine or system name, chosen by the Summariser
	StartMS  int64  // start of the cell, Unix ms UTC, multiple of 900 000
	Segment  uint32
	FirstSeq uint64 // first scan in it
	LastSeq  uint64
	Version  uint16 // version of Entry, Delta and Exit
	Config   string // fingerprint of what the fold depended on
	Entry    []byte // carry before FirstSeq
	Delta    []byte
	Exit     []byte // carry after LastSeq
}

// Event is something that happened at one time: a transition, a fault, a line
// trouble, a clock step, a configuration change, a note.
type Event struct {
	Seq     uint64 // order in the store, counted apart from scans
	WallMS  int64
	MonoMS  int64
	Segment uint32
	Kind    string // agent_started, agent_stopped, agent_broke_off, store_down, line_down, line_up, device_down, device_up, clock_step, config_changed, data_damaged, state, note …
	Subject string // device, line or machine; empty: the agent
	Text    string // one sentence for people
	Data    map[string]string
}

// Cell is one bucket of a series. Values are raw numbers in the channel's
// unit. Count 0 marks a gap.
type Cell struct {
	StartMS                    int64
	FirstMS, LastMS            int64 // wall time of the first and last good value
	First, Last, Min, Max, Sum float64
	Count                      int64
}
