package analysis

import (
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const (
	// Once unloaded for this long a channel counts as settled when a block's mean
	// is no more than a fiftieth below that of the block before (power), or when
	// the last block fell by no more than a fiftieth of the whole fall (sump
	// pressure, whose end may be near zero). A sump blows down in tens of seconds
	// (common practice, no source); what is shorter is not judged.
	settleMS      = 60_000
	settleBlockMS = 20_000
	settleShare   = 50
	// leastSumpPa is the gauge pressure that a sump has under load at least: the
	// minimum-pressure valve keeps it at several times that (common practice, no
	// source).
	leastSumpPa = 50_000
	// A value's way down is kept as means of time after the unload, in steps of
	// 2 s to 20 s, of 4 s to a minute, of 10 s to 2 min and of 30 s to 5 min.
	// Between two means a straight line is taken: on an exponential fall it is off
	// by h²/8τ, 0.1 s at 40 s where nine tenths take 40 s (τ 17 s, h 4 s).
	descentBins = 32
	// The inlet valve takes a second or two to close and a meter as long to follow
	// (common practice, no source): the fall of power that the blow-down makes is
	// told from the first mean between these two on.
	valveClosedMS = 2_000
	firstUntilMS  = 10_000
)

// What an unload says of the blow-down. The numbers are stored.
const (
	notJudged uint8 = iota // too short, or nothing tells
	blownDown
	keptPressure
	numVerdicts
)

// settling watches how power and sump pressure fall once the machine runs
// unloaded.
type settling struct {
	on                   bool
	fromLoad             bool // it was seen to unload; else found unloaded, or not loaded yet
	sinceMono, sinceWall int64
	kept                 bool // when power settled, the sump had not blown down
	hasBefore            bool
	before               int64 // draw while it was loaded, sixteenths of a count
	power, sump          descent
}

// descent is one channel's way down.
type descent struct {
	has       bool // first is known
	first     int64
	blockMono int64
	block     sum
	hasMean   bool
	mean      int64 // of the last block; like first in sixteenths of a count
	settled   bool
	level     sum // since settled
	at        int // the bin that is open; descentBins: beyond the last
	bin       sum // what is in it
	seen      uint64
	means     [descentBins]int64 // of the bins that are over and had values
}

// unload is one time that the machine went from load to running unloaded, seen
// from begin to end.
type unload struct {
	wall, ms    int64
	end         uint8
	verdict     uint8
	power, sump fallen
}

// fallen is what a channel did in an unload of settleMS and more, in sixteenths
// of a count.
type fallen struct {
	has, settled bool
	// The first value and the settled mean, or the last bin's where it did not
	// settle; meaningless unless has.
	first, last int64
	ms          int64 // from the first value until nine tenths of the fall were done; 0: not known
}

// settle begins to watch at a change to Unloaded.
func (sp *spec) settle(c *carry, s *scan.Scan, from State, seen bool) {
	st := &c.settle
	*st = settling{on: true, sinceMono: s.MonoMS, sinceWall: s.WallMS, fromLoad: seen && from.delivering()}
	st.power.blockMono = s.MonoMS
	if !st.fromLoad {
		return
	}
	if ch := sp.draw; ch >= 0 && sp.held(c, ch, s.MonoMS) {
		st.hasBefore, st.before = true, 16*clamped(c.tracks[ch].highest())
	}
	if ch := sp.sump; ch >= 0 && sp.held(c, ch, s.MonoMS) {
		// The unload lies between the last two readings. A sensor that shows next
		// to nothing under load tells nothing of the blow-down.
		if first := clamped(c.tracks[ch].highest()); first >= sp.sumpLeast {
			st.sump.has, st.sump.first = true, 16*first
			st.sump.blockMono = s.MonoMS
		}
	}
}

// highest is the higher of the last two values.
func (t *track) highest() int64 {
	if t.hasBefore {
		return max(t.before, t.counts)
	}
	return t.counts
}

// clamped keeps sixteenths and their sums far from the ends of an integer.
func clamped(counts int64) int64 { return min(max(counts, -1<<55), 1<<55) }

// stepPowerFall takes a pair of the draw channel: settled time of an unload
// after which the sump has blown down counts.
func (sp *spec) stepPowerFall(c *carry, d *delta, p pair, mono int64) {
	st := &c.settle
	if !st.on || sp.stateAt(c, mono) != Unloaded {
		return
	}
	before := st.power.settled
	whole := st.power.step(p, mono, st.sinceMono)
	if st.power.settled && !before {
		st.kept = sp.verdict(st) == keptPressure
	}
	if whole && !st.kept {
		d.settled.add(p.twice, p.dt)
	}
}

// stepSumpFall takes a pair of the sump pressure.
func (sp *spec) stepSumpFall(c *carry, p pair, mono int64) {
	if st := &c.settle; st.on && st.sump.has && sp.stateAt(c, mono) == Unloaded {
		st.sump.step(p, mono, st.sinceMono)
	}
}

// step takes a pair of values, the later one at mono, and reports whether all of
// it lies in settled time.
func (f *descent) step(p pair, mono, since int64) bool {
	if p.dt == 0 || mono-p.dt < since {
		f.blockMono, f.block = mono, sum{}
		return false
	}
	f.intoBin(descentBin(mono-since-p.dt/2), p)
	if f.settled {
		f.level.add(p.twice, p.dt)
		return true
	}
	f.block.add(p.twice, p.dt)
	if mono-f.blockMono < settleBlockMS {
		return false
	}
	mean := f.block.sixteenths()
	f.settled = f.hasMean && mono-since >= settleMS && f.levels(mean)
	f.hasMean, f.mean = true, mean
	f.blockMono, f.block = mono, sum{}
	return false
}

// levels judges a block's mean by the one before. A channel whose first value is
// given (sump pressure) is held to its whole fall, or to one count.
func (f *descent) levels(mean int64) bool {
	fell := f.mean - mean
	if f.has {
		return fell <= max((f.first-mean)/settleShare, 16)
	}
	return fell <= max(f.mean, -f.mean)/settleShare
}

// sixteenths is the mean in sixteenths of a count.
func (s sum) sixteenths() int64 {
	wide := Int128{s.twice.Hi<<3 | int64(s.twice.Lo>>61), s.twice.Lo << 3}
	return min(max(wide.divInt64(s.ms), -1<<59), 1<<59)
}

// intoBin adds a pair to a bin, none before the one that is open.
func (f *descent) intoBin(i int, p pair) {
	if i != f.at {
		if f.bin.ms > 0 {
			f.means[f.at], f.seen = f.bin.sixteenths(), f.seen|1<<f.at
		}
		f.at, f.bin = i, sum{}
	}
	if i < descentBins {
		f.bin.add(p.twice, p.dt)
	}
}

// meanOf is the mean of a bin; ok is false where it has no value.
func (f *descent) meanOf(i int) (mean int64, ok bool) {
	if i == f.at && f.bin.ms > 0 {
		return f.bin.sixteenths(), true
	}
	return f.means[i], f.seen>>i&1 == 1
}

// descentBin is the bin of a time after the unload; descentBins: beyond the last.
func descentBin(ms int64) int {
	switch {
	case ms < 20_000:
		return int(ms / 2000)
	case ms < 60_000:
		return int(10 + (ms-20_000)/4000)
	case ms < 120_000:
		return int(20 + (ms-60_000)/10_000)
	case ms < 300_000:
		return int(26 + (ms-120_000)/30_000)
	}
	return descentBins
}

// descentMiddle is the time in the middle of a bin.
func descentMiddle(bin int) int64 {
	i := int64(bin)
	switch {
	case i < 10:
		return 2000*i + 1000
	case i < 20:
		return 20_000 + 4000*(i-10) + 2000
	case i < 26:
		return 60_000 + 10_000*(i-20) + 5000
	}
	return 120_000 + 30_000*(i-26) + 15_000
}

// end is where the channel has come to: the mean since it settled, or that of
// the last bin with a value.
func (f *descent) end() (mean int64, ok bool) {
	switch {
	case f.settled && f.level.ms > 0:
		return f.level.sixteenths(), true
	case f.at == descentBins:
		return f.mean, f.hasMean
	}
	for i := f.at; i >= 0; i-- {
		if mean, ok = f.meanOf(i); ok {
			return mean, true
		}
	}
	return 0, false
}

// endLow is end of a channel that rises as soon as the machine loads. Where states are
// told by its level, or readings come seconds apart, the last bin of an unload that has
// not settled may hold that rise and little else: the lower of the last two counts.
func (f *descent) endLow() (mean int64, ok bool) {
	mean, ok = f.end()
	if f.settled && f.level.ms < settleBlockMS {
		return min(mean, f.mean), ok
	}
	if !ok || f.settled || f.at == descentBins {
		return mean, ok
	}
	for i, seen := f.at, 0; i >= 0 && seen < 2; i-- {
		if m, has := f.meanOf(i); has {
			mean, seen = min(mean, m), seen+1
		}
	}
	return mean, true
}

// fallen sums the way down up. fromBin makes a first value of the bins after the
// inlet valve has closed.
func (f *descent) fallen(fromBin bool) fallen {
	out := fallen{has: f.has, settled: f.settled, first: f.first}
	at := int64(0)
	next := 0
	if fromBin {
		out.has = false
		for i := descentBin(valveClosedMS); descentMiddle(i) < firstUntilMS && !out.has; i++ {
			out.first, out.has = f.meanOf(i)
			at, next = descentMiddle(i), i+1
		}
	}
	last, ok := f.end()
	if fromBin {
		last, ok = f.endLow()
	}
	if !out.has || !ok {
		return fallen{settled: f.settled}
	}
	out.last = last
	if out.settled && out.first > last {
		out.ms = f.until(last+(out.first-last)/10, at, out.first, next)
	}
	return out
}

// until is the time from at, where the value was first, until it came down to a
// limit above its end; straight lines between the means.
func (f *descent) until(limit, at, first int64, next int) int64 {
	lastMS, last := at, first
	for i := next; i < descentBins; i++ {
		ms := descentMiddle(i)
		v, ok := f.meanOf(i)
		if !ok {
			continue
		}
		if v <= limit {
			return max(lastMS-at+MulInt64(ms-lastMS, last-limit).divInt64(last-v), 1)
		}
		lastMS, last = ms, v
	}
	return 0
}

// verdict tells whether the sump has blown down by now. It has with less than half
// of its gauge pressure left, and has kept it with more than two thirds. Without
// a sump pressure it has where power has fallen by three tenths since the valve
// was closed, or to 45 % of what it was loaded, and has not where it has fallen
// by less than a fifth. Between these it may be slow, and nothing is said; nor that it
// has kept it where a level of power or current tells the load: such an unload begins
// when much of the fall is over, and what was drawn before is not known. Common
// practice, no source; unloaded power after blow-down is 15-35 % of full load by
// the DOE sourcebook, from memory.
func (sp *spec) verdict(st *settling) uint8 {
	if !st.fromLoad {
		return notJudged
	}
	byPower := notJudged
	if p := st.power.fallen(true); p.has && p.first > 0 && sp.powerShows() {
		switch fell := p.first - p.last; {
		case fell >= p.first/10*3, st.hasBefore && p.last/9*20 <= st.before:
			byPower = blownDown
		case fell < p.first/5 && sp.loadLevel == nil:
			byPower = keptPressure
		}
	}
	last, ok := st.sump.end()
	if !st.sump.has || !ok {
		return byPower
	}
	left, whole := last-16*sp.sumpZero, st.sump.first-16*sp.sumpZero
	switch {
	case 2*left < whole:
		return blownDown
	case byPower != blownDown && 3*left > 2*whole: // else a sensor that does not follow
		return keptPressure
	}
	return notJudged
}

// powerShows reports whether the power of an unload tells of the blow-down: behind
// a drive it falls with the speed, whatever the sump does.
func (sp *spec) powerShows() bool { return sp.drawsPower() && sp.control != sitefile.VariableSpeed }

// endUnload notes the unload that a change of state ends.
func (sp *spec) endUnload(c *carry, d *delta, s *scan.Scan, to State) {
	st := &c.settle
	if !st.on || !st.fromLoad {
		return
	}
	u := unload{wall: st.sinceWall, ms: s.MonoMS - st.sinceMono, end: endedByLoad}
	if !to.Running() {
		u.end = endedByStop
	}
	if u.ms >= settleMS {
		u.verdict = sp.verdict(st)
		u.power, u.sump = st.power.fallen(true), st.sump.fallen(false)
		if !sp.powerShows() {
			u.power.ms = 0
		}
	}
	d.falls = append(d.falls, u)
}
