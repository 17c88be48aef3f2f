package alarm

import "loadscribe/agent/quantity"

// Bounds of an alarm that comes and goes.
const (
	chatterSpanMS = 3_600_000
	// mostRaised is how often a point is raised in an hour before it is taken for
	// chattering: it then stands until all has been well for calmMS.
	mostRaised = 6
	calmMS     = 600_000
	// mostTold is how many messages of raised alarms a point sends in an hour.
	mostTold = 3
)

// Sight is what is seen of a point at a moment.
type Sight struct {
	MonoMS, WallMS int64
	Seen           bool // else nothing is known, and Why says why
	Verdict        Verdict
	Value          float64
	// Of tells things apart that one point sees in turn, as fault codes are; of
	// another one than stands, that one has returned.
	Of int64
	// Why says why nothing is seen; of what is seen, words to go with a bad verdict.
	Why string
}

// run is a stretch of sights of one verdict without a gap.
type run struct {
	open           bool
	monoMS, wallMS int64
	atLeast        bool // it may have begun before, unseen
}

// Point is one rule on one subject.
type Point struct {
	Rule    *Rule
	Subject string // machine, system or device; "disk"
	// Part tells points of one subject apart: a channel id, an item of the service
	// list, an instrument; may be empty.
	Part    string
	What    string // what is watched, for sentences: "discharge temperature of comp1"
	Channel string // id, of points that are seen in scans; else empty
	// Unit is that of the value and the limit in records, Dimension what they are
	// shown as; Unit is empty where there is no value.
	Unit      string
	dimension quantity.Dimension
	fromSI    func(float64) float64
	// GapMS is the time between two sights from which on nothing is known between.
	GapMS int64
	// Limit is what Sight.Value is held to, in SI or as counted.
	Limit Limit

	seen     bool // ever, in this run
	lastMS   int64
	value    float64
	why      string // of being blind
	raised   bool
	of       int64
	bad      run
	lastBad  int64 // monotonic, within bad
	fine     run
	raises   []int64 // monotonic, of the last hour
	told     []int64 // likewise, of messages
	heldBack int     // raised since the last message, untold
}

// change is what a sight brings about.
type change struct {
	state  State
	since  run
	of     int64
	value  float64
	why    string
	atMS   int64
	monoMS int64
	times  int // raised in the last hour, of a raise
}

// Blind reports why a point sees nothing; ok is true where it sees.
func (p *Point) Blind(monoMS int64) (why string, blind bool) {
	if p.seen && monoMS-p.lastMS <= p.GapMS && monoMS >= p.lastMS {
		return "", false
	}
	switch {
	case p.why != "":
		return p.why, true
	case p.seen:
		return "nothing is read of it any more", true
	}
	return "nothing has been read of it yet since the recording started", true
}

// waits reports whether an on-delay runs.
func (p *Point) waits() bool { return p.bad.open && !p.raised }

// step takes a sight. Where nothing happens it allocates nothing.
func (p *Point) step(s *Sight, out []change) []change {
	if !s.Seen {
		p.why = s.Why
		return out
	}
	gap := !p.seen || s.MonoMS-p.lastMS > p.GapMS || s.MonoMS < p.lastMS
	if gap {
		p.bad, p.fine = run{}, run{}
	}
	p.seen, p.lastMS, p.value, p.why = true, s.MonoMS, s.Value, ""
	// One that chatters stands: a code that changes with each reading would fill the history.
	if p.raised && s.Verdict == Bad && s.Of != p.of && !p.chatters(s.MonoMS) {
		out = append(out, p.returns(s, "another one came in its place"))
	}
	switch {
	case p.raised && s.Verdict == Fine:
		if !p.fine.open {
			p.fine = run{open: true, monoMS: s.MonoMS, wallMS: s.WallMS, atLeast: gap}
		}
		if s.MonoMS-p.fine.monoMS >= p.offDelayMS(s.MonoMS) {
			out = append(out, p.returns(s, s.Why))
		}
	case p.raised:
		p.fine = run{}
	case s.Verdict == Bad:
		out = p.wait(s, gap, out)
	case p.bad.open && s.MonoMS-p.lastBad >= p.Rule.bridgeMS:
		p.bad = run{}
	}
	return out
}

// wait counts the on-delay.
func (p *Point) wait(s *Sight, gap bool, out []change) []change {
	if !p.bad.open || s.Of != p.of {
		p.bad = run{open: true, monoMS: s.MonoMS, wallMS: s.WallMS, atLeast: gap}
	}
	p.lastBad, p.of = s.MonoMS, s.Of
	if s.MonoMS-p.bad.monoMS < p.Rule.afterMS {
		return out
	}
	p.raises = append(withinHour(p.raises, s.MonoMS), s.MonoMS)
	c := change{state: Raised, since: p.bad, of: s.Of, value: s.Value, why: s.Why, atMS: s.WallMS, monoMS: s.MonoMS, times: len(p.raises)}
	p.raised, p.fine = true, run{}
	return append(out, c)
}

func (p *Point) returns(s *Sight, why string) change {
	since := p.fine
	if !since.open {
		since = run{monoMS: s.MonoMS, wallMS: s.WallMS}
	}
	c := change{state: Returned, since: since, of: p.of, value: s.Value, why: why, atMS: s.WallMS, monoMS: s.MonoMS}
	p.raised, p.bad, p.fine = false, run{}, run{}
	return c
}

// offDelayMS is longer for an alarm that chatters.
func (p *Point) offDelayMS(monoMS int64) int64 {
	if p.chatters(monoMS) {
		return max(p.Rule.clearAfterMS, calmMS)
	}
	return p.Rule.clearAfterMS
}

// chatters reports whether the point was raised too often in the last hour.
func (p *Point) chatters(monoMS int64) bool {
	p.raises = withinHour(p.raises, monoMS)
	return len(p.raises) >= mostRaised
}

// mayTell reports whether a raised alarm is to be told now, and how many were not
// since the last one that was.
func (p *Point) mayTell(monoMS int64) (heldBack int, ok bool) {
	p.told = withinHour(p.told, monoMS)
	if len(p.told) >= mostTold {
		p.heldBack++
		return 0, false
	}
	p.told = append(p.told, monoMS)
	heldBack, p.heldBack = p.heldBack, 0
	return heldBack, true
}

// withinHour drops times of more than an hour ago, in place. Times ahead of now are
// of an earlier clock and go as well.
func withinHour(times []int64, now int64) []int64 {
	kept := times[:0]
	for _, t := range times {
		if t > now-chatterSpanMS && t <= now {
			kept = append(kept, t)
		}
	}
	return kept
}
