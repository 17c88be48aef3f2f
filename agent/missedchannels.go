package agent

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/analysis"
)

// MissedChannel is a channel that gave no good value for a minute and more though its
// device was read. The fold watches the channels that a machine or a system uses; it
// is what the summary says as a finding.
type MissedChannel struct {
	Channel string  `json:"channel"`
	Device  string  `json:"device"`
	From    Stamp   `json:"from"` // the first scan without a value
	To      Stamp   `json:"to"`   // the last
	ForS    float64 `json:"for_s"`
	Spells  int64   `json:"spells"` // in how many pieces
	Reason  string  `json:"reason"`
	Mend    string  `json:"mend"` // what to do, sentences
	// Open: it lasts to the end of the window.
	Open bool `json:"open"`
}

// mostMissedChannels are listed; mostNamed of them stand in one sentence.
const (
	mostMissedChannels = 100
	mostNamed          = 8
)

// seenOver asks the fold for each machine and system of a window, once, and keeps the
// machines' states.
func (h *History) seenOver(f *gapFinder) (all []*analysis.Seen, err error) {
	add := func(name string, machine bool) error {
		seen, err := analysis.SeenOf(h.source(), h.site, name, machine, f.fromMS, f.toMS)
		if err != nil {
			return fmt.Errorf("states of %s: %w", name, err)
		}
		if machine {
			f.runs[name] = seen.Runs
		}
		all = append(all, seen)
		return nil
	}
	for i := range h.site.Machines {
		if err := add(h.site.Machines[i].Name, true); err != nil {
			return nil, err
		}
	}
	for i := range h.site.Systems {
		if err := add(h.site.Systems[i].Name, false); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// missedChannels fills in the channels that were silent while their devices spoke. A
// channel that a machine and a system use is listed once.
func (h *History) missedChannels(m *Missed, seen []*analysis.Seen, gaps []deviceGap) {
	readMS := func(device string, fromMS, toMS int64) int64 {
		left := toMS - fromMS
		for i := range gaps {
			if g := &gaps[i]; g.device == device {
				left -= max(0, min(toMS, g.to)-max(fromMS, g.from))
			}
		}
		return left
	}
	var all []analysis.Silence
	for _, one := range seen {
		for _, s := range one.Silences(readMS) {
			twice := slices.ContainsFunc(all, func(o analysis.Silence) bool { return o.Channel == s.Channel && o.Reason == s.Reason })
			if !twice && h.site.Polled(s.Device) {
				all = append(all, s)
			}
		}
	}
	slices.SortStableFunc(all, func(x, y analysis.Silence) int { return cmp.Compare(y.ForMS, x.ForMS) })
	m.ChannelsMore = int64(max(0, len(all)-mostMissedChannels))
	for _, s := range all[:min(len(all), mostMissedChannels)] {
		why := s.Reason.String()
		m.Channels = append(m.Channels, MissedChannel{Channel: s.Channel, Device: s.Device, From: Stamp(s.FromMS), To: Stamp(s.ToMS), ForS: float64(s.ForMS) / 1000,
			Spells: s.Spells, Reason: why, Mend: mendOf(why), Open: s.Lasts})
	}
}

// channelsToDo names the channels without a good value, those of a device and reason
// together: what lasts, and what took more of the window than leastReadShare leaves.
func channelsToDo(m *Missed) (all []MissedToDo) {
	windowS := float64(m.To-m.From) / 1000
	type silent struct{ device, reason, longest, mend string }
	var heads []silent
	names := map[silent][]string{}
	for i := range m.Channels { // longest first
		c := &m.Channels[i]
		if !c.Open && c.ForS < (1-leastReadShare)*windowS {
			continue
		}
		of := silent{c.Device, c.Reason, spoken(int64(c.ForS * 1000)), c.Mend}
		if k := slices.IndexFunc(heads, func(h silent) bool { return h.device == of.device && h.reason == of.reason }); k >= 0 {
			of = heads[k]
		} else {
			heads = append(heads, of)
		}
		names[of] = append(names[of], strings.TrimPrefix(c.Channel, c.Device+"."))
	}
	for _, of := range heads {
		named, n := names[of], len(names[of])
		if n > mostNamed {
			named = append(named[:mostNamed:mostNamed], fmt.Sprintf("%d more", n-mostNamed))
		}
		what := fmt.Sprintf("%s was read, but gave no good value of %s for %s (%s).", of.device, named[0], of.longest, of.reason)
		if n > 1 {
			what = fmt.Sprintf("%s was read, but gave no good value of %d channels for up to %s (%s): %s.", of.device, n, of.longest, of.reason, strings.Join(named, ", "))
		}
		all = append(all, MissedToDo{"channel", what, of.mend})
	}
	return all
}
