package store

import (
	"fmt"
	"math/bits"
	"slices"

	"loadscribe/agent/scan"
)

// Cells of integer kinds are written in bits, a channel for itself: an hour of
// minutes is too short for a table of how frequent each number is, so their
// numbers are coded as Golomb and Rice have it, in the way that suits each
// column. The sum stands before the values: the mean that follows from it lies
// nearer to last, least and greatest than first does.
const (
	riceBits = 6        // the way of a column
	riceRuns = 1<<6 - 1 // zeros in runs
	riceMost = 57       // greatest number of low bits
	riceOnes = 20       // from here on a number is written in full

	cellTimes = 4 // columns that channels of a group have alike as a rule
)

// putNumber writes a number in twice its length.
func (w *bitWriter) putNumber(u uint64) {
	n := uint(bits.Len64(u))
	w.put64(1<<n-1, n)
	w.put(0, 1)
	if n > 1 {
		w.put64(u&(1<<(n-1)-1), n-1)
	}
}

func (r *bitReader) number() uint64 {
	n := r.ones(65)
	switch {
	case n > 64:
		r.bad = true
		return 0
	case n < 2:
		return uint64(n)
	}
	return 1<<(n-1) | r.take64(n-1)
}

// ones takes ones up to the next zero, and that with them, but at most so many.
func (r *bitReader) ones(most uint) (n uint) {
	for n < most && r.take(1) == 1 {
		n++
	}
	return n
}

// cellWriter writes columns of cells. Its memory is reused.
type cellWriter struct {
	w       bitWriter
	sorted  []int64
	numbers []uint64
	column  []int64
	means   []int64
}

// put writes a column: the way, the middle number, then how far each is off.
func (e *cellWriter) put(v []int64) {
	e.sorted = append(e.sorted[:0], v...)
	slices.Sort(e.sorted)
	middle := e.sorted[len(v)/2]
	e.numbers = e.numbers[:0]
	sum := uint64(0)
	for _, x := range v {
		u := zigzag(x - middle)
		e.numbers = append(e.numbers, u)
		sum += min(u, 1<<riceMost) / uint64(len(v))
	}
	way, best := uint(riceRuns), runsCost(e.numbers)
	length := bits.Len64(sum)
	for k := max(0, length-4); k <= min(riceMost, length+2); k++ {
		if cost := riceCost(e.numbers, uint(k)); cost < best {
			way, best = uint(k), cost
		}
	}
	e.w.put(uint64(way), riceBits)
	e.w.putNumber(zigzag(middle))
	if way == riceRuns {
		e.putRuns()
		return
	}
	for _, u := range e.numbers {
		if q := uint(min(u>>way, riceOnes)); q < riceOnes {
			e.w.put(1<<q-1, q+1)
			e.w.put64(u&(1<<way-1), way)
		} else {
			e.w.put(1<<riceOnes-1, riceOnes)
			e.w.put64(u, 64)
		}
	}
}

func riceCost(numbers []uint64, k uint) (cost int) {
	for _, u := range numbers {
		if q := u >> k; q < riceOnes {
			cost += int(q) + 1 + int(k)
		} else {
			cost += riceOnes + 64
		}
	}
	return cost
}

// eachZeroRun calls fn for each number that is not 0, with the zeros before it,
// and for zeros at the end with the number 0.
func eachZeroRun(numbers []uint64, fn func(zeros, u uint64)) {
	zeros := uint64(0)
	for _, u := range numbers {
		if u == 0 {
			zeros++
			continue
		}
		fn(zeros, u)
		zeros = 0
	}
	if zeros > 0 {
		fn(zeros, 0)
	}
}

func runsCost(numbers []uint64) (cost int) {
	number := func(u uint64) int { n := bits.Len64(u); return n + 1 + max(n-1, 0) }
	eachZeroRun(numbers, func(zeros, u uint64) {
		if cost += number(zeros); u > 0 {
			cost += number(u - 1)
		}
	})
	return cost
}

func (e *cellWriter) putRuns() {
	eachZeroRun(e.numbers, func(zeros, u uint64) {
		if e.w.putNumber(zeros); u > 0 {
			e.w.putNumber(u - 1)
		}
	})
}

// column reads what put wrote, as many numbers as v has.
func (r *bitReader) column(v []int64) bool {
	way, middle := uint(r.take(riceBits)), unzigzag(r.number())
	switch {
	case way == riceRuns:
		for i := 0; i < len(v); i++ {
			zeros := r.number()
			if r.bad || zeros > uint64(len(v)-i) {
				return false
			}
			for ; zeros > 0; zeros-- {
				v[i] = middle
				i++
			}
			if i < len(v) {
				v[i] = middle + unzigzag(r.number()+1)
			}
		}
	case way > riceMost:
		return false
	default:
		for i := range v {
			u := uint64(0)
			if q := r.ones(riceOnes); q < riceOnes {
				u = uint64(q)<<way | r.take64(way)
			} else {
				u = r.take64(64)
			}
			v[i] = middle + unzigzag(u)
		}
	}
	return !r.bad
}

// cellTime is number i of a time column.
func cellTime(cells []rawCell, i, column int, l level, spanStart int64) int64 {
	c := &cells[i]
	switch column {
	case 0:
		if i > 0 {
			spanStart = cells[i-1].startMS + l.stepMS
		}
		return (c.startMS - spanStart) / l.stepMS
	case 1:
		return c.count
	case 2:
		return c.firstMS - c.startMS
	}
	return c.lastMS - c.firstMS
}

