package store

import "slices"

// rawCells puts the values of all sources in time order, a gap between two
// that are further apart than gapMS.
func rawCells(sources []source, gapMS int64) []Cell {
	all := sources[0].raw // as a rule the only one
	for i := range sources[1:] {
		all = append(all, sources[1+i].raw...)
	}
	byTime := func(a, b Cell) int { return compare(a.StartMS, b.StartMS) }
	if !slices.IsSortedFunc(all, byTime) {
		slices.SortStableFunc(all, byTime)
	}
	out := make([]Cell, 0, len(all)+len(all)/16)
	for i, c := range all {
		if i > 0 && c.StartMS-all[i-1].StartMS > gapMS {
			out = append(out, Cell{StartMS: all[i-1].StartMS + gapMS/3}) // a period later
		}
		out = append(out, c)
	}
	return out
}

// stepCells merges the sources' cells and leaves out empty cells that are no
// gap.
func stepCells(s *Series, sources []source, gapMS int64) []Cell {
	out := make([]Cell, 0, len(sources[0].cells))
	lastMS := s.FromMS
	pending := 0 // empty cells since the last with values
	for i := range sources[0].cells {
		cell := Cell{StartMS: s.FromMS + int64(i)*s.StepMS}
		for j := range sources {
			c := sources[j].cells[i].cell(&sources[j].channel)
			mergeCell(&cell, &c)
		}
		if cell.Count == 0 {
			pending++
			out = append(out, cell)
			continue
		}
		if cell.FirstMS-lastMS <= gapMS {
			out = out[:len(out)-pending]
		}
		pending, lastMS = 0, cell.LastMS
		out = append(out, cell)
	}
	if s.ToMS-lastMS <= gapMS {
		out = out[:len(out)-pending]
	}
	return out
}

// mergeCell merges cells of two layouts of one channel.
func mergeCell(c, o *Cell) {
	if o.Count == 0 {
		return
	}
	if c.Count == 0 {
		start := c.StartMS
		*c = *o
		c.StartMS = start
		return
	}
	if o.FirstMS < c.FirstMS {
		c.FirstMS, c.First = o.FirstMS, o.First
	}
	if o.LastMS >= c.LastMS {
		c.LastMS, c.Last = o.LastMS, o.Last
	}
	c.Min, c.Max = min(c.Min, o.Min), max(c.Max, o.Max)
	c.Sum += o.Sum
	c.Count += o.Count
}
