package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// errEnough ends a walk through scans.
var errEnough = errors.New("enough")

// Calibrate hands a Calibrated Summariser the events it asks for. Open does so
// by itself; a reader of a stopped store does it before Restore.
func (s *Store) Calibrate(sum Summariser) error {
	c, ok := sum.(Calibrated)
	if !ok {
		return nil
	}
	wanted, err := s.EventsWhere(0, 0, 0, func(e *Event) bool { return c.Calibrates(e.Kind) })
	if err != nil {
		return fmt.Errorf("read calibrations: %w", err)
	}
	c.Calibrate(wanted)
	return nil
}

// Refold makes every summary whose raw scans are kept anew from raw with next, a new Summariser of the
// kind the store has. What is sealed is folded while Append goes on; the rest,
// with Append waiting. swap is called while it waits and must make the store's
// own Summariser be as next is. On an error nothing has changed.
func (s *Store) Refold(ctx context.Context, next Summariser, swap func()) error {
	if s.readOnly {
		return ErrReadOnly
	}
	return s.refold(ctx, next, foldMark{}, swap)
}

// Relabel brings to its true time what was made of scans before their labels
// were put right, see LabelsMoved: curves at once, and summaries by a new fold,
// as Refold does it, from where the clock was not set yet or else of all.
func (s *Store) Relabel(ctx context.Context, next Summariser, swap func()) error {
	if s.readOnly {
		return ErrReadOnly
	}
	from, err := s.sealMoved()
	if err != nil {
		return fmt.Errorf("put times right: %w", err)
	}
	return s.refold(ctx, next, from, swap)
}

// sealMoved seals what is open, which moves the curves, and returns where a new
// fold can begin.
func (s *Store) sealMoved() (from foldMark, err error) {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if s.closed {
		return from, ErrClosed
	}
	if err := s.seal(); err != nil {
		return from, err
	}
	if s.unset.state != nil && s.movedFrom > s.unset.seq {
		from = s.unset
	}
	return from, s.measure()
}

// foldMark is the Summariser's state after a scan. The zero value is that of a
// new one.
type foldMark struct {
	seq   uint64
	state []byte
}

// markUnset keeps the state in which a run begins whose clock is not set, so
// that a new fold can begin there once it is. The store is not shared yet.
func (s *Store) markUnset() {
	if !s.fold || s.ClockSet() {
		return
	}
	pieces, state := s.o.Summariser.Flush()
	s.pieces, s.state = append(s.pieces, pieces...), state
	s.unset = foldMark{s.last.scan, state}
}

func (s *Store) refold(ctx context.Context, next Summariser, from foldMark, swap func()) error {
	if from.state == nil || next.Restore(from.state) != nil { // its settings have changed
		from = foldMark{}
		if err := next.Restore(nil); err != nil {
			return fmt.Errorf("fold anew: %w", err)
		}
	}
	s.mu.RLock()
	moves := s.moves
	s.mu.RUnlock()
	f := refold{s: s, sum: next, from: from.seq, seq: from.seq}
	if err := f.upTo(ctx, s.SealedSeq()); err != nil {
		return fmt.Errorf("fold anew: %w", err)
	}
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if s.closed {
		return ErrClosed
	}
	if err := f.upTo(ctx, s.SealedSeq()); err != nil {
		return fmt.Errorf("fold anew: %w", err)
	}
	moved := s.movedFrom
	if moves == s.moves && moved > from.seq {
		moved = 0
	}
	if err := f.put(moved); err != nil {
		return fmt.Errorf("fold anew: keep summaries: %w", err)
	}
	s.mu.Lock()
	tail, shifts := s.tail, s.shifts()
	s.movedFrom = moved
	s.pieces, s.state = nil, nil // of scans that are in the tail still
	s.mu.Unlock()
	for i := range tail {
		sc := tail[i]
		sc.WallMS += shifts[sc.Segment]
		next.Step(&sc)
	}
	swap()
	s.fold = true // where Open could not make them
	return nil
}

// refold folds what is sealed and cuts pieces where the hour turns.
type refold struct {
	s      *Store
	sum    Summariser
	from   uint64 // the last scan whose pieces stay
	pieces []Piece
	seq    uint64
}

// put replaces the pieces by the new ones. writeMu is held.
func (f *refold) put(moved uint64) error {
	s := f.s
	_, state := f.sum.Flush()
	err := guard(func() error {
		return s.update(func(tx *bolt.Tx) error {
			kept, err := keptScans(tx)
			if err != nil {
				return err
			}
			kept = kept.after(f.from)
			if err := s.emptyPieces(tx, kept); err != nil {
				return err
			}
			if err := s.putPieces(tx, kept.madeAgain(slices.Clone(f.pieces))); err != nil {
				return err
			}
			if err := putMoved(tx, moved); err != nil {
				return err
			}
			return putSummary(tx, f.seq, state)
		})
	})
	s.lists.drop()
	if errors.Is(err, errUnsettled) && s.summarisedTo(f.seq, state) {
		s.troubled(err) // readers see the new ones; the next seal settles it
		return nil
	}
	return err
}

// summarisedTo reports whether the database shows the summaries' state as saved.
func (s *Store) summarisedTo(seq uint64, state []byte) bool {
	have, upTo, err := s.Summary()
	return err == nil && upTo == seq && bytes.Equal(have, state)
}

func (f *refold) upTo(ctx context.Context, last uint64) error {
	hour, open := int64(0), false
	flush := func() {
		pieces, _ := f.sum.Flush()
		f.pieces, open = append(f.pieces, pieces...), false
	}
	err := f.s.Scans(ScanQuery{FromSeq: f.seq + 1}, func(sc *scan.Scan) error {
		if sc.Seq > last {
			return errEnough
		}
		if h := hourOf(sc.WallMS); open && h != hour {
			flush()
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		f.sum.Step(sc)
		hour, open, f.seq = hourOf(sc.WallMS), true, sc.Seq
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	if open {
		flush()
	}
	f.seq = max(f.seq, last)
	return err
}
