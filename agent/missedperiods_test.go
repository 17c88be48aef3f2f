package agent

import (
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

// What was due is counted by the period that a device had then, not by the one it
// has now.
func TestMissedCountsByThePeriodOfThen(t *testing.T) {
	const runMS = 600_000
	clock := &manualClock{wall: testStartMS}
	dir := t.TempDir()
	// record is a run of ten minutes in which every so many seconds a reading is due,
	// and the first so many of them come.
	record := func(every string, secondsEach, come int64) (*Recorder, func()) {
		site := strings.Replace(historySite, `every = "1s"`, `every = "`+every+`"`, 1)
		rec, err := OpenRecorder(loadTestSite(t, dir, site, countingMap), Options{Clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		group := rec.Groups()[0]
		for k := range come {
			afterMS := k * secondsEach * 1000
			one := scan.Scan{Group: group, MonoMS: clock.mono + afterMS, WallMS: clock.wall + afterMS, Values: []int64{300, 1000 + k}}
			if err := rec.Append([]scan.Scan{one}); err != nil {
				t.Fatal(err)
			}
		}
		clock.advance(runMS)
		return rec, func() {
			if err := rec.Close(); err != nil {
				t.Error(err)
			}
		}
	}
	for _, run := range []struct {
		every             string
		secondsEach, come int64
	}{{"1s", 1, 600}, {"5s", 5, 120}, {"1s", 1, 300}, {"5s", 5, 0}, {"5s", 5, 120}} {
		_, stop := record(run.every, run.secondsEach, run.come)
		stop()
	}
	rec, stop := record("2s", 2, 0) // nothing answers since it was started
	defer stop()
	for _, tt := range []struct {
		name                string
		fromRun, toRun      float64
		due, read, periodMS int64
	}{
		{"each second", 0, 1, 600, 600, 1000},
		{"then each five", 0, 2, 720, 720, 5000},
		{"half of the seconds", 2, 3, 600, 300, 1000},
		{"halves of two runs", 0.5, 1.5, 360, 360, 5000},
		{"a start that was never answered has the period before", 2, 4, 1200, 300, 1000},
		{"but the present one is known", 4, 6, 420, 120, 2000},
		{"all", 0, 6, 600 + 120 + 600 + 600 + 120 + 300, 600 + 120 + 300 + 120, 2000},
	} {
		at := func(run float64) int64 { return testStartMS + int64(run*runMS) }
		stats := rec.history.store.Stats()
		m, err := rec.history.missed(at(tt.fromRun), at(tt.toRun), time.UnixMilli(clock.wall), &stats)
		if err != nil {
			t.Fatal(err)
		}
		d := m.Devices[0]
		if d.Due != tt.due || d.Read != tt.read || d.PeriodMS != tt.periodMS {
			t.Errorf("%s: %d of %d at %d ms, want %d of %d at %d ms", tt.name, d.Read, d.Due, d.PeriodMS, tt.read, tt.due, tt.periodMS)
		}
	}
}
