package agent

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/alarm"
	"loadscribe/agent/analysis"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// wantSight compares what is seen: bad, fine, between or blind, and the words.
func wantSight(t *testing.T, name string, got alarm.Sight, want, says string) {
	t.Helper()
	word := map[alarm.Verdict]string{alarm.Bad: "bad", alarm.Fine: "fine", alarm.Between: "between"}[got.Verdict]
	if !got.Seen {
		word = "blind"
	}
	if word != want || !strings.Contains(got.Why, says) || word == "blind" && got.Why == "" {
		t.Errorf("%s: %s %q, want %s %q", name, word, got.Why, want, says)
	}
}

// TestServiceIsSeenAsTheListHasIt: overdue, due soon, due later, and not to be told.
func TestServiceIsSeenAsTheListHasIt(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	over, left := -62.0, 100.0
	for _, tt := range []struct {
		name       string
		item       analysis.ServiceItem
		ahead      time.Duration
		want, says string
	}{
		{"by hours", analysis.ServiceItem{Overdue: true, HoursLeft: &over, Due: "2026-02-20T00:00:00.000Z"}, 0, "bad", "due, 62 running hours over"},
		{"by months", analysis.ServiceItem{Overdue: true, HoursLeft: &left, Due: "2026-02-20T00:00:00.000Z"}, 0, "bad", "due since 2026-02-20"},
		{"within the time ahead", analysis.ServiceItem{Due: "2026-03-10T00:00:00.000Z"}, 14 * 24 * time.Hour, "bad", "due on 2026-03-10"},
		{"behind the time ahead", analysis.ServiceItem{Due: "2026-03-20T00:00:00.000Z"}, 14 * 24 * time.Hour, "fine", ""},
		{"nothing ahead", analysis.ServiceItem{Due: "2026-03-03T00:00:00.000Z"}, 0, "fine", ""},
		{"not to be told", analysis.ServiceItem{Absent: "nobody wrote down when it was done"}, 0, "blind", "nobody wrote down"},
	} {
		wantSight(t, tt.name, service(&tt.item, now, tt.ahead, time.UTC), tt.want, tt.says)
	}
}

// TestCalibrationIsSeenAsTheRecordHasIt.
func TestCalibrationIsSeenAsTheRecordHasIt(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name, calibrated, until string
		ahead                   time.Duration
		want, says              string
	}{
		{"run out", "2024-02-01", "2026-03-01", 0, "bad", "holds until 2026-03-01 (EXPIRED)"},
		{"its last day", "2024-02-01", "2026-03-02", 0, "fine", ""},
		{"runs out soon", "2024-02-01", "2026-03-20", 30 * 24 * time.Hour, "bad", "holds until 2026-03-20"},
		{"runs out later", "2024-02-01", "2026-05-20", 30 * 24 * time.Hour, "fine", ""},
		{"no date", "", "", 0, "blind", "no calibration date"},
		{"no end", "2024-02-01", "", 0, "blind", "no end stated"},
		{"in the future", "2026-04-01", "2027-04-01", 0, "blind", "FUTURE"},
	} {
		in := &sitefile.Instrument{Calibrated: tt.calibrated, Until: tt.until}
		r := sitefile.InstrumentRecord{Instrument: in, Subject: "c", Device: &sitefile.Device{Name: "c", Map: &sitefile.RegisterMap{}}}
		wantSight(t, tt.name, calibration(&r, now, tt.ahead), tt.want, tt.says)
	}
}

// TestDiskAndDevicesAsSeen.
func TestDiskAndDevicesAsSeen(t *testing.T) {
	p := &alarm.Point{Rule: &alarm.Rule{Alarm: sitefile.Alarm{FreeBytes: 2e9}}}
	for _, tt := range []struct {
		name, trouble string
		free          int64
		want, says    string
	}{
		{"takes nothing", "the disk is full", 0, "bad", "the disk is full"},
		{"little is free", "", 1_900_000_000, "bad", "1.9 GB free, less than 2 GB"},
		{"hardly more", "", 2_100_000_000, "between", ""},
		{"enough", "", 2_200_000_000, "fine", ""},
		{"not known", "", -1, "fine", ""},
	} {
		wantSight(t, tt.name, disk(alarm.Sight{}, p, tt.trouble, &store.Stats{FreeBytes: tt.free}), tt.want, tt.says)
	}
	devices := []poll.DeviceStatus{{Device: "up", Up: true, LastGoodMS: 5}, {Device: "down", LastGoodMS: 5, LastReason: scan.Timeout, Detail: "no answer within 1 s"},
		{Device: "bare", LastGoodMS: 5, LastReason: scan.BadChecksum}, {Device: "new"}}
	for _, tt := range []struct{ device, want, says string }{
		{"up", "fine", ""}, {"down", "bad", "no answer within 1 s"}, {"bare", "bad", "bad checksum"}, {"new", "bad", "not answered since the recording started"}, {"none", "blind", "not polled"},
	} {
		wantSight(t, tt.device, noData(alarm.Sight{}, devices, tt.device), tt.want, tt.says)
	}
}

