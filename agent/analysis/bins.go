package analysis

import "encoding/binary"

// bin is time at one value, in half milliseconds, since each pair gives half
// its time to either end.
type bin struct {
	at, halfMS int64
}

// binList is bins in ascending order of at.
type binList []bin

// add gives time to the bin of at. The list is short and sorted.
func (h *binList) add(at, halfMS int64) {
	bins := *h
	lo, hi := 0, len(bins)
	for lo < hi {
		mid := int(uint(lo+hi) >> 1)
		if bins[mid].at < at {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo < len(bins) && bins[lo].at == at {
		bins[lo].halfMS += halfMS
		return
	}
	bins = append(bins, bin{})
	copy(bins[lo+1:], bins[lo:])
	bins[lo] = bin{at, halfMS}
	*h = bins
}

// merge walks both sorted lists side by side.
func (h *binList) merge(more binList) {
	i := 0
	for _, b := range more {
		for i < len(*h) && (*h)[i].at < b.at {
			i++
		}
		if i < len(*h) && (*h)[i].at == b.at {
			(*h)[i].halfMS += b.halfMS
		} else {
			h.add(b.at, b.halfMS)
		}
	}
}

func (h binList) encode(b []byte) []byte {
	b = appendCount(b, len(h))
	last := int64(0)
	for i, n := range h {
		if i == 0 {
			b = appendSigned(b, n.at)
		} else {
			b = binary.AppendUvarint(b, uint64(n.at-last))
		}
		last = n.at
		b = binary.AppendUvarint(b, uint64(n.halfMS))
	}
	return b
}

// decode replaces h by what r reads and reuses its memory.
func (h *binList) decode(r *reader) {
	n := r.count(2)
	*h = (*h)[:0]
	if n == 0 {
		return
	}
	bins := resized(*h, n)
	last := r.signed()
	bins[0] = bin{last, r.atLeastZero()}
	for i := 1; i < n; i++ {
		step, half := uint64(0), uint64(0)
		// most of a piece is bins, and most of them are three bytes
		if b := r.rest(); len(b) > 2 && b[0] < 0x80 && b[1] >= 0x80 && b[2]-1 < 0x7f {
			step, half = uint64(b[0]), uint64(b[1]&0x7f)|uint64(b[2])<<7
			r.at += 3
		} else {
			step, half = uint64(r.atLeastZero()), uint64(r.atLeastZero())
		}
		if step == 0 || last+int64(step) < last {
			r.fail("bins out of order")
			return
		}
		last += int64(step)
		bins[i] = bin{last, int64(half)}
	}
	*h = bins
}
