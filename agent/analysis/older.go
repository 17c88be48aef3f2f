package analysis

import (
	"fmt"

	"loadscribe/agent/store"
)

// rawKeeper is a Source that may have dropped old raw scans: those before
// RawFrom, Unix ms UTC; 0: none.
type rawKeeper interface{ RawFrom() int64 }

func rawFrom(src Source) int64 {
	if k, ok := src.(rawKeeper); ok {
		return k.RawFrom()
	}
	return 0
}

// current reports whether a piece was folded as it would be today.
func current(sp *spec, p *store.Piece) bool {
	return p.Config == sp.config && p.Version == pieceVersion
}

// span is a stretch of time that grows; empty while to is 0.
type span struct{ from, to int64 }

func (s *span) add(from, to int64) {
	if s.to == 0 {
		s.from = from
	}
	s.from, s.to = min(s.from, from), max(s.to, to)
}

// addOlder takes a piece that was folded under earlier settings and whose raw
// scans are no longer kept: as it is, or not at all where it has other
// channels. Its whole cell is taken or the window has to grow.
func (g *gathered) addOlder(p *store.Piece) error {
	if g.cuts(p.StartMS) {
		return errRawMissing
	}
	d := &g.scratch
	if p.Version != pieceVersion || d.decode(p.Delta, p.StartMS) != nil || len(d.analog) != g.sp.analogs ||
		len(d.counters) != g.sp.counters || len(d.health) != len(g.sp.health) || len(d.drops) != g.sp.drops {
		g.unusable.add(p.StartMS, p.StartMS+cellMS)
		return nil
	}
	d.found = d.found[:0] // its findings are numbered by the earlier settings
	d.lows = d.lows[:0]   // the minimum may have been another
	// the carries may be of other bits: then the state around is not known
	if g.entry == nil {
		c, err := decodeCarry(p.Entry, len(g.sp.chans), len(g.sp.watches))
		if err != nil {
			c.init(len(g.sp.chans), len(g.sp.watches))
		}
		g.entry = &c
	}
	g.exit, g.lastExit = nil, nil
	if _, err := decodeCarry(p.Exit, len(g.sp.chans), len(g.sp.watches)); err == nil {
		g.lastExit = p.Exit
	}
	g.older.add(p.StartMS, p.StartMS+cellMS)
	g.take(d, p.StartMS, p.StartMS+cellMS)
	return nil
}

// notes are sentences on what the figures of the window rest on.
func (g *gathered) notes() (all []string) {
	say := func(s span, what string) {
		if s.to != 0 {
			all = append(all, fmt.Sprintf("%s: the time from %s to %s was summarised under earlier settings, and its raw readings are no longer kept: %s",
				g.sp.name, stamp(s.from), stamp(s.to), what))
		}
	}
	say(g.older, "its summaries are used as they are, without its findings on the data and without how long the pressure lay below the minimum at a stretch")
	say(g.unusable, "its summaries do not fit the present channels, and it counts as unobserved")
	return all
}
