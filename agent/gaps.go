package agent

import (
	"cmp"
	"slices"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/report"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// stretch is a span of time, Unix ms UTC, half open.
type stretch struct{ from, to int64 }

// gapFinder finds when devices were not read, from curves and states of a window.
type gapFinder struct {
	h            *History
	fromMS, toMS int64
	series       map[string]store.Series   // by channel id, in cells of about a minute
	runs         map[string][]analysis.Run // by machine
}

// deviceGap is a stretch in which a device was not read.
type deviceGap struct {
	device string
	stretch
	silentMS int64 // how much time went by: less than the labels say where the clock was set forward
	why      string
}

// gaps are the stretches in which a device was not read: those that all of its
// channels among ids have in common, longest first. Shorter ones than a cell of
// these, a minute as a rule, are in the figures' coverage alone.
func (g *gapFinder) gaps(ids []string) []deviceGap {
	all := []deviceGap{}
	for i := range g.h.site.Devices {
		device := g.h.site.Devices[i].Name
		var shared []stretch
		known := false
		for _, id := range ids {
			s, ok := g.series[id]
			if of, _, _ := scan.SplitID(id); !ok || of != device {
				continue
			}
			if holes := g.holes(&s, g.leastGapMS(device)); known {
				shared = overlaps(shared, holes)
			} else {
				shared, known = holes, true
			}
		}
		for _, hole := range shared {
			silent := hole.to - hole.from - g.setForward(hole)
			if silent <= g.leastGapMS(device) {
				continue // the clock was set: no time is missing
			}
			all = append(all, deviceGap{device, hole, silent, g.whyUnread(device, hole)})
		}
	}
	slices.SortStableFunc(all, func(x, y deviceGap) int {
		return cmp.Or(cmp.Compare(y.silentMS, x.silentMS), cmp.Compare(x.from, y.from))
	})
	return all
}

// gaps are those of the report, from the channels in its charts.
func (g *reportMaker) gaps() []report.Gap {
	all := []report.Gap{}
	f := gapFinder{g.h, g.data.FromMS, g.data.ToMS, g.data.Series, g.data.Runs}
	for _, gap := range f.gaps(g.drawn()) {
		all = append(all, report.Gap{Device: gap.device, From: Stamp(gap.from).String(), To: Stamp(gap.to).String(),
			Reason: gap.why, ForS: float64(gap.silentMS) / 1000})
	}
	return all
}

// setForward is by how much the clock was set forward in a stretch: labels that no time
// went by for.
func (g *gapFinder) setForward(hole stretch) (by int64) {
	offset := func(s *store.Segment) int64 { return s.StartWallMS + s.ShiftMS - s.StartMonoMS }
	all := g.h.store.Segments()
	for i := 1; i < len(all); i++ {
		if begin := all[i].StartWallMS + all[i].ShiftMS; begin > hole.from && begin <= hole.to && !all[i].NewClock() {
			by += max(0, offset(&all[i])-offset(&all[i-1]))
		}
	}
	return by
}

// leastGapMS is the shortest time between readings of a device that counts as a gap.
func (g *gapFinder) leastGapMS(device string) (least int64) {
	for _, group := range g.h.Groups() {
		if group.Device == device {
			least = max(least, group.GapMS())
		}
	}
	return max(least, time.Minute.Milliseconds())
}

// holes are the stretches of a window without a good value.
func (g *gapFinder) holes(s *store.Series, leastMS int64) (all []stretch) {
	at := g.fromMS
	add := func(to int64) {
		if to-at > leastMS {
			all = append(all, stretch{at, to})
		}
	}
	for i := range s.Cells {
		if c := &s.Cells[i]; c.Count > 0 {
			add(min(c.FirstMS, g.toMS))
			at = max(at, c.LastMS)
		}
	}
	add(g.toMS)
	return all
}

// overlaps are the stretches that lie in both lists, each in order.
func overlaps(a, b []stretch) (both []stretch) {
	for i, k := 0, 0; i < len(a) && k < len(b); {
		if from, to := max(a[i].from, b[k].from), min(a[i].to, b[k].to); from < to {
			both = append(both, stretch{from, to})
		}
		if a[i].to < b[k].to {
			i++
		} else {
			k++
		}
	}
	return both
}

// whyUnread is the reason that the states of the device's machine have for most of a
// stretch.
func (g *gapFinder) whyUnread(device string, hole stretch) string {
	lasted := map[string]int64{}
	for i := range g.h.site.Machines {
		m := &g.h.site.Machines[i]
		for _, id := range m.Roles {
			if of, _, _ := scan.SplitID(id); of != device {
				continue
			}
			for _, run := range g.runs[m.Name] {
				if run.State == analysis.Unobserved && run.Reason != "" {
					lasted[run.Reason] += max(0, min(run.ToMS, hole.to)-max(run.FromMS, hole.from))
				}
			}
			break
		}
	}
	why, most := "nothing was recorded", int64(0)
	for reason, ms := range lasted {
		if ms > most || ms == most && ms > 0 && reason < why {
			why, most = reason, ms
		}
	}
	return why
}
