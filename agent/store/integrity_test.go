package store

import (
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// checkIntegrity checks a closed store; see integrity.
func checkIntegrity(t testing.TB, dir string) {
	t.Helper()
	for _, err := range integrity(dir) {
		t.Errorf("integrity: %v", err)
	}
}

// integrity checks a closed store: the database's pages (by bbolt's own
// check), each value's envelope and key, each block's hashes, that each scan
// is there once and in order, that every hole in the numbers was told, that
// the cells are those that follow from the raw scans, and the pieces' order.
func integrity(dir string) (errs []error) {
	fail := func(err error) {
		if err != nil {
			errs = append(errs, err)
		}
	}
	name := filepath.Join(dir, databaseName)
	db, err := bolt.Open(name, 0o644, &bolt.Options{ReadOnly: true, Timeout: time.Second})
	if err != nil {
		return []error{err}
	}
	fail(db.View(func(tx *bolt.Tx) error {
		for err := range tx.Check() {
			fail(fmt.Errorf("page check: %w", err))
		}
		return nil
	}))
	fail(db.Close())
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		return append(errs, err)
	}
	defer s.Close()
	fail(s.view(s.checkBlocks))
	fail(s.checkSequence())
	fail(s.view(s.checkCells))
	fail(s.checkPieces())
	return errs
}

func (s *Store) checkBlocks(tx *bolt.Tx) error {
	refs, err := findBlocks(tx, ScanQuery{}, nil)
	if err != nil {
		return err
	}
	for _, ref := range refs {
		value, err := readBlock(tx, ref)
		if err != nil {
			return err
		}
		h, err := openBlock(value)
		if err == nil {
			err = checkRef(ref, h)
		}
		if err != nil {
			return err
		}
		if _, _, err := decodeLeaf(h, &columnDecoder{dec: s.dec}, nil); err != nil {
			return err
		}
	}
	return nil
}

// checkSequence reads all scans: numbers rise, and where one is left out an
// event tells of damage.
func (s *Store) checkSequence() error {
	events, err := s.Events(0, 0, 0)
	if err != nil {
		return err
	}
	told := slices.ContainsFunc(events, func(e Event) bool { return e.Kind == "data_damaged" || e.Kind == KindImportUndone })
	last := uint64(0)
	err = s.Scans(ScanQuery{}, func(sc *scan.Scan) error {
		if sc.Seq <= last {
			return fmt.Errorf("scan %d after %d", sc.Seq, last)
		}
		if last != 0 && sc.Seq != last+1 && !told {
			return fmt.Errorf("scans %d to %d are missing and nothing tells of it", last+1, sc.Seq-1)
		}
		last = sc.Seq
		return nil
	})
	var lastEvent uint64
	for _, e := range slices.SortedFunc(slices.Values(events), func(a, b Event) int { return compare(a.Seq, b.Seq) }) {
		if e.Seq <= lastEvent {
			err = errors.Join(err, fmt.Errorf("event %d after %d", e.Seq, lastEvent))
		}
		lastEvent = e.Seq
	}
	return err
}

// checkCells makes all cells again from the sealed scans and compares.
func (s *Store) checkCells(tx *bolt.Tx) error {
	type key struct {
		level    byte
		deviceNo uint32
		span     int64
	}
	want := map[key]*pack{}
	refs, err := findBlocks(tx, ScanQuery{}, nil)
	if err != nil {
		return err
	}
	whole := true
	m := merger{dec: columnDecoder{dec: s.dec}, groups: s.groupMap(), shifts: s.shifts()}
	err = m.run(refs, ScanQuery{}, func(r blockRef) ([]byte, error) { return readBlock(tx, r) },
		func(blockRef, error) error { whole = false; return nil },
		func(sc *scan.Scan) error {
			for _, l := range levels {
				k := key{l.number, s.devices[sc.Group.Device], floorTo(sc.WallMS, l.spanMS)}
				if want[k] == nil {
					want[k] = &pack{}
				}
				want[k].addScan(sc, l.stepMS)
			}
			return nil
		})
	if err != nil || !whole {
		return err
	}
	for k, p := range want {
		if k.span < s.rawFromMS {
			continue // the rest of its scans is no longer kept
		}
		l := levels[k.level-1]
		day := dayBucket(tx, bucketCells, dayOf(hourOf(k.span)))
		if day == nil {
			return fmt.Errorf("cells of level %d from %s: no day", l.number, stamp(k.span))
		}
		got, err := s.readCells(day.Get(cellKey(l, k.deviceNo, k.span)), l, k.span, &columnDecoder{dec: s.dec}, everyChannel)
		if err != nil {
			return fmt.Errorf("cells of level %d device %d from %s: %w", l.number, k.deviceNo, stamp(k.span), err)
		}
		if err := sameCells(got, p); err != nil {
			return fmt.Errorf("cells of level %d device %d from %s: %w", l.number, k.deviceNo, stamp(k.span), err)
		}
	}
	return nil
}

// sameCells compares two packs. Sums of floats may differ by the order of
// their additions, and of 0 and −0 either may be the least.
func sameCells(got, want *pack) error {
	for i := range want.groups {
		w := &want.groups[i]
		at := slices.IndexFunc(got.groups, func(g packGroup) bool { return g.id == w.id })
		if at < 0 {
			return fmt.Errorf("group %d is missing", w.id)
		}
		for c := range w.cells {
			g := got.groups[at].cells[c]
			if len(g) != len(w.cells[c]) {
				return fmt.Errorf("group %d channel %d: %d cells, want %d", w.id, c, len(g), len(w.cells[c]))
			}
			for j := range g {
				a, b := g[j], w.cells[c][j]
				if diff := a.sum - b.sum; !(diff > 1e-9*max(a.sum, -a.sum) || diff < -1e-9*max(a.sum, -a.sum)) {
					a.sum = b.sum // near enough, or both not a number
				}
				if k := w.kinds[c]; k.Counts(a.min) == k.Counts(b.min) && k.Counts(a.max) == k.Counts(b.max) {
					a.min, a.max = b.min, b.max
				}
				if !reflect.DeepEqual(a, b) {
					return fmt.Errorf("group %d channel %d: cell %+v, want %+v", w.id, c, a, b)
				}
			}
		}
	}
	return nil
}

// checkPieces reads every list of pieces: those of one key and cell follow
// each other, none reaches behind what is sealed.
func (s *Store) checkPieces() error {
	keys := map[string]bool{}
	err := s.view(func(tx *bolt.Tx) error {
		return tx.Bucket([]byte(bucketPieces)).ForEachBucket(func(day []byte) error {
			return tx.Bucket([]byte(bucketPieces)).Bucket(day).ForEach(func(k, _ []byte) error {
				keys[string(k[20:])] = true
				return nil
			})
		})
	})
	if err != nil {
		return err
	}
	for key := range keys {
		pieces, err := s.Pieces(key, 0, 0)
		if err != nil {
			return err
		}
		slices.SortFunc(pieces, func(a, b Piece) int { return compare(a.FirstSeq, b.FirstSeq) })
		last := uint64(0)
		for _, p := range pieces {
			if p.FirstSeq <= last || p.LastSeq < p.FirstSeq || p.LastSeq > s.SealedSeq() {
				return fmt.Errorf("piece of %s from %s: scans %d to %d after %d, sealed to %d", key, stamp(p.StartMS), p.FirstSeq, p.LastSeq, last, s.SealedSeq())
			}
			last = p.LastSeq
		}
	}
	return nil
}
