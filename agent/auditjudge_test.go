package agent

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/guided"
	"loadscribe/agent/gum"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// auditedRecord is a record whose clock stands still, with an audit begun at its start.
func auditedRecord(t *testing.T) (*History, func(store.Event) uint64) {
	t.Helper()
	rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), historySite, historyMap), Options{Clock: &manualClock{wall: testStartMS}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { rec.Close() })
	keep := func(e store.Event) uint64 {
		t.Helper()
		kept, err := rec.history.store.AppendEvent(e)
		if err != nil {
			t.Fatal(err)
		}
		return kept.Seq
	}
	begun, err := rec.history.auditBegin(AuditBegin{Who: "R. Vale"}, time.UnixMilli(testStartMS))
	if err != nil {
		t.Fatal(err)
	}
	keep(begun)
	return rec.history, keep
}

func judged(t *testing.T, h *History, at time.Time, step string) AuditStep {
	t.Helper()
	a, err := h.audit(at, &AwakeState{Sleep: "held"})
	if err != nil {
		t.Fatal(err)
	}
	return stepOf(t, a, step)
}

// A guided test counts where its result came after the beginning, is of what is asked
// for, and was not taken back.
func TestAuditCountsTests(t *testing.T) {
	h, keep := auditedRecord(t)
	h.site.Systems = []sitefile.System{{Name: "main", Machines: []string{"m"}}}
	now := time.UnixMilli(testStartMS + 3_600_000)
	result := func(test, system, machine string) uint64 {
		r := analysis.TestResult{Test: test, Who: "R. Vale", FromMS: testStartMS, ToMS: testStartMS + 60_000, System: system, Machine: machine,
			FlowM3S: gum.New(0.01, 0.001, "volume"), PressurePa: 7e5, InletPa: 1e5, VolumeM3: 1, VolumeU: 0.01, Cycles: 3, Method: "fall"}
		return keep(store.Event{WallMS: testStartMS + 60_000, Kind: analysis.KindTest, Subject: r.Subject(), Text: "leak of " + r.Subject(), Data: r.Data()})
	}
	want := func(leak, pumpUp string) {
		t.Helper()
		for step, state := range map[string]string{"leak": leak, "pump_up": pumpUp} {
			if s := judged(t, h, now, step); s.State != state {
				t.Errorf("%s is %q, want %q: %+v", step, s.State, state, s)
			}
		}
	}
	result(guided.Leak, "other", "m2")
	result(guided.PumpUp, "other", "m2")
	want(stepMissing, stepMissing)
	leak := result(guided.Leak, "main", "m")
	want(stepDone, stepMissing)
	result(guided.PumpUp, "main", "m")
	want(stepDone, stepDone)
	keep(store.Event{WallMS: testStartMS + 120_000, Kind: analysis.KindTest, Subject: "main", Text: "a valve stood open", Data: map[string]string{"withdraws": strconv.FormatUint(leak, 10), "who": "R. Vale"}})
	want(stepMissing, stepDone)
	begun, err := h.auditBegin(AuditBegin{Who: "R. Vale"}, time.UnixMilli(testStartMS+180_000))
	if err != nil {
		t.Fatal(err)
	}
	keep(begun)
	want(stepMissing, stepMissing)
}

// Of an hour 108 s in a row are not read. By hand: 3492 of 3600, 97.0 %, and the state
// is known for 58 minutes of 60. At 36 s it is 99 %, and all is well. The first hour is
// looked at from the moment that it is over.
func TestAuditReadsTheFirstHour(t *testing.T) {
	for lost, want := range map[int64]string{
		108: "c was read 3492 times of 3600 in the first hour, 97.0 %.\nThe state of m was known for 58m0s of 1h0m0s.",
		36:  "",
	} {
		h, _ := auditedRecord(t)
		group := h.groups[0]
		var batch []scan.Scan
		for s := range int64(3601) {
			if s <= 1000 || s > 1000+lost {
				batch = append(batch, scan.Scan{Group: group, MonoMS: s * 1000, WallMS: testStartMS + s*1000, Values: []int64{1, 1}})
			}
		}
		if err := h.store.Append(batch); err != nil {
			t.Fatal(err)
		}
		over := time.UnixMilli(testStartMS + 3_600_000)
		if s := judged(t, h, over.Add(-time.Millisecond), "first_hour"); s.State != stepWaits {
			t.Errorf("before it is over: %+v", s)
		}
		s := judged(t, h, over, "first_hour")
		if got := strings.Join(s.Missing, "\n"); got != want {
			t.Errorf("with %d s lost:\n%s\nwant\n%s", lost, got, want)
		}
		share := map[int64]string{108: "97.0 %", 36: "99.0 %"}[lost]
		if !strings.HasSuffix(s.Sentence, share+" of the time.") {
			t.Errorf("with %d s lost: %q, want %s", lost, s.Sentence, share)
		}
	}
}

