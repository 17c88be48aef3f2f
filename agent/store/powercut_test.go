package store

import (
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"loadscribe/agent/scan"
)

const (
	longEnv = "LOADSCRIBE_LONG" // anything: the long runs
	cutEnv  = "LOADSCRIBE_CUT"  // a number: only this cut

	cutsALife  = 50 // cuts of one recording of a store's life
	livesAFile = 5  // lives that follow each other, each from a cut of the last
)

// account is what is known of the numbers given to scans and events: those
// that must be there, with their values, and all that may be.
type account struct {
	must map[uint64]string
	may  map[uint64][]string
}

func newAccount() account { return account{map[uint64]string{}, map[uint64][]string{}} }

func (a account) clone() account {
	b := account{maps.Clone(a.must), map[uint64][]string{}}
	for k, v := range a.may {
		b.may[k] = slices.Clone(v)
	}
	return b
}

// compare counts what is lost, wrong and invented in what was read.
func (a account) compare(got map[uint64]string) (t tally) {
	for seq, want := range a.must {
		switch v, ok := got[seq]; {
		case !ok:
			t.lost++
		case v != want:
			t.wrong++
		}
	}
	for seq, v := range got {
		if _, ok := a.must[seq]; !ok && !slices.Contains(a.may[seq], v) {
			t.invented++
		}
	}
	return t
}

type tally struct{ lost, wrong, invented, broken int }

func (t *tally) add(o tally) {
	t.lost, t.wrong, t.invented, t.broken = t.lost+o.lost, t.wrong+o.wrong, t.invented+o.invented, t.broken+o.broken
}

// life is one recording: a store opened, written to for some hours and closed
// or dropped, on a disk that remembers each step.
type life struct {
	disk   *cutDisk
	opened int     // steps until Open returned
	before account // of scans: before Open returned
	scans  account // must: what Open found
	notes  account // events, likewise; before is in notesBefore
	beforE account
	wrote  map[uint64]string // scans of this life
	said   map[uint64]string // events of this life
	group  string            // unit of the first channel, once Register returned
	known  int               // steps until Register returned
}

func scanText(s *scan.Scan) string { return string(appendScan(nil, s)) }
func eventText(e *Event) string    { return string(appendEvent(nil, e)) }

