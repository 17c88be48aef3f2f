package store

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"time"
)

// loss is a stretch of readings that cannot be read any more, or is not there.
type loss struct {
	device       string // empty: it cannot be told
	fromMS, toMS int64  // wall time; equal: not known
	first, last  uint64 // sequence numbers; 0: not known
	events       bool   // events, not readings
	summaries    bool   // pieces of the key device, not readings
	why          string
}

// event tells of a loss.
func (l *loss) event() Event {
	e := Event{Kind: "data_damaged", Subject: l.device, Data: map[string]string{}}
	of := "readings"
	if l.events {
		of = "events"
	}
	switch {
	case l.summaries:
		of = "the summaries of " + l.device
	case l.device != "":
		of = "the readings of " + l.device
	}
	when := ""
	if l.fromMS != 0 && l.fromMS < l.toMS {
		iso := func(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }
		e.Data["from"], e.Data["to"] = iso(l.fromMS), iso(l.toMS)
		when = fmt.Sprintf(" from %s to %s", stamp(l.fromMS), stamp(l.toMS))
	} else if l.toMS != 0 {
		e.Data["to"] = time.UnixMilli(l.toMS).UTC().Format(time.RFC3339)
		when = " before " + stamp(l.toMS)
	}
	numbers := ""
	if l.first > 0 {
		e.Data["first_seq"], e.Data["last_seq"] = fmt.Sprint(l.first), fmt.Sprint(l.last)
		numbers = fmt.Sprintf(" (numbers %d to %d)", l.first, l.last)
	}
	e.Text = fmt.Sprintf("%s%s are lost%s: %s", of, when, numbers, l.why)
	return e
}

// seqSet is a set of sequence numbers, a bit each.
type seqSet struct {
	chunks map[uint64]*[seqChunk / 64]uint64
}

const seqChunk = 4096

func (s *seqSet) add(seq uint64) {
	if s.chunks == nil {
		s.chunks = map[uint64]*[seqChunk / 64]uint64{}
	}
	c := s.chunks[seq/seqChunk]
	if c == nil {
		c = new([seqChunk / 64]uint64)
		s.chunks[seq/seqChunk] = c
	}
	c[seq%seqChunk/64] |= 1 << (seq % 64)
}

// before reports whether a number comes before all of the set that are above
// known; known 0 is not known, and then it does.
func (s *seqSet) before(seq, known uint64) bool {
	if known == 0 || seq <= known {
		return true
	}
	for k, c := range s.chunks { // not by number: a damaged one may be huge
		if k < known/seqChunk || k > seq/seqChunk {
			continue
		}
		for i := range uint64(seqChunk) {
			if have := k*seqChunk + i; have > known && have <= seq && c[i/64]>>(i%64)&1 != 0 {
				return false
			}
		}
	}
	return true
}

// holes are the numbers between the least and the greatest that are missing,
// as ranges.
func (s *seqSet) holes() (out [][2]uint64) {
	keys := make([]uint64, 0, len(s.chunks))
	for k := range s.chunks {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	last := uint64(0)
	for _, k := range keys {
		for i, word := range s.chunks[k] {
			for ; word != 0; word &= word - 1 {
				seq := k*seqChunk + uint64(i)*64 + uint64(bits.TrailingZeros64(word))
				if last != 0 && seq != last+1 {
					out = append(out, [2]uint64{last + 1, seq - 1})
				}
				last = seq
			}
		}
	}
	return out
}

// lostFrom says what a salvage could not save: blocks that the damaged file's
// tree knew, and holes in the numbers of what was found.
func (s *Store) lostFrom(found []foundBlock, refs []blockRef, have *seqSet) (out []loss) {
	name := func(no uint32) string {
		for device, n := range s.devices {
			if n == no {
				return device
			}
		}
		return fmt.Sprintf("device number %d", no)
	}
	saved := map[blockRef]bool{}
	for _, b := range found {
		saved[b.ref()] = true
	}
	var gone []blockRef
	for _, r := range refs {
		if !saved[r] {
			gone = append(gone, r)
			out = append(out, loss{device: name(r.deviceNo), fromMS: r.hour * hourMS, toMS: (r.hour + 1) * hourMS,
				first: r.firstSeq, last: r.lastSeq, why: "the block of that hour is damaged"})
		}
	}
	// one loss for all holes of an hour
	type cluster struct {
		first, last  uint64
		fromMS, toMS int64
	}
	var clusters []cluster
	for _, h := range have.holes() {
		if slices.ContainsFunc(gone, func(r blockRef) bool { return r.firstSeq <= h[0] && h[1] <= r.lastSeq }) {
			continue
		}
		from, to := around(found, h[0], h[1])
		if n := len(clusters); n > 0 && from < clusters[n-1].toMS {
			c := &clusters[n-1]
			c.last, c.toMS = h[1], max(c.toMS, to)
			continue
		}
		clusters = append(clusters, cluster{h[0], h[1], from, to})
	}
	for _, c := range clusters {
		var missing []string
		for device, no := range s.devices {
			if !slices.ContainsFunc(found, func(b foundBlock) bool {
				return b.head.deviceNo == no && b.head.firstSeq <= c.last && b.head.lastSeq >= c.first
			}) {
				missing = append(missing, device)
			}
		}
		if len(missing) == 0 {
			for device := range s.devices {
				missing = append(missing, device)
			}
		}
		slices.Sort(missing)
		out = append(out, loss{device: strings.Join(missing, ", "), fromMS: c.fromMS, toMS: c.toMS, first: c.first, last: c.last,
			why: "no block with them was found in the damaged file"})
	}
	return out
}

// around is the wall time in which the scans first to last were: that of the
// blocks they lie in, or else between the blocks before and after.
func around(found []foundBlock, first, last uint64) (fromMS, toMS int64) {
	var beforeMS, afterMS int64
	for _, b := range found { // in the order of their first numbers
		h := b.head
		switch {
		case h.lastSeq < first:
			beforeMS = max(beforeMS, h.maxWallMS)
		case h.firstSeq > last:
			if afterMS == 0 || h.minWall < afterMS {
				afterMS = h.minWall
			}
		default:
			if fromMS == 0 || h.minWall < fromMS {
				fromMS = h.minWall
			}
			toMS = max(toMS, h.maxWallMS)
		}
	}
	if fromMS == 0 {
		fromMS = beforeMS
	}
	if toMS == 0 || afterMS > toMS && beforeMS == fromMS {
		toMS = afterMS
	}
	return fromMS, max(toMS, fromMS+1)
}
