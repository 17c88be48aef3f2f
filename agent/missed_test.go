package agent

import (
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

const countingMap = `
name = "a meter that counts"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "power"
role = "power"
table = "input"
address = 0
type = "u16"
scale = 0.1
unit = "kW"
[[channel]]
name = "energy"
role = "energy"
table = "input"
address = 1
type = "u16"
scale = 0.1
unit = "kWh"
`

// TestMissed: of fifteen minutes five were not read; the counter says what went on
// meanwhile, and the gap is the report's own.
func TestMissed(t *testing.T) {
	for name, tt := range map[string]struct {
		after int64 // counts of the energy after the gap
		bound []float64
	}{
		"it counted on":         {1042, []float64{4.2}},
		"it stood":              {1000, []float64{0}},
		"it was set back":       {3, nil},
		"nothing came after it": {-1, nil},
	} {
		t.Run(name, func(t *testing.T) {
			clock := &manualClock{wall: testStartMS}
			rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), historySite, countingMap), Options{Clock: clock})
			if err != nil {
				t.Fatal(err)
			}
			defer rec.Close()
			for s := range int64(900) {
				energy := int64(1000)
				if s >= 600 {
					energy = tt.after
				}
				if s >= 300 && s < 600 || energy < 0 {
					continue
				}
				if err := rec.Append([]scan.Scan{{Group: rec.Groups()[0], MonoMS: s * 1000, WallMS: clock.wall + s*1000, Values: []int64{300, energy}}}); err != nil {
					t.Fatal(err)
				}
			}
			h := rec.history
			fromMS, toMS := int64(testStartMS), int64(testStartMS+900_000)
			stats := h.store.Stats()
			m, err := h.missed(fromMS-3600_000, toMS, time.UnixMilli(toMS), &stats)
			if err != nil {
				t.Fatal(err)
			}
			d := m.Devices[0]
			read, silent := int64(600), 301.0
			if tt.after < 0 {
				read, silent = 300, 601
			}
			if m.From != Stamp(fromMS) || d.Due != 900 || d.Read != read || d.ReadShare != float64(read)/900 || d.Gaps != 1 || d.GapS != silent || d.LongestS != silent {
				t.Errorf("from %v, device %+v; want it from the record's begin, %d of 900 read, one gap of %g s", m.From, d, read, silent)
			}
			var got []float64
			for _, c := range m.Gaps[0].Counters {
				got = append(got, c.Change)
			}
			if len(got) != len(tt.bound) || len(got) == 1 && math.Abs(got[0]-tt.bound[0]) > 1e-9 || m.Gaps[0].Open != (tt.after < 0) {
				t.Errorf("the counters went on by %v, open %v; want %v", got, m.Gaps[0].Open, tt.bound)
			}
			clock.advance(900_000)
			doc, err := h.Report(t.Context(), ReportRequest{From: Stamp(fromMS).String(), To: Stamp(toMS).String()}, nil)
			if tt.after < 0 { // a report ends with what was recorded
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if g := doc.Data.Gaps; len(g) != 1 || g[0].From != m.Gaps[0].From.String() || g[0].ForS != m.Gaps[0].ForS || g[0].Reason != m.Gaps[0].Reason {
				t.Errorf("the report has %+v, the page %+v", g, m.Gaps)
			}
			if about := aboutOf(m.ToDo); !strings.Contains(about, "device") || !strings.Contains(about, "backup") {
				t.Errorf("to do: %s", about)
			}
		})
	}
}

func aboutOf(all []MissedToDo) (about string) {
	for i := range all {
		about += all[i].About + ": " + all[i].What + " | "
	}
	return about
}

// What happened to the record: sleeps and steps of the clock are summed, the newest
// event stands first, and what is no matter of the record is left out.
func TestMissedEvents(t *testing.T) {
	rec, clock := reportShop(t, 60)
	h := rec.history
	for i, e := range []store.Event{
		{Kind: "computer_slept", Text: "slept", Data: map[string]string{"slept_ms": "90000"}},
		{Kind: "clock_step", Text: "back", Data: map[string]string{"step_ms": "-7000"}},
		{Kind: kindNote, Text: "a note"},
		{Kind: "computer_slept", Text: "slept again", Data: map[string]string{"slept_ms": "30000"}},
	} {
		e.WallMS, e.MonoMS = clock.wall+int64(i), clock.mono
		if _, err := h.store.AppendEvent(e); err != nil {
			t.Fatal(err)
		}
	}
	stats := h.store.Stats()
	m, err := h.missed(testStartMS, clock.wall+1000, time.UnixMilli(clock.wall+1000), &stats)
	if err != nil {
		t.Fatal(err)
	}
	if m.Slept != (MissedSleep{2, 120}) || m.Clock.Steps != 1 || m.Clock.LargestStepS != 7 {
		t.Errorf("slept %+v, clock %+v; want 2 sleeps of 120 s, one step of 7 s", m.Slept, m.Clock)
	}
	var kinds []string
	for _, e := range m.Events {
		kinds = append(kinds, e.Text)
	}
	if len(kinds) < 3 || kinds[0] != "slept again" || kinds[1] != "back" || kinds[2] != "slept" {
		t.Errorf("events %q, want the newest first", kinds)
	}
	if about := aboutOf(m.ToDo); !strings.HasPrefix(about, "sleep: The computer slept twice in this window, 2 min") {
		t.Errorf("to do: %s", about)
	}
}

// How long the disk lasts is reckoned from what there is, and told only where it is
// short.
func TestMissedDisk(t *testing.T) {
	rec, _ := reportShop(t, 60)
	h := rec.history
	for _, tt := range []struct {
		free, blocks int64
		days         float64 // -1: not known
	}{{24_000_000, 48, 24}, {-1, 48, -1}, {24_000_000, 23, -1}} {
		d := h.missedDisk(&store.Stats{DirectoryBytes: 2_500_000, FreePageBytes: 500_000, Blocks: tt.blocks, FreeBytes: tt.free})
		// one device: 24 blocks a day of 2,000,000/48 bytes are 1 MB
		if known := d.DaysLeft != nil; known != (tt.days >= 0) || known && math.Abs(*d.DaysLeft-tt.days) > 1e-9 {
			t.Errorf("%+v: %+v", tt, d)
		}
		about := aboutOf(h.toDo(&Missed{Disk: d, Clock: MissedClock{Set: true}}))
		if strings.Contains(about, "some 24 more days") != (tt.days >= 0) {
			t.Errorf("%+v: to do %s", tt, about)
		}
	}
}
