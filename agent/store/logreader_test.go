package store

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"testing"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/mod/sumdb/tlog"

	"loadscribe/agent/evidence"
	"loadscribe/agent/scan"
)

// What a bundle needs: each leaf as it was hashed, proofs that lead to the
// checkpoint's root, and readings that follow from canonical bytes alone.
func TestReadLog(t *testing.T) {
	dir, checkpoints := evidenceStore(t)
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	want := readAll(t, s, ScanQuery{})
	var got []scan.Scan
	err = s.ReadLog(context.Background(), func(r *LogReader) error {
		c, err := evidence.ParseCheckpoint(r.Checkpoint())
		if err != nil || c.Size != r.Size() {
			t.Errorf("checkpoint of %d leaves, there are %d: %v", c.Size, r.Size(), err)
		}
		records, segments := r.State()
		groups := map[uint32]*scan.Group{}
		for _, record := range records { // all versions, the highest last
			g, err := DecodeGroup(record)
			if err != nil {
				return err
			}
			groups[g.Group.ID] = g.Group
		}
		for _, record := range segments {
			if _, err := DecodeSegment(record); err != nil {
				t.Errorf("segment: %v", err)
			}
		}
		known := map[int64]tlog.Hash{}
		var last *SealLeaf
		for i := range r.Size() {
			data, err := r.Leaf(i)
			if err != nil {
				return err
			}
			known[i] = evidence.LeafHash(data)
			leaf, err := ReadLeaf(data)
			if err != nil || leaf.Kind != r.Kind(i) {
				t.Errorf("leaf %d of kind %d: %+v, %v", i, r.Kind(i), leaf, err)
			}
			if leaf.Kind == LeafSeal {
				last = leaf.Seal
			}
			if leaf.Kind != LeafBlock {
				continue
			}
			var canonical bytes.Buffer
			if err := r.Canonical(i, &canonical); errors.Is(err, ErrDropped) {
				continue
			} else if err != nil {
				return err
			}
			if err := leaf.Block.Check(canonical.Bytes()); err != nil {
				t.Errorf("leaf %d: %v", i, err)
			}
			for _, at := range []int{0, canonical.Len() / 2, canonical.Len() - 1} {
				bent := slices.Clone(canonical.Bytes())
				bent[at] ^= 1
				if err := leaf.Block.Check(bent); !errors.Is(err, ErrDamaged) {
					t.Errorf("leaf %d, byte %d of its canonical bytes: %v", i, at, err)
				}
			}
			err = leafScans(leaf.Block, canonical.Bytes(), groups, func(sc *scan.Scan) error {
				got = append(got, sc.Clone())
				return nil
			})
			if err != nil {
				return err
			}
		}
		if root, err := evidence.Root(r.Size(), known, nil); err != nil || root != c.Root {
			t.Errorf("root of all leaves: %v, %v; want %v", root, err, c.Root)
		}
		if last.State != StateHash(records, segments) {
			t.Errorf("the last seal's state is not that of the %d groups and %d segments", len(records), len(segments))
		}
		some := map[int64]tlog.Hash{0: known[0], 3: known[3], 17: known[17]}
		proof, err := r.Prove([]int64{0, 3, 17})
		if err != nil {
			return err
		}
		if root, err := evidence.Root(r.Size(), some, proof); err != nil || root != c.Root {
			t.Errorf("root of some leaves: %v, %v; want %v", root, err, c.Root)
		}
		for _, text := range checkpoints {
			old, err := evidence.ParseCheckpoint(text)
			if err != nil {
				return err
			}
			proof, err := r.ProveSince(old.Size)
			if err != nil {
				return err
			}
			if err := evidence.CheckTree(c.Size, c.Root, old.Size, old.Root, proof); err != nil {
				t.Errorf("since %d leaves: %v", old.Size, err)
			}
		}
		if _, err := r.Leaf(r.Size()); !errors.Is(err, ErrUnknown) {
			t.Errorf("a leaf behind the last: %v", err)
		}
		if err := r.Canonical(0, &bytes.Buffer{}); !errors.Is(err, ErrUnknown) {
			t.Errorf("canonical bytes of the first leaf: %v", err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(got, func(a, b scan.Scan) int { return compare(a.Seq, b.Seq) })
	wantScans(t, got, want)
}

// The evidence goes with the store: into a backup of a running and a stopped
// one and through a compaction. A salvage begins it anew and names the old
// head.
func TestEvidenceInCopies(t *testing.T) {
	dir, checkpoints := evidenceStore(t)
	kept := checkpoints[len(checkpoints)-1]
	if _, _, err := Compact(dir, Options{}); err != nil {
		t.Fatal(err)
	}
	if v := verifyDir(t, dir, kept); !v.Sound() {
		t.Errorf("compacted: %+v", v.Breaks)
	}
	killed := t.TempDir()
	if err := os.CopyFS(killed, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	s, err := Open(killed, Options{Clock: newTestClock(), SyncEvery: never})
	if err != nil {
		t.Fatal(err)
	}
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 40, startMS+2*dayMS, 100))
	b, err := s.Backup()
	if err != nil {
		t.Fatal(err)
	}
	running := t.TempDir()
	out, err := os.Create(filepath.Join(running, databaseName))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := out.ReadFrom(b); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(out.Close(), b.Close()); err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, stream(groups, 41, startMS+2*dayMS+200_000, 100))
	if err := letGo(s); err != nil { // the journal has a tail
		t.Fatal(err)
	}
	stopped := t.TempDir()
	if _, err := BackupStopped(killed, filepath.Join(stopped, databaseName), Options{Clock: newTestClock()}); err != nil {
		t.Fatal(err)
	}
	for name, copied := range map[string]string{"backup of a running store": running, "backup of a stopped store": stopped} {
		if v := verifyDir(t, copied, kept); !v.Sound() || v.Unsealed != 0 || v.Readings < 100 {
			t.Errorf("%s: %d readings, %d not sealed, %+v", name, v.Readings, v.Unsealed, v.Breaks)
		}
		if _, err := os.Stat(filepath.Join(copied, keyName)); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s: the key went with it: %v", name, err)
		}
		// put to use, it has a key of its own and says so
		s := openTest(t, copied, Options{})
		if err := s.Seal(); err != nil {
			t.Fatal(err)
		}
		v := wantSound(t, s, kept)
		if len(v.Keys) < 2 {
			t.Errorf("%s: keys %+v", name, v.Keys)
		}
		// each key but the first has its event, also the copy's own
		if n := countKind(t, s, KindEvidenceKey); n != len(v.Keys)-1 {
			t.Errorf("%s: %d events of a new key for %d keys", name, n, len(v.Keys))
		}
	}
}

func TestEvidenceAfterSalvage(t *testing.T) {
	dir, checkpoints := evidenceStore(t)
	kept := checkpoints[len(checkpoints)-1]
	head := verifyDir(t, dir, nil)
	if !rot(t, dir) {
		t.Fatal("nothing to damage")
	}
	s := openTest(t, dir, Options{Summariser: &counter{}})
	if err := s.Seal(); err != nil {
		t.Fatal(err)
	}
	v := wantSound(t, s)
	if v.Began.Old != string(head.Text) || v.Began.Blocks != 8 || v.Began.Events < 8 {
		t.Errorf("began with %+v; want 8 blocks and the head\n%s", v.Began, head.Text)
	}
	v, err := s.VerifyEvidence(context.Background(), VerifyOptions{Kept: kept})
	if err != nil || v.Sound() || !bytes.Contains([]byte(v.Kept.Text), []byte("begun by a salvage")) {
		t.Errorf("against a checkpoint of before: %+v, %v", v.Kept, err)
	}
}

// The key is its owner's alone. Where it is lost another one signs, the log
// names it, and an event says so.
func TestEvidenceKey(t *testing.T) {
	dir, checkpoints := evidenceStore(t)
	name := filepath.Join(dir, keyName)
	info, err := os.Stat(name)
	if err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Fatalf("mode %v, %v", info.Mode(), err)
	}
	for i, spoil := range []func() error{
		func() error { return os.Remove(name) },
		func() error { return os.WriteFile(name, []byte("no key"), 0o600) },
	} {
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		s, err := Open(dir, Options{Clock: newTestClock()})
		if err != nil {
			t.Fatal(err)
		}
		before := s.key.Public()
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if old, err := os.ReadFile(name + unreadSuffix); i == 1 && (err != nil || string(old) != "no key") {
			t.Errorf("the file that could not be read is not kept: %q, %v", old, err)
		}
		v := verifyDir(t, dir, checkpoints[0])
		if !v.Sound() || len(v.Keys) != 2+i || v.Keys[1+i].Fingerprint != evidence.Fingerprint(before) {
			t.Errorf("keys %+v, breaks %+v", v.Keys, v.Breaks)
		}
		s, err = Open(dir, Options{Clock: newTestClock()})
		if err != nil {
			t.Fatal(err)
		}
		if n := countKind(t, s, KindEvidenceKey); n != 1+i || !s.key.Public().Equal(before) {
			t.Errorf("%d events of a new key, want %d", n, 1+i)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A disk that takes no key file costs no reading: the key is in memory, and the
// next seal that can gives it its file.
func TestEvidenceKeyWithoutDisk(t *testing.T) {
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, keyName+newSuffix), 0o755); err != nil { // in the way
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, keyName+newSuffix, "x"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	s := openTest(t, dir, Options{})
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 1, startMS, 30))
	if err := s.Seal(); err != nil {
		t.Fatal(err)
	}
	if v := wantSound(t, s); v.Readings == 0 {
		t.Error("nothing sealed")
	}
	if err := os.RemoveAll(filepath.Join(dir, keyName+newSuffix)); err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, stream(groups, 2, startMS+60_000, 30))
	if err := s.Seal(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, keyName))
	if err != nil {
		t.Fatal(err)
	}
	if k, err := evidence.ParseKey(text); err != nil || !k.Public().Equal(s.key.Public()) {
		t.Errorf("the file holds another key: %v", err)
	}
}

