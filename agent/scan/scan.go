package scan

// Scan is all values of one poll group at one time, or the reason there are
// none.
//
// A Scan is a value that is handed on, never shared: who receives it owns
// Values and Quality and may keep them; who made it must not touch them again.
type Scan struct {
	// Seq is the scan's place in the store's total order, counted from 1.
	// Zero until the store has taken it.
	Seq uint64
	// Group names the channels; never nil.
	Group *Group
	// Segment numbers the recording segment (one start of the agent, or what
	// lies between two steps of the wall clock). Set by the store.
	Segment uint32
	// MonoMS is monotonic time in milliseconds since the agent process
	// started (since any fixed moment of one segment). Only differences
	// within one segment mean anything.
	MonoMS int64
	// WallMS is the wall clock in Unix milliseconds, UTC. It labels; it does
	// not order and gives no durations.
	WallMS int64
	// DurationMS is how long the exchange on the line took.
	DurationMS uint32
	// Reason is Good when there are values, else why there are none.
	Reason Reason
	// Values holds one raw value a channel, in the order of Group.Channels.
	// Nil when Reason is not Good.
	Values []int64
	// Quality says for each channel whether its value counts. Nil means that
	// all are Good. A value whose quality is not Good is kept raw where the
	// wire gave one (Implausible, Absent) and is zero otherwise.
	Quality []Reason
}

// Get returns the raw value of channel i and true if it is good.
func (s *Scan) Get(i int) (raw int64, ok bool) {
	if s.Reason != Good || i < 0 || i >= len(s.Values) {
		return 0, false
	}
	if s.Quality != nil && s.Quality[i] != Good {
		return s.Values[i], false
	}
	return s.Values[i], true
}

// ReasonOf returns the reason that channel i has no good value, or Good.
func (s *Scan) ReasonOf(i int) Reason {
	if s.Reason != Good {
		return s.Reason
	}
	if s.Quality != nil {
		return s.Quality[i]
	}
	return Good
}

// Clone returns a copy that shares nothing but the Group.
func (s *Scan) Clone() Scan {
	c := *s
	if s.Values != nil {
		c.Values = append([]int64(nil), s.Values...)
	}
	if s.Quality != nil {
		c.Quality = append([]Reason(nil), s.Quality...)
	}
	return c
}
