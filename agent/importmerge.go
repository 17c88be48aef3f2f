package agent

import (
	"context"
	"errors"
	"iter"
	"slices"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// errEnough ends a walk through scans whose end nobody waits for.
var errEnough = errors.New("enough")

// scans merges the files' scans and those of the other store, by wall time.
func (im *importer) scans(ctx context.Context) error {
	var failed error
	next, stop := iter.Pull(func(yield func(*scan.Scan) bool) {
		failed = im.order.Scans(ctx, im.h.groups, func(s *scan.Scan) error {
			if err := ctx.Err(); err != nil {
				return err
			}
			if !yield(s) {
				return errEnough
			}
			return nil
		})
	})
	defer stop()
	m := importMerge{im: im, next: next}
	m.waiting, m.more = next()
	if im.order.Record != nil {
		if err := m.record(ctx); err != nil {
			return err
		}
	}
	if err := m.files(maxMS); err != nil {
		return err
	}
	if failed != nil {
		return failed
	}
	if err := im.flush(); err != nil {
		return err
	}
	if im.order.Record != nil {
		return m.events()
	}
	return nil
}

const maxMS = int64(1) << 62

// importMerge is the state of the merging of files with another store.
type importMerge struct {
	im      *importer
	next    func() (*scan.Scan, bool)
	waiting *scan.Scan // of the files
	more    bool       // there is one
	// slewMS is wall − monotonic time of the other store's last scan, in the
	// import's monotonic time, which is wall time at the begin of a segment: the
	// clock was slewed since. Files go along with it, so that no clock steps.
	slewMS   int64
	groups   map[uint32]*scan.Group // of the other store → here
	segments map[uint32]uint32      // likewise, of those with scans
	lost     map[uint32]bool        // of the other store: whose clock was never set
	offsets  map[uint32]int64       // of its segments: what to add to monotonic time
}

// files takes over the files' scans up to a wall time.
func (m *importMerge) files(untilMS int64) error {
	for ; m.more && m.waiting.WallMS <= untilMS; m.waiting, m.more = m.next() {
		m.waiting.MonoMS = m.waiting.WallMS - m.slewMS
		if err := m.im.add(m.waiting, true); err != nil {
			return err
		}
	}
	return nil
}

// record takes over the scans of the other store, each of its segments as one
// here, with the files' scans between them.
func (m *importMerge) record(ctx context.Context) error {
	r := m.im.order.Record
	if err := m.register(r.Groups()); err != nil {
		return err
	}
	m.segments, m.offsets, m.lost = map[uint32]uint32{}, map[uint32]int64{}, map[uint32]bool{}
	for _, seg := range r.Segments() {
		m.offsets[seg.Number] = seg.StartWallMS + seg.ShiftMS - seg.StartMonoMS
		m.lost[seg.Number] = seg.Untrusted && seg.ShiftMS == 0
	}
	segment := uint32(0)
	return r.Scans(store.ScanQuery{}, func(s *scan.Scan) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		if m.lost[s.Segment] {
			m.im.done.LeftOut++
			return nil
		}
		if err := m.files(s.WallMS - 1); err != nil {
			return err
		}
		if s.Segment != segment {
			if err := m.begin(s, segment != 0); err != nil {
				return err
			}
			segment = s.Segment
		}
		c := s.Clone()
		c.Group, c.Segment, c.Seq = m.groups[s.Group.ID], 0, 0
		c.MonoMS += m.offsets[s.Segment]
		m.slewMS = c.WallMS - c.MonoMS
		m.im.done.Record++
		return m.im.add(&c, false)
	})
}

// begin begins the segment here that stands for that of s.
func (m *importMerge) begin(s *scan.Scan, anew bool) error {
	st := m.im.h.store
	if anew {
		if err := m.im.flush(); err != nil {
			return err
		}
		if err := st.BeginImported(s.MonoMS + m.offsets[s.Segment]); err != nil {
			return err
		}
	}
	all := st.Segments()
	m.segments[s.Segment] = all[len(all)-1].Number
	return nil
}

// register finds the groups of the other store here, or makes them known: the
// site file's own stand as it has them.
func (m *importMerge) register(groups []*scan.Group) error {
	m.groups = map[uint32]*scan.Group{}
	for _, g := range groups {
		same := func(own *scan.Group) bool {
			return own.Device == g.Device && own.PeriodMS == g.PeriodMS &&
				slices.EqualFunc(own.Channels, g.Channels, func(a, b scan.Channel) bool { return a.Name == b.Name && a.Kind == b.Kind })
		}
		if i := slices.IndexFunc(m.im.h.groups, same); i >= 0 {
			m.groups[g.ID] = m.im.h.groups[i]
			continue
		}
		made, err := m.im.h.store.Register([]*scan.Group{g})
		if err != nil {
			return err
		}
		m.groups[g.ID] = made[0]
	}
	return nil
}

// notCopied are kinds of event of the other store that tell of it alone.
func notCopied(kind string) bool {
	return strings.HasPrefix(kind, "agent_") && kind != kindBroke || strings.HasPrefix(kind, "import") ||
		slices.Contains([]string{store.KindRawDropped, "evidence_key", "evidence_began", kindConfig, "backup_made", "keeping_failed", kindBehind}, kind)
}

// events takes over what the other store tells of its readings.
func (m *importMerge) events() error {
	all, err := m.im.order.Record.EventsWhere(0, 0, 0, func(e *store.Event) bool { return !notCopied(e.Kind) })
	if err != nil {
		return err
	}
	slices.SortFunc(all, func(a, b store.Event) int { return int(int64(a.Seq) - int64(b.Seq)) })
	for _, e := range all {
		number := m.near(e.Segment)
		if m.lost[e.Segment] || number == 0 {
			continue // nobody knows when it was
		}
		e.Seq, e.Segment, e.MonoMS = 0, number, e.MonoMS+m.offsets[e.Segment]
		if _, err := m.im.h.store.AppendEvent(e); err != nil {
			return err
		}
		m.im.refold = m.im.refold || e.Kind == analysis.LevelsEvent
	}
	return nil
}

// near returns the segment here that stands for one of the other store, or,
// where it has no scans, as of a note that was written while no agent ran, for
// the last one before it that has, else the first behind it; 0: there is none.
func (m *importMerge) near(segment uint32) uint32 {
	if n, ok := m.segments[segment]; ok {
		return n
	}
	before, behind := uint32(0), uint32(0)
	for from := range m.segments {
		if from < segment {
			before = max(before, from)
		} else if behind == 0 || from < behind {
			behind = from
		}
	}
	if before != 0 {
		return m.segments[before]
	}
	return m.segments[behind]
}

// refold makes all summaries anew with what the events say now.
func (h *History) refold(ctx context.Context) error {
	next := analysis.NewFolder(h.site, h.groups)
	if err := h.store.Calibrate(next); err != nil {
		return err
	}
	return h.store.Refold(ctx, next, func() { h.folder.TakeOver(next) })
}
