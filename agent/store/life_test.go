package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"path/filepath"
	"slices"

	"loadscribe/agent/scan"
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
	asides int               // damaged files that may have been set aside
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
	l := &life{disk: d, before: scans, beforE: notes, wrote: map[uint64]string{}, said: map[uint64]string{}, asides: len(setAside(dir))}
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

func setAside(dir string) []string {
	set, _ := filepath.Glob(filepath.Join(dir, "*.damaged*")) // the pattern is right
	return set
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
	defer s.Close() // where a check fails before its own
	gotScans, gotNotes, err := readTexts(s)
	if err != nil {
		return fail("read: %v", errors.Join(err, s.Close()))
	}
	t = scans.compare(gotScans)
	for _, e := range mustEvents(s) { // those that opening itself may add
		if e.Kind == KindEvidenceKey && notes.must[e.Seq] == "" {
			return fail("the key that signed is lost: %v", s.Close())
		}
		if e.Kind == "data_damaged" || e.Kind == "clock_step" || e.Kind == KindEvidenceBegan {
			notes.may[e.Seq] = append(notes.may[e.Seq], eventText(&e))
		}
	}
	t.add(notes.compare(gotNotes))
	if t != (tally{}) {
		why = fmt.Sprintf("%d scans and %d events were safe, %d and %d are there", len(scans.must), len(notes.must), len(gotScans), len(gotNotes))
	}
	if set := setAside(dir); legal && !tornHead && len(set) > l.asides {
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
	if v, err := again.VerifyEvidence(context.Background(), VerifyOptions{}); err != nil || legal && !v.Sound() {
		return fail("the evidence log: %v, %+v", err, v.Breaks)
	}
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
