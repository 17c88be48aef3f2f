package store

import (
	"cmp"
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"time"
)

// loss is a stretch of readings that cannot be read any more, or is not there.
type loss struct {
	device       string   // empty: it cannot be told, devices are those that may be meant
	devices      []string //
	fromMS, toMS int64    // wall time; equal: not known
	first, last  uint64   // sequence numbers; 0: not known
	events       bool     // events, not readings
	summaries    bool     // pieces of the key device, not readings
	why          string   // for people
	cause        string   // for who mends the program; may be empty
}

// event tells of a loss.
func (l *loss) event() Event {
	e := Event{Kind: "data_damaged", Subject: l.device, Data: map[string]string{}}
	iso := func(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }
	of := "readings"
	switch {
	case l.events:
		of = "events"
	case l.summaries:
		of = "the summaries of " + l.device
	case l.device != "":
		of = "the readings of " + l.device
	case len(l.devices) > 0:
		of = "readings of one or more devices"
		e.Data["devices"] = strings.Join(l.devices, ", ")
	}
	when := ""
	if l.fromMS != 0 && l.fromMS < l.toMS {
		e.Data["from"], e.Data["to"] = iso(l.fromMS), iso(l.toMS)
		when = fmt.Sprintf(" from %s to %s UTC", plainTime(l.fromMS), plainTime(l.toMS+999))
	} else if l.toMS != 0 {
		e.Data["to"] = iso(l.toMS)
		when = " before " + plainTime(l.toMS+999) + " UTC"
	}
	if l.first > 0 {
		e.Data["first_seq"], e.Data["last_seq"] = fmt.Sprint(l.first), fmt.Sprint(l.last)
	}
	if l.cause != "" {
		e.Data["cause"] = l.cause
	}
	e.Text = fmt.Sprintf("%s%s are lost: %s", of, when, l.why)
	return e
}

// plainTime is a wall time for people, without seconds where there are none.
func plainTime(ms int64) string {
	t := time.UnixMilli(ms).UTC()
	if t.Second() == 0 {
		return t.Format("2006-01-02 15:04")
	}
	return t.Format("2006-01-02 15:04:05")
}

// mergeLosses makes one loss of those of a device that follow each other.
func mergeLosses(all []loss) (out []loss) {
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b loss) int {
		return cmp.Or(strings.Compare(a.device, b.device), strings.Compare(a.why, b.why), cmp.Compare(a.fromMS, b.fromMS))
	})
	for _, l := range all {
		if n := len(out); n > 0 && l.fromMS != 0 && l.fromMS < l.toMS {
			if o := &out[n-1]; o.device == l.device && o.why == l.why && o.events == l.events && o.summaries == l.summaries &&
				o.fromMS < o.toMS && l.fromMS <= o.toMS && slices.Equal(o.devices, l.devices) {
				o.toMS, o.first, o.last = max(o.toMS, l.toMS), min(o.first, l.first), max(o.last, l.last)
				continue
			}
		}
		out = append(out, l)
	}
	return out
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

// whyDamaged is the reason of most losses in a database.
const whyDamaged = "that part of store.db is damaged"

// lostFrom says what a salvage could not save: blocks that the damaged file's
// tree knew, those that were found and cannot be read, and holes in the
// numbers of the others.
func (s *Store) lostFrom(found *findings, have *seqSet) []loss {
	out := slices.Clone(found.unread)
	saved, unread := map[blockRef]bool{}, map[uint64]bool{}
	for i := range out {
		unread[out[i].first] = true
	}
	var readable []foundBlock
	for _, b := range found.blocks {
		saved[b.ref()] = true
		if !unread[b.head.firstSeq] {
			readable = append(readable, b)
		}
	}
	for _, r := range found.tree.refs {
		if !saved[r] {
			out = append(out, loss{device: s.deviceName(r.deviceNo), fromMS: r.hour * hourMS, toMS: (r.hour + 1) * hourMS,
				first: r.firstSeq, last: r.lastSeq, why: whyDamaged})
		}
	}
	for _, c := range holeSpans(readable, have, append(s.undone(), out...)) {
		l := loss{fromMS: c.fromMS, toMS: c.toMS, first: c.first, last: c.last, why: whyDamaged}
		var missing []string
		for device, no := range s.devices {
			l.devices = append(l.devices, device)
			if !slices.ContainsFunc(readable, func(b foundBlock) bool {
				return b.head.deviceNo == no && b.head.firstSeq <= c.last && b.head.lastSeq >= c.first
			}) {
				missing = append(missing, device)
			}
		}
		slices.Sort(l.devices)
		if len(missing) == 0 {
			out = append(out, l)
		}
		l.devices = nil
		for _, l.device = range missing {
			out = append(out, l)
		}
	}
	return mergeLosses(out)
}

func (s *Store) deviceName(no uint32) string {
	for device, n := range s.devices {
		if n == no {
			return device
		}
	}
	return fmt.Sprintf("device %d", no)
}

// holeSpans are the holes in the numbers that no known loss explains, those of
// an hour together.
func holeSpans(found []foundBlock, have *seqSet, known []loss) (spans []loss) {
	known = slices.Clone(known)
	slices.SortFunc(known, func(a, b loss) int { return compare(a.first, b.first) })
	var covered []loss // without overlap
	for _, k := range known {
		if n := len(covered); n > 0 && k.first <= covered[n-1].last+1 {
			covered[n-1].last = max(covered[n-1].last, k.last)
			continue
		}
		covered = append(covered, k)
	}
	for _, h := range have.holes() {
		if slices.ContainsFunc(covered, func(c loss) bool { return c.first <= h[0] && h[1] <= c.last }) {
			continue
		}
		from, to := around(found, h[0], h[1])
		if n := len(spans); n > 0 && from < spans[n-1].toMS {
			c := &spans[n-1]
			c.last, c.toMS = h[1], max(c.toMS, to)
			continue
		}
		spans = append(spans, loss{first: h[0], last: h[1], fromMS: from, toMS: to})
	}
	return spans
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
