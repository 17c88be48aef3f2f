package store

import (
	"fmt"
	"maps"
	"slices"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// putEvents stores events, those of one hour in one value.
func (s *Store) putEvents(tx *bolt.Tx, events []Event) error {
	byHour := map[int64][]*Event{}
	for i := range events {
		h := hourOf(events[i].WallMS)
		byHour[h] = append(byHour[h], &events[i])
	}
	for _, hour := range slices.Sorted(maps.Keys(byHour)) {
		list := byHour[hour]
		day, err := makeDayBucket(tx, bucketEvents, dayOf(hour))
		if err != nil {
			return err
		}
		for len(list) > 0 {
			var raw []byte
			first := list[0].Seq
			for len(list) > 0 && len(raw) < packTarget {
				raw = appendEvent(raw, list[0])
				list = list[1:]
			}
			if err := day.Put(packKey(hour, first, ""), wrap(nil, typeEvents, appendList(nil, raw, s.enc))); err != nil {
				return err
			}
		}
	}
	return nil
}

// Events returns the events of the half-open window of wall time, ordered by
// time and number. With a limit above 0 and more events than that, the last
// ones of the window are returned. A zero bound is none.
func (s *Store) Events(fromMS, toMS int64, limit int) ([]Event, error) {
	return s.EventsWhere(fromMS, toMS, limit, func(*Event) bool { return true })
}

// EventsWhere is Events of those that wanted says yes to; the limit counts
// these alone. wanted must not change or keep the event.
func (s *Store) EventsWhere(fromMS, toMS int64, limit int, wanted func(*Event) bool) ([]Event, error) {
	from, to := fromMS, toMS
	if from == 0 {
		from = -maxWallMS
	}
	if to == 0 {
		to = maxWallMS + 1
	}
	s.mu.RLock()
	r := eventReader{s: s, from: from, to: to, wanted: wanted, shifts: s.shifts(), hidden: s.hidden()}
	s.mu.RUnlock()
	var unsealed []Event
	err := s.snapshot(func(tx *bolt.Tx, _ []scan.Scan, events []Event) error {
		unsealed = events
		if err := r.shifted(tx); err != nil {
			return err
		}
		return r.labelled(tx, limit)
	})
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	for i := range r.lost {
		if err := s.tellLoss(&r.lost[i]); err != nil {
			return nil, fmt.Errorf("read events: %w", err)
		}
	}
	for i := range unsealed {
		e := unsealed[i]
		e.Data = maps.Clone(e.Data)
		r.take(e, true)
		r.take(e, false)
	}
	out := r.out
	slices.SortFunc(out, func(a, b Event) int {
		if a.WallMS != b.WallMS {
			return compare(a.WallMS, b.WallMS)
		}
		return compare(a.Seq, b.Seq)
	})
	if limit > 0 && len(out) > limit {
		out = out[len(out)-limit:]
	}
	return out, nil
}

// PiecesBegin is the start of the day that holds the oldest sealed piece, Unix
// ms UTC; ok is false where there is none. Pieces outlive their raw scans.
func (s *Store) PiecesBegin() (ms int64, ok bool, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		if k, _ := tx.Bucket([]byte(bucketPieces)).Cursor().First(); len(k) == 8 {
			ms, ok = get64(k)*dayMS, true
		}
		return nil
	})
	return ms, ok, err
}

func (s *Store) eachEvent(value []byte, fn func(Event)) error {
	body, err := unwrap(value, typeEvents)
	if err != nil {
		return err
	}
	return s.eachInList(body, fn)
}

func (s *Store) eachInList(body []byte, fn func(Event)) error {
	raw, err := readList(body, s.dec)
	if err != nil {
		return err
	}
	for r := (reader{b: raw}); len(r.b) > 0; {
		e := readEvent(&r)
		if r.bad {
			return fmt.Errorf("%w: event", ErrDamaged)
		}
		fn(e)
	}
	return nil
}
