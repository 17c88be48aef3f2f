package store

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/evidence"
	"loadscribe/agent/scan"
)

// evidenceStore records two days with events, a new scale, a step of the clock
// and a day dropped, and returns the checkpoints that it had on the way. It is
// closed.
func evidenceStore(t testing.TB) (dir string, checkpoints [][]byte) {
	t.Helper()
	dir = t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never, Summariser: &counter{}})
	if err != nil {
		t.Fatal(err)
	}
	mark := func() {
		if err := s.Seal(); err != nil {
			t.Fatal(err)
		}
		e, err := s.Evidence()
		if err != nil {
			t.Fatal(err)
		}
		checkpoints = append(checkpoints, e.Text)
	}
	text, err := s.PutText([]byte("[site]\nname = \"Joinery\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.AppendEvent(Event{Kind: "config_changed", WallMS: startMS, Text: "site.toml", Data: map[string]string{"file": "site.toml", "after": text}}); err != nil {
		t.Fatal(err)
	}
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 31, startMS+50*minuteMS, 1200))
	mark()
	for _, text := range []string{"oil changed", "filter changed"} {
		if _, err := s.AppendEvent(Event{Kind: "note", WallMS: startMS + 80*minuteMS, Subject: "controller", Text: text, Data: map[string]string{"by": "R. Vale"}}); err != nil {
			t.Fatal(err)
		}
	}
	mark()
	appendAll(t, s, stream(groups, 32, startMS+dayMS, 900))
	stepped := stream(groups, 33, startMS+dayMS+20*minuteMS, 600)
	for i := range stepped {
		stepped[i].MonoMS -= 30_000
	}
	appendAll(t, s, stepped)
	scaled := testGroups()
	scaled[0].Channels[0].Scale = 0.01
	register(t, s, scaled)
	mark()
	if d, ok, err := s.DropRawDay(0); !ok || err != nil {
		t.Fatal(d, ok, err)
	}
	mark()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, checkpoints
}

// verifyDir verifies a store that no agent runs on.
func verifyDir(t testing.TB, dir string, kept []byte) Verdict {
	t.Helper()
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	v, err := s.VerifyEvidence(context.Background(), VerifyOptions{Kept: kept})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Every checkpoint of a store's life holds to its end, and the log says what
// there is.
func TestEvidence(t *testing.T) {
	dir, checkpoints := evidenceStore(t)
	for i, kept := range checkpoints {
		v := verifyDir(t, dir, kept)
		if !v.Sound() || v.Kept == nil || !v.Kept.Holds {
			t.Errorf("checkpoint %d: %+v, %+v", i, v.Kept, v.Breaks)
		}
	}
	v := verifyDir(t, dir, nil)
	if v.Blocks != 4 || v.Dropped != 4 || v.Events != 9 || len(v.Keys) != 1 || v.Kept != nil || v.Unsealed != 0 {
		t.Errorf("%d blocks, %d dropped, %d events, keys %v; want 4, 4, 9, 1 key", v.Blocks, v.Dropped, v.Events, v.Keys)
	}
	c := v.Checkpoint
	if c.Size != v.Leaves || c.FromMS < startMS+50*minuteMS || c.FromMS > startMS+50*minuteMS+1000 || c.ToMS < startMS+dayMS+29*minuteMS {
		t.Errorf("checkpoint %s", v.Text)
	}
	checkIntegrity(t, dir)
}

// edit changes a closed store's database as somebody with a tool would who
// knows the format: checksums are made right again.
func edit(t *testing.T, dir string, fn func(tx *bolt.Tx) error) {
	t.Helper()
	db, err := bolt.Open(filepath.Join(dir, databaseName), 0o644, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bolt.Tx) error { return errors.Join(fn(tx), sumMeta(tx)) })
	if err = errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
}

// firstBlock is the first block that is kept.
func firstBlock(tx *bolt.Tx) (b *bolt.Bucket, ref blockRef) {
	refs, err := allBlocks(tx)
	if err != nil || len(refs) == 0 {
		panic("no blocks")
	}
	return dayBucket(tx, bucketBlocks, dayOf(refs[0].hour)), refs[0]
}

