package agent

import (
	"fmt"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// A fault is on for five minutes by the clock that cannot be set, whatever the
// wall clock does meanwhile; it is one fault, it ends, and what a window shows
// of it is what its labels say.
func TestFaultAcrossAClockStep(t *testing.T) {
	const hour = int64(3600)
	for name, tt := range map[string]struct {
		startS, stepS int64 // of the wall clock at the start, after testStartMS; of its step
		whole         [2]int64
		cut           [2]int64 // of labels, after testStartMS
		cutOnS        float64
	}{
		"none":            {0, 0, [2]int64{0, hour}, [2]int64{0, 150}, 50},
		"back":            {0, -hour, [2]int64{-2 * hour, hour}, [2]int64{-2 * hour, -hour + 250}, 50},
		"forward":         {0, hour, [2]int64{0, 2 * hour}, [2]int64{150, 2 * hour}, 250},
		"back and inside": {0, -100, [2]int64{-hour, hour}, [2]int64{0, 200}, 200}, // 100 s before the step and as many after
		"set from 1970":   {-testStartMS / 1000, testStartMS / 1000, [2]int64{0, hour}, [2]int64{150, hour}, 250},
	} {
		t.Run(name, func(t *testing.T) {
			site := loadTestSite(t, t.TempDir(), historySite, faultMap)
			start := testStartMS + tt.startS*1000
			rec, err := OpenRecorder(site, Options{Clock: &manualClock{mono: 0, wall: start}})
			if err != nil {
				t.Fatal(err)
			}
			for s := int64(1); s < 600; s++ {
				sc := scan.Scan{Group: rec.Groups()[0], MonoMS: s * 1000, WallMS: start + s*1000, Values: []int64{0}}
				if s >= 200 {
					sc.WallMS += tt.stepS * 1000
				}
				if s >= 100 && s < 400 {
					sc.Values[0] = 3
				}
				if err := rec.Append([]scan.Scan{sc}); err != nil {
					t.Fatal(err)
				}
			}
			h := rec.history
			defer h.Close()
			show := func(window [2]int64) string {
				faults, err := h.faults(testStartMS+window[0]*1000, testStartMS+window[1]*1000, rec.Now())
				if err != nil {
					t.Fatal(err)
				}
				out := ""
				for _, f := range faults {
					out += fmt.Sprintf("%d times, on %g s, unseen %g s, still %v; ", f.Times, f.OnS, f.UnseenS, f.On)
				}
				return out
			}
			if got, want := show(tt.whole), "1 times, on 300 s, unseen 0 s, still false; "; got != want {
				t.Errorf("all of it: %q, want %q", got, want)
			}
			if got, want := show(tt.cut), fmt.Sprintf("on %g s,", tt.cutOnS); !strings.Contains(got, want) {
				t.Errorf("cut by the window: %q, want %q", got, want)
			}
			events, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindFault && e.Data["state"] == "cleared" })
			if err != nil || len(events) != 1 || !strings.HasSuffix(events[0].Text, "cleared after 5 min 0 s") {
				t.Errorf("events of its end: %+v, %v", events, err)
			}
		})
	}
}

const faultMap = `
name = "a fault code"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "code"
role = "fault_code"
table = "input"
address = 0
type = "u16"
faults = { 3 = "high discharge temperature" }
`
