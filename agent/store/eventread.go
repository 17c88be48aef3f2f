package store

import (
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// eventReader collects the events of a window of true time.
type eventReader struct {
	s        *Store
	from, to int64
	wanted   func(*Event) bool
	shifts   map[uint32]int64 // by segment, what to add to labels
	hidden   map[uint32]bool  // segments of undone imports
	out      []Event
	lost     []loss // lists that cannot be read: the others are
}

// take takes an event if it is of the window, and one whose label is to be put
// right, or is right as it is. In a segment of a clock that was not set, the
// labels of that clock alone are wrong: what was kept before the first scan
// after the setting already has the right one.
func (r *eventReader) take(e Event, shifted bool) {
	if r.hidden[e.Segment] && !toldOfUndone(e.Kind) {
		return
	}
	shift := r.shifts[e.Segment]
	if e.WallMS >= earliestMS {
		shift = 0
	}
	e.WallMS += shift
	if (shift != 0) == shifted && e.WallMS >= r.from && e.WallMS < r.to && r.wanted(&e) {
		r.out = append(r.out, e)
	}
}

// labelled takes the events whose labels are right, the newest first, up to
// limit or some more.
func (r *eventReader) labelled(tx *bolt.Tx, limit int) error {
	before := len(r.out)
	first, last := hourOf(r.from), hourOf(r.to-1)
	return eachDay(tx, bucketEvents, dayOf(first), dayOf(last), true, func(_ int64, b *bolt.Bucket) (bool, error) {
		c := b.Cursor()
		for k, v := c.Last(); k != nil && get64(k) >= first; k, v = c.Prev() {
			if get64(k) > last {
				continue
			}
			if err := r.list(k, v, false); err != nil {
				return false, err
			}
		}
		// days come backwards and whole, so later ones cannot be missing
		return limit <= 0 || len(r.out)-before < limit, nil
	})
}

// shifted takes the events of the window whose labels are put right. They stand
// where the clock was that was not set.
func (r *eventReader) shifted(tx *bolt.Tx) error {
	if len(r.shifts) == 0 {
		return nil
	}
	end := hourOf(earliestMS)
	return eachDay(tx, bucketEvents, dayOf(hourOf(-maxWallMS)), dayOf(end), false, func(_ int64, b *bolt.Bucket) (bool, error) {
		c := b.Cursor()
		for k, v := c.First(); k != nil && get64(k) <= end; k, v = c.Next() {
			if !r.reaches(get64(k) * hourMS) {
				continue
			}
			if err := r.list(k, v, true); err != nil {
				return false, err
			}
		}
		return true, nil
	})
}

// reaches reports whether a shift brings labels of an hour into the window.
func (r *eventReader) reaches(hourBeginMS int64) bool {
	for _, shift := range r.shifts {
		if at := hourBeginMS + shift; at < r.to && at+hourMS > r.from {
			return true
		}
	}
	return false
}

func (r *eventReader) list(key, value []byte, shifted bool) error {
	at := get64(key) * hourMS
	err := r.s.eachEvent(value, func(e Event) { r.take(e, shifted) })
	if errors.Is(err, ErrDamaged) {
		r.lost = append(r.lost, loss{events: true, fromMS: at, toMS: at + hourMS, why: whyDamaged, cause: err.Error()})
		return nil
	}
	if err != nil {
		return fmt.Errorf("events of the hour from %s: %w", stamp(at), err)
	}
	return nil
}
