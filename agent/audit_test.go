package agent

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/store"
)

// stepsOf is the state of each step.
func stepsOf(a Audit) map[string]string {
	states := map[string]string{}
	for _, s := range a.Steps {
		states[s.Step] = s.State
	}
	return states
}

func stepOf(t *testing.T, a Audit, name string) AuditStep {
	t.Helper()
	k := slices.IndexFunc(a.Steps, func(s AuditStep) bool { return s.Step == name })
	if k < 0 {
		t.Fatalf("no step %s in %+v", name, a.Steps)
	}
	return a.Steps[k]
}

// An audit's steps follow from the record: what is missing is named, what was done
// counts from the beginning on, and what a person says stands beside it.
func TestAuditFollowsFromTheRecord(t *testing.T) {
	begin := time.UnixMilli(testStartMS)
	now := begin.Add(storyEnd * time.Second)
	_, h := storyOf(t, func(r *Recorder) {
		keep := func(e store.Event, err error) uint64 {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			kept, err := r.history.store.AppendEvent(e)
			if err != nil {
				t.Fatal(err)
			}
			return kept.Seq
		}
		if _, err := r.history.auditMark(AuditMark{"leak", "R. Vale", "done"}, now); err == nil {
			t.Error("a mark of no audit is kept")
		}
		keep(r.history.auditBegin(AuditBegin{Who: "An older one"}, begin.AddDate(0, -1, 0)))
		keep(store.Event{WallMS: testStartMS, Kind: kindAudit, Text: "of the older", Data: map[string]string{"audit": auditMarked, "step": "leak", "who": "x"}}, nil)
		keep(r.history.auditBegin(AuditBegin{Who: " R. Vale "}, begin))
		keep(store.Event{WallMS: testStartMS, Kind: "hookup", Subject: "m", Text: "hook-up check: well", Data: map[string]string{"verdict": "well"}}, nil)
		keep(r.history.auditMark(AuditMark{"instruments", "R. Vale", "the certificates are with the owner."}, begin))
		keep(store.Event{WallMS: testStartMS, Kind: kindAudit, Data: map[string]string{"audit": auditReplayed, "alternatives": "as the flags have it\nas the flags have it", "sets": "--set a=1\n--set b=2"}}, nil)
		keep(store.Event{WallMS: testStartMS, Kind: analysis.KindTest, Subject: "m", Text: "unreadable"}, nil)
		for _, tt := range []struct {
			field string
			err   error
		}{
			{"who", second(r.history.auditBegin(AuditBegin{}, begin))},
			{"ends", second(r.history.auditBegin(AuditBegin{Who: "x", Ends: "soon"}, begin))},
			{"ends", second(r.history.auditBegin(AuditBegin{Who: "x", Ends: "2000-01-01"}, begin))},
			{"step", second(r.history.auditMark(AuditMark{"leek", "x", "y"}, begin))},
			{"who", second(r.history.auditMark(AuditMark{"leak", "", "y"}, begin))},
			{"text", second(r.history.auditMark(AuditMark{"leak", "x", " "}, begin))},
		} {
			var field *FieldError
			if !errors.As(tt.err, &field) || field.Field != tt.field {
				t.Errorf("%v, want it of %s", tt.err, tt.field)
			}
		}
	})
	a, err := h.audit(now, &AwakeState{Sleep: "held", Why: "It is held awake."})
	if err != nil {
		t.Fatal(err)
	}
	if a.Begun == nil || a.Begun.Who != "R. Vale" || a.Begun.ends() != begin.AddDate(0, 0, 7) {
		t.Errorf("begun %+v", a.Begun)
	}
	got := stepsOf(a)
	for step, want := range map[string]string{"instruments": stepAccepted, "hookup": stepDone, "sleep": stepDone, "mid_week": stepWaits,
		"leak": stepMissing, "pump_up": stepMissing, "alternatives": stepDone, "report": stepWaits} {
		if got[step] != want {
			t.Errorf("%s is %q, want %q: %+v", step, got[step], want, stepOf(t, a, step))
		}
	}
	if s := stepOf(t, a, "instruments"); len(s.Missing) == 0 || !strings.Contains(s.Sentence, "R. Vale says of it: the certificates are with the owner.") || len(s.Marks) != 1 {
		t.Errorf("instruments %+v", s)
	}
	if s := stepOf(t, a, "mid_week"); s.Due == nil || time.UnixMilli(int64(*s.Due)) != begin.Add(84*time.Hour) {
		t.Errorf("half way is due %v", s.Due)
	}
	if s := stepOf(t, a, "leak"); len(s.Marks) != 0 || len(s.Cautions) == 0 {
		t.Errorf("the leak test has the older audit's mark, or no caution: %+v", s)
	}

	later, err := h.audit(begin.AddDate(0, 0, 8), nil)
	if err != nil {
		t.Fatal(err)
	}
	got = stepsOf(later)
	for step, want := range map[string]string{"sleep": stepUnseen, "first_hour": stepDone, "mid_week": stepMissing, "report": stepMissing} {
		if got[step] != want {
			t.Errorf("a week on, %s is %q, want %q: %+v", step, got[step], want, stepOf(t, later, step))
		}
	}
	if !strings.HasPrefix(later.Sentence, "The audit has ") {
		t.Errorf("%q", later.Sentence)
	}
}