// alterBlock encodes the first block anew with one value changed, its hashes
// right again.
func alterBlock(t *testing.T, tx *bolt.Tx) error {
	b, ref := firstBlock(tx)
	_, dec := testEncoder(t)
	d, err := describe(tx)
	if err != nil {
		return err
	}
	groups := map[uint32]*scan.Group{}
	for id, g := range d.groups {
		groups[id] = g.group
	}
	scans, err := decodeBlock(dec, b.Get(ref.key()), groups)
	if err != nil {
		return err
	}
	var rows []*scan.Scan
	for i := range scans {
		rows = append(rows, &scans[i])
	}
	rows[5].Values[0]++
	var enc blockEncoder
	return b.Put(ref.key(), enc.encode(nil, ref.deviceNo, ref.hour, rows))
}

func alterEvents(t *testing.T, tx *bolt.Tx, change func([]Event) []Event) error {
	s, err := newStore(t.TempDir(), Options{})
	if err != nil {
		return err
	}
	defer s.dec.Close()
	top := tx.Bucket([]byte(bucketEvents))
	day, _ := top.Cursor().First()
	b := top.Bucket(day)
	c := b.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		var list []Event
		if err := s.eachEvent(v, func(e Event) { list = append(list, e) }); err != nil {
			return err
		}
		if !strings.HasPrefix(list[0].Kind, "note") {
			continue
		}
		var raw []byte
		for _, e := range change(list) {
			raw = appendEvent(raw, &e)
		}
		return b.Put(bytes.Clone(k), wrap(nil, typeEvents, appendList(nil, raw, s.enc)))
	}
	return errors.New("no notes")
}

