package print

import "loadscribe/agent/report"

// needs are the widths that a table's columns ask for.
type needs struct {
	least []float64   // with every line broken between words
	heads []float64   // of the headings on one line
	cells []float64   // of the widest cell, on one line
	rows  [][]float64 // of each cell, on one line
}

// widestNumber is as wide as a number with its uncertainty and unit is not broken.
const widestNumber = 110

// mostRows are as many rows as are weighed in choosing widths.
const mostRows = 300

func (s style) needs(t *report.Table) needs {
	count := len(t.Columns)
	n := needs{least: make([]float64, count), heads: make([]float64, count), cells: make([]float64, count)}
	for i, c := range t.Columns {
		n.heads[i], n.least[i] = s.strong().widest(report.Text{{Text: c.Head}})
		n.cells[i], _ = s.widest(report.Text{{Text: c.Unit}})
		n.least[i] = max(n.least[i], n.cells[i])
	}
	for k, row := range t.Rows {
		lengths := make([]float64, count)
		for i := range min(len(row), count) {
			all, most := s.widest(row[i])
			n.cells[i], n.least[i] = max(n.cells[i], all), max(n.least[i], most)
			lengths[i] = all
			if t.Columns[i].Number && all < widestNumber {
				n.least[i] = max(n.least[i], all)
			}
		}
		if k < mostRows {
			n.rows = append(n.rows, lengths)
		}
	}
	return n
}

// widths shares out the room by what stands in the columns; their Weight, for who does
// not measure letters, is not asked. Where all fits on one line a table is as
// wide as it need be, and a little more; where not even the least fits, words are broken.
func (n needs) widths(room float64) []float64 {
	out := make([]float64, len(n.least))
	for _, ofHead := range []float64{1, 0.55} { // headings on one line, or on two
		for i := range out {
			out[i] = max(n.cells[i], n.least[i], n.heads[i]*ofHead)
		}
		if whole := sum(out); whole <= room {
			spare := min(room-whole, 26*float64(len(out)-1))
			for i := range out[:len(out)-1] {
				out[i] += spare / float64(len(out)-1)
			}
			return out
		}
	}
	if sum(n.least) > room {
		return squeezed(n.least, room)
	}
	return n.lowest(room)
}

// lowest shares what is left beyond the least a step at a time, each to the column whose
// widening makes the table lower.
func (n needs) lowest(room float64) []float64 {
	out := append([]float64{}, n.least...)
	const steps = 60
	step := (room - sum(out)) / steps
	for range steps {
		best, least := -1, 0.0
		for i := range out {
			if out[i] >= max(n.cells[i], n.heads[i]) {
				continue
			}
			out[i] += step
			if high := n.height(out); best < 0 || high < least {
				best, least = i, high
			}
			out[i] -= step
		}
		if best < 0 {
			break
		}
		out[best] += step
	}
	return out
}

// height is about how high the rows are, in lines: the highest cell's, and a little of
// the others', so that a step is not lost where two cells are as high.
func (n needs) height(widths []float64) (lines float64) {
	for _, row := range n.rows {
		most, all := 0.0, 0.0
		for i, length := range row {
			high := max(1, length/max(widths[i], 1))
			most, all = max(most, high), all+high
		}
		lines += most + all/10
	}
	return lines
}

// squeezed takes from the widest columns first.
func squeezed(least []float64, room float64) []float64 {
	most := room / float64(len(least))
	for range 20 {
		rest, wide := room, 0
		for _, w := range least {
			if w <= most {
				rest -= w
			} else {
				wide++
			}
		}
		if wide == 0 {
			break
		}
		most = rest / float64(wide)
	}
	out := make([]float64, len(least))
	for i, w := range least {
		out[i] = min(w, most)
	}
	return out
}

func sum(all []float64) (s float64) {
	for _, v := range all {
		s += v
	}
	return s
}
