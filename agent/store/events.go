package store

import (
	"errors"
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
	var out []Event
	take := func(e Event) {
		if e.WallMS >= from && e.WallMS < to && wanted(&e) {
			out = append(out, e)
		}
	}
	var unsealed []Event
	var lost []loss
	err := s.snapshot(func(tx *bolt.Tx, _ []scan.Scan, events []Event) (err error) {
		unsealed = events
		// days come backwards and whole, so later ones cannot be missing
		lost, err = s.sealedEvents(tx, hourOf(from), hourOf(to-1), take, func() bool { return limit > 0 && len(out) >= limit })
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	for i := range lost {
		if err := s.tellLoss(&lost[i]); err != nil {
			return nil, fmt.Errorf("read events: %w", err)
		}
	}
	for i := range unsealed {
		e := unsealed[i]
		e.Data = maps.Clone(e.Data)
		take(e)
	}
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

// sealedEvents hands the sealed events of the hours fromHour to toHour to take, a
// day at a time and the newest first, until enough says so after a day. Lists
// that cannot be read are returned as lost: the others are read.
func (s *Store) sealedEvents(tx *bolt.Tx, fromHour, toHour int64, take func(Event), enough func() bool) (lost []loss, err error) {
	err = eachDay(tx, bucketEvents, dayOf(fromHour), dayOf(toHour), true, func(_ int64, b *bolt.Bucket) (bool, error) {
		c := b.Cursor()
		for k, v := c.Last(); k != nil; k, v = c.Prev() {
			hour := get64(k)
			if hour < fromHour {
				return false, nil
			}
			if hour > toHour {
				continue
			}
			err := s.eachEvent(v, take)
			if errors.Is(err, ErrDamaged) {
				lost = append(lost, loss{events: true, fromMS: hour * hourMS, toMS: (hour + 1) * hourMS, why: whyDamaged, cause: err.Error()})
			} else if err != nil {
				return false, fmt.Errorf("events of the hour from %s: %w", stamp(hour*hourMS), err)
			}
		}
		return !enough(), nil
	})
	return lost, err
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
