package transfer

import (
	"bufio"
	"fmt"
	"slices"

	"loadscribe/agent/scan"
)

// wideKey names a column: one channel in one unit.
type wideKey struct{ id, unit string }

// widePlace is where a channel's values go.
type widePlace struct {
	column int // -1: not wanted
	digits printer
}

// wideRows writes one stamp a row. Scans of one stamp share a row.
type wideRows struct {
	out     *bufio.Writer
	wanted  map[string]bool
	columns map[wideKey]int
	titles  []string
	groups  map[*scan.Group][]widePlace // of each channel

	// the row that is being filled
	open    bool
	wallMS  int64
	segment uint32
	cells   [][]byte
	taken   []bool // a scan has spoken for this cell, with a value or without
	row     []byte
}

func newWideRows(out *bufio.Writer, wanted map[string]bool, groups []*scan.Group) *wideRows {
	w := &wideRows{out: out, wanted: wanted, columns: map[wideKey]int{}, groups: map[*scan.Group][]widePlace{}}
	for _, g := range groups {
		for i := range g.Channels {
			c := &g.Channels[i]
			key := wideKey{c.ID(), c.Unit}
			if _, dup := w.columns[key]; dup || (wanted != nil && !wanted[key.id]) {
				continue
			}
			w.columns[key] = len(w.titles)
			w.titles = append(w.titles, field(key.id+" ["+key.unit+"]"))
		}
	}
	w.cells = make([][]byte, len(w.titles))
	w.taken = make([]bool, len(w.titles))
	return w
}

func (w *wideRows) header() error {
	row := []byte("time")
	for _, t := range w.titles {
		row = append(append(row, ','), t...)
	}
	_, err := w.out.Write(append(row, "\r\n"...))
	return err
}

// places returns the column of each channel of g.
func (w *wideRows) places(g *scan.Group) ([]widePlace, error) {
	if cols, ok := w.groups[g]; ok {
		return cols, nil
	}
	cols := make([]widePlace, len(g.Channels))
	for i := range g.Channels {
		c := &g.Channels[i]
		place, ok := w.columns[wideKey{c.ID(), c.Unit}]
		switch {
		case ok:
			cols[i] = widePlace{place, printerOf(c)}
		case w.wanted != nil && !w.wanted[c.ID()]:
			cols[i].column = -1
		default:
			return nil, fmt.Errorf("channel %s in %q is not in the list of groups", c.ID(), c.Unit)
		}
	}
	w.groups[g] = cols
	return cols, nil
}

func (w *wideRows) scan(s *scan.Scan) error {
	cols, err := w.places(s.Group)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(cols, func(c widePlace) bool { return c.column >= 0 }) {
		return nil
	}
	if w.open && !w.joins(s, cols) {
		if err := w.end(); err != nil {
			return err
		}
	}
	for i := range cols {
		place := cols[i].column
		if place < 0 {
			continue
		}
		w.open, w.wallMS, w.segment = true, s.WallMS, s.Segment
		w.cells[place], _ = cols[i].digits.reading(w.cells[place][:0], s, i)
		w.taken[place] = true
	}
	return nil
}

// joins reports whether s belongs into the open row.
func (w *wideRows) joins(s *scan.Scan, cols []widePlace) bool {
	if s.WallMS != w.wallMS || s.Segment != w.segment {
		return false
	}
	for i := range cols {
		if place := cols[i].column; place >= 0 && w.taken[place] {
			return false
		}
	}
	return true
}

// end writes the open row, if there is one.
func (w *wideRows) end() error {
	if !w.open {
		return nil
	}
	row := appendStamp(w.row[:0], w.wallMS)
	for i := range w.cells {
		row = append(append(row, ','), w.cells[i]...)
		w.cells[i] = w.cells[i][:0]
		w.taken[i] = false
	}
	w.row = append(row, "\r\n"...)
	w.open = false
	_, err := w.out.Write(w.row)
	return err
}
