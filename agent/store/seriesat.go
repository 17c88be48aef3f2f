package store

import "fmt"

// Span is what a channel read between two moments.
type Span struct {
	// FromMS and ToMS are the window asked for; moved out to whole minutes where
	// raw readings are no longer kept, which RawDropped says.
	FromMS, ToMS int64
	// Cell is exact in count, sum, min and max, and in the first and the last
	// reading; Count 0: nothing was read.
	Cell
	RawDropped bool
}

// spanEdges are the widths of the cells that make up a window: it is taken in
// the widest that fit, and in finer ones towards its ends.
var spanEdges = [...]int64{2 * hourMS, 15 * minuteMS, minuteMS, 0}

// Span returns what a channel read in a half-open window of wall time. It reads
// the raw readings of the minutes that the window cuts, and of none else.
func (s *Store) Span(channelID string, fromMS, toMS int64) (Span, error) {
	out := Span{FromMS: fromMS, ToMS: toMS}
	if toMS <= fromMS {
		return out, fmt.Errorf("readings of %s: the window from %d to %d ms is empty", channelID, fromMS, toMS)
	}
	from, to := s.recorded(fromMS, toMS)
	err := s.addSpan(&out, channelID, from, to, spanEdges[:])
	out.StartMS = out.FromMS
	return out, err
}

// recorded is the part of a window in which there can be readings, never empty:
// two centuries without any would be 10 million cells to look at.
func (s *Store) recorded(fromMS, toMS int64) (from, to int64) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	oldest, newest := s.oldestMS, s.newestMS
	if s.cellsMS != 0 {
		oldest = min(oldest, s.cellsMS) // cells outlive raw scans
	}
	from, to = max(fromMS, oldest), min(toMS, newest+1)
	if s.last.scan == 0 || from >= to {
		return fromMS, fromMS + 1
	}
	return from, to
}

// addSpan takes a window in cells of the first width, and what they leave at
// both ends in finer ones.
func (s *Store) addSpan(out *Span, channelID string, fromMS, toMS int64, widths []int64) error {
	width := widths[0]
	from, to := fromMS, toMS
	if width > 0 {
		from, to = -floorTo(-fromMS, width), floorTo(toMS, width)
		if from >= to {
			return s.addSpan(out, channelID, fromMS, toMS, widths[1:])
		}
		if fromMS < from {
			if err := s.addSpan(out, channelID, fromMS, from, widths[1:]); err != nil {
				return err
			}
		}
	}
	if err := s.addCells(out, channelID, from, to, width); err != nil {
		return err
	}
	if to < toMS {
		return s.addSpan(out, channelID, to, toMS, widths[1:])
	}
	return nil
}

// addCells takes all cells of a window, at most so many at a time.
func (s *Store) addCells(out *Span, channelID string, fromMS, toMS, width int64) error {
	step := toMS - fromMS
	points := maxPoints
	if width > 0 {
		step = min(step, int64(maxPoints)*width)
	}
	for at := fromMS; at < toMS; at += step {
		end := min(at+step, toMS)
		if width > 0 {
			points = int((end - at) / width)
		}
		cells, err := s.Series(channelID, at, end, points)
		if err != nil {
			return err
		}
		if cells.RawDropped {
			out.RawDropped = true
			out.FromMS, out.ToMS = min(out.FromMS, cells.FromMS), max(out.ToMS, cells.ToMS)
		}
		for i := range cells.Cells {
			mergeCell(&out.Cell, &cells.Cells[i])
		}
	}
	return nil
}

// Reading is the value that held at a moment.
type Reading struct {
	WallMS int64 // when it was read
	Value  float64
	// MinuteMean: raw readings of then are no longer kept; it is the mean of the
	// minute, which WallMS begins.
	MinuteMean bool
}

// ReadingAt returns the newest good reading at or before a moment that is no
// older than three periods; ok is false where there is none, which is a gap.
func (s *Store) ReadingAt(channelID string, wallMS int64) (r Reading, ok bool, err error) {
	sources, _ := s.sources(channelID)
	if len(sources) == 0 {
		return r, false, fmt.Errorf("reading of %q: %w", channelID, ErrUnknown)
	}
	gapMS := int64(0)
	for i := range sources {
		gapMS = max(gapMS, sources[i].group.GapMS())
	}
	found, err := s.Series(channelID, wallMS-gapMS, wallMS+1, maxPoints)
	if err != nil {
		return r, false, err
	}
	for i := len(found.Cells) - 1; i >= 0; i-- {
		c := &found.Cells[i]
		switch {
		case c.Count == 0:
		case found.StepMS == 0:
			return Reading{c.StartMS, c.Last, false}, true, nil
		case c.LastMS <= wallMS: // a cell's last reading is kept as it was
			return Reading{c.LastMS, c.Last, false}, c.LastMS >= wallMS-gapMS, nil
		case c.FirstMS <= wallMS: // between its first and its last
			return Reading{c.StartMS, c.Sum / float64(c.Count), true}, true, nil
		}
	}
	return r, false, nil
}
