package agent

import (
	"testing"
	"time"
)

// TestTakesLessThanIsRecorded: a receiver is slow while what waits for it is old and
// gets no less old, and not while it catches up, be it with an outage or with a week.
func TestTakesLessThanIsRecorded(t *testing.T) {
	minute := time.Minute.Milliseconds()
	for name, c := range map[string]struct {
		behind  func(at int64) int64 // in minutes, of minutes
		failing func(at int64) bool
		slow    func(at int64) bool // nil: never
	}{
		"in good order":       {behind: func(int64) int64 { return 1 }},
		"slow from the start": {behind: func(at int64) int64 { return at }, slow: func(at int64) bool { return at >= 35 }},
		"just as much as is recorded": {behind: func(at int64) int64 { return min(at, 40) },
			slow: func(at int64) bool { return at >= 35 }},
		"a week is caught up": {behind: func(at int64) int64 { return max(0, 7*24*60-at) }},
		"an outage of two hours, caught up as slowly": {behind: func(at int64) int64 { return max(0, min(at, 240-at)) },
			failing: func(at int64) bool { return at < 120 }},
		"behind, and mended at 100": {behind: func(at int64) int64 { return max(0, min(at, 200-at)) }, slow: func(at int64) bool { return at >= 35 && at < 115 }},
	} {
		l := &lagWatch{}
		for at := int64(0); at < 300; at++ {
			failing := c.failing != nil && c.failing(at)
			want := c.slow != nil && c.slow(at)
			if got := l.slow(c.behind(at)*minute, at*minute, failing); got != want {
				t.Errorf("%s: after %d min: slow %v, want %v", name, at, got, want)
				break
			}
		}
	}
}
