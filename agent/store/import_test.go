package store

import (
	"errors"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"loadscribe/agent/scan"
)

// importInto imports scans, in segments of n scans (0: one), as an import does.
// Nothing is taken where give is false.
func importInto(t testing.TB, dir string, scans []scan.Scan, n int, give bool) (segments []uint32) {
	t.Helper()
	segments, err := tryImport(dir, scans, n, give)
	if err != nil {
		t.Fatal(err)
	}
	return segments
}

func tryImport(dir string, scans []scan.Scan, n int, give bool) (segments []uint32, err error) {
	x, err := OpenSide(dir, Options{})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, x.Close()) }()
	clock := &testClock{mono: 7000, wall: scans[len(scans)-1].WallMS + 3600_000}
	s, err := Open(x.Dir(), Options{Clock: clock, Summariser: &counter{}, Import: &Importing{FromMS: scans[0].WallMS}, SyncEvery: never})
	if err != nil {
		return nil, err
	}
	err = fillImport(s, scans, n)
	for _, seg := range s.Segments() {
		if seg.Why == WhyImport {
			segments = append(segments, seg.Number)
		}
	}
	if err = errors.Join(err, s.Close()); err != nil || !give {
		return segments, err
	}
	return segments, x.Take()
}

func fillImport(s *Store, scans []scan.Scan, n int) error {
	groups, err := s.Register(testGroups())
	if err != nil {
		return err
	}
	for i := range scans {
		sc := scans[i].Clone()
		sc.MonoMS = sc.WallMS
		sc.Group = groups[slices.IndexFunc(groups, func(g *scan.Group) bool { return g.Device == sc.Group.Device && g.Name == sc.Group.Name })]
		if n > 0 && i > 0 && i%n == 0 {
			if err := s.BeginImported(sc.WallMS); err != nil {
				return err
			}
		}
		if err := s.Append([]scan.Scan{sc}); err != nil {
			return err
		}
		if i%1000 == 500 { // of the imported readings: hidden once they are gone
			if _, err := s.AppendEvent(Event{Kind: "fault", WallMS: sc.WallMS, MonoMS: sc.MonoMS, Text: "imported"}); err != nil {
				return err
			}
		}
	}
	_, err = s.AppendEvent(Event{Kind: KindImport, Text: "imported"})
	return err
}

// recordedBefore is a stopped store of two hours, with what a reader sees.
func recordedBefore(t *testing.T) (dir string, all everything) {
	t.Helper()
	dir = t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), Summariser: &counter{}})
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, stream(register(t, s, testGroups()), 3, startMS, 2*3600))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, readDir(t, dir)
}

func readDir(t *testing.T, dir string) everything {
	t.Helper()
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	return readEverything(t, s)
}

// imported are scans of a year later.
func imported(seconds int) []scan.Scan {
	return stream(testGroups(), 4, startMS+366*dayMS+1800_000, seconds)
}

// TestImportAndUndo: an import stands behind what was recorded, recording goes
// on behind it, and undoing it leaves the rest as if it had not been there.
// The integrity check makes all cells and pieces anew and compares.
func TestImportAndUndo(t *testing.T) {
	alone(t)
	dir, before := recordedBefore(t)
	scans := imported(2 * 3600)
	segments := importInto(t, dir, scans, len(scans)/2+7, true)
	checkIntegrity(t, dir)
	if len(segments) != 2 {
		t.Fatalf("segments %v, want two", segments)
	}
	after := readDir(t, dir)
	if n := len(before.Scans); len(after.Scans) != n+len(scans) || !reflect.DeepEqual(after.Scans[:n], before.Scans) {
		t.Fatalf("%d scans after an import of %d into %d", len(after.Scans), len(scans), n)
	}
	for i, sc := range after.Scans[len(before.Scans):] {
		if sc.WallMS != scans[i].WallMS || sc.MonoMS != sc.WallMS || !slices.Equal(sc.Values, scans[i].Values) {
			t.Fatalf("imported scan %d is %+v, want %+v", i, sc, scans[i])
		}
	}
	if seg := after.Segments[len(after.Segments)-1]; seg.Why != WhyImport || seg.Untrusted {
		t.Errorf("segment %+v", seg)
	}

	s, err := Open(dir, Options{Clock: &testClock{mono: 50, wall: startMS + 400*dayMS}, Summariser: &counter{}})
	if err != nil {
		t.Fatal(err)
	}
	later := stream(register(t, s, testGroups()), 5, startMS+400*dayMS, 3600)
	appendAll(t, s, later)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	checkIntegrity(t, dir)

	head := verifyDir(t, dir, nil)
	if !head.Sound() {
		t.Errorf("the evidence of the import: %+v", head.Breaks)
	}
	if n := undo(t, dir, segments); n != uint64(len(scans)) {
		t.Errorf("%d scans undone, want %d", n, len(scans))
	}
	checkIntegrity(t, dir)
	if v := verifyDir(t, dir, head.Text); !v.Sound() || v.Dropped == 0 || len(v.Keys) != 1 {
		t.Errorf("the evidence of the undone import: %d dropped, keys %v, %+v", v.Dropped, v.Keys, v.Breaks)
	}
	left := readDir(t, dir)
	if n := len(before.Scans); len(left.Scans) != n+len(later) || !reflect.DeepEqual(left.Scans[:n], before.Scans) {
		t.Fatalf("%d scans are left of %d and %d", len(left.Scans), n, len(later))
	}
	for _, e := range left.Events {
		if e.Text == "imported" && e.Kind != KindImport {
			t.Errorf("an event of the undone readings is told: %+v", e)
		}
	}
	if got := slices.ContainsFunc(left.Events, func(e Event) bool { return e.Kind == KindImport }); !got {
		t.Error("the import itself is no longer told of")
	}
	// the summaries' state is as if the import had never been
	s, err = OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	state, _, err := s.Summary()
	if want := (&counter{total: uint64(len(left.Scans))}); err != nil {
		t.Error(err)
	} else if _, bytes := want.Flush(); !slices.Equal(state, bytes) {
		t.Errorf("summary state %x, want that of %d scans", state, len(left.Scans))
	}
}

