package agent

import (
	"cmp"
	"errors"
	"slices"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// asked is a stretch of a window in which a device's fastest poll group was this one.
type asked struct {
	stretch
	group *scan.Group
}

// askedOver is how often a device was asked over a window, in order of time; the last
// is how often it is asked now. Empty: it was never registered. Where its period was
// changed, the first scans after each start of the agent tell which group it had
// from then on: a site file is read at a start. A start whose raw scans are not kept
// has the period of the one before it.
func (h *History) askedOver(device string, fromMS, toMS int64) ([]asked, error) {
	var groups []*scan.Group
	slowestMS := int64(0)
	for _, g := range h.Groups() {
		if g.Device == device && g.PeriodMS > 0 {
			groups = append(groups, g)
			slowestMS = max(slowestMS, g.PeriodMS)
		}
	}
	if len(groups) == 0 {
		return nil, nil
	}
	if len(groups) == 1 {
		return []asked{{stretch{fromMS, toMS}, groups[0]}}, nil
	}
	all := h.starts(fromMS, toMS)
	for i := range all {
		a := &all[i]
		var err error
		if a.group, err = h.fastestSeen(groups, a.from, min(a.to, a.from+3*slowestMS)); err != nil {
			return nil, err
		}
	}
	now := fastest(h.groups, device)
	if last := &all[len(all)-1]; now != nil && h.lastStart() < toMS {
		last.group = now // though it may not have answered since
	}
	return merged(all, cmp.Or(now, fastest(groups, device))), nil
}

// merged gives starts that were not seen the group of the one before, those at the
// beginning the first that was, or now; and joins what has one group.
func merged(all []asked, now *scan.Group) (joined []asked) {
	held := now
	if i := slices.IndexFunc(all, func(a asked) bool { return a.group != nil }); i >= 0 {
		held = all[i].group
	}
	for _, a := range all {
		if a.group != nil {
			held = a.group
		}
		if n := len(joined); n > 0 && joined[n-1].group.ID == held.ID {
			joined[n-1].to = a.to
			continue
		}
		joined = append(joined, asked{a.stretch, held})
	}
	return joined
}

// starts cuts a window where the agent was started.
func (h *History) starts(fromMS, toMS int64) (cut []asked) {
	begins := []int64{fromMS}
	for _, seg := range h.store.Segments() {
		if at := seg.StartWallMS + seg.ShiftMS; seg.Why == store.WhyStart && at > fromMS && at < toMS {
			begins = append(begins, at)
		}
	}
	slices.Sort(begins) // a clock may have been set back
	begins = slices.Compact(begins)
	for i, at := range begins {
		end := toMS
		if i+1 < len(begins) {
			end = begins[i+1]
		}
		cut = append(cut, asked{stretch{at, end}, nil})
	}
	return cut
}

// lastStart is when the agent was started last.
func (h *History) lastStart() (atMS int64) {
	for _, seg := range h.store.Segments() {
		if seg.Why == store.WhyStart {
			atMS = seg.StartWallMS + seg.ShiftMS
		}
	}
	return atMS
}

// fastestSeen is the fastest of a device's groups that has a scan in a window, good or
// not; nil: none.
func (h *History) fastestSeen(groups []*scan.Group, fromMS, toMS int64) (seen *scan.Group, err error) {
	device := groups[0].Device
	fastestEver := fastest(groups, device).PeriodMS
	err = h.store.Scans(store.ScanQuery{Devices: []string{device}, FromMS: fromMS, ToMS: toMS}, func(s *scan.Scan) error {
		if seen == nil || s.Group.PeriodMS <= seen.PeriodMS {
			seen = s.Group
		}
		if seen.PeriodMS == fastestEver && s.WallMS > fromMS+fastestEver {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return seen, err
}

// fastest is the group of a device that is asked for most often, of one period the
// one registered last; nil: there is none.
func fastest(groups []*scan.Group, device string) (fastest *scan.Group) {
	for _, g := range groups {
		if g.Device == device && g.PeriodMS > 0 && (fastest == nil || g.PeriodMS < fastest.PeriodMS || g.PeriodMS == fastest.PeriodMS && g.ID > fastest.ID) {
			fastest = g
		}
	}
	return fastest
}

// readOver is how often a device was due and read in a window, by the period that it
// had in each part of it; ids are the channels that tell of its gaps, absent those of
// the group that it has now.
func (h *History) readOver(f *gapFinder, device string, points int) (one MissedDevice, ids []string, err error) {
	over, err := h.askedOver(device, f.fromMS, f.toMS)
	if err != nil || len(over) == 0 {
		return one, nil, err
	}
	last := over[len(over)-1].group
	one.PeriodMS = last.PeriodMS
	for i, a := range over {
		found, read, err := h.readCounts(f, a, points, i == len(over)-1)
		if err != nil {
			return one, nil, err
		}
		due := (a.to - a.from) / a.group.PeriodMS
		one.Due += due
		one.Read += min(read, due) // a reading at each end may be one too many
		if i == len(over)-1 {
			ids = found
		}
	}
	return one, ids, nil
}
