package agent

import (
	"errors"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// boundRoles are the counters that bound what happened while nobody read.
var boundRoles = [...]scan.Role{scan.RunHours, scan.LoadedHours, scan.StartCount, scan.Energy}

// countersOver are the counters of a device that was not read, before and after.
func (h *History) countersOver(g *deviceGap) ([]MissedCounter, error) {
	all := []MissedCounter{}
	for i := range h.site.Machines {
		m := &h.site.Machines[i]
		for _, role := range boundRoles {
			id := m.Roles[role]
			if device, _, ok := scan.SplitID(id); !ok || device != g.device {
				continue
			}
			one, ok, err := h.counterOver(id, g.from, g.to)
			if err != nil {
				return all, err
			}
			if ok {
				if hours := role == scan.RunHours || role == scan.LoadedHours; hours && !one.withinTime(g) {
					continue // another controller, or set by hand: it bounds nothing
				}
				one.Machine, one.Role, one.Channel = m.Name, string(role), id
				all = append(all, one)
			}
		}
	}
	return all, nil
}

// counterOver is what a counter showed last before a gap and first after it; ok is
// false where one of the two is not there, or it was set back meanwhile.
func (h *History) counterOver(id string, fromMS, toMS int64) (c MissedCounter, ok bool, err error) {
	channel, gapMS := h.channelOf(id)
	if channel == nil {
		return c, false, nil
	}
	before, known, err := h.store.ReadingAt(id, fromMS)
	if errors.Is(err, store.ErrUnknown) || err == nil && (!known || before.MinuteMean) {
		return c, false, nil
	}
	if err != nil {
		return c, false, err
	}
	s, err := h.store.Series(id, toMS-gapMS, toMS+max(gapMS, time.Minute.Milliseconds()), reportPoints)
	if err != nil {
		return c, false, err
	}
	for i := range s.Cells {
		cell := &s.Cells[i]
		if cell.Count == 0 || cell.FirstMS <= fromMS {
			continue
		}
		c = MissedCounter{Before: before.Value, After: cell.First, Change: cell.First - before.Value, Step: max(channel.Scale, -channel.Scale), Unit: channel.Unit}
		return c, c.Change >= 0, nil
	}
	return c, false, nil
}

// withinTime reports whether an hour meter went on by no more than the time that its
// two readings lie apart, and what it does not show.
func (c *MissedCounter) withinTime(g *deviceGap) bool {
	u, err := quantity.ParseUnit(c.Unit)
	if err != nil || u.Dimension != quantity.Duration {
		return true // no unit of time: not ours to judge
	}
	const slackS = 600 // the counter's own group is read more rarely than the device
	return u.ToSI(c.Change-c.Step) <= float64(g.to-g.from)/1000+slackS
}

// channelOf is a channel as it is registered last, and from when on it counts as
// silent.
func (h *History) channelOf(id string) (channel *scan.Channel, gapMS int64) {
	for _, g := range h.Groups() {
		for i := range g.Channels {
			if g.Channels[i].ID() == id {
				channel, gapMS = &g.Channels[i], g.GapMS()
			}
		}
	}
	return channel, gapMS
}
