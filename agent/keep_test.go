package agent

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"syscall"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// keepingSite keeps two days of raw readings and two backups.
var keepingSite = strings.Replace(historySite, `data = "data"`, `data = "data"
keep_raw = "1d"
backup = { dir = "copies", every = "24h", keep = 2 }`, 1)

// keepingStart is a midnight of UTC.
const keepingStart = 1_772_000_100_000 / 86_400_000 * 86_400_000

// recordDays records 20 minutes of each of five days, ending on the edge of a
// cell, loaded in the first half of every minute.
func recordDays(t *testing.T, site *sitefile.Site) {
	t.Helper()
	rec, err := OpenRecorder(site, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for day := range int64(5) {
		var batch []scan.Scan
		for i := range int64(1200) {
			loaded := int64(0)
			if i%60 < 30 {
				loaded = 1
			}
			at := day*86_400_000 + 9*3_600_000 + i*1000
			batch = append(batch, scan.Scan{Group: rec.Groups()[0], MonoMS: at, WallMS: keepingStart + at, Values: []int64{1, loaded}})
		}
		if err := rec.Append(batch); err != nil {
			t.Fatal(err)
		}
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
}

func figuresOfDays(t *testing.T, dir, registers string, fromMS, toMS int64) analysis.Report {
	t.Helper()
	h, err := OpenHistory(loadTestSite(t, dir, keepingSite, registers), "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	report, err := h.Figures(keepingStart+fromMS, keepingStart+toMS, "")
	if err != nil {
		t.Fatal(err)
	}
	return report
}

func observed(t *testing.T, report analysis.Report) float64 {
	t.Helper()
	for _, f := range report.Machines[0].Figures {
		if f.Name == "observed_time" && f.Value != nil {
			return *f.Value
		}
	}
	t.Fatalf("no observed_time in %+v", report)
	return 0
}

// laterClock is the machine's with another date.
type laterClock struct {
	scan.Clock
	shiftMS int64
}

func (c *laterClock) Now() (monoMS, wallMS int64) {
	monoMS, wallMS = c.Clock.Now()
	return monoMS, wallMS + c.shiftMS
}

// runAgent runs an agent whose line is down, on the last day recorded, until
// done says so.
func runAgent(t *testing.T, site *sitefile.Site, done func(a *Agent) bool) {
	t.Helper()
	clock := scan.NewSystemClock()
	_, now := clock.Now()
	a, err := Open(site, Options{Dial: noLine, Clock: &laterClock{clock, keepingStart + 4*86_400_000 + 10*3_600_000 - now}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx, "", nil) }()
	for deadline := time.Now().Add(20 * time.Second); !done(a); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Error("the agent has not done it in 20 s")
			break
		}
	}
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// The running agent drops the days that the site file does not keep, and makes
// the backup that is due. No figure of whole intervals changes, with the same
// site file or with another one.
func TestTheAgentKeepsWhatTheSiteFileSays(t *testing.T) {
	dir := t.TempDir()
	site := loadTestSite(t, dir, keepingSite, historyMap)
	recordDays(t, site)
	const whole = 4*86_400_000 + 9*3_600_000 + 900_000 // the edge of an interval before the last scan
	before := figuresOfDays(t, dir, historyMap, 0, whole)
	cutBefore := figuresOfDays(t, dir, historyMap, 9*3_600_000, 9*3_600_000+900_000)

	copies := filepath.Join(dir, "copies")
	for i, name := range []string{"20250101T000000Z", "20250102T000000Z"} {
		path := filepath.Join(copies, name+backupSuffix)
		if err := errors.Join(os.MkdirAll(copies, 0o755), os.WriteFile(path, []byte("old"), 0o644),
			os.Chtimes(path, time.Time{}, time.Date(2025, 1, 1+i, 0, 0, 0, 0, time.UTC))); err != nil {
			t.Fatal(err)
		}
	}
	var dropped []string
	copied := true // before anything was dropped
	runAgent(t, site, func(a *Agent) bool {
		events, err := a.store.Events(0, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		made := false
		dropped = dropped[:0]
		for _, e := range events {
			made = made || e.Kind == "backup_made"
			if e.Kind == store.KindRawDropped {
				dropped = append(dropped, e.Data["day"])
				copied = copied && made
			}
		}
		return made && len(dropped) == 3
	})
	if want := []string{"2026-02-25", "2026-02-26", "2026-02-27"}; !reflect.DeepEqual(dropped, want) {
		t.Errorf("events tell of the days %v, want %v", dropped, want)
	}
	if !copied {
		t.Error("a day was dropped before the backup that was due")
	}
	all, err := backupsIn(copies)
	if err != nil || len(all) != 2 || filepath.Base(all[0].path) != "20250102T000000Z"+backupSuffix {
		t.Fatalf("backups %v, %v; want the newer old one and a new one", all, err)
	}
	if info, err := store.CheckBackup(all[1].path); err != nil || info.Seq < 6000 {
		t.Errorf("the new backup: %+v, %v; want 6000 scans or more", info, err)
	}

	if after := figuresOfDays(t, dir, historyMap, 0, whole); !reflect.DeepEqual(after, before) {
		t.Errorf("the figures have changed:\n%+v\nwere\n%+v", after, before)
	}
	cut := figuresOfDays(t, dir, historyMap, 9*3_600_000+60_000, 9*3_600_000+600_000)
	if len(cut.Notes) != 1 || !strings.Contains(cut.Notes[0], "raw readings before 2026-02-28T00:00:00.000Z are no longer kept") {
		t.Errorf("a window that cuts an interval: notes %q", cut.Notes)
	}
	if cut.Notes = nil; !reflect.DeepEqual(cut, cutBefore) {
		t.Errorf("it gives\n%+v\nwant that of the whole interval\n%+v", cut, cutBefore)
	}
	// a stopped reader with other roles folds what is there anew and takes the
	// rest as it is: no second is lost or counted twice
	swapped := strings.NewReplacer(`role = "motor_running"`, `role = "loaded"`, `role = "loaded"`, `role = "motor_running"`).Replace(historyMap)
	other := figuresOfDays(t, dir, swapped, 0, whole)
	if len(other.Notes) != 1 || !strings.Contains(other.Notes[0], "2026-02-25T09:00:00.000Z to 2026-02-27T09:30:00.000Z was summarised under earlier settings") {
		t.Errorf("other roles: notes %q", other.Notes)
	}
	if got, want := observed(t, other), observed(t, before); got != want || want < 4*1199+899 {
		t.Errorf("other roles: observed %v s, want the %v s of before", got, want)
	}
	// the agent itself, started with them, keeps the old summaries too
	runAgent(t, loadTestSite(t, dir, keepingSite, swapped), func(*Agent) bool { return true })
	if again := figuresOfDays(t, dir, swapped, 0, whole); !reflect.DeepEqual(again, other) {
		t.Errorf("after a start with other roles\n%+v\nwant\n%+v", again, other)
	}
}

// Backups are due by the clock that nobody sets, and the oldest of them is the
// one that was made first: a wall clock that is not set, or was years ahead for
// an hour, makes no copies and takes none away out of turn.
func TestBackupsWhateverTheClockSays(t *testing.T) {
	const hour, day = int64(3_600_000), int64(86_400_000)
	dir := t.TempDir()
	site := loadTestSite(t, dir, keepingSite, historyMap)
	recordDays(t, site)
	now := keepingStart + 5*day
	clock := &manualClock{mono: 1000, wall: now}
	var a *Agent
	open := func() {
		t.Helper()
		var err error
		if a, err = Open(site, Options{Dial: noLine, Clock: clock}); err != nil {
			t.Fatal(err)
		}
	}
	set := func(wall int64) {
		clock.mu.Lock()
		defer clock.mu.Unlock()
		clock.wall = wall
	}
	// look passes three times, as tend does, and wants these numbers to be there
	look := func(what string, want ...uint64) {
		t.Helper()
		for range 3 {
			if err := a.backupIfDue(t.Context()); err != nil {
				t.Fatal(err)
			}
			clock.advance(keepEvery.Milliseconds())
		}
		all, err := backupsIn(filepath.Join(dir, "copies"))
		if err != nil {
			t.Fatal(err)
		}
		var have []uint64
		for _, b := range all {
			have = append(have, b.number)
		}
		if !reflect.DeepEqual(have, want) {
			t.Errorf("%s: the backups are number %v, want %v", what, have, want)
		}
	}
	open()
	look("first", 1)
	clock.advance(25 * hour)
	look("a day later", 1, 2)
	set(12_000)
	look("the clock is lost", 1, 2)
	clock.advance(25 * hour)
	look("a day later without it", 2, 3)
	set(now + 20*365*day)
	look("years ahead", 2, 3)
	clock.advance(25 * hour)
	look("a day later, years ahead", 3, 4)
	set(now + 4*day)
	look("right again", 3, 4)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	open()
	look("a start after the one from the future", 4, 5)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	open()
	look("a start soon after", 4, 5)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	set(12_000)
	open()
	look("a start without a clock", 4, 5)
	clock.advance(25 * hour)
	look("a day after it", 5, 6)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}

// An agent that starts on a full disk with other roles polls and shows.
func TestAgentStartsOnAFullDiskWithOtherRoles(t *testing.T) {
	dir := t.TempDir()
	recordDays(t, loadTestSite(t, dir, keepingSite, historyMap))
	site := loadTestSite(t, dir, keepingSite, strings.Replace(historyMap, `role = "loaded"`, `role = "standby"`, 1))
	a, err := Open(site, Options{Dial: noLine, Store: store.Options{FS: &badDisk{FS: store.SystemFS(), full: true}, CommitFault: func(last bool) error {
		if last {
			return nil
		}
		return syscall.ENOSPC
	}}})
	if err != nil {
		t.Fatal(err)
	}
	defer a.store.Close() // fails, as the disk does
	if s := a.storeState(); s.OK || !strings.Contains(s.Detail, "is full") {
		t.Errorf("the state says %+v, want that the disk is full", s)
	}
}
