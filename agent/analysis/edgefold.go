package analysis

import (
	"slices"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Around each load and unload the tap pressure is kept as means of blocks of
// time. What the air does there tells the storage, the drop that the flow makes
// and when the air begins to leave.
const (
	leastBlockMS = 4000
	// A profile has so many blocks before and after the edge at most, and at
	// least leastBlocks on each side, or it is not kept.
	profileBlocks = 8
	leastBlocks   = 2
	// profilesPerCell of each kind are kept in a quarter hour: a machine that
	// cycles each minute has hundreds a day all the same.
	profilesPerCell = 2
	maxBlocks       = 40 // remembered; more are dropped, the oldest first
	// Bounds of a block's sum: 16·2^44·4096 fits an integer. No pressure in
	// fixed-point counts comes near.
	maxEdgeCounts = 1 << 44
	maxReadings   = 4096
)

// airEdge is one load or unload with the pressure around it.
type airEdge struct {
	load            bool
	befores, afters uint8 // how many of the points lie before it, and how many after
	wall            int64 // of the scan that showed it
	lateMS          int64 // by how much it may have been earlier
	points          [2 * profileBlocks]edgePoint
}

func (e *airEdge) before() []edgePoint { return e.points[:e.befores] }
func (e *airEdge) after() []edgePoint  { return e.points[e.befores : e.befores+e.afters] }

// edgePoint is a block's mean.
type edgePoint struct {
	ms   int64 // mean time of the readings, relative to the scan that showed the edge
	mean int64 // sixteenths of a count
}

// edgeBlock is a block that is over.
type edgeBlock struct {
	index int64 // the block's beginning over its length
	at    int64 // mean time of the readings, ms since the block's beginning
	mean  int64
}

// edgeCarry is what the profiles must remember.
type edgeCarry struct {
	filled     bool // a block is being filled
	index      int64
	n, at, sum int64
	next       int64 // the least block that takes readings
	blocks     [maxBlocks]edgeBlock
	count      int
	// first is the block from which on nothing but the last edge has its effect.
	// Older ones are kept only before an open edge.
	first      int64
	open       bool // an edge waits for the blocks after it
	load       bool
	wall, mono int64
	lateMS     int64
	hasCell    bool
	cell       int64 // the quarter hour of the last edge, and what was kept in it
	kept       [2]uint8
}

// setTap chooses the pressure of the profiles: the system's, which is where the
// air is stored; the machine's own where its system has none.
func (sp *spec) setTap(site *sitefile.Site, groups []*scan.Group) {
	if !sp.hasStates || sp.runOnly {
		return
	}
	sp.tap = sp.pressure
	if c, ok := tapOf(site, groups, sp.name); ok {
		at := slices.IndexFunc(sp.chans, func(own chanSpec) bool { return own.id == c.id })
		if at < 0 {
			// Without a role: no figure of the machine is to take it for its own.
			sp.place(&c)
			c.countSI *= unitOfCounts(c.kind, false)
			sp.chans = append(sp.chans, c)
			at = len(sp.chans) - 1
		}
		sp.tap = at
	}
	if sp.tap < 0 || sp.chans[sp.tap].class != classAnalog || sp.chans[sp.tap].unit.Dimension != quantity.Pressure {
		sp.tap = -1
		return
	}
	sp.blockMS = max(leastBlockMS, 2*sp.chans[sp.tap].periodMS)
	for _, l := range []*level{sp.runLevel, sp.loadLevel} {
		if l != nil {
			sp.lateMS = max(sp.lateMS, l.dwellMS+sp.chans[l.ch].periodMS)
		}
	}
	if sp.loaded >= 0 && sp.loaded != sp.master {
		sp.lateMS = max(sp.lateMS, sp.chans[sp.loaded].periodMS)
	}
	// Those before an edge, and those since it happened unseen.
	sp.keepBlocks = min(profileBlocks+2+int((sp.chans[sp.master].gapMS+sp.lateMS)/sp.blockMS), maxBlocks)
}

// tapOf is the pressure of the system that a machine belongs to: the tap
// furthest downstream.
func tapOf(site *sitefile.Site, groups []*scan.Group, machine string) (chanSpec, bool) {
	for i := range site.Systems {
		s := &site.Systems[i]
		if !slices.Contains(s.Machines, machine) {
			continue
		}
		found, best := chanSpec{}, -2
		for _, tap := range s.Taps {
			if c, ok := resolveChannel(site, groups, tap.Pressure); ok && rankOf(s, tap) > best {
				found, best = c, rankOf(s, tap)
			}
		}
		return found, best > -2
	}
	return chanSpec{}, false
}

// rankOf is how far downstream a tap lies; -1: at no part of the system.
func rankOf(s *sitefile.System, tap sitefile.Tap) int {
	return slices.IndexFunc(s.Parts, func(p sitefile.Part) bool { return p.Name == tap.At })
}

// PressureTap is the channel whose pressure stands for a system: the tap
// furthest downstream, of which its pressure figures and the time below its
// minimum are; empty where no pressure is tapped.
func PressureTap(s *sitefile.System) string {
	channel, best := "", -2
	for _, tap := range s.Taps {
		if tap.Pressure != "" && rankOf(s, tap) > best {
			channel, best = tap.Pressure, rankOf(s, tap)
		}
	}
	return channel
}

// block is the block that holds a monotonic time.
func (sp *spec) block(mono int64) int64 {
	q := mono / sp.blockMS
	if mono%sp.blockMS < 0 {
		q--
	}
	return q
}

// take adds a reading to its block.
func (e *edgeCarry) take(sp *spec, mono, v int64) {
	i := sp.block(mono)
	if i < e.next || e.filled && i < e.index {
		return
	}
	if e.filled && i > e.index {
		e.endBlock(sp)
	}
	e.filled, e.index = true, i
	if e.n < maxReadings {
		e.n++
		e.at += mono - i*sp.blockMS
		e.sum += min(max(v, -maxEdgeCounts), maxEdgeCounts)
	}
}

// endBlock closes the block that is filled. One of a single reading is left out.
func (e *edgeCarry) endBlock(sp *spec) {
	if !e.filled {
		return
	}
	if e.n >= 2 && e.index >= e.first {
		if e.count == maxBlocks {
			e.drop(1)
		}
		e.blocks[e.count] = edgeBlock{e.index, e.at / e.n, 16 * e.sum / e.n}
		e.count++
		if !e.open && e.count > sp.keepBlocks {
			e.drop(1)
		}
	}
	e.next = e.index + 1
	e.filled, e.index, e.n, e.at, e.sum = false, 0, 0, 0, 0
}

// drop forgets the oldest blocks.
func (e *edgeCarry) drop(n int) {
	copy(e.blocks[:], e.blocks[n:e.count])
	e.count -= n
}

// stepEdge opens the profile of a load or unload.
func (sp *spec) stepEdge(c *carry, d *delta, s *scan.Scan, load bool) {
	if sp.tap < 0 {
		return
	}
	e := &c.edges
	unchanged := c.lastMono - sp.lateMS // until here it had not happened
	sp.closeEdge(c, d, unchanged)
	if cell := cellOf(s.WallMS); !e.hasCell || e.cell != cell {
		e.hasCell, e.cell, e.kept = true, cell, [2]uint8{}
	}
	whole := sp.block(unchanged)
	if e.filled && e.index < whole {
		e.endBlock(sp)
	}
	e.open = e.kept[kindOf(load)] < profilesPerCell
	if e.open {
		e.load, e.wall, e.mono, e.lateMS = load, s.WallMS, s.MonoMS, s.MonoMS-unchanged
		for e.count > 0 && e.blocks[e.count-1].index >= whole {
			e.count--
		}
		e.drop(max(0, e.count-profileBlocks))
	} else {
		e.count = 0
	}
	e.first = sp.block(s.MonoMS) + 1
}

func kindOf(load bool) int {
	if load {
		return 1
	}
	return 0
}

// foundEdges begins anew where the state was not known.
func (sp *spec) foundEdges(c *carry, mono int64) {
	if sp.tap >= 0 {
		c.edges.count, c.edges.first = 0, sp.block(mono)+1
	}
}

// stepEdges keeps an open profile once all blocks after the edge are over and
// the machine was still seen to be in its state.
func (sp *spec) stepEdges(c *carry, d *delta, mono int64) {
	e := &c.edges
	if !e.open {
		return
	}
	last := e.first + profileBlocks
	silent := mono-c.tracks[sp.tap].mono > sp.chans[sp.tap].gapMS
	if mono >= last*sp.blockMS && (e.next >= last || e.filled && e.index >= last || silent) {
		sp.closeEdge(c, d, mono)
	}
}

// closeEdge ends the open profile; until a monotonic time nothing else happened.
func (sp *spec) closeEdge(c *carry, d *delta, until int64) {
	e := &c.edges
	if !e.open {
		return
	}
	whole := sp.block(until)
	if e.filled && e.index < whole {
		e.endBlock(sp)
	}
	p := airEdge{load: e.load, wall: e.wall, lateMS: e.lateMS}
	old := 0
	for _, b := range e.blocks[:e.count] {
		at := edgePoint{b.index*sp.blockMS + b.at - e.mono, b.mean}
		switch {
		case b.index < e.first:
			if p.befores == profileBlocks {
				continue
			}
			p.points[p.befores] = at
			p.befores++
			old++
		case b.index < min(whole, e.first+profileBlocks):
			p.points[p.befores+p.afters] = at
			p.afters++
		}
	}
	e.drop(old)
	e.open, e.load, e.wall, e.mono, e.lateMS = false, false, 0, 0, 0
	if p.befores >= leastBlocks && p.afters >= leastBlocks {
		e.kept[kindOf(p.load)]++
		d.edges = append(d.edges, p)
	}
}

// newSegment forgets all but what the quarter hour has.
func (e *edgeCarry) newSegment() {
	*e = edgeCarry{hasCell: e.hasCell, cell: e.cell, kept: e.kept}
}
