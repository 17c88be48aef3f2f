package store

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
)

// findings are the values that a search of a damaged file's bytes found.
type findings struct {
	described
	blocks []foundBlock
	events map[uint64]Event
	texts  map[string][]byte // by content
	unread []loss            // blocks that were found and cannot be decoded

	tree    *fileCheck // what the tree knows
	journal journalled // what the journal has
}

type foundBlock struct {
	head  *blockHead // its columns are dropped
	at    int64
	value int64 // length
	live  bool  // the tree has it
}

func (b *foundBlock) ref() blockRef {
	return blockRef{b.head.hour, b.head.deviceNo, b.head.firstSeq, b.head.lastSeq}
}

// salvage puts what can be read of a damaged database into a new one, which
// then takes its name; the damaged file is kept under another. It does not
// trust the damaged file's tree: each value carries its own mark, length and
// checksum, so it is found by a search over the bytes. Cells are made again
// from the blocks, pieces by the Summariser. What the tree knows helps to say
// what is lost.
//
// Until the new file is whole and safe the damaged one stands in its place. A
// cut before that leaves all as it was, one between the two renamings a
// damaged file set aside and none in its place: see takeBack.
func (s *Store) salvage(name string, tree *fileCheck, why error) (notes []Event, err error) {
	s.closeDamaged()
	s.forget()
	aside, err := s.asideName(name)
	if err != nil {
		return nil, fmt.Errorf("salvage %s: %w", name, err)
	}
	s.log.Error("the database is damaged; what can be read is saved into a new one", "why", why, "kept as", aside)
	if notes, err = s.fillNew(name, aside, tree, why); err != nil {
		s.closeDamaged()
		if rerr := removeIfThere(name + newSuffix); rerr != nil {
			s.log.Warn("remove unfinished database", "error", rerr)
		}
		return nil, fmt.Errorf("salvage %s: %w", name, err)
	}
	for _, step := range []func() error{
		func() error { return s.o.FS.SyncDir(s.dir) },
		func() error { return s.o.FS.Rename(name, aside) },
		func() error { return s.o.FS.SyncDir(s.dir) }, // or the new one might take the name before
		func() error { return s.o.FS.Rename(name+newSuffix, name) },
		func() error { return s.o.FS.SyncDir(s.dir) },
	} {
		if err := step(); err != nil {
			return nil, fmt.Errorf("salvage %s: put the new database in its place: %w", name, err)
		}
	}
	s.forget() // from here on as any start
	if s.db, err = s.openDatabase(name, false); err != nil {
		return nil, err
	}
	return notes, guard(func() error { return s.db.View(s.load) })
}

func (s *Store) closeDamaged() {
	if s.db == nil {
		return
	}
	if err := guard(s.db.Close); err != nil {
		s.log.Warn("close damaged database", "error", err)
	}
	s.db = nil
}

// forget drops what was read of a database.
func (s *Store) forget() {
	s.groups, s.devices, s.segments = map[uint32]*groupRecord{}, map[string]uint32{}, nil
	s.rawFromMS, s.cellsMS, s.oldestMS, s.newestMS = 0, 0, 0, 0
	s.sealed, s.last, s.blocks, s.blockLen, s.segDirty = marks{}, marks{}, 0, 0, 0
	s.failed = failures{}
}

