package intake

import (
	"cmp"
	"container/heap"
	"context"
	"errors"
	"fmt"
	"io"

	"loadscribe/agent/scan"
)

// merger puts the rows of all files into one order and makes scans of them.
type merger struct {
	in     *Intake
	ctx    context.Context
	groups []*scan.Group // that scans point to, by their place in the site
	emit   func(*scan.Scan) error
	count  *counts

	heap  cursorHeap
	open  []*pending // of each group of the site; nil: none
	nowMS int64
	rows  int
}

// pending is the scan that is being put together.
type pending struct {
	used    bool
	shownMS int64
	logger  *loggerPlan
	file    *source // of the first row
	line    int64
	cells   []cell
}

// cursorHeap is ordered by corrected time, then logger, its own time, file and
// line, so that the order of equal times is always the same.
type cursorHeap []*cursor

func (h cursorHeap) Len() int { return len(h) }
func (h cursorHeap) Less(i, j int) bool {
	a, b := h[i], h[j]
	return cmp.Or(cmp.Compare(a.rec.atMS, b.rec.atMS), cmp.Compare(a.logger.index, b.logger.index),
		cmp.Compare(a.rec.shownMS, b.rec.shownMS), cmp.Compare(a.order, b.order), cmp.Compare(a.rec.line, b.rec.line)) < 0
}
func (h cursorHeap) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *cursorHeap) Push(x any)   { *h = append(*h, x.(*cursor)) }
func (h *cursorHeap) Pop() any {
	last := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return last
}

// run reads all files. A file is opened when its first row's turn comes.
func (m *merger) run() (err error) {
	m.open = make([]*pending, len(m.in.groups))
	for _, s := range m.in.sources {
		for i := range s.looked.runs {
			m.add(&cursor{source: s, run: &s.looked.runs[i]}, s.looked.runs[i].firstMS, s.looked.runs[i].line)
		}
		if s.looked.runs == nil {
			m.add(&cursor{source: s}, s.looked.firstMS, 0)
		}
	}
	heap.Init(&m.heap)
	defer func() {
		for _, c := range m.heap {
			if closing := c.stop(); err == nil {
				err = closing
			}
		}
	}()
	for len(m.heap) > 0 {
		if err := m.step(m.heap[0]); err != nil {
			return err
		}
	}
	return m.flush()
}

// add makes a cursor wait for the turn of its first row.
func (m *merger) add(c *cursor, firstMS, line int64) {
	c.rec.shownMS, c.rec.atMS, c.rec.line = firstMS, c.logger.Clock.True(firstMS), line
	m.heap = append(m.heap, c)
}

// step takes the first cursor's row and moves it on.
func (m *merger) step(c *cursor) error {
	if m.rows++; m.rows%checkEvery == 0 && m.ctx.Err() != nil {
		return m.ctx.Err()
	}
	if c.reading != nil {
		if err := m.take(c); err != nil {
			return err
		}
	} else if err := c.start(m.ctx); err != nil {
		return err
	}
	before := c.rec.shownMS
	err := c.next()
	if errors.Is(err, io.EOF) {
		heap.Pop(&m.heap)
		return nil
	}
	if err != nil {
		return err
	}
	if c.rec.shownMS < before {
		return &Mistake{File: c.path, Line: c.rec.line, Message: "the file has changed since it was checked", Mend: "import it again when nothing writes to it", Cause: ErrChanged}
	}
	heap.Fix(&m.heap, 0)
	return nil
}

// take joins a row to the scans that are being put together.
func (m *merger) take(c *cursor) error {
	rec := &c.rec
	if rec.atMS != m.nowMS {
		if err := m.flush(); err != nil {
			return err
		}
		m.nowMS = rec.atMS
	}
	m.count.logger(c.logger).Rows++
	repeated := false
	for i := range rec.parts {
		p := &rec.parts[i]
		if !p.spoke {
			continue
		}
		s, err := m.pending(p.group, c)
		if err != nil {
			return err
		}
		again, err := m.join(s, p, c)
		if err != nil {
			return err
		}
		repeated = repeated || again
	}
	if repeated {
		m.count.logger(c.logger).Repeated++
	}
	return nil
}

// pending returns the scan of a group at the row's time.
func (m *merger) pending(group int, c *cursor) (*pending, error) {
	s := m.open[group]
	if s == nil {
		s = &pending{cells: make([]cell, len(m.in.groups[group].Channels))}
		m.open[group] = s
	}
	if s.used && s.shownMS != c.rec.shownMS {
		// two times of a logger that its clock's correction makes one
		if err := m.close(group, s); err != nil {
			return nil, err
		}
	}
	if !s.used {
		clear(s.cells)
		s.used, s.shownMS, s.logger, s.file, s.line = true, c.rec.shownMS, c.logger, c.source, c.rec.line
	}
	return s, nil
}

// join adds what a row says; again is whether it said so before.
func (m *merger) join(s *pending, p *part, c *cursor) (again bool, err error) {
	for i, got := range p.cells {
		old := &s.cells[i]
		switch {
		case !got.said:
		case !old.said:
			*old = got
		case *old == got:
			again = true
		case c.logger.Repeated == RepeatedError:
			return false, m.differs(s, p.group, i, c)
		default:
			if c.logger.Repeated == RepeatedLast {
				*old = got
			}
			again = true
			m.count.logger(c.logger).Differing++
		}
	}
	return again, nil
}

func (m *merger) differs(s *pending, group, channel int, c *cursor) error {
	id := m.in.groups[group].Channels[channel].ID()
	return &Mistake{File: c.path, Line: c.rec.line,
		Message: fmt.Sprintf("channel %s has another value at %s than in %s, line %d", id, utcText(c.rec.shownMS), s.file.path, s.line),
		Mend:    `delete one of the rows, or write repeated = "first" or "last"`}
}

// flush closes all scans of the time that is over.
func (m *merger) flush() error {
	for g, s := range m.open {
		if s != nil && s.used {
			if err := m.close(g, s); err != nil {
				return err
			}
		}
	}
	return nil
}

// close makes a scan and hands it on.
func (m *merger) close(group int, s *pending) error {
	s.used = false
	out := scan.Scan{Group: m.groups[group], WallMS: m.nowMS, MonoMS: m.nowMS}
	if reason := wholeReason(s.cells); reason != scan.Good {
		out.Reason = reason
	} else {
		out.Values = make([]int64, len(s.cells))
		for i, c := range s.cells {
			out.Values[i] = c.raw
			if !c.said {
				c.quality = scan.Absent
			}
			if c.quality == scan.Good {
				continue
			}
			if out.Quality == nil {
				out.Quality = make([]scan.Reason, len(s.cells))
			}
			out.Quality[i] = c.quality
		}
	}
	m.count.scan(group, s, &out)
	return m.emit(&out)
}

// wholeReason returns why the whole group has no values, as poll says it: a
// fault of line or device that all its channels share; Good where there are
// values. What is wrong with one value only is said of each.
func wholeReason(cells []cell) scan.Reason {
	why := scan.Good
	for _, c := range cells {
		switch {
		case !c.said:
		case c.quality == scan.Good, c.quality == scan.Implausible, c.quality == scan.Absent, c.quality == scan.SensorFault:
			return scan.Good
		case why != scan.Good && why != c.quality:
			return scan.Good
		default:
			why = c.quality
		}
	}
	return why
}
