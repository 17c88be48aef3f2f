package store

import (
	"fmt"

	"loadscribe/agent/scan"
)

// groupRows are a group's decoded columns of one block. The slices are reused
// from block to block.
type groupRows struct {
	id      uint32
	rows    int
	good    int
	time    [timeColumns][]int64 // seq, mono, wall, duration, reason
	values  [][]int64            // a channel; one a good row
	quality [][]int64            // a channel; nil: all good
	ints    []int64              // the memory of all of them

	next     int // row that comes next
	nextGood int // its place among the good rows
}

// timeOnly makes decode leave the channels out; a channel's number makes it
// decode that one only.
const (
	allChannels = -1
	timeOnly    = -2
)

// decode reads a group's columns. keepQuality makes quality columns that are
// all good present, for the hashes.
func (g *groupRows) decode(d *columnDecoder, b *blockHead, h *groupHead, channel int, keepQuality bool) error {
	g.id, g.rows, g.good, g.next, g.nextGood = h.id, h.rows, h.good, 0, 0
	wanted := h.channels
	switch {
	case channel == timeOnly:
		wanted = 0
	case channel >= 0:
		wanted = 1
	}
	need := timeColumns*h.rows + 2*wanted*h.good
	if cap(g.ints) < need {
		g.ints = make([]int64, need)
	}
	free := g.ints[:need]
	cut := func(n int) []int64 {
		s := free[:n:n]
		free = free[n:]
		return s
	}
	for i := range g.time {
		g.time[i] = cut(h.rows)
		if err := d.decode(&h.cols[i], g.time[i]); err != nil {
			return fmt.Errorf("group %d: %w", h.id, err)
		}
	}
	good := 0
	for i := range h.rows {
		g.time[0][i] += int64(b.firstSeq)
		g.time[2][i] += g.time[1][i] // stored as wall − mono
		if scan.Reason(g.time[4][i]) == scan.Good {
			good++
		}
	}
	if good != h.good {
		return fmt.Errorf("group %d: %w: %d good rows announced, %d there", h.id, ErrDamaged, h.good, good)
	}
	g.values, g.quality = resize(g.values, h.channels), resize(g.quality, h.channels)
	for c := range h.channels {
		g.values[c], g.quality[c] = nil, nil
		if channel != allChannels && c != channel {
			continue
		}
		value, quality := &h.cols[timeColumns+2*c], &h.cols[timeColumns+2*c+1]
		g.values[c] = cut(h.good)
		if err := d.decode(value, g.values[c]); err != nil {
			return fmt.Errorf("group %d channel %d: %w", h.id, c, err)
		}
		column := cut(h.good)
		if err := d.decode(quality, column); err != nil {
			return fmt.Errorf("group %d channel %d quality: %w", h.id, c, err)
		}
		if keepQuality || quality.form != formConstant || h.good > 0 && column[0] != int64(scan.Good) {
			g.quality[c] = column
		}
	}
	return nil
}

func resize(s [][]int64, n int) [][]int64 {
	if cap(s) < n {
		return make([][]int64, n)
	}
	return s[:n]
}

// seq is the sequence number of the next row.
func (g *groupRows) seq() uint64 { return uint64(g.time[0][g.next]) }

// rowBuffer is the memory of a scan's slices.
type rowBuffer struct {
	values  []int64
	quality []scan.Reason
}

// take fills s with the next row and goes on. The slices of s live in buf.
func (g *groupRows) take(s *scan.Scan, buf *rowBuffer) {
	i := g.next
	g.next++
	s.Seq, s.MonoMS, s.WallMS = uint64(g.time[0][i]), g.time[1][i], g.time[2][i]
	s.DurationMS, s.Reason = uint32(g.time[3][i]), scan.Reason(g.time[4][i])
	s.Values, s.Quality = nil, nil
	if s.Reason != scan.Good {
		return
	}
	row := g.nextGood
	g.nextGood++
	buf.values = buf.values[:0]
	for c := range g.values {
		buf.values = append(buf.values, g.values[c][row])
		if g.quality[c] == nil || g.quality[c][row] == int64(scan.Good) {
			continue
		}
		if s.Quality == nil {
			buf.quality = buf.quality[:0]
			for range g.values {
				buf.quality = append(buf.quality, scan.Good)
			}
			s.Quality = buf.quality
		}
		s.Quality[c] = scan.Reason(g.quality[c][row])
	}
	s.Values = buf.values
}
