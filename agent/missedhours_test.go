package agent

import (
	"testing"
	"time"
)

// Between two readings an hour meter goes on by no more than the time between: one
// that shows more is another meter, and bounds nothing.
func TestHourMeterWithinTime(t *testing.T) {
	g := &deviceGap{stretch: stretch{0, (3 * time.Hour).Milliseconds()}}
	for _, tt := range []struct {
		change, step float64
		unit         string
		want         bool
	}{
		{3, 1, "h", true},
		{4, 1, "h", true}, // 0.1 to 3.1 shows as 0 to 4 where it is rounded up
		{20_000, 1, "h", false},
		{3.5, 0.01, "h", false},
		{180, 1, "min", true},
		{240, 1, "min", false},
	} {
		c := MissedCounter{Change: tt.change, Step: tt.step, Unit: tt.unit}
		if got := c.withinTime(g); got != tt.want {
			t.Errorf("%g %s in steps of %g over 3 h: %v", tt.change, tt.unit, tt.step, got)
		}
	}
}