// undo undoes an import as the command does: two openings of one Side.
func undo(t *testing.T, dir string, segments []uint32) (n uint64) {
	t.Helper()
	x, err := OpenSide(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := x.Close(); err != nil {
			t.Error(err)
		}
	}()
	s, err := Open(x.Dir(), Options{Clock: newTestClock(), Import: &Importing{}})
	if err != nil {
		t.Fatal(err)
	}
	n, err = s.DropImported(segments)
	if err := errors.Join(err, s.Close()); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(x.Dir(), Options{Clock: newTestClock(), Summariser: &counter{}, Import: &Importing{}}); err != nil {
		t.Fatal(err)
	}
	_, err = s.AppendEvent(Event{Kind: KindImportUndone})
	if err := errors.Join(err, s.Close(), x.Take()); err != nil {
		t.Fatal(err)
	}
	return n
}

// noRename is a disk on which no name can be changed.
type noRename struct{ osFS }

func (noRename) Rename(string, string) error { return errInjected }

// An import that is given up, or that cannot begin, changes no byte.
func TestImportGivenUp(t *testing.T) {
	alone(t)
	dir, _ := recordedBefore(t)
	want := directory(t, dir)
	same := func(what string) {
		t.Helper()
		if got := directory(t, dir); !maps.Equal(got, want) {
			t.Errorf("%s: the directory has changed: %v, was %v", what, slices.Sorted(maps.Keys(got)), slices.Sorted(maps.Keys(want)))
		}
	}
	importInto(t, dir, imported(600), 0, false)
	same("given up")

	lock, err := lockDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := OpenSide(dir, Options{}); !errors.Is(err, ErrLocked) {
		t.Errorf("beside a running agent: %v, want ErrLocked", err)
	}
	if err := lock.release(); err != nil {
		t.Fatal(err)
	}
	same("locked")

	x, err := OpenSide(dir, Options{FS: noRename{}})
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(x.Dir(), Options{Import: &Importing{FromMS: startMS + 9*dayMS}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := x.Take(); err == nil {
		t.Error("a renaming that fails is no error")
	}
	if err := x.Close(); err != nil {
		t.Fatal(err)
	}
	same("not renamed")

	if !rot(t, dir) { // a byte anywhere may be one that nothing uses
		t.Fatal("nothing to damage")
	}
	want = directory(t, dir)
	if _, err := tryImport(dir, imported(600), 0, true); !errors.Is(err, ErrDamaged) {
		t.Errorf("into a damaged store: %v, want ErrDamaged", err)
	}
	same("damaged")
}

// A new directory is not there, or is a whole store.
func TestImportIntoNew(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "b")
	importInto(t, dir, imported(600), 0, false)
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("given up, and the directory is there: %v", err)
	}
	scans := imported(3000)
	importInto(t, dir, scans, 0, true)
	checkIntegrity(t, dir)
	if got := readDir(t, dir); len(got.Scans) != len(scans) {
		t.Errorf("%d scans, want %d", len(got.Scans), len(scans))
	}
	s := openTest(t, dir, Options{})
	if events := damageEvents(t, s); len(events) != 0 {
		t.Errorf("damage is told of: %q", events)
	}
}

// Retention has taken the raw readings beside an import: what the curves show
// there cannot be told apart, and nothing is undone.
func TestUndoRefusedAfterRetention(t *testing.T) {
	dir, _ := recordedBefore(t)
	segments := importInto(t, dir, imported(600), 0, true)
	s, err := Open(dir, Options{Clock: &testClock{mono: 50, wall: startMS + 400*dayMS}, Summariser: &counter{}})
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, stream(register(t, s, testGroups()), 5, startMS+400*dayMS, 600))
	if err := s.Seal(); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, ok := drop(t, s, 0); !ok {
			t.Fatal("no day was dropped")
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	x, err := OpenSide(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer x.Close()
	if s, err = Open(x.Dir(), Options{Import: &Importing{}}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if n, err := s.DropImported(segments); err == nil || n > 0 {
		t.Errorf("%d scans undone that retention had taken (%v)", n, err)
	}
	if _, err := s.DropImported([]uint32{1}); err == nil {
		t.Error("what the agent recorded was undone")
	}
}
