package store

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// scanAt is a scan of the meter's group.
func scanAt(g *scan.Group, monoMS, wallMS int64) scan.Scan {
	return scan.Scan{Group: g, MonoMS: monoMS, WallMS: wallMS, Values: []int64{monoMS, 0}}
}

// storeOf is a closed store of n scans of the meter, stepMS from each other.
func storeOf(t *testing.T, n, stepMS int64) (dir string) {
	t.Helper()
	dir = t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never, Summariser: &counter{}})
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())[2]
	for i := range n {
		appendAll(t, s, []scan.Scan{scanAt(g, 2000+i*stepMS, startMS+1000+i*stepMS)})
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// flipValue flips a bit in the first value of a bucket, whose inner bucket and
// key wanted says yes to; nil: any.
func flipValue(t *testing.T, dir, bucket string, wanted func(treeValue) bool) {
	t.Helper()
	s, err := newStore(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.dec.Close()
	name := filepath.Join(dir, databaseName)
	tree, err := checkFile(name, s)
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range tree.rest {
		if v.top == bucket && (wanted == nil || wanted(v)) {
			b[v.at+v.n/2] ^= 1
			if err := os.WriteFile(name, b, 0o644); err != nil {
				t.Fatal(err)
			}
			return
		}
	}
	t.Fatalf("no such value in bucket %s", bucket)
}

// stopsAt fails from the n-th change of a name or sync of a directory on, as a
// disk that fills or a kill does. Every one of those that were before is done.
type stopsAt struct {
	FS
	n int
}

var errStopped = errors.New("no space left on device")

func (f *stopsAt) step(do func() error) error {
	if f.n--; f.n < 0 {
		return errStopped
	}
	return do()
}

func (f *stopsAt) Rename(a, b string) error { return f.step(func() error { return f.FS.Rename(a, b) }) }
func (f *stopsAt) SyncDir(d string) error   { return f.step(func() error { return f.FS.SyncDir(d) }) }

func copyDir(t *testing.T, from string) (to string) {
	t.Helper()
	to = t.TempDir()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil && !errors.Is(err, fs.ErrExist) {
		t.Fatal(err)
	}
	return to
}

// A salvage that is stopped in any of its steps costs nothing: the next start
// has all readings, tells of the damage once, and goes on with the numbers.
func TestSalvageStoppedInEachStep(t *testing.T) {
	alone(t)
	dir := storeOf(t, 100, hourMS)
	flipValue(t, dir, bucketCells, nil)
	stopped := 0
	for n := range 12 {
		dir := copyDir(t, dir)
		s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never, FS: &stopsAt{osFS{}, n}})
		if err == nil {
			if err := s.Close(); err != nil {
				t.Logf("step %d: close: %v", n, err)
			}
		} else if stopped++; !errors.Is(err, errStopped) {
			t.Fatalf("step %d: %v", n, err)
		}
		s = openTest(t, dir, Options{})
		if got := len(readAll(t, s, ScanQuery{})); got != 100 || s.LastSeq() != 100 {
			t.Errorf("step %d: %d scans to number %d, want 100", n, got, s.LastSeq())
		}
		if e := damageEvents(t, s); len(e) != 1 || !strings.Contains(e[0], "is kept as store.db.damaged-") {
			t.Errorf("step %d: events %q, want one of the file", n, e)
		}
		if set, _ := filepath.Glob(filepath.Join(dir, databaseName+".*")); len(set) != 1 {
			t.Errorf("step %d: beside the database there are %q, want the damaged one", n, set)
		}
	}
	if stopped < 5 {
		t.Errorf("the salvage was stopped %d times, want once in each of its steps", stopped)
	}
}

