package store

import (
	"errors"

	bolt "go.etcd.io/bbolt"
)

// copyBuckets hold each a copy of all groups and segments, without which no
// block can be read. Compaction writes buckets in the order of their names:
// one stands before the blocks, which are most of the file, one among the
// rest and one at its end.
func copyBuckets() []string { return []string{"about", "copy", "spare"} }

const copyKey = "all"

// putCopies renews the copies from the two buckets as the transaction leaves
// them. A copy is their values one after the other, each still in its own
// envelope: a search over the bytes finds them like any other, and a damaged
// place costs the one it lies in. Where a value cannot be read the copies stay
// as they are, since they may be all there is of it.
func putCopies(tx *bolt.Tx) error {
	var body []byte
	for _, name := range []string{bucketGroups, bucketSegments} {
		err := tx.Bucket([]byte(name)).ForEach(func(_, v []byte) error {
			_, _, _, err := open(v)
			body = append(body, v...)
			return err
		})
		if errors.Is(err, ErrDamaged) {
			return nil
		}
		if err != nil {
			return err
		}
	}
	// zeros, so that bbolt gives each a page of its own: what takes less than a
	// quarter of one stands in the page of the bucket above, all three together
	if least := tx.DB().Info().PageSize/4 + 1; len(body) < least {
		body = append(body, make([]byte, least-len(body))...)
	}
	value := wrap(nil, typeCopy, body)
	for _, name := range copyBuckets() {
		b, err := tx.CreateBucketIfNotExists([]byte(name))
		if err == nil {
			err = b.Put([]byte(copyKey), value)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// eachCopied calls fn for the values of a copy, where they begin in it and what
// is in them. It steps over what is damaged.
func eachCopied(value []byte, fn func(at int, typ byte, body []byte)) {
	for at := envelopeSize; at+envelopeSize <= len(value); {
		typ, _, body, err := open(value[at:])
		if err != nil {
			at++
			continue
		}
		fn(at, typ, body)
		at += envelopeSize + len(body)
	}
}

// described are the newest groups and segments of several copies. Those that
// the tree has come before those that were found beside it, which may be of a
// commit that never counted.
type described struct {
	groups   map[uint32]foundGroup
	segments map[uint32]foundSegment
}

type foundGroup struct {
	*groupRecord
	live bool
}

// foundSegment is one of the copies of a segment that a file may hold: it is
// written anew when its first scan comes and when its clock is set.
type foundSegment struct {
	Segment
	live bool // the tree has it
}

// later reports whether a copy was written after another one.
func (f foundSegment) later(old foundSegment) bool {
	switch {
	case f.live != old.live:
		return f.live
	case (f.ShiftMS != 0) != (old.ShiftMS != 0):
		return f.ShiftMS != 0
	}
	return old.FirstSeq == 0
}

func newDescribed() described {
	return described{groups: map[uint32]foundGroup{}, segments: map[uint32]foundSegment{}}
}

// take takes a group or segment if it is later than what is there.
func (d *described) take(typ byte, body []byte, live bool) {
	switch typ {
	case typeGroup:
		if g, err := decodeGroup(body); err == nil {
			d.group(foundGroup{g, live})
		}
	case typeSegment:
		if seg, err := decodeSegment(body); err == nil {
			f := foundSegment{seg, live}
			if old, ok := d.segments[seg.Number]; !ok || f.later(old) {
				d.segments[seg.Number] = f
			}
		}
	}
}

func (d *described) group(f foundGroup) {
	old, ok := d.groups[f.group.ID]
	if !ok || f.live && !old.live || f.live == old.live && f.version > old.version {
		d.groups[f.group.ID] = f
	}
}

// describe reads groups and segments. Where one of the values is damaged the
// copies stand in for it.
func describe(tx *bolt.Tx) (described, error) {
	d := newDescribed()
	var damage error
	for _, name := range []string{bucketGroups, bucketSegments} {
		err := tx.Bucket([]byte(name)).ForEach(func(_, v []byte) error {
			typ, _, body, err := open(v)
			if errors.Is(err, ErrDamaged) {
				damage = err
				return nil
			}
			d.take(typ, body, true)
			return err
		})
		if err != nil {
			return d, err
		}
	}
	if damage == nil {
		return d, nil
	}
	whole := false
	for _, name := range copyBuckets() {
		b := tx.Bucket([]byte(name))
		if b == nil {
			continue
		}
		value := b.Get([]byte(copyKey))
		if _, err := unwrap(value, typeCopy); err == nil {
			whole = true
		}
		eachCopied(value, func(_ int, typ byte, body []byte) { d.take(typ, body, true) })
	}
	if !whole {
		return d, damage
	}
	return d, nil
}
