package agent

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// TestAlarmsOfScans: rules on scans are raised at the time of the reading that
// completed their delay, kept, shown, and go on standing after a restart, which
// raises nothing anew.
func TestAlarmsOfScans(t *testing.T) {
	dir := t.TempDir()
	clock := &manualClock{mono: 1000, wall: testStartMS}
	r := openAlarmRig(t, dir, scanAlarms, clock, Options{})
	for range 3 {
		r.reading(80, 0, 700)
	}
	for range 5 {
		r.reading(107, 3, 700) // seconds 4 to 8
	}
	for range 12 {
		r.reading(80, 0, 590) // seconds 9 to 20
	}
	if got, want := r.history(), "15:04 fault raised; 15:07 hot raised; 15:09 fault returned; 15:11 hot returned; 15:19 low raised"; got != want {
		t.Errorf("history\n got %s\nwant %s", got, want)
	}
	all := r.alarms()
	if len(all.Standing) != 3 || all.Standing[0].Rule != "low" || all.Standing[0].Since != testStartMS+9000 || all.Standing[0].Subject != "main" ||
		*all.Standing[0].Limit != 600 || *all.Standing[0].Value != 590 || all.Standing[0].Unit != "kPa" {
		t.Errorf("standing %+v", all.Standing)
	}
	if got := all.Standing[2].Text; all.Standing[2].Rule != "fault" || !strings.Contains(got, "air end too hot (code 3)") {
		t.Errorf("the fault: %q", got)
	}
	for _, q := range []AlarmAck{{ID: all.Standing[1].ID}, {Who: "R. Vale"}} {
		if _, err := r.a.AcknowledgeAlarm(q); err == nil {
			t.Errorf("%+v is taken", q)
		}
	}
	for i := range all.Standing {
		if _, err := r.a.AcknowledgeAlarm(AlarmAck{ID: all.Standing[i].ID, Who: "R. Vale"}); err != nil {
			t.Fatal(err)
		}
	}
	if all = r.alarms(); len(all.Standing) != 1 || all.Standing[0].Acknowledged == nil || all.Standing[0].Acknowledged.Who != "R. Vale" {
		t.Fatalf("after acknowledging all: %+v", all.Standing)
	}
	if _, err := r.a.AcknowledgeAlarm(AlarmAck{ID: all.Standing[0].ID, Who: "B. Night"}); err == nil || !strings.Contains(err.Error(), "R. Vale acknowledged it already") {
		t.Errorf("a second time: %v", err)
	}
	r.keep()
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}

	h, err := OpenHistory(r.a.site, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	stopped, err := h.Alarms()
	if err != nil || len(stopped.Standing) != 1 || stopped.Rules[0].State != "blind" || stopped.Rules[0].Why != stoppedWhy || stopped.Rules[1].State != "raised" {
		t.Errorf("of the stopped agent: %+v, %v", stopped, err)
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}

	clock.advance(3_600_000)
	again := openAlarmRig(t, dir, scanAlarms, clock, Options{})
	for range 70 {
		again.reading(80, 0, 590)
	}
	if got, want := again.history(), "raised"; strings.Count(got, "acknowledged") != 3 || strings.Count(got, want) != 3 {
		t.Errorf("history after a restart: %s", got)
	}
	for range 70 {
		again.reading(80, 0, 620)
	}
	if all := again.alarms(); len(all.Standing) != 0 {
		t.Errorf("returned after having been acknowledged: %+v", all.Standing)
	}
	if err := again.a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestAlarmsWhileTheDiskTakesNothing: a rule is judged by what is read, not by what is
// kept; the history follows when the disk takes it.
func TestAlarmsWhileTheDiskTakesNothing(t *testing.T) {
	disk := &badDisk{FS: store.SystemFS()}
	r := openAlarmRig(t, t.TempDir(), scanAlarms+"[[alarm]]\nname = \"disk\"\non = \"disk\"\nfree_below = \"1 MB\"\n",
		&manualClock{mono: 1000, wall: testStartMS}, Options{Store: store.Options{FS: disk, SyncEvery: 5 * time.Millisecond}})
	ctx, cancel := context.WithCancel(t.Context())
	failed := make(chan error, 4)
	stops := []func(){start(ctx, failed, r.a.show), start(ctx, failed, r.a.write), start(ctx, failed, r.a.keepEvents), start(ctx, failed, r.a.watchStore)}
	offer := func(heat int64) {
		r.clock.advance(1000)
		mono, wall := r.clock.Now()
		for _, g := range r.a.groups {
			s := scan.Scan{Group: g, MonoMS: mono, WallMS: wall, Values: make([]int64, len(g.Channels))}
			for i := range g.Channels {
				if g.Channels[i].Name == "heat" {
					s.Values[i] = heat
				}
			}
			r.a.queue.Offer(s)
		}
	}
	disk.fail(syscall.ENOSPC, "create", "write", "sync")
	for range 3 {
		offer(80)
	}
	for range 6 {
		offer(120)
	}
	standing := func(rule string) bool {
		for _, s := range r.alarms().Standing {
			if s.Rule == rule {
				return true
			}
		}
		return false
	}
	eventually(t, "the heat to be told", func() bool { return standing("hot") })
	eventually(t, "the disk to be told", func() bool { return standing("disk") })
	disk.fail(nil)
	eventually(t, "the store to take everything", func() bool { s := r.a.storeState(); return s.OK && s.WaitingScans == 0 })
	cancel()
	for _, stop := range stops {
		stop()
	}
	if got := r.history(); !strings.Contains(got, "15:07 hot raised") || !strings.Contains(got, "disk raised") {
		t.Errorf("history after all: %s", got)
	}
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestClockStepNeitherRaisesNorReturns: of rules on scans the delays go by monotonic
// time; starts of the last hour are told by the wall clock, and are not judged while
// they are unsure.
func TestClockStepNeitherRaisesNorReturns(t *testing.T) {
	r := openAlarmRig(t, t.TempDir(), scanAlarms+"[[alarm]]\nname = \"starts\"\non = \"starts at the limit\"\nclear_after = \"0s\"\n",
		&manualClock{mono: 1000, wall: testStartMS}, Options{})
	step := func(ms int64) {
		r.clock.mu.Lock()
		r.clock.wall += ms
		r.clock.mu.Unlock()
	}
	r.reading(80, 0, 700)
	r.a.lookAtAlarms()
	r.reading(107, 0, 700)
	step(-7_200_000)
	for range 2 {
		r.reading(107, 0, 700)
	}
	r.a.lookAtAlarms()
	if got := r.history(); got != "" {
		t.Errorf("after 2 s of heat and a clock set back: %s", got)
	}
	for _, rule := range r.alarms().Rules {
		if rule.Rule == "starts" && (rule.State != "blind" || !strings.Contains(rule.Why, "clock was set")) {
			t.Errorf("starts after a step: %+v", rule)
		}
	}
	step(30 * 24 * 3_600_000)
	r.reading(107, 0, 700)
	if all := r.alarms(); len(all.Standing) != 1 || all.Standing[0].Rule != "hot" {
		t.Errorf("after 3 s of heat: %+v", all.Standing)
	}
	step(-40 * 24 * 3_600_000)
	if r.reading(80, 0, 700); r.alarms().Standing[0].Returned != 0 {
		t.Error("a step of the clock returned it")
	}
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestShelvingByHand: what a person asks for is checked, kept and undone.
func TestShelvingByHand(t *testing.T) {
	r := openAlarmRig(t, t.TempDir(), scanAlarms+nobodyListens, &manualClock{mono: 1000, wall: testStartMS}, Options{})
	for _, tt := range []struct {
		q           AlarmShelve
		field, says string
	}{
		{AlarmShelve{Rule: "hott", For: "8h", Who: "R. Vale", Why: "x"}, "rule", `did you mean "hot"?`},
		{AlarmShelve{Rule: "hot", Subject: "n", For: "8h", Who: "R. Vale", Why: "x"}, "subject", "use one of m"},
		{AlarmShelve{Rule: "hot", For: "8h", Why: "x"}, "who", "say who you are"},
		{AlarmShelve{Rule: "hot", For: "8h", Who: "R. Vale"}, "why", "say why"},
		{AlarmShelve{Rule: "hot", For: "soon", Who: "R. Vale", Why: "x"}, "for", "number with a unit"},
		{AlarmShelve{Rule: "hot", For: "169h", Who: "R. Vale", Why: "x"}, "for", "7 days"},
		{AlarmShelve{Rule: "hot", For: "-1h", Who: "R. Vale", Why: "x"}, "for", "7 days"},
		{AlarmShelve{Rule: "hot", For: "1s", Who: "R. Vale", Why: "x"}, "for", "7 days"},
		{AlarmShelve{Rule: "hot", For: "8h", Who: "R.\x00Vale", Why: "x"}, "who", "control character"},
	} {
		_, err := r.a.ShelveAlarm(tt.q)
		var wrong *FieldError
		if !errors.As(err, &wrong) || wrong.Field != tt.field || !strings.Contains(wrong.Message, tt.says) {
			t.Errorf("%+v: %v, want %s: %q", tt.q, err, tt.field, tt.says)
		}
	}
	all, err := r.a.ShelveAlarm(AlarmShelve{Rule: "hot", Subject: "m", For: "8h", Who: "R. Vale", Why: "fan ordered"})
	if err != nil || len(all.Rules[0].Shelved) != 1 || all.Rules[0].Shelved[0] != (AlarmShelf{"m", testStartMS + 8*3_600_000, "R. Vale", "fan ordered"}) {
		t.Fatalf("shelved: %+v, %v", all.Rules[0], err)
	}
	r.reading(80, 0, 700)
	for range 5 {
		r.reading(107, 0, 700)
	}
	if all := r.alarms(); len(all.Standing) != 1 || all.Standing[0].Told || all.Standing[0].ShelvedUntil == 0 || len(r.a.alarms.out) != 0 {
		t.Errorf("raised while shelved: %+v, %d to be told", all.Standing, len(r.a.alarms.out))
	}
	if _, err := r.a.UnshelveAlarm(AlarmUnshelve{Rule: "hot", Who: "R. Vale"}); err == nil {
		t.Error("the whole rule is unshelved, which nobody shelved")
	}
	if _, err := r.a.UnshelveAlarm(AlarmUnshelve{Rule: "hot", Subject: "m", Who: "R. Vale"}); err != nil || len(r.a.alarms.out) != 1 || !r.alarms().Standing[0].Told {
		t.Errorf("unshelved while it stands: %v, %d to be told", err, len(r.a.alarms.out))
	}
	if got, want := r.history(), "15:00 hot shelved; 15:05 hot raised; 15:06 hot unshelved"; got != want {
		t.Errorf("history %s, want %s", got, want)
	}
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestPersonsWordOutlastsAPowerCut: what a person was told is done is on the disk by
// then, behind the raise that it is about; a recording that keeps nothing at the moment
// does it all the same.
func TestPersonsWordOutlastsAPowerCut(t *testing.T) {
	dir, cut := t.TempDir(), t.TempDir()
	clock := &manualClock{mono: 1000, wall: testStartMS}
	r := openAlarmRig(t, dir, scanAlarms, clock, Options{})
	stop := start(t.Context(), make(chan error, 1), r.a.keepEvents)
	eventually(t, "the loop to keep events", r.a.keeping.Load)
	r.reading(80, 0, 700)
	for range 5 {
		r.reading(107, 0, 700)
	}
	id := r.alarms().Standing[0].ID
	if _, err := r.a.AcknowledgeAlarm(AlarmAck{ID: id, Who: "R. Vale"}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.a.ShelveAlarm(AlarmShelve{Rule: "low", For: "8h", Who: "R. Vale", Why: "rewiring"}); err != nil {
		t.Fatal(err)
	}
	copyTree(t, filepath.Join(dir, "data"), filepath.Join(cut, "data"))
	stop()
	after := openAlarmRig(t, cut, scanAlarms, clock, Options{})
	if all := after.alarms(); len(all.Standing) != 1 || all.Standing[0].ID != id || all.Standing[0].Acknowledged == nil || len(all.Rules[1].Shelved) != 1 {
		t.Errorf("after the cut %+v, %+v", all.Standing, all.Rules[1])
	}
	if _, err := r.a.UnshelveAlarm(AlarmUnshelve{Rule: "low", Who: "R. Vale"}); err != nil || len(r.alarms().Rules[1].Shelved) != 0 {
		t.Errorf("while nothing is kept: %v", err)
	}
	for _, a := range []*Agent{r.a, after.a} {
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestAbsolutePressureIsJudgedAsGauge: 6.5 bar(a) are 5.5 bar above the air around, and
// so below a minimum of 6 bar.
func TestAbsolutePressureIsJudgedAsGauge(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), alarmSite+scanAlarms, strings.Replace(alarmMap, `unit = "bar"`, `unit = "bar(a)"`, 1))
	clock := &manualClock{mono: 1000, wall: testStartMS}
	a, err := Open(site, Options{Dial: noLine, Clock: clock})
	if err != nil {
		t.Fatal(err)
	}
	r := &alarmRig{t, a, clock}
	for range 15 {
		r.reading(80, 0, 720) // 6.2 bar gauge
	}
	if got := r.history(); got != "" {
		t.Errorf("above the minimum: %s", got)
	}
	for range 11 {
		r.reading(80, 0, 650)
	}
	if got, want := r.history(), "15:26 low raised"; got != want {
		t.Fatalf("history %s, want %s", got, want)
	}
	if got := r.alarms().Standing[0].Text; !strings.Contains(got, "5.49 bar, below the minimum of 6.00 bar") {
		t.Errorf("it says %s", got)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestSilentDeviceIsTold: a device that does not answer is told after its delay, and
// the rules that see its readings are blind.
func TestSilentDeviceIsTold(t *testing.T) {
	r := openAlarmRig(t, t.TempDir(), scanAlarms+"[[alarm]]\nname = \"silent\"\non = \"no data\"\nafter = \"10s\"\n", &manualClock{mono: 1000, wall: testStartMS}, Options{})
	for range 12 {
		r.clock.advance(1000)
		r.a.lookAtAlarms()
	}
	if got, want := r.history(), "15:11 silent raised"; got != want {
		t.Errorf("history %s, want %s", got, want)
	}
	all := r.alarms()
	if all.Standing[0].Subject != "c" || !all.Standing[0].SinceAtLeast || all.Standing[0].Unit != "" || all.Standing[0].Value != nil {
		t.Errorf("standing %+v", all.Standing[0])
	}
	for _, rule := range all.Rules {
		if rule.Rule == "hot" && (rule.State != "new" || rule.Why != "") {
			t.Errorf("a rule that was not looked at yet: %+v", rule)
		}
	}
	r.clock.advance(120_000)
	for _, rule := range r.alarms().Rules {
		if rule.Rule == "hot" && (rule.State != "blind" || !strings.Contains(rule.Why, "nothing has been read of it yet")) {
			t.Errorf("a rule without readings: %+v", rule)
		}
	}
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestQuietScansAllocateNothing: alarms are judged on the way of each scan to the page.
func TestQuietScansAllocateNothing(t *testing.T) {
	r := openAlarmRig(t, t.TempDir(), scanAlarms, &manualClock{mono: 1000, wall: testStartMS}, Options{})
	g := r.a.groups[0]
	s := scan.Scan{Group: g, MonoMS: 1000, WallMS: testStartMS, Values: make([]int64, len(g.Channels))}
	for i := range g.Channels {
		s.Values[i] = map[string]int64{"heat": 80, "pressure": 700}[g.Channels[i].Name]
	}
	if len(r.a.alarms.inScans[g]) == 0 {
		t.Fatal("no rule sees this group")
	}
	if n := testing.AllocsPerRun(1000, func() { s.MonoMS += 1000; r.a.seeAlarms(&s) }); n != 0 {
		t.Errorf("%g allocations a scan", n)
	}
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestPressureInTheShifts: an alarm of the shifts is not raised outside them, and what
// stands at their end returns with the reason.
func TestPressureInTheShifts(t *testing.T) {
	dir := t.TempDir()
	site := strings.Replace(alarmSite, `name = "Test"`, `name = "Test"`+"\nshifts = [\"Mon-Fri 07:00-16:00\"]", 1)
	load := loadTestSite(t, dir, site+"[[alarm]]\nname = \"low\"\non = \"pressure below minimum\"\nwhen = \"shifts\"\nafter = \"5s\"\nclear_after = \"0s\"\n", alarmMap)
	end := time.Date(2026, 2, 25, 16, 0, 0, 0, time.UTC).UnixMilli() // a Wednesday
	clock := &manualClock{mono: 1000, wall: end - 10_000}
	a, err := Open(load, Options{Dial: noLine, Clock: clock})
	if err != nil {
		t.Fatal(err)
	}
	r := &alarmRig{t, a, clock}
	for range 30 {
		r.reading(80, 0, 590)
	}
	page, err := a.Events(EventQuery{Kinds: []string{kindAlarm}, Limit: 10})
	if err != nil || len(page.Events) != 0 {
		t.Fatalf("before anything is kept: %v, %v", page, err)
	}
	r.keep()
	if page, err = a.Events(EventQuery{Kinds: []string{kindAlarm}, Limit: 10}); err != nil || len(page.Events) != 2 {
		t.Fatalf("%d events, want a raise and a return: %v", len(page.Events), err)
	}
	raised, back := page.Events[1], page.Events[0]
	if int64(raised.Time) != end-4000 || int64(back.Time) != end || back.Text != "low, returned: pressure of main 5.90 bar: the shift is over" {
		t.Errorf("raised %v, returned %v: %q", raised.Time, back.Time, back.Text)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
}
