package agent

import (
	"context"
	"encoding/json"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// lateRun records what a plant does in seconds of true time from testStartMS on.
type lateRun struct {
	t     *testing.T
	dir   string
	clock *bootedClock
	a     *Agent
	at    int64 // seconds since testStartMS
	wrong int64 // what the wall clock is behind, ms
}

// bootedClock knows the start of the computer: at testStartMS.
type bootedClock struct {
	manualClock
	beganMS int64
}

func (c *bootedClock) Boot() (string, int64, bool) { return "this start", c.beganMS, true }

// begin starts an agent whose clock is behind by wrong.
func (r *lateRun) begin(wrong int64) {
	r.t.Helper()
	r.wrong = wrong
	r.clock = &bootedClock{manualClock{mono: 1000, wall: testStartMS + r.at*1000 - wrong}, r.at*1000 - 1000}
	var err error
	r.a, err = Open(loadTestSite(r.t, r.dir, historySite, historyMap), Options{Dial: noLine, Clock: r.clock})
	if err != nil {
		r.t.Fatal(err)
	}
}

// record records seconds: running all along, loaded half of each minute.
func (r *lateRun) record(seconds int) {
	r.t.Helper()
	for range seconds {
		r.clock.advance(1000)
		r.at++
		mono, wall := r.clock.Now()
		loaded := int64(0)
		if r.at%60 < 30 {
			loaded = 1
		}
		if err := r.a.store.Append([]scan.Scan{{Group: r.a.groups[0], MonoMS: mono, WallMS: wall, Values: []int64{1, loaded}}}); err != nil {
			r.t.Fatal(err)
		}
	}
}

func (r *lateRun) note(text string) {
	r.t.Helper()
	if _, err := r.a.store.AppendEvent(store.Event{Kind: kindNote, Text: text}); err != nil {
		r.t.Fatal(err)
	}
}

// set sets the clock right.
func (r *lateRun) set() {
	r.clock.mu.Lock()
	r.clock.wall += r.wrong
	r.clock.mu.Unlock()
	r.wrong = 0
}

func (r *lateRun) stop() {
	r.t.Helper()
	if err := r.a.Close(); err != nil {
		r.t.Fatal(err)
	}
}

// relabelled runs the agent's part that puts figures to their true time.
func (r *lateRun) relabelled() {
	r.t.Helper()
	ctx, cancel := context.WithCancel(r.t.Context())
	failed := make(chan error, 1)
	stop := start(ctx, failed, r.a.relabel)
	eventually(r.t, "the figures to be at their true time", func() bool { return !r.a.store.LabelsMoved() })
	cancel()
	stop()
}

func figuresOf(t *testing.T, h *History, fromS, toS int64) string {
	t.Helper()
	from, to := testStartMS+fromS*1000, testStartMS+toS*1000
	report, err := h.Figures(from, to, "m")
	if err != nil {
		t.Fatal(err)
	}
	if !report.Observed() {
		report.Notes = nil // they say how far the record runs, which goes on
	}
	page, err := h.Events(EventQuery{FromMS: from, ToMS: to, Limit: 1000, Kinds: []string{kindState, kindNote}})
	if err != nil {
		t.Fatal(err)
	}
	for i := range page.Events {
		page.Events[i].Seq = 0 // others came before
	}
	out, err := json.MarshalIndent([]any{report, page}, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// observedS is the observed time of a window in Unix ms, in seconds.
func observedS(t *testing.T, h *History, fromMS, toMS int64) float64 {
	t.Helper()
	report, err := h.Figures(fromMS, toMS, "m")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range report.Machines[0].Figures {
		if f.Name == "observed_time" && f.Value != nil {
			return *f.Value
		}
	}
	return 0
}

// The clock of a computer without a battery starts in 1970 and is set at once,
// in mid-run or after hours: figures, changes of state and notes of the time
// before are then those of a computer whose clock was right, and nothing is
// left in 1970.
func TestFiguresOfAClockThatIsSetLater(t *testing.T) {
	const gap = 10 // seconds until the first scan after the setting
	for name, tt := range map[string]struct {
		before    int  // scans before the clock is set
		killed    bool // before the agent had time to put anything right
		restarted bool // while it was not set
		stopped   bool // when it is set
	}{
		"at the start":        {},
		"in mid-run":          {before: 1000},
		"after hours":         {before: 2*3600 + 1000},
		"killed":              {before: 1000, killed: true},
		"after hours, killed": {before: 2*3600 + 1000, killed: true},
		"restarted before":    {before: 1000, restarted: true},
		"set while stopped":   {before: 1000, stopped: true},
		"restarted, killed":   {before: 1000, restarted: true, killed: true},
	} {
		t.Run(name, func(t *testing.T) {
			record := func(wrong int64) *lateRun {
				r := &lateRun{t: t, dir: t.TempDir()}
				r.begin(0) // a run before it, of a right clock
				r.record(100)
				r.stop()
				r.at += 3600
				r.begin(wrong)
				r.record(tt.before)
				r.note("new belt")
				if tt.restarted {
					r.stop()
					r.at += 100
					r.begin(wrong)
					r.record(500)
				}
				if wrong == 0 || tt.stopped { // where the clock is set, a segment begins
					r.stop()
					r.begin(0)
				}
				r.set()
				r.at += gap
				r.clock.advance(gap * 1000)
				r.record(900)
				return r
			}
			right, late := record(0), record(testStartMS+3700_000-5000)
			from, to := int64(3600), right.at-900-gap
			want := figuresOf(t, &right.a.History, from, to)
			wantAll := observedS(t, &right.a.History, 0, testStartMS+right.at*1000)
			right.stop()
			check := func(h *History, when string) {
				t.Helper()
				if got := figuresOf(t, h, from, to); got != want {
					t.Errorf("%s: of the time before the setting\n%s\nwant\n%s", when, got, want)
				}
				if got := observedS(t, h, 0, testStartMS+right.at*1000); got != wantAll {
					t.Errorf("%s: observed are %v s in all, want %v", when, got, wantAll)
				}
				if got := observedS(t, h, 0, testStartMS); got != 0 {
					t.Errorf("%s: observed are %v s in 1970", when, got)
				}
				old, err := h.Events(EventQuery{ToMS: testStartMS, Limit: 1000})
				if err != nil || len(old.Events) > 0 {
					t.Errorf("%s: left in 1970: %+v, %v", when, old.Events, err)
				}
				if first, ok := h.First(); !ok || first.UnixMilli() != testStartMS+1000 {
					t.Errorf("%s: the first reading is of %v, want that of the first run", when, first)
				}
			}
			if tt.killed {
				if err := late.a.store.Sync(); err != nil {
					t.Fatal(err)
				}
				killed := t.TempDir()
				copyTree(t, late.dir, killed)
				late.stop()
				late.dir = killed
				h, err := OpenHistory(loadTestSite(t, killed, historySite, historyMap), "test", nil)
				if err != nil {
					t.Fatal(err)
				}
				check(h, "as it was left")
				if err := h.Close(); err != nil {
					t.Fatal(err)
				}
				late.begin(0)
			}
			if moved := late.a.store.LabelsMoved(); moved != (tt.before > 0) {
				t.Errorf("figures need to be put right: %v", moved)
			}
			late.relabelled()
			check(&late.a.History, "put right")
			late.record(100)
			late.stop()
			h, err := OpenHistory(loadTestSite(t, late.dir, historySite, historyMap), "test", nil)
			if err != nil {
				t.Fatal(err)
			}
			check(h, "opened again")
			if err := h.Close(); err != nil {
				t.Fatal(err)
			}
		})
	}
}