// TestStartsAsSeen: a count that may lack some starts can be too many, not few enough.
func TestStartsAsSeen(t *testing.T) {
	p := &alarm.Point{Subject: "m", Limit: alarm.Limit{At: 3, Reached: true}}
	l := &alarms{lastUnseenMS: map[string]int64{}}
	const hourMS = 3_600_000
	for _, tt := range []struct {
		name       string
		mono       int64
		starts     int
		reason     string
		want, says string
	}{
		{"few", 1000, 2, "", "fine", ""},
		{"as many as may be", 2000, 3, "", "bad", ""},
		{"many, now unseen", 3000, 3, "timeout", "bad", ""},
		{"few, now unseen", 4000, 2, "timeout", "blind", "timeout"},
		{"few, with a gap in the hour", 4000 + hourMS - 1, 2, "", "between", ""},
		{"few, the gap an hour ago", 4000 + hourMS, 2, "", "fine", ""},
	} {
		wantSight(t, tt.name, l.starts(alarm.Sight{MonoMS: tt.mono}, p, &analysis.Live{StartsLastHour: tt.starts, Reason: tt.reason}), tt.want, tt.says)
	}
}

// TestLoadCyclesAreTheFigures: the rule sees the figure load_cycles of the last hour,
// and nothing of an hour that was hardly read.
func TestLoadCyclesAreTheFigures(t *testing.T) {
	r := openAlarmRig(t, t.TempDir(), "[[alarm]]\nname = \"cycling\"\non = \"short cycling\"\nlimit = 20\nclear_after = \"0s\"\n[[alarm]]\nname = \"starts\"\non = \"starts at the limit\"\nclear_after = \"0s\"\n",
		&manualClock{mono: 1000, wall: testStartMS}, Options{})
	second := func(loaded int64) []scan.Scan {
		r.clock.advance(1000)
		mono, wall := r.clock.Now()
		var batch []scan.Scan
		for _, g := range r.a.groups {
			s := scan.Scan{Group: g, MonoMS: mono, WallMS: wall, Values: make([]int64, len(g.Channels))}
			for i := range g.Channels {
				s.Values[i] = map[string]int64{"running": 1, "loaded": loaded, "heat": 80, "pressure": 700}[g.Channels[i].Name]
			}
			batch = append(batch, s)
		}
		return batch
	}
	play := func(seconds, period int64) {
		var batch []scan.Scan
		for i := range seconds {
			loaded := int64(0)
			if i%period < period/2 {
				loaded = 1
			}
			batch = append(batch, second(loaded)...)
		}
		if err := r.a.store.Append(batch); err != nil {
			t.Fatal(err)
		}
	}
	judge := func() (alarm.Sight, float64) {
		sights := r.a.judgeCycling(r.a.alarms.byKind[sitefile.AlarmCycling])
		end := r.a.end().UnixMilli()
		report, err := r.a.Figures(end-3_600_000, end, "m")
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range report.Machines[0].Figures {
			if f.Name == "load_cycles" && f.Value != nil {
				return sights[0], *f.Value
			}
		}
		t.Fatal("no figure load_cycles")
		return sights[0], 0
	}
	play(1200, 300) // 4 loads in the first 20 minutes
	sight, _ := judge()
	wantSight(t, "a third of an hour", sight, "blind", "only 33 % of the last hour")
	play(2400, 300)
	sight, figure := judge()
	wantSight(t, "an hour with 12 loads", sight, "fine", "")
	if sight.Value != figure || figure < 11 || figure > 12 {
		t.Errorf("the rule sees %g, the figure is %g, played were 12", sight.Value, figure)
	}
	play(3600, 90) // 40 loads in an hour
	sight, figure = judge()
	wantSight(t, "an hour with 40 loads", sight, "bad", "")
	if sight.Value != figure || figure < 39 || figure > 40 {
		t.Errorf("the rule sees %g, the figure is %g, played were 40", sight.Value, figure)
	}
	r.a.judgeSlow(slowAlarm{sitefile.AlarmCycling, r.a.judgeCycling})
	if got := r.history(); !strings.HasSuffix(got, "cycling raised") {
		t.Errorf("history %s", got)
	}
	mono, wall := r.clock.Now()
	live, _ := r.a.folder.Live("m", mono, wall)
	if live.StartsLastHour != 0 || live.State != analysis.Unloaded {
		t.Errorf("live %+v", live)
	}
	r.a.lookAtAlarms()
	if value := r.alarms(); len(value.Standing) != 1 {
		t.Errorf("standing %+v", value.Standing)
	}
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestQuietGrowthIsSeen: raised only where it is surely more.
func TestQuietGrowthIsSeen(t *testing.T) {
	grown := 0.2
	p := &alarm.Point{Rule: &alarm.Rule{Alarm: sitefile.Alarm{Above: &grown}}, Limit: alarm.Limit{At: grown}}
	split := time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC)
	nights := func(before, latest []float64) *analysis.Nights {
		n := &analysis.Nights{}
		add := func(from time.Time, flow float64) {
			pa := 7e5
			n.Nights = append(n.Nights, analysis.Night{From: from.Format(time.RFC3339), Flow: &flow, Pressure: &pa})
		}
		for i, f := range before {
			add(split.AddDate(0, 0, i-len(before)), f)
		}
		for i, f := range latest {
			add(split.AddDate(0, 0, i), f)
		}
		return n
	}
	for _, tt := range []struct {
		name           string
		before, latest []float64
		want, says     string
	}{
		{"half more, even nights", []float64{10, 10.2, 9.8, 10, 10.1}, []float64{15, 15.1, 14.9}, "bad", "of 3 quiet nights against 5 before"},
		{"a tenth more", []float64{10, 10.2, 9.8, 10, 10.1}, []float64{11, 11.1, 10.9}, "fine", ""},
		{"half more by one wild night", []float64{10, 10.2, 9.8, 10, 10.1}, []float64{10, 10, 25}, "between", "±"},
		{"too few nights", []float64{10, 10.2, 9.8}, []float64{15, 15.1}, "blind", "2 quiet nights against 3 before"},
		{"nothing before", []float64{0, 0, 0}, []float64{15, 15.1, 15}, "blind", "nothing to compare with"},
	} {
		wantSight(t, tt.name, quietGrowth(p, nights(tt.before, tt.latest), split.UnixMilli(), 98e3), tt.want, tt.says)
	}
	wantSight(t, "no quiet hours", quietGrowth(p, &analysis.Nights{Absent: "no shifts"}, split.UnixMilli(), 98e3), "blind", "no shifts")
}