// fillNew makes the new database, whole and safe, under a temporary name.
func (s *Store) fillNew(name, aside string, tree *fileCheck, why error) (notes []Event, err error) {
	if err := s.makeDatabase(name + newSuffix); err != nil {
		return nil, err
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	found, err := s.search(f, tree)
	if err != nil {
		return nil, err
	}
	if s.db, err = s.openDatabase(name+newSuffix, false); err != nil {
		return nil, err
	}
	var have seqSet
	if err := s.refill(f, found, &have); err != nil {
		return nil, err
	}
	notes = []Event{{Kind: "data_damaged",
		Text: fmt.Sprintf("store.db was damaged and is kept as %s; what can be read of it is in a new one", filepath.Base(aside)),
		Data: map[string]string{"file": filepath.Base(aside), "cause": why.Error(),
			"blocks": fmt.Sprint(len(found.blocks) - len(found.unread)), "events": fmt.Sprint(len(found.events))}}}
	for _, l := range s.lostFrom(found, &have) {
		notes = append(notes, l.event())
	}
	if err := s.keepRest(f, found, notes); err != nil {
		return nil, err
	}
	err = s.db.Sync()
	if cerr := s.db.Close(); err == nil {
		err = cerr
	}
	s.db = nil
	return notes, err
}

// search finds every intact value in a file. Free pages hold what is no more,
// or never was: blocks of a seal that a power cut stopped, whose scans may have
// been lost and their numbers given anew. So what the tree has comes before
// what it has not, and of what it says is not sealed nothing is taken from
// where the journal goes on.
func (s *Store) search(f io.ReaderAt, tree *fileCheck) (*findings, error) {
	found := &findings{described: newDescribed(), events: map[uint64]Event{}, texts: map[string][]byte{}, tree: tree}
	var err error
	if found.journal, err = readNumbers(s.o.FS, filepath.Join(s.dir, journalDir)); err != nil {
		return nil, err
	}
	for _, g := range found.journal.groups {
		found.group(foundGroup{g, true})
	}
	const window = 4 << 20
	buf := make([]byte, window+len(envelopeMagic)-1)
	for base := int64(0); ; base += window {
		n, err := readAround(f, buf, base)
		for at := 0; ; at++ {
			i := bytes.Index(buf[at:n], []byte(envelopeMagic))
			if i < 0 || at+i >= window {
				break
			}
			at += i
			s.foundAt(f, base+int64(at), found)
		}
		if err != nil {
			break
		}
	}
	found.blocks = withoutOverlap(found.blocks)
	return found, nil
}

// readAround fills buf from a file, with zeros where the device gives an
// error. The only error it returns is io.EOF.
func readAround(f io.ReaderAt, buf []byte, at int64) (n int, err error) {
	n, err = f.ReadAt(buf, at)
	if err == nil || errors.Is(err, io.EOF) {
		return n, err
	}
	const piece = 4096
	for n = 0; n < len(buf); n += piece {
		part := buf[n:min(n+piece, len(buf))]
		clear(part)
		if m, err := f.ReadAt(part, at+int64(n)); errors.Is(err, io.EOF) {
			return n + m, io.EOF
		}
	}
	return len(buf), nil
}

// foundAt takes the value at an offset if it is whole.
func (s *Store) foundAt(f io.ReaderAt, at int64, found *findings) {
	value, err := readEnvelope(f, at)
	if err != nil {
		return
	}
	typ, version, body, err := open(value)
	if err != nil {
		return
	}
	switch typ {
	case typeGroup, typeSegment:
		found.take(typ, body, found.tree.live[at])
	case typeEvents:
		// one that fails here passed its checksum: nothing more can be done
		_ = s.eachEvent(value, func(e Event) { found.event(e, at) })
	case typeText:
		if text, err := readList(body, s.dec); err == nil {
			found.texts[string(text)] = text
		}
	case typeBlock:
		if h, err := readBlockHead(version, body); err == nil {
			h.groups = nil
			b := foundBlock{h, at, int64(len(value)), found.tree.live[at]}
			if b.live || found.tree.keeps(h.hour) && found.journal.scans.before(h.lastSeq, found.tree.metas.scan) {
				found.blocks = append(found.blocks, b)
			}
		}
	}
}

func (found *findings) event(e Event, at int64) {
	_, have := found.events[e.Seq]
	if found.tree.live[at] || !have && found.journal.events.before(e.Seq, found.tree.metas.event) {
		found.events[e.Seq] = e
	}
}

func readEnvelope(f io.ReaderAt, at int64) ([]byte, error) {
	head := make([]byte, envelopeSize)
	if _, err := f.ReadAt(head, at); err != nil {
		return nil, err
	}
	n := int64(head[6]) | int64(head[7])<<8 | int64(head[8])<<16 | int64(head[9])<<24
	if n > maxEnvelope {
		return nil, ErrDamaged
	}
	value := make([]byte, envelopeSize+n)
	_, err := f.ReadAt(value, at)
	if errors.Is(err, io.EOF) && n < 1<<20 {
		err = nil // the last value may end with the file; open checks
	}
	return value, err
}

// withoutOverlap drops blocks that another one of the device covers, those of
// the tree last.
func withoutOverlap(blocks []foundBlock) []foundBlock {
	slices.SortStableFunc(blocks, func(a, b foundBlock) int {
		switch {
		case a.live != b.live && a.live:
			return -1
		case a.live != b.live:
			return 1
		}
		return compare(b.head.lastSeq-b.head.firstSeq, a.head.lastSeq-a.head.firstSeq) // the longer one first
	})
	taken := map[uint32][]foundBlock{} // a device's, by first number
	for _, b := range blocks {
		list := taken[b.head.deviceNo]
		i, same := slices.BinarySearchFunc(list, b.head.firstSeq, func(have foundBlock, seq uint64) int {
			return compare(have.head.firstSeq, seq)
		})
		if same || i > 0 && list[i-1].head.lastSeq >= b.head.firstSeq || i < len(list) && list[i].head.firstSeq <= b.head.lastSeq {
			continue
		}
		taken[b.head.deviceNo] = slices.Insert(list, i, b)
	}
	var out []foundBlock
	for _, list := range taken {
		out = append(out, list...)
	}
	slices.SortFunc(out, func(a, b foundBlock) int {
		if a.head.firstSeq != b.head.firstSeq {
			return compare(a.head.firstSeq, b.head.firstSeq)
		}
		return compare(uint64(a.head.deviceNo), uint64(b.head.deviceNo))
	})
	return out
}