func TestEvidenceBreaks(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(t *testing.T, tx *bolt.Tx) error
		what   string
		device string
		fromMS int64
	}{
		{"a value of a block", alterBlock, BreakBlockChanged, "controller", startMS + dayMS},
		{"a value, and the hash in the log", func(t *testing.T, tx *bolt.Tx) error {
			_, ref := firstBlock(tx)
			before, err := leafHashOf(tx, ref)
			if err != nil {
				return err
			}
			if err := alterBlock(t, tx); err != nil {
				return err
			}
			after, err := leafHashOf(tx, ref)
			if err != nil {
				return err
			}
			return alterLog(tx, func(body []byte) { copy(body[bytes.Index(body, before[:]):], after[:]) }, before[:])
		}, BreakRoot, "", 0},
		{"a block dropped", func(t *testing.T, tx *bolt.Tx) error {
			b, ref := firstBlock(tx)
			return b.Delete(ref.key())
		}, BreakBlockMissing, "controller", startMS + dayMS},
		{"a block added", func(t *testing.T, tx *bolt.Tx) error {
			b, ref := firstBlock(tx)
			value := bytes.Clone(b.Get(ref.key()))
			ref.firstSeq, ref.lastSeq = ref.firstSeq+100_000, ref.lastSeq+100_000
			return b.Put(ref.key(), value)
		}, BreakBlockAdded, "controller", startMS + dayMS},
		{"a damaged block that the log has not", func(t *testing.T, tx *bolt.Tx) error {
			b, ref := firstBlock(tx)
			value := bytes.Clone(b.Get(ref.key()))
			value[len(value)-3] ^= 4
			ref.firstSeq, ref.lastSeq = ref.firstSeq+100_000, ref.lastSeq+100_000
			return b.Put(ref.key(), value)
		}, BreakBlockDamaged, "controller", startMS + dayMS},
		{"a bit of a block", func(t *testing.T, tx *bolt.Tx) error {
			b, ref := firstBlock(tx)
			value := bytes.Clone(b.Get(ref.key()))
			value[len(value)-3] ^= 4
			return b.Put(ref.key(), value)
		}, BreakBlockDamaged, "controller", startMS + dayMS},
		{"the hashes of a dropped day", func(t *testing.T, tx *bolt.Tx) error {
			b := tx.Bucket([]byte(bucketLeaves))
			k, _ := b.Cursor().First()
			return b.Delete(bytes.Clone(k))
		}, BreakLeafMissing, "controller", startMS},
		{"an event's text", func(t *testing.T, tx *bolt.Tx) error {
			return alterEvents(t, tx, func(l []Event) []Event { l[0].Text = "nothing changed"; return l })
		}, BreakEventChanged, "controller", startMS + 80*minuteMS},
		{"an event dropped", func(t *testing.T, tx *bolt.Tx) error {
			return alterEvents(t, tx, func(l []Event) []Event { return l[1:] })
		}, BreakEventMissing, "", 0},
		{"an event added", func(t *testing.T, tx *bolt.Tx) error {
			return alterEvents(t, tx, func(l []Event) []Event {
				e := l[0]
				e.Seq = 99
				return append(l, e)
			})
		}, BreakEventAdded, "controller", startMS + 80*minuteMS},
		{"a scale", func(t *testing.T, tx *bolt.Tx) error {
			b := tx.Bucket([]byte(bucketGroups))
			k, v := b.Cursor().First()
			_, _, body, err := open(v)
			if err != nil {
				return err
			}
			g, err := decodeGroup(body)
			if err != nil {
				return err
			}
			g.group.Channels[0].Scale = 0.2
			return errors.Join(b.Put(bytes.Clone(k), wrap(nil, typeGroup, appendGroup(nil, g))), putCopies(tx))
		}, BreakState, "", 0},
		{"a correction of the clock", func(t *testing.T, tx *bolt.Tx) error {
			b := tx.Bucket([]byte(bucketSegments))
			k, v := b.Cursor().First()
			_, _, body, err := open(v)
			if err != nil {
				return err
			}
			seg, err := decodeSegment(body)
			if err != nil {
				return err
			}
			seg.Untrusted, seg.ShiftMS = true, hourMS
			return errors.Join(b.Put(bytes.Clone(k), wrap(nil, typeSegment, appendSegment(nil, &seg))), putCopies(tx))
		}, BreakState, "", 0},
		{"a site file", func(t *testing.T, tx *bolt.Tx) error {
			b := tx.Bucket([]byte(bucketTexts))
			k, _ := b.Cursor().First()
			enc, _, err := newCoders()
			if err != nil {
				return err
			}
			return b.Put(bytes.Clone(k), wrap(nil, typeText, appendList(nil, []byte("[site]\nname = \"Other\"\n"), enc)))
		}, BreakText, "", 0},
		{"the checkpoint's size", func(t *testing.T, tx *bolt.Tx) error {
			return alterHead(tx, func(h *logHead) { h.text = bytes.Replace(h.text, []byte("\n28\n"), []byte("\n29\n"), 1) })
		}, BreakCheckpoint, "", 0},
		// the event of the last seal stands there still
		{"the log cut back", cutBack, BreakEventAdded, "", startMS},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir, checkpoints := evidenceStore(t)
			edit(t, dir, func(tx *bolt.Tx) error { return tt.change(t, tx) })
			for _, kept := range [][]byte{nil, checkpoints[1]} {
				v := verifyDir(t, dir, kept)
				if v.Sound() || v.Breaks[0].What != tt.what || v.Breaks[0].Device != tt.device || v.Breaks[0].FromMS != tt.fromMS {
					t.Errorf("got %+v; want first %s of %q at %s", v.Breaks, tt.what, tt.device, stamp(tt.fromMS))
				}
			}
		})
	}
}

func leafHashOf(tx *bolt.Tx, ref blockRef) ([32]byte, error) {
	h, err := openBlock(dayBucket(tx, bucketBlocks, dayOf(ref.hour)).Get(ref.key()))
	if err != nil {
		return [32]byte{}, err
	}
	return evidence.LeafHash(blockLeaf(h)), nil
}