// TestSlowAlarmsAreJudged: what is not in a scan is judged by the agent's own answers,
// once, without waiting for its hour.
func TestSlowAlarmsAreJudged(t *testing.T) {
	r := openAlarmRig(t, t.TempDir(), `
[[alarm]]
name = "calibration"
on = "calibration expired"
[[alarm]]
name = "service"
on = "service due"
[[alarm]]
name = "quiet"
on = "quiet demand grown"
`, &manualClock{mono: 1000, wall: testStartMS}, Options{})
	r.reading(80, 0, 700)
	kinds := r.a.slowAlarms()
	if len(kinds) != 3 {
		t.Fatalf("%d kinds are judged slowly, want 3", len(kinds))
	}
	for _, k := range kinds {
		r.a.judgeSlow(k)
	}
	all := r.alarms()
	if len(all.Standing) != 1 || all.Standing[0].Rule != "calibration" || !strings.Contains(all.Standing[0].Text, "calibrated 2023-01-10") {
		t.Errorf("standing %+v", all.Standing)
	}
	for _, rule := range all.Rules[1:] {
		if rule.State != "blind" || rule.Why == "" || strings.Contains(rule.Why, "since the recording started") {
			t.Errorf("%s is %s: %q", rule.Rule, rule.State, rule.Why)
		}
	}
	if got := fmt.Sprint(all.Rules[0].State); got != "raised" {
		t.Errorf("calibration is %s", got)
	}
	if err := r.a.Close(); err != nil {
		t.Fatal(err)
	}
}