func readTexts(s *Store) (scans, events map[uint64]string, err error) {
	scans, events = map[uint64]string{}, map[uint64]string{}
	err = s.Scans(ScanQuery{}, func(sc *scan.Scan) error {
		scans[sc.Seq] = scanText(sc)
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	list, err := s.Events(0, 0, 0)
	for i := range list {
		events[list[i].Seq] = eventText(&list[i])
	}
	return scans, events, err
}

// cutGroups are two devices with three groups, all kinds of values.
func cutGroups(unit string) []*scan.Group {
	g := testGroups()
	for i := range g {
		g[i].PeriodMS *= 20
	}
	g[0].Channels[0].Unit = unit
	return g
}

// live records a life in dir. hours is how long it lasts.
func live(dir string, number int, r *rand.Rand, scans, notes account) (*life, error) {
	d := newCutDisk(dir)
	l := &life{disk: d, before: scans, beforE: notes, wrote: map[uint64]string{}, said: map[uint64]string{}}
	start := startMS + int64(number)*6*hourMS
	clock := &testClock{mono: 1000, wall: start}
	s, err := Open(dir, Options{Clock: clock, FS: d, tap: d.tap, SyncEvery: never, SegmentBytes: 6000, Summariser: &counter{}})
	if err != nil {
		return nil, err
	}
	defer s.Close()
	d.acked = func() marks { durable, _, _ := s.j.state(); return durable }
	l.opened = len(d.steps)
	l.scans, l.notes = account{may: scans.may}, account{may: notes.may}
	if l.scans.must, l.notes.must, err = readTexts(s); err != nil {
		return nil, err
	}
	l.group = fmt.Sprintf("unit %d", number)
	groups, err := s.Register(cutGroups(l.group))
	if err != nil {
		return nil, err
	}
	l.known = len(d.steps)
	all := stream(groups, uint64(number), start, int(hourMS/1000)*2+r.IntN(3000))
	for len(all) > 0 {
		n := min(1+r.IntN(60), len(all))
		if err := s.Append(all[:n]); err != nil {
			return nil, err
		}
		for i := range all[:n] {
			l.wrote[all[i].Seq] = scanText(&all[i])
		}
		clock.wall, clock.mono = all[n-1].WallMS, all[n-1].MonoMS
		all = all[n:]
		if r.IntN(6) == 0 {
			if _, err := s.AppendEvent(Event{Kind: "note", Subject: "comp1", Text: fmt.Sprint("note ", r.Int64())}); err != nil {
				return nil, err
			}
		}
		if r.IntN(3) > 0 {
			if err := s.Sync(); err != nil {
				return nil, err
			}
		}
	}
	if r.IntN(2) == 0 {
		err = s.Close()
	} else {
		err = letGo(s)
	}
	list, lerr := eventsOf(dir)
	for i := range list {
		if _, old := l.notes.must[list[i].Seq]; !old {
			l.said[list[i].Seq] = eventText(&list[i])
		}
	}
	return l, errors.Join(err, lerr)
}

func eventsOf(dir string) ([]Event, error) {
	s, err := OpenReadOnly(dir, Options{})
	if err != nil {
		return nil, err
	}
	defer s.Close()
	return s.Events(0, 0, 0)
}

// letGo ends a store as a kill does, but for its lock; what was appended is
// brought to the journal before, so that all events can be read back.
func letGo(s *Store) error {
	err := s.Sync()
	s.stop()
	<-s.done
	s.setDead()
	s.writeMu.Lock()
	s.closed = true
	s.writeMu.Unlock()
	s.j.finish(false)
	return errors.Join(err, s.closeFiles())
}

// at is what must and may be there after a cut in step k.
func (l *life) at(k int) (scans, notes account) {
	if k < l.opened {
		scans, notes = l.before.clone(), l.beforE.clone()
	} else {
		scans, notes = l.scans.clone(), l.notes.clone()
	}
	put := func(a account, wrote map[uint64]string, acked uint64) {
		for seq, text := range wrote {
			a.may[seq] = append(a.may[seq], text)
			if k >= l.opened && seq <= acked {
				a.must[seq] = text
			}
		}
	}
	put(scans, l.wrote, l.disk.steps[k].acked.scan)
	put(notes, l.said, l.disk.steps[k].acked.event)
	return scans, notes
}

// checkCut opens what a cut left, compares it with what was acknowledged, and
// sees whether one can go on. why is for people.
func (l *life) checkCut(dir string, k int, legal bool) (t tally, why string) {
	scans, notes := l.at(k)
	fail := func(format string, args ...any) (tally, string) {
		t.broken++
		return t, fmt.Sprintf(format, args...)
	}
	// a head torn within its sector looks like one that rotted
	tree, _ := checkFile(filepath.Join(dir, databaseName), nil)
	tornHead := tree != nil && tree.head
	s, err := Open(dir, Options{Clock: newTestClock(), SyncEvery: never, Summariser: &counter{}})
	if err != nil {
		return fail("open: %v", err)
	}
	gotScans, gotNotes, err := readTexts(s)
	if err != nil {
		return fail("read: %v", errors.Join(err, s.Close()))
	}
	t = scans.compare(gotScans)
	for _, e := range mustEvents(s) { // those that opening itself may add
		if e.Kind == "data_damaged" || e.Kind == "clock_step" {
			notes.may[e.Seq] = append(notes.may[e.Seq], eventText(&e))
		}
	}
	t.add(notes.compare(gotNotes))
	if t != (tally{}) {
		why = fmt.Sprintf("%d scans and %d events were safe, %d and %d are there", len(scans.must), len(notes.must), len(gotScans), len(gotNotes))
	}
	if set, _ := filepath.Glob(filepath.Join(dir, "*.damaged*")); legal && !tornHead && len(set) > 0 {
		return fail("a cut that is no damage set a file aside: %q", set)
	}
	if k >= l.known && len(s.Groups()) > 0 && s.Groups()[0].Channels[0].Unit != l.group {
		return fail("the group's registered metadata is lost")
	}
	groups, err := s.Register(cutGroups("after"))
	if err != nil {
		return fail("register: %v", errors.Join(err, s.Close()))
	}
	more := stream(groups, 99, startMS+1000*hourMS, 100)
	if err := s.Append(more); err != nil {
		return fail("append: %v", errors.Join(err, s.Close()))
	}
	if err := s.Close(); err != nil {
		return fail("close: %v", err)
	}
	if errs := integrity(dir); legal && len(errs) > 0 {
		return fail("integrity: %v", errors.Join(errs...))
	}
	again, err := OpenReadOnly(dir, Options{})
	if err != nil {
		return fail("open again: %v", err)
	}
	defer again.Close()
	after, _, err := readTexts(again)
	if err != nil {
		return fail("read again: %v", err)
	}
	for i := range more {
		gotScans[more[i].Seq] = scanText(&more[i])
	}
	if !maps.Equal(after, gotScans) {
		return fail("after going on %d scans are there, want %d", len(after), len(gotScans))
	}
	return t, why
}

func mustEvents(s *Store) []Event {
	events, err := s.Events(0, 0, 0)
	if err != nil {
		return nil // readTexts told
	}
	return events
}

// chooseStep picks the step to cut in: near half of them are commits.
func (l *life) chooseStep(r *rand.Rand) int {
	var commits []int
	for i := range l.disk.steps {
		if l.disk.steps[i].kind == stepCommit {
			commits = append(commits, i)
		}
	}
	if r.IntN(9) < 4 {
		return commits[r.IntN(len(commits))]
	}
	return r.IntN(len(l.disk.steps))
}

// cutter runs cuts by number. A number always gives the same cut.
type cutter struct {
	t     testing.TB
	dir   string
	lie   lies
	cut   func(n int, l *life, k int) // told of each cut before it is checked
	total tally
	ran   int
	first string // what the first failure was
}

// file runs the cuts of one chain of lives whose numbers want wants.
func (c *cutter) file(chain int, want func(int) bool) {
	scans, notes := newAccount(), newAccount()
	dir := filepath.Join(c.dir, fmt.Sprint("life", chain))
	if err := os.MkdirAll(dir, 0o755); err != nil {
		c.t.Fatal(err)
	}
	for number := range livesAFile {
		r := rand.New(rand.NewPCG(uint64(chain), uint64(number)))
		l, err := live(dir, number, r, scans, notes)
		if err != nil {
			c.t.Fatalf("chain %d life %d: %v", chain, number, err)
		}
		for i := range cutsALife {
			n := (chain*livesAFile+number)*cutsALife + i
			if want(n) {
				c.one(n, l)
			}
		}
		// the next life begins where a cut of this one ended
		k := l.chooseStep(r)
		if err := os.RemoveAll(dir); err != nil {
			c.t.Fatal(err)
		}
		if err := os.MkdirAll(dir, 0o755); err != nil {
			c.t.Fatal(err)
		}
		if err := l.disk.stateAt(k, r, lies{}, dir); err != nil {
			c.t.Fatal(err)
		}
		scans, notes = l.at(k)
	}
	if err := os.RemoveAll(dir); err != nil {
		c.t.Fatal(err)
	}
}

// one makes and checks cut number n.
func (c *cutter) one(n int, l *life) {
	r := rand.New(rand.NewPCG(uint64(n), 3))
	c.state(n, l, l.chooseStep(r), r)
}

func (c *cutter) state(n int, l *life, k int, r *rand.Rand) {
	dir := filepath.Join(c.dir, "cut")
	if err := os.RemoveAll(dir); err != nil {
		c.t.Fatal(err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		c.t.Fatal(err)
	}
	if err := l.disk.stateAt(k, r, c.lie, dir); err != nil {
		c.t.Fatal(err)
	}
	c.ran++
	t, why := l.checkCut(dir, k, c.lie == lies{})
	c.total.add(t)
	if why != "" && c.first == "" {
		c.first = fmt.Sprintf("cut %d, in step %d of %d (%s): %+v: %s", n, k, len(l.disk.steps), l.disk.steps[k], t, why)
	}
}

// TestPowerCuts cuts the power at seeded moments, each in one of the states
// the disk may be in, and holds what is read against what was acknowledged.
// LOADSCRIBE_LONG=1 makes it 10,000 cuts, LOADSCRIBE_CUT=n the n-th alone.
func TestPowerCuts(t *testing.T) {
	cuts := 2 * livesAFile * cutsALife
	if os.Getenv(longEnv) != "" {
		cuts = 10_000
	}
	every := 1
	if testing.Short() {
		cuts, every = cutsALife*livesAFile, 4
	}
	c := &cutter{t: t, dir: t.TempDir()}
	if v := os.Getenv(cutEnv); v != "" {
		n, err := strconv.Atoi(v)
		if err != nil || n < 0 {
			t.Fatalf("%s=%q: want the number of a cut", cutEnv, v)
		}
		c.file(n/(cutsALife*livesAFile), func(i int) bool { return i == n })
	} else {
		for chain := 0; chain*cutsALife*livesAFile < cuts; chain++ {
			c.file(chain, func(n int) bool { return n%every == 0 })
		}
	}
	t.Logf("%d cuts: %d lost %d wrong %d invented", c.ran, c.total.lost, c.total.wrong, c.total.invented)
	if c.total != (tally{}) {
		t.Errorf("%+v; the first: %s (%s=n runs cut n alone)", c.total, c.first, cutEnv)
	}
}

// TestPowerCutsWhileMaking cuts the first making of a store in every step,
// each in several of its states.
func TestPowerCutsWhileMaking(t *testing.T) {
	dir := t.TempDir()
	home := filepath.Join(dir, "life")
	if err := os.MkdirAll(home, 0o755); err != nil {
		t.Fatal(err)
	}
	l, err := live(home, 0, rand.New(rand.NewPCG(1, 1)), newAccount(), newAccount())
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{t: t, dir: dir}
	first := slices.IndexFunc(l.disk.steps, func(s step) bool { return s.acked.scan > 0 })
	if first < 10 {
		t.Fatalf("the first acknowledged scan is in step %d: want a making of several steps", first)
	}
	states := 12
	if testing.Short() {
		states = 3
	}
	for k := range first {
		for i := range states {
			c.state(k, l, k, rand.New(rand.NewPCG(uint64(k), uint64(i))))
		}
	}
	t.Logf("%d cuts in %d steps: %d lost %d wrong %d invented", c.ran, first, c.total.lost, c.total.wrong, c.total.invented)
	if c.total != (tally{}) {
		t.Errorf("%+v; the first: %s", c.total, c.first)
	}
}

// TestLyingDisksAreFoundOut tests the test: a disk that says "synced" and did
// not must show as loss.
func TestLyingDisksAreFoundOut(t *testing.T) {
	tests := []struct {
		name string
		lie  lies
	}{
		{"a file's sync", lies{fileSync: true}},
		{"a directory's sync", lies{dirSync: true}},
		{"the database's data pages", lies{pageSync: true}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := &cutter{t: t, dir: t.TempDir(), lie: tt.lie}
			c.file(0, func(n int) bool { return n%10 == 0 })
			if c.total.lost == 0 {
				t.Errorf("%d cuts with a lie told: %+v, want losses", c.ran, c.total)
			}
			t.Logf("%d cuts: %+v; the first: %s", c.ran, c.total, c.first)
		})
	}
}

// The account itself: each kind of fault is counted as what it is.
func TestAccountTellsFaultsApart(t *testing.T) {
	a := account{must: map[uint64]string{1: "a", 2: "b"}, may: map[uint64][]string{2: {"b"}, 3: {"c", "d"}}}
	tests := []struct {
		name string
		got  map[uint64]string
		want tally
	}{
		{"all", map[uint64]string{1: "a", 2: "b"}, tally{}},
		{"more, as written", map[uint64]string{1: "a", 2: "b", 3: "d"}, tally{}},
		{"lost", map[uint64]string{2: "b"}, tally{lost: 1}},
		{"wrong", map[uint64]string{1: "a", 2: "x"}, tally{wrong: 1}},
		{"invented value", map[uint64]string{1: "a", 2: "b", 3: "x"}, tally{invented: 1}},
		{"invented number", map[uint64]string{1: "a", 2: "b", 4: "a"}, tally{invented: 1}},
	}
	for _, tt := range tests {
		if got := a.compare(tt.got); got != tt.want {
			t.Errorf("%s: %+v, want %+v", tt.name, got, tt.want)
		}
	}
}
