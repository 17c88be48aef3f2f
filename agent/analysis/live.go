package analysis

import (
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// Live is what one machine does now.
type Live struct {
	Machine string
	State   State
	// SinceMS is the wall time (Unix ms, UTC) since when; 0: never seen.
	SinceMS int64
	// SinceKnown is false where the state was found after a gap, so that it may
	// have begun before SinceMS.
	SinceKnown     bool
	Reason         string // why unobserved, else ""
	Method         string // how states are told
	StartsLastHour int    // observed starts, at most 32
	PressureTrend  string // rising, falling, steady or unknown
}

// Live returns what the machine does at the given times of this process's
// clock; ok is false for a machine that the site does not have. A state older
// than three periods of its group shows as unobserved.
func (f *Folder) Live(machine string, nowMonoMS, nowWallMS int64) (live Live, ok bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, sub := range f.subjects {
		if !sub.sp.system && sub.sp.name == machine {
			return sub.live(nowMonoMS, nowWallMS), true
		}
	}
	return Live{}, false
}

func (sub *subject) live(mono, wall int64) Live {
	c := &sub.c
	l := Live{Machine: sub.sp.name, Method: sub.sp.stateMethod, PressureTrend: trendUnknown}
	for _, w := range c.recent[:c.recents] {
		if w > wall-hourMS && w <= wall {
			l.StartsLastHour++
		}
	}
	if !sub.sp.hasStates {
		l.Reason = sub.sp.statesAbsent
		return l
	}
	gapMS := sub.sp.chans[sub.sp.master].gapMS
	quiet, silent := mono-c.lastMono, wall-c.lastWall
	if c.known && quiet <= gapMS && silent <= gapMS {
		l.State, l.SinceMS, l.SinceKnown = c.state, c.sinceWall, c.sinceKnown
		l.PressureTrend = sub.trend.word(sub.sp, mono)
		return l
	}
	l.SinceMS, l.SinceKnown = c.lastWall, c.hasLast
	l.Reason = sub.whyNow(quiet, silent)
	return l
}

// unread is why a state is unobserved before the first scan since the agent started,
// or since the computer woke: the agent runs, and so has not stopped.
const unread = "not read yet"

// whyNow is why there is no state now. The carry has why the gap began, which is not
// the same: where the agent was started anew, or for the first time, and the device has
// not answered since.
func (sub *subject) whyNow(quietMS, silentMS int64) string {
	off := silentMS - quietMS
	switch {
	case sub.why != scan.Good:
		return sub.why.String()
	case sub.heard && quietMS >= 0 && off < 5000 && off > -5000:
		return scan.Dropped.String()
	}
	return unread
}

// noteWhy keeps why a scan told no state, for show only: it is not part of the carry.
func (sub *subject) noteWhy(s *scan.Scan, r *route) {
	c := &sub.c
	switch {
	case !r.master:
		return
	case s.Reason != scan.Good:
		sub.why = s.Reason
	case c.known && c.lastMono == s.MonoMS:
		sub.why = scan.Good
	default:
		sub.why = sub.sp.unmet(c, s)
	}
	sub.heard = true
}

// unmet is why a scan that came told no state: what it says of the first channel that
// the state needs and that no value holds of.
func (sp *spec) unmet(c *carry, s *scan.Scan) scan.Reason {
	for _, ch := range sp.needed() {
		if ch < 0 || sp.held(c, ch, s.MonoMS) || sp.chans[ch].device != s.Group.Device {
			continue
		}
		if in := s.Group.Index(sp.chans[ch].name); in >= 0 && s.ReasonOf(in) != scan.Good {
			return s.ReasonOf(in)
		}
	}
	return sp.missing(c, s)
}

// Words of Live.PressureTrend.
const (
	trendRising  = "rising"
	trendFalling = "falling"
	trendSteady  = "steady"
	trendUnknown = "unknown"
)

const (
	trendStepMS = 2_000  // between the readings kept
	trendSpanMS = 20_000 // over which the trend is told
	trendLeast  = 1500.0 // Pa in that time; less is steady
	trendSlots  = 16
)

// trend keeps the pressure readings of the last half minute. It is for show
// only and not part of the carry.
type trend struct {
	mono   [trendSlots]int64
	counts [trendSlots]int64
	n      int // readings ever kept
}

func (t *trend) step(sp *spec, c *carry) {
	if sp.pressure < 0 {
		return
	}
	p := &c.tracks[sp.pressure]
	if !p.fresh {
		t.n = 0
		return
	}
	if t.n > 0 {
		last := t.mono[(t.n-1)%trendSlots]
		if p.mono >= last && p.mono-last < trendStepMS {
			return
		}
		if p.mono < last || p.mono-last > trendSpanMS {
			t.n = 0
		}
	}
	t.mono[t.n%trendSlots], t.counts[t.n%trendSlots] = p.mono, p.counts
	t.n++
}

func (t *trend) word(sp *spec, nowMono int64) string {
	if sp.pressure < 0 || t.n < 3 || sp.chans[sp.pressure].unit.Dimension != quantity.Pressure {
		return trendUnknown
	}
	newest := (t.n - 1) % trendSlots
	if nowMono-t.mono[newest] > trendSpanMS {
		return trendUnknown
	}
	oldest := -1
	for i := max(0, t.n-trendSlots); i < t.n-1; i++ {
		if k := i % trendSlots; t.mono[newest]-t.mono[k] <= trendSpanMS {
			oldest = k
			break
		}
	}
	if oldest < 0 {
		return trendUnknown
	}
	moved := float64(t.counts[newest]-t.counts[oldest]) * sp.chans[sp.pressure].countSI
	switch {
	case moved >= trendLeast:
		return trendRising
	case moved <= -trendLeast:
		return trendFalling
	}
	return trendSteady
}