// What a salvage lost is told although the journal took nothing after it.
func TestSalvageIsToldThoughTheJournalFails(t *testing.T) {
	dir := storeOf(t, 20, hourMS)
	flipValue(t, dir, bucketCells, nil)
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never, FS: &noCreateFS{osFS{}}})
	if err != nil {
		t.Fatal(err)
	}
	s.stop()
	<-s.done
	s.setDead()
	s.closed = true
	s.j.finish(false)
	if err := s.closeFiles(); err != nil {
		t.Fatal(err)
	}
	for range 2 { // told once and kept
		s = openTest(t, dir, Options{})
		if e := damageEvents(t, s); len(e) != 1 {
			t.Errorf("events %q, want one of the file", e)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// noCreateFS makes no journal file.
type noCreateFS struct{ FS }

func (noCreateFS) Create(string) (File, error) { return nil, errStopped }

// A damaged file set aside later is the one taken back, whatever the clock
// said; and a name is never given twice.
func TestAsideNamesKeepTheirOrder(t *testing.T) {
	dir := t.TempDir()
	s, err := newStore(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.dec.Close()
	name := filepath.Join(dir, databaseName)
	ahead := name + asideMark + "20990101T000000.000Z" // by a clock that was wrong
	for _, n := range []string{name + asideMark + "19700101T000007.000Z", ahead} {
		if err := os.WriteFile(n, []byte("old"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	last, err := s.asideName(name)
	if err != nil || last <= ahead {
		t.Fatalf("name %s, want one behind %s: %v", last, ahead, err)
	}
	if err := os.WriteFile(last, []byte("last"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := s.takeBack(name); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(name); string(b) != "last" {
		t.Errorf("taken back: %q, %v", b, err)
	}
}

// A file of a newer format may look damaged to this program. It is refused and
// left as it is.
func TestNewerFormatIsNotSalvaged(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(tx *bolt.Tx) error
	}{
		{"a longer block key", func(tx *bolt.Tx) error {
			day, err := makeDayBucket(tx, bucketBlocks, 20000)
			if err != nil {
				return err
			}
			return day.Put([]byte("a longer key of format three......."), wrap(nil, typeBlock, []byte("x")))
		}},
		{"a bucket that went", func(tx *bolt.Tx) error { return tx.DeleteBucket([]byte(bucketCells)) }},
		{"a value of another kind", func(tx *bolt.Tx) error {
			return tx.Bucket([]byte(bucketGroups)).Put([]byte("k"), []byte("no envelope"))
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := storeOf(t, 10, 1000)
			name := filepath.Join(dir, databaseName)
			db, err := openDatabase(name, false)
			if err != nil {
				t.Fatal(err)
			}
			err = db.Update(func(tx *bolt.Tx) error {
				return errors.Join(putMetaUint(tx, metaVersion, formatVersion+1), tt.change(tx), sumMeta(tx))
			})
			if err := errors.Join(err, db.Close()); err != nil {
				t.Fatal(err)
			}
			before, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := Open(dir, Options{Clock: newTestClock()}); !errors.Is(err, ErrNewer) {
				t.Errorf("Open: %v, want ErrNewer", err)
			}
			if _, err := OpenReadOnly(dir, Options{}); !errors.Is(err, ErrNewer) {
				t.Errorf("OpenReadOnly: %v, want ErrNewer", err)
			}
			if after, err := os.ReadFile(name); err != nil || !slices.Equal(before, after) {
				t.Errorf("the file was changed: %v", err)
			}
		})
	}
}

// A value that is whole and of a kind that belongs elsewhere is damage in each
// bucket.
func TestValueOfAnotherKindIsDamage(t *testing.T) {
	for _, bucket := range append(allBuckets()[1:], bucketLeaves, bucketTexts) {
		dir := storeOf(t, 4, 1000)
		name := filepath.Join(dir, databaseName)
		db, err := openDatabase(name, false)
		if err != nil {
			t.Fatal(err)
		}
		err = db.Update(func(tx *bolt.Tx) error {
			b, err := tx.CreateBucketIfNotExists([]byte(bucket))
			if err != nil {
				return err
			}
			return b.Put(make([]byte, blockKeyLen), wrap(nil, typeUntold, nil))
		})
		if err := errors.Join(err, db.Close()); err != nil {
			t.Fatal(err)
		}
		s, err := newStore(dir, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := checkFile(name, s); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "type 9") {
			t.Errorf("bucket %s: %v, want ErrDamaged of the type", bucket, err)
		}
		s.dec.Close()
	}
}

// A damaged list of pieces costs the figures of its hour, not those of the
// window; it is told once, and the next start makes it again.
func TestDamagedPiecesAreLeftOutAndMadeAgain(t *testing.T) {
	dir := storeOf(t, 30, hourMS)
	ro, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	before, err := ro.Pieces("comp1", 1, 0)
	if err := errors.Join(err, ro.Close()); err != nil {
		t.Fatal(err)
	}
	s := openTest(t, dir, Options{Summariser: &counter{}})
	// in the file behind the running store: what was read at the start rots
	hour := hourOf(startMS) + 7
	err = s.db.Update(func(tx *bolt.Tx) error {
		b := dayBucket(tx, bucketPieces, dayOf(hour))
		k, v := b.Cursor().Seek(append64(nil, hour))
		bad := slices.Clone(v)
		bad[len(bad)/2] ^= 1
		return b.Put(slices.Clone(k), bad)
	})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		got, err := s.Pieces("comp1", 1, 0)
		if err != nil || len(got) != len(before)-1 {
			t.Fatalf("%d pieces, want %d without the damaged hour's: %v", len(got), len(before)-1, err)
		}
	}
	events := damageEvents(t, s)
	if len(events) != 1 || !strings.HasPrefix(events[0], "the summaries of comp1 from ") {
		t.Fatalf("events %q, want one of the hour", events)
	}
	list, err := s.Events(0, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	want := plainTime(hour * hourMS)
	if i := slices.IndexFunc(list, func(e Event) bool { return e.Kind == "data_damaged" && strings.Contains(e.Text, want) }); i < 0 {
		t.Errorf("no event names %s: %q", want, events)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openTest(t, dir, Options{Summariser: &counter{}})
	after, err := s.Pieces("comp1", 1, 0)
	if err != nil || len(after) != len(before) || scansInPieces(t, s) != 30 {
		t.Errorf("after the next start %d pieces of %d scans, want %d of 30: %v", len(after), scansInPieces(t, s), len(before), err)
	}
}
