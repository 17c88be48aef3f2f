package main

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/simulator/serve"
)

// judgePolls holds what was stored against what was due and what was done to the lines.
func (s *soak) judgePolls(t *testing.T) {
	c := s.account
	damaged := uint64(0)
	for _, n := range c.injected[1:] {
		damaged += n
	}
	t.Logf("%d polls due in %d runs: %d with values, %d with a reason (%v), %d within runs of those, %d cut by a stop; %d answers damaged, %d polls without values for that",
		c.due, len(s.plan.runs), c.good, c.bad, c.reasons, c.held, c.cut, damaged, c.stray)
	if sum := c.good + c.bad + c.held + c.cut; sum != c.due {
		t.Errorf("%d polls were due, %d are accounted for", c.due, sum)
	}
	if kept := c.good + c.bad; kept != c.lastSeq {
		t.Errorf("%d scans were read back, the store counts %d", kept, c.lastSeq)
	}
	// No reading is missed where neither a line nor a device was troubled and no
	// answer was damaged. One damaged answer costs at most one scan of each of the
	// device's groups, of which the controller has two and the others one; most
	// are mended by asking again.
	if c.stray > damaged {
		t.Errorf("%d scans without values are not explained by what was done to the plant: %d answers were damaged", c.stray, damaged)
	}
	for _, reason := range []scan.Reason{scan.Timeout, scan.PortGone, scan.Exception} {
		if c.reasons[reason] == 0 {
			t.Errorf("no scan has the reason %v: the soak did not do what it is for", reason)
		}
	}
	if c.good < c.due*9/10 {
		t.Errorf("only %d of %d polls have values", c.good, c.due)
	}
}

// judgeEvents holds the events against what happened, and has the record
// verified as a user would.
func (s *soak) judgeEvents(t *testing.T) {
	kept, err := store.OpenReadOnly(filepath.Join(s.dir, "data"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]int{}
	if _, err := kept.EventsWhere(0, 0, 0, func(e *store.Event) bool { kinds[e.Kind]++; return false }); err != nil {
		t.Error(err)
	}
	if err := kept.Close(); err != nil {
		t.Error(err)
	}
	t.Logf("events: %v", kinds)
	between := func(kind string, least, most int) {
		if n := kinds[kind]; n < least || n > most {
			t.Errorf("%d events %s, want %d to %d", n, kind, least, most)
		}
	}
	runs := len(s.plan.runs)
	between("agent_started", runs, runs)
	between("agent_stopped", runs, runs)
	between("agent_broke_off", 0, 0)
	between("clock_step", s.plan.steps, s.plan.steps)
	// A socket that the plant closes twice running takes the line down too.
	between("line_down", s.plan.cutsSeen, s.plan.cutsSeen+int(s.account.injected[serve.Dropped]))
	between("alarm", 10*s.days, 1000*s.days) // those of the silent devices, and of a temperature that comes and goes
	for _, kind := range []string{"store_down", "keeping_failed", "data_damaged", store.KindDropped} {
		between(kind, 0, 0)
	}
	between("backup_made", s.days-1, s.days+1)
	if copies, err := filepath.Glob(filepath.Join(s.dir, "copies", "*.loadscribe-backup")); err != nil || len(copies) != 2 {
		t.Errorf("%d backups are kept, want 2 (%v)", len(copies), err)
	}
	if s.seen.answers.Load() < int64(s.days)*60 || s.seen.live.Load() < int64(s.days)*3 || s.seen.scans.Load() < int64(s.days)*500 {
		t.Errorf("the pages were not used as meant: %d answers, %d live sockets with %d messages",
			s.seen.answers.Load(), s.seen.live.Load(), s.seen.scans.Load())
	}
	mustRun(t, "verify", "--site", filepath.Join(s.dir, "site.toml"))
}

// arrive notes a sample that came to the receiver.
func (s *soak) arrive(series string, atMS int64, _ float64) {
	if !strings.Contains(series, "device_up device meter ") {
		return
	}
	if day := (atMS - soakWall.UnixMilli()) / (24 * time.Hour).Milliseconds(); day >= 0 && int(day) < len(s.arrived) {
		s.arrived[day]++
	}
	s.newest = max(s.newest, atMS)
}

// judgeSent holds what arrived at the receiver, which was away for three days, to a
// sample each minute. On the other days of the month the clock was set or the agent was
// not running.
func (s *soak) judgeSent(t *testing.T) {
	if wrong := s.engine.Wrong(); len(wrong) > 0 {
		t.Errorf("what arrived: %q", wrong)
	}
	t.Logf("samples of the meter by day: %v", s.arrived[:s.days])
	if s.days <= soakAwayTo {
		if s.arrived[0] == 0 {
			t.Error("nothing arrived")
		}
		return
	}
	const minutes = 24 * 60
	for _, day := range []int{soakAwayFrom, soakAwayFrom + 1, soakAwayFrom + 2, soakAwayTo, 26, 27, 28} {
		if n := s.arrived[day]; n < minutes-1 || n > minutes+1 {
			t.Errorf("day %d: %d minutes arrived, want %d", day, n, minutes)
		}
	}
	end := soakWall.Add(time.Duration(s.days)*24*time.Hour).UnixMilli() + s.plan.wrong.Load()
	if late := time.Duration(end-s.newest) * time.Millisecond; late > 15*time.Minute { // synced each ten
		t.Errorf("the newest sample is of %v before the end", late)
	}
}
