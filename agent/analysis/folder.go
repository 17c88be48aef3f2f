package analysis

import (
	"encoding/binary"
	"fmt"
	"maps"
	"sync"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

var _ store.Calibrated = (*Folder)(nil)

// stateVersion is the layout of the state that Flush returns. One of oldStateVersion is
// read too, so that no total has to be made again of raw scans that are no longer kept.
const stateVersion, oldStateVersion = 6, 5

// maxRoutes bounds the cache of groups; a store has a few dozen.
const maxRoutes = 4096

// Folder folds scans into the pieces of every machine and system of a site. It
// implements store.Summariser. Its methods may be called from several
// goroutines; Step calls must come in sequence order.
type Folder struct {
	mu       sync.Mutex
	site     *sitefile.Site
	groups   []*scan.Group
	levels   Calibrations                    // guarded by mu
	subjects []*subject                      // guarded by mu
	routes   map[*scan.Group][]*subjectRoute // guarded by mu
}

type subjectRoute struct {
	sub *subject
	route
}

// subject is one machine or system with its carry and the piece that is open.
type subject struct {
	sp    *spec
	c     carry
	total tally

	open              bool
	cell              int64
	segment           uint32
	firstSeq, lastSeq uint64
	entry             []byte // carry at firstSeq
	exit              []byte // carry at the last cut; nil: none yet
	d                 *delta
	done              []store.Piece // cut since the last Flush

	trend   trend
	heard   bool        // a scan of the master's group has come
	why     scan.Reason // why the last one told no state
	airHigh float64     // highest total of air ever told, m³
}

// NewFolder makes a Folder for the machines and systems of site. groups are
// the poll groups that hold now; scans of older groups of the same devices are
// taken by channel name.
func NewFolder(site *sitefile.Site, groups []*scan.Group) *Folder {
	f := &Folder{site: site, groups: groups}
	f.setUp()
	return f
}

// setUp makes the subjects as the levels that hold want them.
func (f *Folder) setUp() { f.begin(specs(f.site, f.groups, f.levels)) }

// begin makes a subject of each spec, with nothing seen yet. Folding changes no
// spec.
func (f *Folder) begin(specs []*spec) {
	f.subjects, f.routes = nil, map[*scan.Group][]*subjectRoute{}
	for _, sp := range specs {
		sub := &subject{sp: sp, d: newDelta(sp)}
		sub.c.init(len(sp.chans), len(sp.watches))
		f.subjects = append(f.subjects, sub)
	}
}

// Calibrates implements store.Calibrated: the fold depends on levels.
func (f *Folder) Calibrates(kind string) bool { return kind == LevelsEvent }

// Calibrate implements store.Calibrated. The fold begins anew, with the levels
// of the events.
func (f *Folder) Calibrate(events []store.Event) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.levels = CalibrationsOf(events)
	f.setUp()
}

// Calibrations are the levels that hold.
func (f *Folder) Calibrations() Calibrations {
	f.mu.Lock()
	defer f.mu.Unlock()
	return maps.Clone(f.levels)
}

// specs lists the subjects of a site, machines first, in the site's order, the
// plant meter last.
func specs(site *sitefile.Site, groups []*scan.Group, levels Calibrations) []*spec {
	var all []*spec
	for i := range site.Machines {
		m := &site.Machines[i]
		all = append(all, machineSpec(site, groups, m, levels[m.Name]))
	}
	for i := range site.Systems {
		all = append(all, systemSpec(site, groups, &site.Systems[i], levels))
	}
	if sp := plantSpec(site, groups); sp != nil {
		all = append(all, sp)
	}
	return all
}

// Step implements store.Summariser.
func (f *Folder) Step(s *scan.Scan) {
	f.mu.Lock()
	defer f.mu.Unlock()
	routes, ok := f.routes[s.Group]
	if !ok {
		routes = f.addRoutes(s.Group)
	}
	for _, r := range routes {
		r.sub.step(s, &r.route)
	}
}

func (f *Folder) addRoutes(g *scan.Group) []*subjectRoute {
	if len(f.routes) >= maxRoutes {
		clear(f.routes)
	}
	var all []*subjectRoute
	for _, sub := range f.subjects {
		if r := sub.sp.routeFor(g); len(r.pairs) > 0 {
			all = append(all, &subjectRoute{sub, r})
		}
	}
	f.routes[g] = all
	return all
}

