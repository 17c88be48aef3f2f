package analysis

import (
	"errors"
	"fmt"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Seen is what the fold has of one machine or system in a window.
type Seen struct {
	Runs         []Run // of a machine: as StateRuns; nil of a system
	g            *gathered
	site         *sitefile.Site
	fromMS, toMS int64
}

// SeenOf returns what the fold has of the named machine or, where machine is
// false, system in [fromMS, toMS), Unix ms UTC.
func SeenOf(src Source, site *sitefile.Site, name string, machine bool, fromMS, toMS int64) (*Seen, error) {
	sp, err := specOf(src, site, name)
	if !machine {
		sp, err = systemSpecOf(src, site, name)
	}
	if err != nil {
		return nil, err
	}
	g, err := gather(src, sp, fromMS, toMS, nil)
	if errors.Is(err, errRawMissing) {
		g, err = gather(src, sp, cellOf(fromMS), cellOf(toMS-1)+cellMS, nil)
	}
	if err != nil {
		return nil, err
	}
	s := &Seen{g: g, site: site, fromMS: fromMS, toMS: toMS}
	if machine {
		s.Runs = g.runs(fromMS, toMS)
	}
	return s, nil
}

func systemSpecOf(src Source, site *sitefile.Site, name string) (*spec, error) {
	for i := range site.Systems {
		if s := &site.Systems[i]; s.Name == name {
			return systemSpec(site, sitefile.Groups(site), s, calibrationsOf(src)), nil
		}
	}
	return nil, fmt.Errorf("system %q is not in the site file", name)
}

// Silence is a channel that gave no good value for a minute and more: the same that
// a Finding says of it. Times are Unix ms UTC, within the window.
type Silence struct {
	Channel, Device string
	Reason          scan.Reason
	FromMS, ToMS    int64 // from the first to the last scan without a value
	ForMS           int64 // of it without a value
	Spells          int64
	Lasts           bool // to the end of the window
}

// Silences are those of the channels that the machine or system uses, one for each
// channel and reason. readMS is how much of a stretch a device was read in: what it was
// not is left out, for then no channel of it has a value.
func (s *Seen) Silences(readMS func(device string, fromMS, toMS int64) int64) (all []Silence) {
	sp := s.g.sp
	var without []found
	for _, f := range s.g.spells() {
		if !sp.noValue(s.site, &f) {
			continue
		}
		f.from, f.to = max(f.from, s.fromMS), min(f.to, s.toMS)
		if read := readMS(sp.chans[sp.watches[f.watch].ch].device, f.from, f.to); read >= absentGraceMS {
			f.ms = min(f.ms, read)
			without = append(without, f)
		}
	}
	for _, f := range sp.joined(without) {
		w := &sp.watches[f.watch]
		c := &sp.chans[w.ch]
		reason := scan.Implausible
		if w.kind == watchAbsent {
			reason = scan.Reason(f.value)
		}
		if f.ms >= absentGraceMS {
			all = append(all, Silence{Channel: c.id, Device: c.device, Reason: reason, FromMS: f.from, ToMS: f.to, ForMS: f.ms, Spells: f.n, Lasts: f.lasts})
		}
	}
	return all
}

// noValue reports whether a spell is one without good values. A value that cannot be
// is none where the map's valid range says so; what physics alone says is stored as
// good, and is a finding of another kind.
func (sp *spec) noValue(site *sitefile.Site, f *found) bool {
	w := &sp.watches[f.watch]
	switch w.kind {
	case watchAbsent:
		return true
	case watchImpossible:
		if outside(w, f.value) <= 0 {
			return true // physics has nothing against it: it was the map
		}
		c := &sp.chans[w.ch]
		low, high, given := c.validCounts(site)
		return given && (float64(f.value) < low || float64(f.value) > high)
	}
	return false
}

// validCounts is the map's valid range in counts.
func (c *chanSpec) validCounts(site *sitefile.Site) (low, high float64, given bool) {
	_, m, ok := site.Channel(c.id)
	if !ok || c.countSI == 0 {
		return 0, 0, false
	}
	low, high, given = m.ValidRange()
	inCounts := func(v float64) float64 {
		si := float64(v*c.unit.Scale) + c.zeroSI
		return float64(si-c.offsetSI) / c.countSI
	}
	low, high = inCounts(low), inCounts(high)
	return min(low, high), max(low, high), given
}

// spells are those of the window, and those that are open.
func (g *gathered) spells() (spells []found) {
	for _, f := range g.total.found {
		if f.to >= g.from {
			spells = append(spells, f)
		}
	}
	if g.exit == nil {
		return spells
	}
	for w := range g.exit.spells {
		at := &g.exit.spells[w]
		if at.open && at.ms >= g.sp.watches[w].leastMS && at.last >= g.from {
			spells = append(spells, found{watch: w, from: at.from, to: at.last, ms: at.ms, n: at.n, value: at.value, lasts: at.on})
		}
	}
	return spells
}
