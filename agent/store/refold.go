package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"

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
	f := refold{s: s, sum: next}
	if err := next.Restore(nil); err != nil {
		return fmt.Errorf("fold anew: %w", err)
	}
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
	_, state := next.Flush()
	err := guard(func() error {
		return s.update(func(tx *bolt.Tx) error {
			kept, err := keptScans(tx)
			if err != nil {
				return err
			}
			if err := s.emptyPieces(tx, kept); err != nil {
				return err
			}
			if err := s.putPieces(tx, kept.madeAgain(f.pieces)); err != nil {
				return err
			}
			return putSummary(tx, f.seq, state)
		})
	})
	if err != nil {
		err = fmt.Errorf("fold anew: keep summaries: %w", err)
		if !errors.Is(err, errUnsettled) || !s.summarisedTo(f.seq, state) {
			return err
		}
		s.troubled(err) // readers see the new ones; the next seal settles it
	}
	s.lists.drop()
	s.mu.RLock()
	tail := s.tail
	s.mu.RUnlock()
	for i := range tail {
		next.Step(&tail[i])
	}
	s.mu.Lock()
	s.pieces, s.state = nil, nil // of scans that are in the tail still
	s.mu.Unlock()
	swap()
	s.fold = true // where Open could not make them
	return nil
}

// summarisedTo reports whether the database shows the summaries' state as saved.
func (s *Store) summarisedTo(seq uint64, state []byte) bool {
	have, upTo, err := s.Summary()
	return err == nil && upTo == seq && bytes.Equal(have, state)
}

// refold folds what is sealed and cuts pieces where the hour turns.
type refold struct {
	s      *Store
	sum    Summariser
	pieces []Piece
	seq    uint64
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
