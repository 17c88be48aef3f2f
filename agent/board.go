package agent

import (
	"sync"

	"loadscribe/agent/publish"
	"loadscribe/agent/scan"
)

// board holds the last scan of each poll group for whoever shows the present.
// A channel without a value in that scan has none: an old value is never shown
// as the present one.
type board struct {
	mu    sync.Mutex // protects last
	last  map[*scan.Group]*scan.Scan
	spent map[string]*publish.Durations // by device; fixed
}

func newBoard(groups []*scan.Group) *board {
	b := &board{last: map[*scan.Group]*scan.Scan{}, spent: map[string]*publish.Durations{}}
	for _, g := range groups {
		b.last[g] = nil
		if b.spent[g.Device] == nil {
			b.spent[g.Device] = &publish.Durations{}
		}
	}
	return b
}

// post keeps a copy of s.
func (b *board) post(s *scan.Scan) {
	if s.Reason == scan.Good {
		b.spent[s.Group.Device].ObserveMS(int64(s.DurationMS))
	}
	c := s.Clone()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.last[s.Group] = &c
}

// each calls fn for every group of groups with its last scan, nil where there
// is none yet. fn must not change or keep the scan.
func (b *board) each(groups []*scan.Group, fn func(*scan.Group, *scan.Scan)) {
	for _, g := range groups {
		b.mu.Lock()
		s := b.last[g]
		b.mu.Unlock()
		fn(g, s)
	}
}
