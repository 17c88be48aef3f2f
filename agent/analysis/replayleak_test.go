package analysis

import (
	"testing"

	"loadscribe/agent/sitefile"
)

// TestLeakingPressure: a plant at 7 bar by day and empty by night leaks by day alone;
// what leaves a hole at more than twice the pressure behind it goes with the absolute
// pressure (textbook).
func TestLeakingPressure(t *testing.T) {
	r := &replayMaker{site: &sitefile.Site{BarometerPa: 1e5}, rec: &ReplayRecord{Minutes: []ReplayMinute{
		{StartPa: 7e5, EndPa: 7e5}, {}, {StartPa: 5e5, EndPa: 7e5}, {StartPa: -200},
	}}}
	near(t, "pressure that leaks follow, Pa", r.leakingPa(), (8e5+7e5)/4, 1)
}
