package analysis

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

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

// pieceConfig is what a piece says of the settings that it was folded under: the
// layout of its sums, so that they can be told from those of other channels when
// the rest has changed, and the fingerprint of all.
func (sp *spec) pieceConfig() string { return sp.layout + "." + sp.config }

// setConfig fixes both once the spec is made.
func (sp *spec) setConfig() { sp.config, sp.layout = sp.fingerprint(), sp.layoutOf() }

// current reports whether a piece was folded as it would be today. Pieces of
// earlier versions of the program have the fingerprint alone.
func current(sp *spec, p *store.Piece) bool {
	return p.Version == pieceVersion && (p.Config == sp.config || strings.HasSuffix(p.Config, "."+sp.config))
}

// otherLayout reports whether a piece's sums are of other channels than today's.
// Of a piece without a layout only their number is known.
func otherLayout(sp *spec, p *store.Piece) bool {
	layout, _, told := strings.Cut(p.Config, ".")
	return told && layout != sp.layout
}

// layoutOf names the channel and the role behind each sum of a delta. Signals are
// in no sum: which state time was counted to does not depend on their names.
func (sp *spec) layoutOf() string {
	var b strings.Builder
	id := func(ch int) string {
		if ch < 0 || ch >= len(sp.chans) {
			return "-"
		}
		return string(sp.chans[ch].role) + " " + sp.chans[ch].id
	}
	for i := range sp.chans {
		if c := &sp.chans[i]; c.class == classAnalog || c.class == classCounter {
			fmt.Fprintf(&b, "%d %d %d %s\n", c.class, c.slot, c.kind, id(i))
		}
		if i < len(sp.dropAt) && sp.dropAt[i] >= 0 {
			fmt.Fprintf(&b, "drop %d %s\n", sp.dropAt[i], id(i))
		}
	}
	for _, ch := range append([]int{sp.pressure, sp.sump, sp.flow, sp.tap, sp.draw, sp.energy, sp.square, sp.warm}, sp.health...) {
		fmt.Fprintf(&b, "%s\n", id(ch))
	}
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:8])
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
	if p.Version != pieceVersion || otherLayout(g.sp, p) || d.decode(p.Delta, p.StartMS) != nil || len(d.analog) != g.sp.analogs ||
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
