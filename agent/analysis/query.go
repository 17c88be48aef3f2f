package analysis

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// Source is where figures come from: a *store.Store, or one with the pieces
// that are not sealed yet (WithPending).
type Source interface {
	// Pieces returns the pieces of a key whose cell begins in [fromMS, toMS),
	// Unix ms UTC.
	Pieces(key string, fromMS, toMS int64) ([]store.Piece, error)
	// Scans calls fn for the scans that fit the query, in sequence order. It
	// stops at fn's first error and returns it.
	Scans(q store.ScanQuery, fn func(*scan.Scan) error) error
}

// beginMS stands for the first scan that is kept.
const beginMS = 0

// errRawMissing is returned inside the package when a window cuts a cell whose
// raw scans are no longer kept.
var errRawMissing = errors.New("raw scans of a cut interval are not kept")

// errStop ends a walk through scans early.
var errStop = errors.New("stop")

// WithPending adds the folder's pieces that are not sealed yet to src, so that
// figures reach up to the last scan.
func WithPending(src Source, f *Folder) Source { return &pendingSource{src, f} }

type pendingSource struct {
	Source
	f *Folder
}

// Calibrations are the folder's.
func (p *pendingSource) Calibrations() Calibrations { return p.f.Calibrations() }

// calibrationsOf is the levels that a source brings; none where it has no
// folder: the assumed ones hold.
func calibrationsOf(src Source) Calibrations {
	if c, ok := src.(interface{ Calibrations() Calibrations }); ok {
		return c.Calibrations()
	}
	return nil
}

// RawFrom implements rawKeeper.
func (p *pendingSource) RawFrom() int64 { return rawFrom(p.Source) }

// Pieces takes the pending pieces first: what is sealed meanwhile comes twice
// and is told by its first sequence number, never missed.
func (p *pendingSource) Pieces(key string, fromMS, toMS int64) ([]store.Piece, error) {
	pending := p.f.pendingOf(key)
	all, err := p.Source.Pieces(key, fromMS, toMS)
	if err != nil {
		return nil, err
	}
	sealed := make(map[uint64]bool, len(all))
	for i := range all {
		sealed[all[i].FirstSeq] = true
	}
	for _, piece := range pending {
		if piece.StartMS >= fromMS && piece.StartMS < toMS && !sealed[piece.FirstSeq] {
			all = append(all, piece)
		}
	}
	return all, nil
}

// gathered is one subject's window.
type gathered struct {
	sp       *spec
	from, to int64
	splits   []int64 // boundaries inside the window at which cells are cut
	total    *delta
	shift    pressed       // the pressure in the hours of the site's shifts
	cells    []cellSum     // in time order once gathered
	at       map[int64]int // from → place in cells, while gathering
	counted  []int64       // memory of the cells' counters, cut off its front
	entry    *carry        // before the window's first scan; nil: no scan
	exit     *carry        // after the window's last scan
	lastExit []byte        // the same, not decoded yet; nil once exit is set
	scratch  delta         // the piece that is being added
	older    span          // what was folded under earlier settings and is used
	unusable span          // what was so folded that it cannot be
	// Of the edges that were seen, each edgeEvery-th is kept.
	edgesSeen, edgeEvery int
	// Where the pressure's extremes are, in all hours, those with a machine
	// running and those of shifts, and the discharge temperature's.
	seenAll, seenRunning, seenShift, seenDischarge firstSeen
	discharge                                      int // the channel; -1: none
}

