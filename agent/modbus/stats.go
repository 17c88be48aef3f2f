package modbus

import (
	"context"
	"errors"
	"math/bits"
	"time"
)

// Stats counts what a Client has seen since it was made.
type Stats struct {
	Units map[byte]UnitStats
	// Discarded counts bytes that came unasked and were dropped before a
	// request: late answers, noise, another master.
	Discarded uint64
	// Overflow counts bytes that came unasked and found no room.
	Overflow uint64
	// Echo is true when the last exchange that could show it had an echo.
	Echo bool
}

// UnitStats counts the exchanges with one unit. Requests is the sum of Answers
// and the errors.
type UnitStats struct {
	Requests, Answers                                                     uint64
	Timeouts, BadChecksums, Exceptions, WrongAnswers, LinesLost, Canceled uint64
	// Late counts answers that came after their request was given up;
	// WorstLate is how long after the time by which they should have begun.
	Late      uint64
	WorstLate time.Duration
	// MinReply and MaxReply bound the time from the end of a request to the
	// end of its answer, exceptions included.
	MinReply, MaxReply time.Duration
	replies            histogram
	lateness           time.Duration // the worst of late: what is waited for
}

// latenessFades is the part of a unit's lateness that each answer takes away. A
// late answer after several lost requests may be taken for one to the first of
// them; were that kept for ever, each loss would hold the line up for as long.
const latenessFades = 64

// ReplyPercentile returns an upper bound of the reply time that p percent of
// answers kept, at most a quarter too long; 0 where there are none.
func (u *UnitStats) ReplyPercentile(p float64) time.Duration {
	return min(u.replies.percentile(p), u.MaxReply)
}

// Add adds the exchanges that another Client had with the same unit later.
func (u *UnitStats) Add(later *UnitStats) {
	u.Requests += later.Requests
	u.Answers += later.Answers
	u.Timeouts += later.Timeouts
	u.BadChecksums += later.BadChecksums
	u.Exceptions += later.Exceptions
	u.WrongAnswers += later.WrongAnswers
	u.LinesLost += later.LinesLost
	u.Canceled += later.Canceled
	u.Late += later.Late
	u.WorstLate = max(u.WorstLate, later.WorstLate)
	if later.MaxReply > 0 && (u.MaxReply == 0 || later.MinReply < u.MinReply) {
		u.MinReply = later.MinReply
	}
	u.MaxReply = max(u.MaxReply, later.MaxReply)
	for i, n := range later.replies {
		u.replies[i] += n
	}
	u.lateness = later.lateness
}

// SuggestTimeout returns three times the longest round trip, rounded up to 50
// ms (above a second: to half a second), at least 500 ms: too tight a timeout
// costs readings, and a device is at times ten times slower than in a hundred
// good answers; a wide one costs only the wait for a device that is off.
func SuggestTimeout(longest time.Duration) time.Duration {
	const least = 500 * time.Millisecond
	step := 50 * time.Millisecond
	want := 3 * longest
	if want > time.Second {
		step = 500 * time.Millisecond
	}
	return max(least, (want+step-1)/step*step)
}

// Stats returns a copy of all counts.
func (c *Client) Stats() Stats {
	overflow := c.rx.drops()
	c.mu.Lock()
	defer c.mu.Unlock()
	s := Stats{Units: map[byte]UnitStats{}, Discarded: c.discarded, Overflow: overflow, Echo: c.echoing}
	for unit, u := range c.units {
		s.Units[unit] = *u
	}
	return s
}

// UnitStats returns a copy of one unit's counts.
func (c *Client) UnitStats(unit byte) UnitStats {
	c.mu.Lock()
	defer c.mu.Unlock()
	if u := c.units[unit]; u != nil {
		return *u
	}
	return UnitStats{}
}

// of returns one unit's counts to change; c.mu is held.
func (c *Client) of(unit byte) *UnitStats {
	u := c.units[unit]
	if u == nil {
		u = new(UnitStats)
		c.units[unit] = u
	}
	return u
}

// count adds one exchange.
func (c *Client) count(unit byte, reply time.Duration, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	u := c.of(unit)
	u.Requests++
	if err == nil {
		u.Answers++
		u.replied(reply)
		u.lateness -= u.lateness / latenessFades
		return
	}
	u.failed(reply, err)
}

func (u *UnitStats) failed(reply time.Duration, err error) {
	var exception *ExceptionError
	switch {
	case errors.As(err, &exception):
		u.Exceptions++
		u.replied(reply)
	case errors.Is(err, ErrTimeout):
		u.Timeouts++
	case errors.Is(err, ErrBadChecksum):
		u.BadChecksums++
	case errors.Is(err, ErrWrongAnswer):
		u.WrongAnswers++
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		u.Canceled++
	default:
		u.LinesLost++
	}
}

func (u *UnitStats) replied(reply time.Duration) {
	if u.MaxReply == 0 || reply < u.MinReply {
		u.MinReply = reply
	}
	u.MaxReply = max(u.MaxReply, reply)
	u.replies.add(reply)
}

func (c *Client) countLate(unit byte, lateness time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	u := c.of(unit)
	u.Late++
	u.WorstLate = max(u.WorstLate, lateness)
	u.lateness = max(u.lateness, lateness)
}

// countStale counts a late answer whose lateness is not known.
func (c *Client) countStale(unit byte) { c.countLate(unit, 0) }

func (c *Client) worstLate(unit byte) time.Duration { return c.UnitStats(unit).lateness }

func (c *Client) countDiscarded(n int) {
	c.mu.Lock()
	c.discarded += uint64(n)
	c.mu.Unlock()
}

// histogram counts times by size: four bins an octave from 16 µs to over 60 s.
type histogram [4 * 23]uint32

// histogramUnit is the width of the first bins.
const histogramUnit = 4 * time.Microsecond

func (h *histogram) add(d time.Duration) {
	// Bin 4·k+q holds the times from (4+q)·2^k to (5+q)·2^k units.
	n := max(uint64(d/histogramUnit), 4)
	k := bits.Len64(n) - 3
	h[min(4*k+int(n>>k)-4, len(h)-1)]++
}

func (h *histogram) percentile(p float64) time.Duration {
	var total, seen uint64
	for _, n := range h {
		total += uint64(n)
	}
	for i, n := range h {
		seen += uint64(n)
		if n > 0 && float64(seen) >= p/100*float64(total) {
			return time.Duration(5+i%4) << (i / 4) * histogramUnit
		}
	}
	return 0
}