// alterLog changes the value of the log that holds some bytes.
func alterLog(tx *bolt.Tx, change func(body []byte), holds []byte) error {
	b := tx.Bucket([]byte(bucketLog))
	c := b.Cursor()
	for k, v := c.First(); len(k) == 8; k, v = c.Next() {
		if i := bytes.Index(v, holds); i >= 0 {
			body := bytes.Clone(v[envelopeSize:])
			change(body)
			return b.Put(bytes.Clone(k), wrap(nil, typeLog, body))
		}
	}
	return errors.New("the log does not hold it")
}

func alterHead(tx *bolt.Tx, change func(*logHead)) error {
	head, err := readLogHead(tx)
	if err != nil {
		return err
	}
	change(head)
	return tx.Bucket([]byte(bucketLog)).Put([]byte(logHeadKey), head.encode())
}

// cutBack takes the last seal off the log, and its head with it, but has no key
// to sign with.
func cutBack(_ *testing.T, tx *bolt.Tx) error {
	b := tx.Bucket([]byte(bucketLog))
	var leaves []*logLeaf
	var body []byte
	err := eachLogValue(b, func(_ int64, value []byte) error {
		body = bytes.Clone(value[envelopeSize:])
		return eachLogLeaf(body, func(l *logLeaf) error { leaves = append(leaves, l); return nil })
	})
	if err != nil {
		return err
	}
	last := len(leaves) - 1
	for leaves[last].kind != LeafSeal {
		last--
	}
	at := bytes.LastIndex(body, leaves[last].data)
	k, _ := lastLogValue(b)
	if err := b.Put(bytes.Clone(k), wrap(nil, typeLog, body[:at-1])); err != nil {
		return err
	}
	cut := &logHead{}
	for _, l := range leaves[:last] {
		cut.add(l.hash)
	}
	return alterHead(tx, func(h *logHead) { h.size, h.frontier = cut.size, cut.frontier })
}

// Whoever owns the machine has its key and can write the log anew: it is sound
// in itself, and a checkpoint kept elsewhere finds it. Likewise an older copy.
func TestKeptCheckpointFindsWhatTheKeyHides(t *testing.T) {
	dir, checkpoints := evidenceStore(t)
	older := t.TempDir()
	if err := os.CopyFS(older, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	edit(t, dir, func(tx *bolt.Tx) error {
		return errors.Join(alterBlock(t, tx), tx.DeleteBucket([]byte(bucketLog)))
	})
	s, err := Open(dir, Options{Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if v := verifyDir(t, dir, nil); !v.Sound() || len(v.Keys) != 1 {
		t.Errorf("written anew with the machine's own key: %+v", v.Breaks)
	}
	for i, kept := range checkpoints {
		v := verifyDir(t, dir, kept)
		if v.Sound() || v.Kept.Holds || v.Breaks[0].What != BreakKept || v.Breaks[0].Text != v.Kept.Text {
			t.Errorf("checkpoint %d: %+v", i, v.Kept)
		}
	}
	// the older copy, while the store went on
	s, err = Open(older, Options{Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	replay := t.TempDir()
	if err := os.CopyFS(replay, os.DirFS(older)); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	now := verifyDir(t, older, checkpoints[len(checkpoints)-1])
	if !now.Sound() {
		t.Errorf("gone on: %+v", now.Breaks)
	}
	v := verifyDir(t, replay, now.Text)
	if v.Sound() || !strings.Contains(v.Breaks[0].Text, "it was cut back, or this is an older copy") {
		t.Errorf("an older copy: %+v", v.Breaks)
	}
	// that of another store
	other, theirs := evidenceStore(t)
	if v := verifyDir(t, other, checkpoints[0]); v.Sound() || !strings.Contains(v.Kept.Text, "of another store") {
		t.Errorf("the checkpoint of another store: %+v", v.Kept)
	}
	ro, err := OpenReadOnly(other, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer ro.Close()
	if _, err := ro.VerifyEvidence(context.Background(), VerifyOptions{Kept: theirs[0][1:]}); !errors.Is(err, evidence.ErrCheckpoint) {
		t.Errorf("a text that is no checkpoint: %v", err)
	}
}
