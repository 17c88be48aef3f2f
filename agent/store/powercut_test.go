package store

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
)

const (
	longEnv = "LOADSCRIBE_LONG" // anything: the long runs
	cutEnv  = "LOADSCRIBE_CUT"  // a number: only this cut

	cutsALife  = 50 // cuts of one recording of a store's life
	livesAFile = 5  // lives that follow each other, each from a cut of the last
)

// cutter runs cuts by number. A number always gives the same cut.
type cutter struct {
	t     testing.TB
	dir   string
	lie   lies
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
		rotten := number%2 == 1 && rot(c.t, dir)
		l, err := live(dir, number, r, scans, notes)
		if err != nil {
			c.t.Fatalf("chain %d life %d: %v", chain, number, err)
		}
		if rotten {
			l.asides++
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
	alone(t)
	cuts := 2 * livesAFile * cutsALife
	if os.Getenv(longEnv) != "" {
		cuts = 10_000
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
			c.file(chain, func(int) bool { return true })
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
	alone(t)
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

// rot damages a database so that a start salvages it and must save all scans
// and events: a bit of a cell or piece. false: there is none.
func rot(t testing.TB, dir string) bool {
	t.Helper()
	name := filepath.Join(dir, databaseName)
	s, err := newStore(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.dec.Close()
	tree, err := checkFile(name, s)
	if err != nil {
		return false // of the cut before
	}
	for _, v := range tree.rest {
		if v.top != bucketCells && v.top != bucketPieces {
			continue
		}
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		b[v.at+v.n/2] ^= 1
		if err := os.WriteFile(name, b, 0o644); err != nil {
			t.Fatal(err)
		}
		return true
	}
	return false
}

// TestPowerCutsWhileSalvaging cuts a start that salvages a damaged database in
// every step, each in several of its states: nothing that was safe before the
// damage may be lost.
func TestPowerCutsWhileSalvaging(t *testing.T) {
	alone(t)
	dir := t.TempDir()
	home := filepath.Join(dir, "life")
	if err := os.MkdirAll(home, 0o755); err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(1, 1))
	l, err := live(home, 0, r, newAccount(), newAccount())
	if err != nil {
		t.Fatal(err)
	}
	scans, notes := l.at(len(l.disk.steps) - 1)
	if !rot(t, home) {
		t.Fatal("nothing to damage")
	}
	if l, err = live(home, 1, r, scans, notes); err != nil {
		t.Fatal(err)
	}
	l.asides++
	renames := 0
	for _, s := range l.disk.steps[:l.opened] {
		if s.kind == stepRename {
			renames++
		}
	}
	if renames != 2 || len(scans.must) < 1000 {
		t.Fatalf("%d renamings and %d safe scans, want a salvage of many", renames, len(scans.must))
	}
	c := &cutter{t: t, dir: dir}
	states := 12
	for k := range l.opened + 2 {
		for i := range states {
			c.state(k, l, k, rand.New(rand.NewPCG(uint64(k), uint64(i))))
		}
	}
	t.Logf("%d cuts in %d steps: %d lost %d wrong %d invented", c.ran, l.opened, c.total.lost, c.total.wrong, c.total.invented)
	if c.total != (tally{}) {
		t.Errorf("%+v; the first: %s", c.total, c.first)
	}
}

// TestLyingDisksAreFoundOut tests the test: a disk that says "synced" and did
// not must show as loss.
func TestLyingDisksAreFoundOut(t *testing.T) {
	if testing.Short() {
		t.Skip("tests the test, which -short leaves most of out")
	}
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