// append writes the cells of a channel of an integer kind, at least one.
// before are those of the channel before; a time column that is as there is
// not written again.
func (e *cellWriter) append(dst []byte, cells, before []rawCell, k scan.Kind, l level, spanStart int64) []byte {
	e.w = bitWriter{b: dst}
	column := func(f func(i int) int64) {
		e.column = e.column[:0]
		for i := range cells {
			e.column = append(e.column, f(i))
		}
		e.put(e.column)
	}
	for t := range cellTimes {
		same := len(before) == len(cells)
		for i := 0; i < len(cells) && same; i++ {
			same = cellTime(cells, i, t, l, spanStart) == cellTime(before, i, t, l, spanStart)
		}
		if same {
			e.w.put(1, 1)
			continue
		}
		e.w.put(0, 1)
		column(func(i int) int64 { return cellTime(cells, i, t, l, spanStart) })
	}
	e.sums(cells, k)
	column(func(i int) int64 {
		if i == 0 {
			return cells[i].first - e.means[i]
		}
		return cells[i].first - cells[i-1].last
	})
	column(func(i int) int64 { return cells[i].last - e.means[i] })
	column(func(i int) int64 { return e.means[i] - cells[i].min })
	column(func(i int) int64 { return cells[i].max - e.means[i] })
	return e.w.close()
}

// sums writes the sums and fills means.
func (e *cellWriter) sums(cells []rawCell, k scan.Kind) {
	e.means, e.column = e.means[:0], e.column[:0]
	mean, wide := int64(0), false
	for i := range cells {
		c := &cells[i]
		ph, pl := product(k, c.count, mean)
		lo, borrow := bits.Sub64(c.sumLo, pl, 0)
		wide = wide || c.sumHi-ph-int64(borrow) != int64(lo)>>63
		e.column = append(e.column, int64(lo))
		mean, _ = meanOf(k, c) // a sum of readings has one
		e.means = append(e.means, mean)
	}
	if !wide {
		e.w.put(0, 1)
		e.put(e.column)
		return
	}
	e.w.put(1, 1)
	for i := range cells {
		e.w.put64(cells[i].sumLo, 64)
		e.w.put64(uint64(cells[i].sumHi), 64)
	}
}

// cellBits reads channel after channel of a group.
type cellBits struct {
	times  [cellTimes][]int64 // of the last channel read
	column []int64
}

// readTimes reads the time columns of n cells, which the next channel may need
// even where this one is not wanted.
func (d *cellBits) readTimes(r *bitReader, n int) bool {
	for t := range d.times {
		if r.take(1) == 1 {
			if len(d.times[t]) != n {
				return false
			}
			continue
		}
		d.times[t] = slices.Grow(d.times[t][:0], n)[:n]
		if !r.column(d.times[t]) {
			return false
		}
	}
	return !r.bad
}

// read decodes the cells of a channel, which are all of b, n of them, at least
// one. Unless they are wanted only what the next channel needs is read.
func (d *cellBits) read(b []byte, n int, k scan.Kind, l level, spanStart int64, wanted bool) ([]rawCell, error) {
	damaged := fmt.Errorf("%w: cells", ErrDamaged)
	r := &bitReader{b: b}
	if !d.readTimes(r, n) {
		return nil, damaged
	}
	if !wanted {
		return nil, nil
	}
	cells := make([]rawCell, n)
	at := spanStart
	for i := range cells {
		c := &cells[i]
		c.startMS = at + d.times[0][i]*l.stepMS
		c.count = d.times[1][i]
		c.firstMS = c.startMS + d.times[2][i]
		c.lastMS = c.firstMS + d.times[3][i]
		at = c.startMS + l.stepMS
	}
	if err := inOrder(cells, l, spanStart); err != nil {
		return nil, err
	}
	d.column = slices.Grow(d.column[:0], n)[:n]
	if !d.readSums(r, cells, k) || !d.readValues(r, cells) || len(r.b) != 0 || r.bits != 0 {
		return nil, damaged
	}
	return cells, nil
}

// readSums also puts the means where the least values will stand.
func (d *cellBits) readSums(r *bitReader, cells []rawCell, k scan.Kind) bool {
	wide := r.take(1) == 1
	if !wide && !r.column(d.column) {
		return false
	}
	mean, ok := int64(0), false
	for i := range cells {
		c := &cells[i]
		if wide {
			c.sumLo, c.sumHi = r.take64(64), int64(r.take64(64))
		} else {
			ph, pl := product(k, c.count, mean)
			var carry uint64
			c.sumLo, carry = bits.Add64(uint64(d.column[i]), pl, 0)
			c.sumHi = d.column[i]>>63 + ph + int64(carry)
		}
		if mean, ok = meanOf(k, c); !ok {
			return false
		}
		c.min = mean
	}
	return !r.bad
}

func (d *cellBits) readValues(r *bitReader, cells []rawCell) bool {
	if !r.column(d.column) {
		return false
	}
	for i, v := range d.column {
		cells[i].first = v
	}
	if !r.column(d.column) {
		return false
	}
	before := cells[0].min
	for i, v := range d.column {
		c := &cells[i]
		c.first += before
		c.last = c.min + v
		before = c.last
	}
	if !r.column(d.column) {
		return false
	}
	for i, v := range d.column {
		c := &cells[i]
		c.max = c.min
		c.min -= v
	}
	if !r.column(d.column) {
		return false
	}
	for i, v := range d.column {
		cells[i].max += v
	}
	return true
}
