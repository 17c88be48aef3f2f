package agent

import (
	"testing"

	"loadscribe/agent/store"
)

// When labels cannot tell what was recorded before a time.
func TestSetBackOver(t *testing.T) {
	first := store.Segment{Number: 1, StartWallMS: 1000, StartMonoMS: 0, Why: store.WhyStart, BootID: "a"}
	step := func(wall, mono int64) store.Segment {
		return store.Segment{Number: 2, StartWallMS: wall, StartMonoMS: mono, Why: "clock step", BootID: "a"}
	}
	for _, tt := range []struct {
		name string
		all  []store.Segment
		at   int64
		want bool
	}{
		{"one run", []store.Segment{first}, 5000, false},
		{"set back over it", []store.Segment{first, step(3000, 6000)}, 5000, true},
		{"set back after it", []store.Segment{first, step(6000, 8000)}, 5000, false},
		{"set back before it", []store.Segment{first, step(2000, 3000)}, 5000, false},
		{"set forward over it", []store.Segment{first, step(9000, 2000)}, 5000, false},
		{"put right since", []store.Segment{first, {Number: 2, StartWallMS: 3000, ShiftMS: 4000, StartMonoMS: 6000, Why: "clock step", BootID: "a"}}, 5000, false},
	} {
		if got := setBackOver(tt.all, tt.at); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}
