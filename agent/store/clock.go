package store

import (
	"fmt"
)

// earliestMS is 2026-01-01 UTC. A clock that says an earlier time is not set:
// this program is younger. Computers without a battery clock start in 1970, or
// at a date built into their system, until the network tells them the time.
const earliestMS = int64(1_767_225_600_000)

// boot is the start of the computer that this run is of, where it is known, and
// how long after it the monotonic clock began.
type boot struct {
	known   bool
	id      string
	beganMS int64
}

// wrongBy is by how much the labels of a segment are wrong, where the clock of
// this run is set and wall − monotonic time is offsetMS: of a segment of this
// run by its own monotonic clock, of another run under the same start of the
// computer by the time since that.
func (s *Store) wrongBy(i int, offsetMS int64) (shiftMS int64, ok bool) {
	seg := &s.segments[i]
	if i >= s.firstOwn {
		return offsetMS - seg.offsetMS(), true
	}
	ok = s.boot.known && seg.Booted && seg.BootID == s.boot.id
	return offsetMS - s.boot.beganMS - (seg.StartWallMS - seg.BootMS), ok
}

// correctLabels is called when the clock is known to be set: the wall times of
// the earlier segments of this start of the computer that have none that can be
// are wrong by a known amount. Nothing stored is changed. The segment gets a
// later entry with what to add, readers of scans
// add it, and an event says so. mu is held, the new segment is the last one.
func (s *Store) correctLabels(offsetMS int64) {
	for i := range s.segments[:len(s.segments)-1] {
		seg := &s.segments[i]
		if !seg.Untrusted || seg.ShiftMS != 0 {
			continue
		}
		shift, ok := s.wrongBy(i, offsetMS)
		if !ok {
			continue
		}
		seg.ShiftMS = shift
		s.moved(seg.FirstSeq)
		s.segDirty = min(s.segDirty, i)
		s.j.correctSegment(seg)
		s.addEvent(Event{Kind: "clock_set",
			Text: fmt.Sprintf("the clock was not set when recording began at %s by that clock; it was in truth %s, and the times of those readings are corrected by %.3f s",
				stamp(seg.StartWallMS), stamp(seg.StartWallMS+seg.ShiftMS), float64(seg.ShiftMS)/1000),
			Data: map[string]string{"segment": fmt.Sprint(seg.Number), "shift_ms": fmt.Sprint(seg.ShiftMS)}})
	}
}

// moved notes that the labels of scans from seq on were put right after they
// were summarised. mu is held.
func (s *Store) moved(seq uint64) {
	if seq > 0 && (s.movedFrom == 0 || seq < s.movedFrom) {
		s.movedFrom = seq
	}
	s.moves++
}

// LabelsMoved reports whether the wall times of scans were put right after the
// pieces that hold them were made: see Relabel.
func (s *Store) LabelsMoved() bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.movedFrom != 0
}

// offsetMS is wall − monotonic time.
func (s *Segment) offsetMS() int64 { return s.StartWallMS - s.StartMonoMS }

// ClockSet reports whether the wall clock of the newest segment can be right.
func (s *Store) ClockSet() bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	n := len(s.segments)
	return n == 0 || !s.segments[n-1].Untrusted
}

// shifts are what to add to the wall times of scans by segment; nil where
// there is nothing to add. mu is held.
func (s *Store) shifts() map[uint32]int64 {
	var m map[uint32]int64
	for i := range s.segments {
		if s.segments[i].ShiftMS != 0 {
			if m == nil {
				m = map[uint32]int64{}
			}
			m[s.segments[i].Number] = s.segments[i].ShiftMS
		}
	}
	return m
}

// shifted is q as it was labelled in segments whose labels were wrong by shift.
func (q ScanQuery) shifted(shiftMS int64) ScanQuery {
	if q.FromMS != 0 {
		q.FromMS -= shiftMS
	}
	if q.ToMS != 0 {
		q.ToMS -= shiftMS
	}
	return q
}

// segmentAt is the segment of this run to which what is told now belongs by its
// times. It may have waited while a new one began; what was labelled before the
// clock was set belongs to the last one before that. mu is held or the store
// not shared.
func (s *Store) segmentAt(monoMS, wallMS int64) uint32 {
	i := len(s.segments) - 1
	for i > s.firstOwn && s.segments[i].StartMonoMS > monoMS {
		i--
	}
	at := s.segments[i].Number
	if wallMS >= earliestMS {
		return at
	}
	for ; i >= s.firstOwn; i-- {
		if s.segments[i].Untrusted {
			return s.segments[i].Number
		}
	}
	return at
}
