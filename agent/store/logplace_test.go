package store

import (
	"bytes"
	"errors"
	"testing"

	bolt "go.etcd.io/bbolt"
)

// What stands in another place than the log's leaf says, or twice, or is read
// instead of what is logged, is found though nothing that was logged is changed.
func TestEvidenceOfPlaces(t *testing.T) {
	alone(t)
	notes := func(tx *bolt.Tx, fn func(key []byte, list []Event) error) error {
		s, err := newStore(t.TempDir(), Options{})
		if err != nil {
			return err
		}
		defer s.dec.Close()
		type value struct{ key, value []byte }
		var all []value
		err = eachEventValue(tx, func(_, k, v []byte) error {
			all = append(all, value{bytes.Clone(k), bytes.Clone(v)})
			return nil
		})
		for _, v := range all {
			var list []Event
			err = errors.Join(err, s.eachEvent(v.value, func(e Event) { list = append(list, e) }))
			if list[0].Kind == "note" {
				return errors.Join(err, fn(v.key, list))
			}
		}
		return errors.New("no notes")
	}
	put := func(tx *bolt.Tx, hour int64, list []Event) error {
		s, err := newStore(t.TempDir(), Options{})
		if err != nil {
			return err
		}
		defer s.dec.Close()
		var raw []byte
		for i := range list {
			raw = appendEvent(raw, &list[i])
		}
		day, err := makeDayBucket(tx, bucketEvents, dayOf(hour))
		if err != nil {
			return err
		}
		return day.Put(packKey(hour, list[0].Seq, ""), wrap(nil, typeEvents, appendList(nil, raw, s.enc)))
	}
	for _, tt := range []struct {
		name   string
		change func(tx *bolt.Tx) error
		what   string
	}{
		{"an event with the number of another", func(tx *bolt.Tx) error {
			return notes(tx, func(_ []byte, list []Event) error {
				e := list[0]
				e.Text, e.WallMS = "all was in order", e.WallMS-3*hourMS // read before the true one, which is the second then
				return put(tx, hourOf(e.WallMS), []Event{e})
			})
		}, BreakEventChanged},
		{"an event behind the true one", func(tx *bolt.Tx) error {
			return notes(tx, func(_ []byte, list []Event) error {
				e := list[0]
				e.Text, e.WallMS = "all was in order", e.WallMS+3*hourMS
				return put(tx, hourOf(e.WallMS), []Event{e})
			})
		}, BreakEventAdded},
		{"events kept under another day", func(tx *bolt.Tx) error {
			return notes(tx, func(key []byte, list []Event) error {
				day := dayBucket(tx, bucketEvents, dayOf(get64(key)))
				return errors.Join(day.Delete(key), put(tx, get64(key)+72, list))
			})
		}, BreakEventMoved},
		{"a block under a second day", func(tx *bolt.Tx) error {
			b, ref := firstBlock(tx)
			value := bytes.Clone(b.Get(ref.key()))
			day, err := makeDayBucket(tx, bucketBlocks, dayOf(ref.hour)-1)
			if err != nil {
				return err
			}
			return day.Put(ref.key(), value)
		}, BreakBlockAdded},
		{"a site file deleted", func(tx *bolt.Tx) error { return tx.DeleteBucket([]byte(bucketTexts)) }, BreakTextMissing},
		{"a scale in the copies, and the record damaged", func(tx *bolt.Tx) error {
			b := tx.Bucket([]byte(bucketGroups))
			var last []byte
			err := b.ForEach(func(k, _ []byte) error { last = bytes.Clone(k); return nil })
			value := bytes.Clone(b.Get(last))
			_, _, body, oerr := open(value)
			if err = errors.Join(err, oerr); err != nil {
				return err
			}
			g, err := decodeGroup(bytes.Clone(body))
			if err != nil {
				return err
			}
			g.version++
			g.group.Channels[0].Scale = 0.5
			for _, name := range copyBuckets() {
				c := tx.Bucket([]byte(name))
				var all []byte
				eachCopied(c.Get([]byte(copyKey)), func(_ int, typ byte, body []byte) { all = append(all, wrap(nil, typ, body)...) })
				all = append(all, wrap(nil, typeGroup, appendGroup(nil, g))...)
				if err := c.Put([]byte(copyKey), wrap(nil, typeCopy, all)); err != nil {
					return err
				}
			}
			value[len(value)-1] ^= 1
			return b.Put(last, value)
		}, BreakState},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir, checkpoints := evidenceStore(t)
			edit(t, dir, tt.change)
			v := verifyDir(t, dir, checkpoints[len(checkpoints)-1])
			if v.Sound() || v.Breaks[0].What != tt.what || !v.Kept.Holds {
				t.Errorf("got %+v; want %s", v.Breaks, tt.what)
			}
		})
	}
}
