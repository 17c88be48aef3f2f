package store

import (
	"bytes"
	"context"
	"errors"
	"os"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/evidence"
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

func TestEvidenceBreaks(t *testing.T) {
	alone(t)
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

// Whoever owns the machine has its key and can write the log anew: it is sound
// in itself, and a checkpoint kept elsewhere finds it. Likewise an older copy.
func TestKeptCheckpointFindsWhatTheKeyHides(t *testing.T) {
	alone(t)
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