// The walk that was done last at a machine is the one that counts.
func TestAuditCountsTheLastWalk(t *testing.T) {
	for _, c := range []struct{ first, last, want string }{{"wrong", "well", stepDone}, {"well", "wrong", stepMissing}} {
		h, keep := auditedRecord(t)
		for i, verdict := range []string{c.first, c.last} {
			keep(store.Event{WallMS: testStartMS + int64(i), Kind: "hookup", Subject: "m", Text: "hook-up check: " + verdict + "; the bit", Data: map[string]string{"verdict": verdict}})
		}
		if s := judged(t, h, time.UnixMilli(testStartMS+1000), "hookup"); s.State != c.want {
			t.Errorf("%s, then %s: %+v", c.first, c.last, s)
		}
	}
}

// What a person says accepts what is missing, not what has yet to come; and what only
// a person can see is open until one has said it.
func TestAuditMarksAccept(t *testing.T) {
	h, keep := auditedRecord(t)
	now := time.UnixMilli(testStartMS + 1000)
	for _, step := range []string{"first_hour", "report", "pump_up"} {
		e, err := h.auditMark(AuditMark{step, "R. Vale", "it will do"}, now)
		if err != nil {
			t.Fatal(err)
		}
		keep(e)
	}
	for step, want := range map[string]string{"first_hour": stepWaits, "report": stepWaits, "pump_up": stepAccepted} {
		if s := judged(t, h, now, step); s.State != want {
			t.Errorf("%s is %q, want %q", step, s.State, want)
		}
	}
	j := &auditor{h: h, begun: &AuditBegun{}}
	if got, want := j.sentence([]AuditStep{{Title: "One", State: stepDone}, {Title: "Two", State: stepUnseen}, {Title: "Three", State: stepMissing}}), "The audit has 2 open steps, first: two."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// Two alternatives are two settings: one that was replayed twice is one, and another
// audit asks for its own.
func TestAuditCountsSettingsOnce(t *testing.T) {
	h, keep := auditedRecord(t)
	now := time.UnixMilli(testStartMS + 1000)
	replayed := func(sets string) {
		names := strings.Repeat("as the flags have it\n", strings.Count(sets, "\n")+1)
		keep(store.Event{WallMS: testStartMS, Kind: kindAudit, Data: map[string]string{"audit": auditReplayed, "alternatives": strings.TrimSpace(names), "sets": sets}})
	}
	want := func(state string) {
		t.Helper()
		if s := judged(t, h, now, "alternatives"); s.State != state {
			t.Errorf("%+v, want %s", s, state)
		}
	}
	replayed("--set a=1")
	replayed("--set a=1")
	want(stepMissing)
	a := &Agent{History: *h}
	known := func(e *store.Event) bool { return e.Data["sets"] == "--set a=1" }
	if a.auditGoesOn(auditReplayed, known) {
		t.Error("the audit does not know of what was replayed for it")
	}
	replayed("--set a=1\n--set b=2")
	want(stepDone)
	begun, err := h.auditBegin(AuditBegin{Who: "R. Vale"}, now)
	if err != nil {
		t.Fatal(err)
	}
	keep(begun)
	want(stepMissing)
	if !a.auditGoesOn(auditReplayed, known) {
		t.Error("what was replayed for an older audit is taken for this one's")
	}
}

// Each instrument has all that a report names of it, or is said to lack it.
func TestAuditNamesInstruments(t *testing.T) {
	h, _ := auditedRecord(t)
	h.site = loadTestSite(t, t.TempDir(), historySite, countingMap)
	accuracy := map[string]sitefile.Accuracy{"power": {OfReading: 0.01, Text: "1 %"}, "energy": {OfReading: 0.01, Text: "1 %"}}
	for _, c := range []struct {
		of   sitefile.Instrument
		want string
	}{
		{sitefile.Instrument{Serial: "7", Accuracy: accuracy, Calibrated: "2025-09-11", Until: "2027-09-11"}, ""},
		{sitefile.Instrument{Serial: "7", Accuracy: accuracy, Calibrated: "2023-09-11", Until: "2025-09-11"}, "c: its calibration ended on 2025-09-11."},
		{sitefile.Instrument{Serial: "7", Accuracy: accuracy, Calibrated: "2027-01-01", Until: "2028-01-01"}, "c: its calibration is dated 2027-01-01, which is yet to come."},
		{sitefile.Instrument{Serial: "7", Accuracy: accuracy}, "c: no day of calibration is named."},
		{sitefile.Instrument{Serial: "7", Accuracy: accuracy, Calibrated: "2025-09-11"}, "c: nothing says how long its calibration holds."},
		{sitefile.Instrument{Calibrated: "2025-09-11", Until: "2027-09-11"}, "c: no serial number, no accuracy."},
	} {
		h.site.Devices[0].Instrument = c.of
		s := judged(t, h, time.UnixMilli(testStartMS), "instruments")
		if got := strings.Join(s.Missing, "\n"); got != c.want || (s.State == stepDone) != (c.want == "") {
			t.Errorf("%+v: %s, %q, want %q", c.of, s.State, got, c.want)
		}
	}
}

// A computer that may fall asleep, or whose settings cannot be read, is said so.
func TestAuditLooksAtSleep(t *testing.T) {
	h, _ := auditedRecord(t)
	for sleep, want := range map[string]string{"never": stepDone, "held": stepDone, "may": stepMissing, "unknown": stepUnseen} {
		a, err := h.audit(time.UnixMilli(testStartMS), &AwakeState{Sleep: sleep, Mend: "Let it run."})
		if err != nil {
			t.Fatal(err)
		}
		if s := stepOf(t, a, "sleep"); s.State != want || (len(s.Missing) == 0) != (want == stepDone) {
			t.Errorf("sleep %q: %+v, want %s", sleep, s, want)
		}
	}
}

// The planned end may be a year off and no more, and a date that is named is in the
// audit: it ends with that day, in the site's zone.
func TestAuditEnds(t *testing.T) {
	h, _ := auditedRecord(t)
	h.site.Location = time.FixedZone("east", 9*3600)
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, h.site.Location)
	e, err := h.auditBegin(AuditBegin{Who: "x", Ends: "2026-03-08"}, now)
	if want := StampOf(time.Date(2026, 3, 9, 0, 0, 0, 0, h.site.Location)).String(); err != nil || e.Data["ends"] != want {
		t.Errorf("until the 8th: %s %v, want %s", e.Data["ends"], err, want)
	}
	for ends, fits := range map[string]bool{"2027-03-02": true, "2027-03-05": false, "2026-03-02": true, "2026-03-01": false} {
		if _, err := h.auditBegin(AuditBegin{Who: "x", Ends: ends}, now); (err == nil) != fits {
			t.Errorf("until %s: %v", ends, err)
		}
	}
}