// Verifying beside an agent that records and drops a day meanwhile.
func TestVerifyWhileRecording(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{Summariser: &counter{}})
	groups := register(t, s, testGroups())
	for day := range int64(3) {
		appendAll(t, s, stream(groups, uint64(day), startMS+day*dayMS, 600))
	}
	if err := s.Seal(); err != nil {
		t.Fatal(err)
	}
	dropped := false
	v, err := s.VerifyEvidence(context.Background(), VerifyOptions{Progress: func(done, total int64) {
		if dropped {
			return
		}
		dropped = true
		if _, ok, err := s.DropRawDay(1); !ok || err != nil {
			t.Errorf("drop: %v, %v", ok, err)
		}
		appendAll(t, s, stream(groups, 9, startMS+3*dayMS, 60))
		if err := s.Seal(); err != nil {
			t.Error(err)
		}
	}})
	if err != nil || !v.Sound() || v.Dropped != 2 {
		t.Errorf("%d dropped, %+v, %v", v.Dropped, v.Breaks, err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.VerifyEvidence(ctx, VerifyOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	wantSound(t, s)
}

// What a seal adds to the log is small beside its block.
func TestEvidenceBytes(t *testing.T) {
	alone(t)
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups()[2:])
	appendAll(t, s, stream(groups, 1, startMS, 24*3600))
	if err := s.Seal(); err != nil {
		t.Fatal(err)
	}
	var log, blocks int
	err := s.view(func(tx *bolt.Tx) error {
		blocks = int(s.blockLen)
		return tx.Bucket([]byte(bucketLog)).ForEach(func(k, v []byte) error {
			log += len(k) + len(v)
			return nil
		})
	})
	t.Logf("24 seals: %d bytes of log, %d of blocks", log, blocks)
	// a seal of 60 bytes, a block's place and hash of 45; one head of 800
	if err != nil || log > 24*120+1000 {
		t.Errorf("%d bytes of log for 24 hours: %v", log, err)
	}
}

func FuzzReadLeaf(f *testing.F) {
	f.Add([]byte{LeafSeal})
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := ReadLeaf(data)
		if err != nil {
			return
		}
		// what is read is all there is: the fields give the bytes again, but for
		// numbers written longer than need be
		var again []byte
		switch l.Kind {
		case LeafBegin:
			again = appendBegin(nil, l.Begin)
		case LeafSeal:
			again = appendSeal(nil, l.Seal)
		case LeafDropped:
			again = appendDropped(nil, l.Dropped)
		case LeafEvent:
			again = eventLeaf(l.Event)
		default:
			return
		}
		other, err := ReadLeaf(again)
		if err != nil || !reflect.DeepEqual(l, other) {
			t.Errorf("%x is %+v, written again %x and read %+v: %v", data, l, again, other, err)
		}
	})
}