// gather collects a window of one subject: whole cells from pieces, cut cells
// from raw.
func gather(src Source, sp *spec, from, to int64, splits []int64) (*gathered, error) {
	g := newGathered(sp, from, to, splits)
	if len(sp.chans) == 0 || from >= to {
		return g, nil
	}
	pieces, err := src.Pieces(sp.key, cellOf(from), cellOf(to-1)+cellMS)
	if err != nil {
		return nil, fmt.Errorf("summaries of %s: %w", sp.name, err)
	}
	slices.SortStableFunc(pieces, func(a, b store.Piece) int { return cmp.Compare(a.FirstSeq, b.FirstSeq) })
	g.cells = make([]cellSum, 0, len(pieces)+1)
	if sp.wantMinutes && sp.minutes {
		g.total.minutes = make([]minuteMark, 0, (len(pieces)+1)*cellMS/minuteMS)
	}
	kept := rawFrom(src)
	for i := range pieces {
		if !current(sp, &pieces[i]) && pieces[i].StartMS >= kept {
			return g, g.fromRaw(src, cellOf(from)-warmUpMS)
		}
	}
	for i := range pieces {
		p := &pieces[i]
		if p.StartMS+cellMS <= from || p.StartMS >= to {
			continue
		}
		switch {
		case !current(sp, p):
			err = g.addOlder(p)
		case g.cuts(p.StartMS):
			err = g.addRaw(src, p)
		default:
			err = g.addPiece(p)
		}
		if err != nil {
			return nil, fmt.Errorf("summaries of %s: %w", sp.name, err)
		}
	}
	return g, g.order()
}

// warmUpMS is how far before a window the fold begins where there is no carry
// to begin with.
const warmUpMS = 2 * hourMS

// cuts reports whether a boundary lies inside the cell.
func (g *gathered) cuts(start int64) bool {
	if start < g.from || start+cellMS > g.to {
		return true
	}
	for _, s := range g.splits {
		if s > start && s < start+cellMS {
			return true
		}
	}
	return false
}

// part returns the part of a cell, between boundaries, that holds a wall time.
func (g *gathered) part(wall int64) (from, to int64) {
	from = cellOf(wall)
	to = from + cellMS
	narrow := func(at int64) {
		if at > from && at <= wall {
			from = at
		}
		if at < to && at > wall {
			to = at
		}
	}
	narrow(g.from)
	narrow(g.to)
	for _, s := range g.splits {
		narrow(s)
	}
	return from, to
}

func (g *gathered) addPiece(p *store.Piece) error {
	d := &g.scratch
	if err := d.decode(p.Delta, p.StartMS); err != nil {
		return err
	}
	if len(d.analog) != g.sp.analogs || len(d.counters) != g.sp.counters || len(d.health) != len(g.sp.health) || len(d.drops) != g.sp.drops {
		return fmt.Errorf("%w: another number of channels", ErrSummary)
	}
	for i := range d.found {
		if d.found[i].watch >= len(g.sp.watches) {
			return fmt.Errorf("%w: a finding of no watch", ErrSummary)
		}
	}
	if g.entry == nil {
		c, err := decodeCarry(p.Entry, len(g.sp.chans), len(g.sp.watches))
		if err != nil {
			return err
		}
		g.entry = &c
	}
	g.exit, g.lastExit = nil, p.Exit
	g.take(d, p.StartMS, p.StartMS+cellMS)
	return nil
}

// take merges d, all of whose scans lie in [from, to), one part of one cell.
func (g *gathered) take(d *delta, from, to int64) {
	g.total.merge(d)
	if g.sp.wantMinutes {
		g.total.mergeMinutes(d.minutes)
	}
	if g.sp.wantEdges {
		g.addEdges(d.edges)
	}
	g.takeCell(d, from, to)
	g.seeExtremes(d, from, to)
}

func (g *gathered) takeCell(d *delta, from, to int64) {
	// the last cell is the one, as a rule
	i, ok := len(g.cells)-1, true
	if i < 0 || g.cells[i].from != from {
		i, ok = g.at[from]
	}
	if !ok {
		i = len(g.cells)
		g.at[from] = i
		g.cells = append(g.cells, cellSum{from: from, to: to})
		g.cells[i].d.counters, g.cells[i].d.counterMS = g.cutCounters(len(d.counters)), g.cutCounters(len(d.counters))
		if g.sp.fine {
			g.cells[i].d.slots = new([slotsPerCell]slotSum)
		}
	}
	g.cells[i].d.add(d)
	if g.sp.onShift != nil && g.sp.pressure >= 0 && g.sp.onShift(from) {
		g.shift.add(d, g.sp.chans[g.sp.pressure].slot)
	}
}

// cutCounters gives a cell n zeros.
func (g *gathered) cutCounters(n int) []int64 {
	if len(g.counted) < n {
		g.counted = make([]int64, 64*n)
	}
	cut := g.counted[:n:n]
	g.counted = g.counted[n:]
	return cut
}

