package analysis

import "loadscribe/agent/scan"

// delta is what a run of scans adds. Two deltas merge by addition, and lists
// by concatenation in the order of their scans.
type delta struct {
	scans       int64 // scans taken, good or not
	stateMS     [numStates]int64
	transitions []transition
	gaps        []gap
	starts      []start
	stops       int64
	loads       int64 // times that air began to flow
	unloads     int64
	failed      int64 // starts that came to nothing
	cycles      []cycle
	falls       []unload
	analog      []analogSum
	counters    []counterSum
	bins        binList   // at each pressure, while no machine of the subject was known to run
	ranBins     binList   // while one ran
	ran         analogSum // of the pressure, while one ran
	lows        []low     // below the system's minimum pressure
	power       stateSums // of the draw channel
	fraction    stateSums
	flow        stateSums // of a machine's own flow meter
	flowFull    sum       // of it at full load, once air flows
	minutes     []minuteMark
	edges       []airEdge
	settled     sum // power at settled unloaded running, the sump blown down
	slots       [slotsPerCell]slotSum
	found       []found // findings that are over
	health      []healthSum
	drops       []sum   // pressures and their drops while air flows, see setDrops
	squares     sum     // of the flow, in counts, while it does
	warmth      binList // half milliseconds at each discharge temperature while air flowed
}

// transition is the moment at which a state was first seen.
type transition struct {
	wall, mono int64
	state      State
	fresh      bool // first state after a gap; when it began is not known
}

// gap is unobserved time of the master group.
type gap struct {
	from, to int64 // wall times of the good scans around it
	reason   scan.Reason
}

// start is an observed start of the motor.
type start struct {
	wall, mono int64
	segment    uint32
	restMS     int64 // since the motor stopped; 0: not known
	from       State
	afterLoss  bool // the machine stood after it had been silent while it ran
}

// How a load cycle ended.
const (
	endedByLoad uint8 = 1
	endedByStop uint8 = 2
)

// cycle is one load and the unloaded time after it.
type cycle struct {
	loadWall             int64
	loadMS, unloadMS     int64
	end                  uint8
	direct               bool // it had run unloaded since its last load, not just started
	hasPressure          bool
	atLoad, atUnload     int64 // twice the counts
	loadStep, unloadStep int64 // counts by which the pressure moved between the two readings
	minCounts, maxCounts int64
}

// sum is Σ(rᵢ+rᵢ₊₁)·dt over ms of pairs: twice the integral, in counts·ms.
type sum struct {
	twice Int128
	ms    int64
}

func (s *sum) add(pair, dtMS int64) {
	s.twice = s.twice.Add(MulInt64(pair, dtMS))
	s.ms += dtMS
}

func (s *sum) merge(o sum) {
	s.twice = s.twice.Add(o.twice)
	s.ms += o.ms
}

// analogSum is one analogue channel.
type analogSum struct {
	sum
	n        int64 // good values
	min, max int64 // of good values; meaningless while n is 0
}

func (a *analogSum) see(v int64) {
	if a.n == 0 || v < a.min {
		a.min = v
	}
	if a.n == 0 || v > a.max {
		a.max = v
	}
	a.n++
}

func (a *analogSum) merge(o *analogSum) {
	a.sum.merge(o.sum)
	if o.n == 0 {
		return
	}
	if a.n == 0 || o.min < a.min {
		a.min = o.min
	}
	if a.n == 0 || o.max > a.max {
		a.max = o.max
	}
	a.n += o.n
}

// counterSum is one counter: what it counted while observed, and what it
// counted over gaps.
type counterSum struct {
	diff, ms      int64
	wraps, resets int64
	gaps          []counterGap
}

type counterGap struct {
	from, to int64 // wall times of the good values around it
	diff     int64
	reset    bool
}

// stateSums is an analogue channel by state: all pairs by the state that held
// at their start, and those alone whose two ends saw the same state.
type stateSums struct {
	all, same [numStates]sum
}

func (s *stateSums) merge(o *stateSums) {
	for i := range s.all {
		s.all[i].merge(o.all[i])
		s.same[i].merge(o.same[i])
	}
}

func newDelta(sp *spec) *delta {
	return &delta{analog: make([]analogSum, sp.analogs), counters: make([]counterSum, sp.counters),
		health: make([]healthSum, len(sp.health)), drops: make([]sum, sp.drops)}
}

// reset empties d and keeps its memory.
func (d *delta) reset() {
	keep := *d
	*d = delta{
		transitions: keep.transitions[:0], gaps: keep.gaps[:0], starts: keep.starts[:0],
		cycles: keep.cycles[:0], falls: keep.falls[:0], found: keep.found[:0], bins: keep.bins[:0],
		ranBins: keep.ranBins[:0], lows: keep.lows[:0], analog: keep.analog, counters: keep.counters,
		health: keep.health, warmth: keep.warmth[:0], drops: keep.drops,
		minutes: keep.minutes[:0], edges: keep.edges[:0],
	}
	clear(d.analog)
	clear(d.health)
	clear(d.drops)
	for i := range d.counters {
		d.counters[i] = counterSum{gaps: keep.counters[i].gaps[:0]}
	}
}

// merge adds o, whose scans follow those of d, but for minutes and edges, which
// only those queries take that want them.
func (d *delta) merge(o *delta) {
	d.scans += o.scans
	for i := range d.stateMS {
		d.stateMS[i] += o.stateMS[i]
	}
	d.transitions = append(d.transitions, o.transitions...)
	d.gaps = append(d.gaps, o.gaps...)
	d.starts = append(d.starts, o.starts...)
	d.cycles = append(d.cycles, o.cycles...)
	d.falls = append(d.falls, o.falls...)
	d.stops += o.stops
	d.loads += o.loads
	d.unloads += o.unloads
	d.failed += o.failed
	for i := range d.analog {
		d.analog[i].merge(&o.analog[i])
	}
	for i := range d.counters {
		a, b := &d.counters[i], &o.counters[i]
		a.diff += b.diff
		a.ms += b.ms
		a.wraps += b.wraps
		a.resets += b.resets
		a.gaps = append(a.gaps, b.gaps...)
	}
	d.bins.merge(o.bins)
	d.ranBins.merge(o.ranBins)
	d.ran.merge(&o.ran)
	d.lows = append(d.lows, o.lows...)
	d.power.merge(&o.power)
	d.fraction.merge(&o.fraction)
	d.flow.merge(&o.flow)
	d.flowFull.merge(o.flowFull)
	d.settled.merge(o.settled)
	d.found = append(d.found, o.found...)
	for i := range d.slots {
		d.slots[i].merge(&o.slots[i])
	}
	for i := range d.drops {
		d.drops[i].merge(o.drops[i])
	}
	d.squares.merge(o.squares)
	for i := range d.health {
		d.health[i].merge(&o.health[i])
	}
	d.warmth.merge(o.warmth)
}

// observedMS is the time between good master scans.
func (d *delta) observedMS() int64 {
	var ms int64
	for _, v := range d.stateMS {
		ms += v
	}
	return ms
}

// runningMS is the time in states in which the motor turns.
func (d *delta) runningMS() int64 {
	return d.stateMS[Starting] + d.stateMS[Unloaded] + d.stateMS[Loaded] + d.stateMS[PartLoad]
}