// Work tells the audit of its answer; what failed tells it nothing.
func TestAuditHearsOfWhatWasDone(t *testing.T) {
	failed := errors.New("no air")
	for _, err := range []error{nil, failed} {
		told := 0
		_, got := audited(func(context.Context, func(done, total int)) (*int, error) { return new(int), err }, func(*int) { told++ })(t.Context(), nil)
		if want := map[bool]int{true: 1, false: 0}[err == nil]; told != want || !errors.Is(got, err) {
			t.Errorf("work that ends with %v is told %d times, and ends with %v", err, told, got)
		}
	}
}

// TestAuditCountsByNumber: the clock was set back between two marks, and before a
// second audit was begun: what was said stays said, and the audit begun last counts.
func TestAuditCountsByNumber(t *testing.T) {
	h, keep := auditedRecord(t)
	minute := func(n int64) int64 { return testStartMS + n*60_000 }
	for _, m := range []struct {
		step    string
		minutes int64
	}{{"leak", 60}, {"pump_up", 10}} {
		keep(store.Event{WallMS: minute(m.minutes), Kind: kindAudit, Text: "x", Data: map[string]string{"audit": auditMarked, "step": m.step, "who": "x"}})
	}
	for _, step := range []string{"leak", "pump_up"} {
		if s := judged(t, h, time.UnixMilli(minute(120)), step); len(s.Marks) != 1 {
			t.Errorf("%s has %d marks, want the one that was made: %+v", step, len(s.Marks), s)
		}
	}
	keep(store.Event{WallMS: minute(-30), Kind: kindAudit, Text: "begun", Data: map[string]string{"audit": auditBegun, "who": "the second", "ends": StampOf(time.UnixMilli(minute(600))).String()}})
	a, err := h.audit(time.UnixMilli(minute(120)), nil)
	if err != nil || a.Begun == nil || a.Begun.Who != "the second" {
		t.Fatalf("%+v, %v", a.Begun, err)
	}
	for i := range a.Steps {
		if len(a.Steps[i].Marks) != 0 {
			t.Errorf("%s has a mark of the audit before", a.Steps[i].Step)
		}
	}
}
