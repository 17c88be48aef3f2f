package analysis

import "loadscribe/agent/scan"

// maxRecent bounds the starts remembered for the live count of the last hour.
const maxRecent = 32

// carry is what the fold of one subject must remember from scan to scan. It is
// plain data of fixed size but for tracks, spells and signs, so that a step allocates nothing.
type carry struct {
	started bool // a scan has been seen
	segment uint32
	tracks  []track
	spells  []spell      // one a watch of the spec
	signs   []hysteresis // one a run sign of the spec, once a scan was seen
	lows    [numLows]openLow
	edges   edgeCarry

	// The state machine, driven by the scans of the master channel's group.
	known              bool // state holds since the last good master scan
	state              State
	hasLast            bool        // a good master scan was ever seen
	lastMono, lastWall int64       // its times
	bad                scan.Reason // why there was none since; Good: no reason seen
	sinceMono          int64
	sinceWall          int64
	sinceKnown         bool
	inStart            bool // the start phase runs
	startMono          int64
	hasStop            bool // the machine was seen to stop and has rested since
	stopMono           int64
	duty               dutyCarry

	run, load hysteresis
	cycle     openCycle
	settle    settling

	recent  [maxRecent]int64 // wall times of the latest starts, oldest first
	recents int
}

// track is the last good value of one channel.
type track struct {
	has    bool
	fresh  bool // mono belongs to this segment
	mono   int64
	wall   int64
	counts int64
	// before is the value before that, prior the one before before, for the
	// pressure at a transition.
	hasBefore, hasPrior bool
	before, prior       int64
	state               State // of the machine when the value came
}

func (t *track) forgetBefore() { t.hasBefore, t.before, t.hasPrior, t.prior = false, 0, false, 0 }

// hysteresis is a level with dwell: on or off, and since when the other side
// has been seen.
type hysteresis struct {
	known, on bool
	pending   bool
	mono      int64
}

// openCycle is the load cycle that runs: loaded (phase 1), then unloaded
// (phase 2).
type openCycle struct {
	phase                uint8
	loadWall, loadMono   int64
	unloadMono           int64
	direct               bool
	hasPressure          bool
	atLoad, atUnload     int64 // twice the counts: the readings before and after, added
	loadStep, unloadStep int64 // and how far apart they were
	minCounts, maxCounts int64
}

func (c *carry) init(channels, watches int) {
	*c = carry{tracks: make([]track, channels), spells: make([]spell, watches)}
}

// clone copies c so that both can be stepped.
func (c *carry) clone() carry {
	d := *c
	d.tracks = append([]track(nil), c.tracks...)
	d.spells = append([]spell(nil), c.spells...)
	d.signs = append([]hysteresis(nil), c.signs...)
	return d
}

// newSegment forgets all that must not reach over a break of monotonic time.
// Counters keep their value: a counter counts on while nobody looks.
func (c *carry) newSegment(segment uint32, why scan.Reason) {
	for i := range c.tracks {
		c.tracks[i].fresh = false
		c.tracks[i].forgetBefore()
	}
	clear(c.signs)
	c.edges.newSegment()
	c.segment = segment
	c.forgetState()
	c.bad = why
}

// forgetState is the reset of rule 2: after a gap nothing is known of what the
// machine did in it.
func (c *carry) forgetState() {
	ran := c.known && c.state.Running()
	c.known = false
	c.state = Unobserved
	c.sinceMono, c.sinceWall, c.sinceKnown = 0, 0, false
	c.inStart, c.startMono = false, 0
	c.hasStop, c.stopMono = false, 0
	c.duty.forget(ran)
	c.run, c.load = hysteresis{}, hysteresis{}
	c.cycle = openCycle{}
	c.settle = settling{}
}

// remember adds a start to the recent ones and drops those over an hour old.
func (c *carry) remember(wall int64) {
	kept := 0
	for _, w := range c.recent[:c.recents] {
		if w > wall-hourMS && w <= wall {
			c.recent[kept] = w
			kept++
		}
	}
	if kept == maxRecent {
		copy(c.recent[:], c.recent[1:])
		kept--
	}
	c.recent[kept] = wall
	c.recents = kept + 1
}
