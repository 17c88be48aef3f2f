package analysis

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// maxBelow is how many stretches an answer lists; of more, the longest.
const maxBelow = 500

// Below is when a system's pressure lay below its minimum.
type Below struct {
	System    string  `json:"system"`
	From      string  `json:"from"`
	To        string  `json:"to"`
	Channel   string  `json:"channel,omitempty"`
	MinimumPa float64 `json:"minimum_pa,omitempty"` // gauge
	Total     int     `json:"total"`                // stretches in the window, with those that are not listed
	Method    string  `json:"method,omitempty"`
	Absent    string  `json:"absent,omitempty"` // why there is no answer
	// Notes say what of the window is not in the answer.
	Notes []string `json:"notes"`
	// Stretches are in the order of time.
	Stretches []BelowStretch `json:"stretches"`
}

// BelowStretch is an unbroken time below the minimum, cut to the window.
type BelowStretch struct {
	From    string  `json:"from"`
	To      string  `json:"to"`
	Seconds float64 `json:"seconds"`
	// RunningSeconds is how much of it a machine of the system ran; nil where that
	// is not known of all of them.
	RunningSeconds *float64 `json:"running_seconds,omitempty"`
}

// BelowMinimum lists the stretches that longest_below_minimum_all is the longest
// of.
func BelowMinimum(src Source, site *sitefile.Site, system string, fromMS, toMS, nowMS int64) (Below, error) {
	toMS = max(fromMS, min(toMS, nowMS))
	out := Below{System: system, From: stamp(fromMS), To: stamp(toMS), Notes: []string{}, Stretches: []BelowStretch{}}
	i := slices.IndexFunc(site.Systems, func(s sitefile.System) bool { return s.Name == system })
	if i < 0 {
		return out, fmt.Errorf("system %q is not in the site file", system)
	}
	sys := &site.Systems[i]
	sp := systemSpec(site, sitefile.Groups(site), sys, calibrationsOf(src))
	switch {
	case sys.MinimumPressurePa <= 0:
		out.Absent = "no minimum pressure in the site file"
		return out, nil
	case sp.pressure < 0:
		out.Absent = "no pressure tap"
		return out, nil
	case sp.chans[sp.pressure].unit.Dimension != quantity.Pressure:
		out.Absent = sp.chans[sp.pressure].id + " is not in a unit of pressure"
		return out, nil
	}
	out.Channel, out.MinimumPa = sp.chans[sp.pressure].id, sys.MinimumPressurePa
	out.Method = fmt.Sprintf("readings of %s below the site's minimum pressure, from half way to the reading before to half way to the one after; a return to it for under %d s does not end a stretch, a gap does",
		out.Channel, LowBridgeMS/1000)
	g, err := gather(src, sp, fromMS, toMS, nil)
	if errors.Is(err, errRawMissing) {
		fromMS, toMS = cellOf(fromMS), cellOf(toMS-1)+cellMS // as Compute does
		out.From, out.To = stamp(fromMS), stamp(toMS)
		out.Notes = append(out.Notes, widened(src))
		g, err = gather(src, sp, fromMS, toMS, nil)
	}
	if err != nil {
		return out, err
	}
	out.Notes = append(out.Notes, g.notes()...)
	if g.total.analog[sp.chans[sp.pressure].slot].n == 0 {
		out.Absent = "pressure was not read in this window"
		return out, nil
	}
	out.take(g.lows(lowAll), g.lows(lowRunning), fromMS, toMS)
	if len(sp.runSigns) == 0 { // no low is one of running then
		for i := range out.Stretches {
			out.Stretches[i].RunningSeconds = nil
		}
	}
	return out, nil
}

// lows are the times below the minimum that the window saw, the one that lasts
// at its end included. They may begin before it.
func (g *gathered) lows(kind int) []low {
	var all []low
	for _, l := range g.total.lows {
		if l.running == (kind == lowRunning) {
			all = append(all, l)
		}
	}
	if x := g.exit; x != nil && x.lows[kind].open {
		all = append(all, x.lows[kind].low(kind))
	}
	return all
}

func (b *Below) take(all, running []low, fromMS, toMS int64) {
	cut := func(lows []low) []low {
		var inside []low
		for _, l := range lows {
			if l.from, l.to = max(l.from, fromMS), min(l.to, toMS); l.to > l.from {
				inside = append(inside, l)
			}
		}
		return inside
	}
	all, running = cut(all), cut(running)
	b.Total = len(all)
	if len(all) > maxBelow {
		slices.SortStableFunc(all, func(x, y low) int { return cmp.Compare(y.to-y.from, x.to-x.from) })
		all = all[:maxBelow]
	}
	slices.SortFunc(all, func(x, y low) int { return cmp.Compare(x.from, y.from) })
	slices.SortFunc(running, func(x, y low) int { return cmp.Compare(x.from, y.from) })
	for _, l := range all {
		var ms int64
		at, _ := slices.BinarySearchFunc(running, l.from, func(r low, t int64) int { return cmp.Compare(r.to, t) })
		for ; at < len(running) && running[at].from < l.to; at++ {
			ms += max(0, min(l.to, running[at].to)-max(l.from, running[at].from))
		}
		b.Stretches = append(b.Stretches, BelowStretch{stamp(l.from), stamp(l.to), float64(l.to-l.from) / 1000, number64(float64(ms) / 1000)})
	}
}
