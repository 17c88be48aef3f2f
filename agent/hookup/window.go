package hookup

import (
	"fmt"
	"math"

	"loadscribe/agent/scan"
)

// Reading is what a role showed over a step, in SI (bits and factors: 1).
type Reading struct {
	Mean    float64
	SD      float64 // of single samples
	PerS    float64 // slope of the straight line through them, per second
	PerSU   float64 // its standard uncertainty from their scatter
	Samples int

	rest float64 // standard deviation around that line
}

// sample is one good value.
type sample struct {
	monoMS int64
	value  float64
}

// window holds the latest samples of each channel within a step.
type window struct {
	samples [][]sample
	reasons []scan.Reason // why the latest scan gave none, or Good
	share   float64       // settledShare of the step
}

func newWindow(channels []channel, step Step) *window {
	w := &window{samples: make([][]sample, len(channels)), reasons: make([]scan.Reason, len(channels)), share: settledShare}
	if step == Loaded {
		w.share = settledShareLoaded
	}
	return w
}

// spanMS is how much of a channel is averaged: at least two of its periods.
func (c *channel) spanMS() int64 { return max(WindowMS, 2*c.group.PeriodMS) }

// add keeps what s says. An implausible power counts here: a reversed current
// transformer makes one.
func (w *window) add(channels []channel, s *scan.Scan) {
	for k := range channels {
		c := &channels[k]
		if c.group != s.Group {
			continue
		}
		raw, good := s.Get(c.index)
		reason := s.ReasonOf(c.index)
		if reason == scan.Implausible && (c.role == scan.Power || c.role == scan.PowerFactor) {
			good = true
		}
		value := c.unit.ToSI(s.Group.Channels[c.index].Value(raw))
		w.reasons[k] = reason
		if !good || math.IsNaN(value) || math.IsInf(value, 0) {
			continue
		}
		w.reasons[k] = scan.Good
		list := w.samples[k]
		if n := len(list); n > 0 && s.MonoMS-list[n-1].monoMS > c.group.GapMS() {
			list = list[:0] // a gap: begin anew
		}
		list = append(list, sample{s.MonoMS, value})
		for len(list) > 2 && s.MonoMS-list[1].monoMS >= c.spanMS() {
			list = list[1:]
		}
		w.samples[k] = list
	}
}

type outcome int

const (
	underway outcome = iota
	complete
	changed
)

// judge says whether every channel is covered and settled.
func (w *window) judge(channels []channel, nowMS int64) (map[scan.Role]Reading, outcome, string) {
	readings := map[scan.Role]Reading{}
	waiting := ""
	note := func(format string, args ...any) {
		if waiting == "" {
			waiting = fmt.Sprintf(format, args...)
		}
	}
	for k := range channels {
		c, list := &channels[k], w.samples[k]
		if bit(c.role) && len(list) > 1 && list[len(list)-1].value != list[0].value {
			return nil, changed, fmt.Sprintf("%s (%s) changed during the step: hold the machine in one state and begin the step again", c.role, c.id)
		}
		n := len(list)
		switch {
		case n == 0 || nowMS-list[n-1].monoMS > c.group.GapMS():
			if r := w.reasons[k]; r != scan.Good {
				note("no good reading of %s (%s): %s", c.role, c.id, r)
			} else {
				note("waiting for %s (%s)", c.role, c.id)
			}
		case n < 3 || list[n-1].monoMS-list[0].monoMS < c.spanMS():
			note("collecting")
		case settles(c.role) && !w.settled(list):
			note("%s (%s) is still changing", c.role, c.id)
		}
		if n >= 3 {
			readings[c.role] = read(list)
		}
	}
	if waiting != "" {
		return nil, underway, waiting
	}
	return readings, complete, ""
}

// collectedMS is how much of the window is there on every channel.
func (w *window) collectedMS() int64 {
	least := int64(WindowMS)
	for _, list := range w.samples {
		if len(list) == 0 {
			return 0
		}
		least = min(least, list[len(list)-1].monoMS-list[0].monoMS)
	}
	return least
}

func bit(r scan.Role) bool { return r == scan.MotorRunning || r == scan.Loaded }

func settles(r scan.Role) bool {
	return r == scan.Power || r == scan.ApparentPower || r == scan.MotorCurrent
}

// settled compares the halves of a window: they may differ by a share of the
// mean and by four standard errors of what scatters around their slopes.
func (w *window) settled(list []sample) bool {
	half := len(list) / 2
	a, b := read(list[:half]), read(list[half:])
	errorOf := math.Sqrt(a.rest*a.rest/float64(max(1, a.Samples)) + b.rest*b.rest/float64(max(1, b.Samples)))
	return math.Abs(b.Mean-a.Mean) <= w.share*math.Abs(a.Mean+b.Mean)/2+4*errorOf
}

// read gives mean, scatter and the least-squares slope of samples.
func read(list []sample) Reading {
	n := float64(len(list))
	if n == 0 {
		return Reading{}
	}
	var sumT, sum float64
	for _, s := range list {
		sumT += float64(s.monoMS)
		sum += s.value
	}
	meanT, mean := sumT/n, sum/n // of equal bits this is the bit exactly
	var tt, tv, vv float64
	for _, s := range list {
		t, v := (float64(s.monoMS)-meanT)/1000, s.value-mean
		tt, tv, vv = tt+t*t, tv+t*v, vv+v*v
	}
	r := Reading{Mean: mean, Samples: len(list)}
	if n > 1 {
		r.SD = math.Sqrt(vv / (n - 1))
	}
	if tt > 0 && n > 2 {
		r.PerS = tv / tt
		r.rest = math.Sqrt(math.Max(0, vv-tv*tv/tt) / (n - 2))
		r.PerSU = r.rest / math.Sqrt(tt)
	}
	return r
}