// order finishes the gathering.
func (g *gathered) order() error {
	slices.SortFunc(g.cells, func(a, b cellSum) int { return cmp.Compare(a.from, b.from) })
	g.at = nil
	if g.lastExit == nil {
		return nil
	}
	exit, err := decodeCarry(g.lastExit, len(g.sp.chans), len(g.sp.watches))
	if err != nil {
		return fmt.Errorf("summaries of %s: %w", g.sp.name, err)
	}
	g.exit, g.lastExit = &exit, nil
	return nil
}

// addRaw folds the scans of one piece anew, from its entry carry, and takes
// those that lie in the window.
func (g *gathered) addRaw(src Source, p *store.Piece) error {
	whole, err := decodeDelta(p.Delta, p.StartMS)
	if err != nil {
		return err
	}
	c, err := decodeCarry(p.Entry, len(g.sp.chans), len(g.sp.watches))
	if err != nil {
		return err
	}
	w := newWalk(g, &c)
	q := store.ScanQuery{Devices: g.sp.devices(), FromMS: p.StartMS, ToMS: p.StartMS + cellMS, FromSeq: p.FirstSeq}
	err = src.Scans(q, func(s *scan.Scan) error {
		switch {
		case s.Seq > p.LastSeq:
			return errStop
		case s.Seq < p.FirstSeq || cellOf(s.WallMS) != p.StartMS || s.Segment != p.Segment:
			return nil
		}
		w.step(s)
		return nil
	})
	if err != nil && !errors.Is(err, errStop) {
		return fmt.Errorf("read scans: %w", err)
	}
	if w.scans != whole.scans {
		return errRawMissing
	}
	w.finish()
	return nil
}

// fromRaw folds raw scans alone, from the first one at or after since.
func (g *gathered) fromRaw(src Source, since int64) error {
	c := &carry{}
	c.init(len(g.sp.chans), len(g.sp.watches))
	w := newWalk(g, c)
	q := store.ScanQuery{Devices: g.sp.devices(), FromMS: since}
	if since > beginMS {
		q.ToMS = g.to
	}
	err := src.Scans(q, func(s *scan.Scan) error { w.step(s); return nil })
	if err != nil {
		return fmt.Errorf("read scans of %s: %w", g.sp.name, err)
	}
	w.finish()
	return g.order()
}

// walk folds raw scans in order and cuts at the window's boundaries.
type walk struct {
	g        *gathered
	c        *carry
	d        *delta
	routes   map[*scan.Group]*route
	scans    int64
	inside   bool
	from, to int64 // the part that d belongs to
}

func newWalk(g *gathered, c *carry) *walk {
	return &walk{g: g, c: c, d: newDelta(g.sp), routes: map[*scan.Group]*route{}}
}

func (w *walk) step(s *scan.Scan) {
	r, ok := w.routes[s.Group]
	if !ok {
		made := w.g.sp.routeFor(s.Group)
		r = &made
		w.routes[s.Group] = r
	}
	if len(r.pairs) == 0 {
		return
	}
	if s.WallMS < w.from || s.WallMS >= w.to || w.to == 0 {
		w.finish()
		w.from, w.to = w.g.part(s.WallMS)
		w.inside = s.WallMS >= w.g.from && s.WallMS < w.g.to
	}
	if w.inside && w.g.entry == nil {
		c := w.c.clone()
		w.g.entry = &c
	}
	w.scans++
	w.g.sp.step(w.c, w.d, s, r)
}

// finish hands over what has been folded since the last boundary.
func (w *walk) finish() {
	if w.inside && w.d.scans > 0 {
		w.g.take(w.d, w.from, w.to)
		c := w.c.clone()
		w.g.exit, w.g.lastExit = &c, nil
	}
	w.d.reset()
}

func newGathered(sp *spec, from, to int64, splits []int64) *gathered {
	return &gathered{sp: sp, from: from, to: to, splits: splits, total: newDelta(sp), at: map[int64]int{}, discharge: sp.find(scan.DischargeTemperature)}
}