func (sub *subject) step(s *scan.Scan, r *route) {
	cell := cellOf(s.WallMS)
	if sub.open && (cell != sub.cell || s.Segment != sub.segment) {
		sub.cut()
	}
	if !sub.open {
		if sub.exit == nil {
			sub.exit = sub.c.encode(nil)
		}
		sub.open, sub.cell, sub.segment = true, cell, s.Segment
		sub.firstSeq, sub.entry = s.Seq, sub.exit
	}
	sub.lastSeq = s.Seq
	sub.sp.step(&sub.c, sub.d, s, r)
	sub.trend.step(sub.sp, &sub.c)
	sub.noteWhy(s, r)
}

// piece is the open piece as it stands.
func (sub *subject) piece(exit []byte) store.Piece {
	return store.Piece{
		Key: sub.sp.key, StartMS: sub.cell, Segment: sub.segment,
		FirstSeq: sub.firstSeq, LastSeq: sub.lastSeq,
		Version: pieceVersion, Config: sub.sp.pieceConfig(),
		Entry: sub.entry, Delta: sub.d.encode(nil, sub.cell), Exit: exit,
	}
}

// cut closes the open piece. The next one begins with the carry it ends with.
func (sub *subject) cut() {
	sub.exit = sub.c.encode(make([]byte, 0, len(sub.exit)+16))
	sub.done = append(sub.done, sub.piece(sub.exit))
	sub.total.add(sub.d)
	sub.d.reset()
	sub.open = false
}

// Flush implements store.Summariser.
func (f *Folder) Flush() (pieces []store.Piece, state []byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, sub := range f.subjects {
		if sub.open {
			sub.cut()
		}
		pieces = append(pieces, sub.done...)
		sub.done = nil
	}
	return pieces, f.encodeState()
}

func (f *Folder) encodeState() []byte {
	b := []byte{stateVersion}
	b = appendCount(b, len(f.subjects))
	for _, sub := range f.subjects {
		b = appendText(b, sub.sp.key)
		b = appendText(b, sub.sp.config)
		b = sub.c.encode(b)
		b = sub.total.encode(b)
	}
	return b
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

func (r *reader) text() string {
	n := r.count(1)
	s := string(r.rest()[:n])
	r.at += n
	return s
}

// Restore implements store.Summariser. It returns an error that wraps
// ErrSummary where the state is of another version, or of a site whose fold
// differs; the Folder is then as new.
func (f *Folder) Restore(state []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, sub := range f.subjects {
		*sub = subject{sp: sub.sp, d: newDelta(sub.sp)}
		sub.c.init(len(sub.sp.chans), len(sub.sp.watches))
	}
	if state == nil {
		return nil
	}
	carries, totals, err := f.decodeState(state)
	if err != nil {
		return fmt.Errorf("restore summaries: %w", err)
	}
	for i, sub := range f.subjects {
		sub.c, sub.total = carries[i], totals[i]
	}
	return nil
}

func (f *Folder) decodeState(state []byte) ([]carry, []tally, error) {
	r := &reader{b: state}
	version := r.byteBelow(255)
	if r.err == nil && version != stateVersion && version != oldStateVersion {
		return nil, nil, fmt.Errorf("%w: version %d", ErrSummary, version)
	}
	if n := r.count(4); r.err == nil && n != len(f.subjects) {
		return nil, nil, fmt.Errorf("%w: machines or systems have changed", ErrSummary)
	}
	var carries []carry
	var totals []tally
	for _, sub := range f.subjects {
		key, config := r.text(), r.text()
		if r.err == nil && (key != sub.sp.key || config != sub.sp.config) {
			return nil, nil, fmt.Errorf("%w: the channels or settings of %s have changed", ErrSummary, sub.sp.name)
		}
		carries = append(carries, readCarry(r, len(sub.sp.chans), len(sub.sp.watches)))
		totals = append(totals, readTally(r, version))
	}
	return carries, totals, r.end()
}

func (sub *subject) pending() []store.Piece {
	all := append([]store.Piece(nil), sub.done...)
	if sub.open {
		all = append(all, sub.piece(sub.c.encode(nil)))
	}
	return all
}

// pendingOf returns the pieces of one key that no Flush has handed out yet, the
// open ones as they stand. The caller must not change their bytes. A piece is
// known by key and FirstSeq when a later Flush hands it out again, longer.
func (f *Folder) pendingOf(key string) []store.Piece {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, sub := range f.subjects {
		if sub.sp.key == key {
			return sub.pending()
		}
	}
	return nil
}

// TakeOver makes f be as next, which must not be used any more.
func (f *Folder) TakeOver(next *Folder) {
	next.mu.Lock()
	defer next.mu.Unlock()
	f.mu.Lock()
	defer f.mu.Unlock()
	f.site, f.groups, f.levels = next.site, next.groups, next.levels
	f.subjects, f.routes = next.subjects, next.routes
}