func second[A any](_ A, err error) error { return err }

// Without a beginning, what needs none is judged all the same.
func TestNoAudit(t *testing.T) {
	_, h := storyOf(t, func(*Recorder) {})
	a, err := h.Audit()
	if err != nil || a.Begun != nil || !strings.HasPrefix(a.Sentence, "No audit was begun") {
		t.Fatalf("%+v, %v", a, err)
	}
	for step, want := range map[string]string{"hookup": stepMissing, "sleep": stepUnseen, "first_hour": stepWaits, "leak": stepWaits, "report": stepWaits} {
		if s := stepOf(t, a, step); s.State != want {
			t.Errorf("%s is %q, want %q", step, s.State, want)
		}
	}
}

// A report counts where it reaches to the planned end.
func TestAuditWantsAReportOfTheWhole(t *testing.T) {
	begin := time.UnixMilli(testStartMS)
	ends := begin.AddDate(0, 0, 7)
	for to, want := range map[time.Time]string{ends: stepDone, ends.AddDate(0, 0, -2): stepMissing} {
		short := store.Event{WallMS: ends.UnixMilli() + 1, Kind: kindAudit, Data: map[string]string{"audit": auditReported, "to": begin.UTC().Format(time.RFC3339)}} // of a part, made after it
		_, h := storyOf(t, func(r *Recorder) {
			e, err := r.history.auditBegin(AuditBegin{Who: "R. Vale"}, begin)
			for _, e := range []store.Event{e, {WallMS: ends.UnixMilli(), Kind: kindAudit, Data: map[string]string{"audit": auditReported, "to": to.UTC().Format(time.RFC3339)}}, short} {
				if _, kept := r.history.store.AppendEvent(e); err != nil || kept != nil {
					t.Fatal(err, kept)
				}
			}
		})
		a, err := h.audit(ends.Add(time.Hour), nil)
		if err != nil {
			t.Fatal(err)
		}
		if s := stepOf(t, a, "report"); s.State != want {
			t.Errorf("a report until %v: %+v", to, s)
		}
	}
}

// What is done late in a long audit counts as what was done early: however often
// somebody tried, and however many reports were made before.
func TestAuditKeepsWhatIsNew(t *testing.T) {
	a, err := Open(loadTestSite(t, t.TempDir(), historySite, historyMap), Options{Dial: noLine, Clock: &manualClock{mono: 1000, wall: testStartMS}})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	}()
	queued := func() (n int) {
		t.Helper()
		for {
			select {
			case e := <-a.events:
				if e.Kind == kindAudit {
					n++
				}
				if _, err := a.store.AppendEvent(e); err != nil {
					t.Fatal(err)
				}
			default:
				return n
			}
		}
	}
	if _, err := a.BeginAudit(AuditBegin{Who: "R. Vale"}); err != nil {
		t.Fatal(err)
	}
	queued()
	play := func(results ...replay.Result) int {
		a.auditReplay(&replay.Query{System: "main"}, &replay.Answer{Results: results})
		return queued()
	}
	const name = "as the flags have it" // of each that the command plays
	for i, want := range []int{1, 0, 0} {
		if n := play(replay.Result{Name: name, Flags: "--set a=1"}); n != want {
			t.Errorf("the same settings, %d: %d events, want %d", i, n, want)
		}
	}
	if play(replay.Result{Name: name, Flags: "--set b=2", Absent: "the machine shows no flow"}) != 0 || play(replay.Result{Name: name, Flags: "--set c=3"}) != 1 {
		t.Error("one that tells nothing is kept, or other settings are not")
	}
	for hour := range 30 {
		to := time.UnixMilli(testStartMS).Add(time.Duration(hour) * time.Hour)
		a.auditReport(&ReportMade{Title: "x", To: StampOf(to).String()})
		further := queued()
		a.auditReport(&ReportMade{Title: "once more", To: StampOf(to).String()})
		a.auditReport(&ReportMade{Title: "x", To: StampOf(to.Add(-time.Minute)).String()})
		if less := queued(); further != 1 || less != 0 {
			t.Fatalf("hour %d: %d and %d reports are kept, want the one that reaches further", hour, further, less)
		}
	}
	all, err := a.Audit()
	if err != nil {
		t.Fatal(err)
	}
	if s := stepOf(t, all, "alternatives"); s.State != stepDone {
		t.Errorf("two settings under one name: %+v", s)
	}
}
