package analysis

import (
	"maps"
	"math"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// orderedPlant is the plant with a second machine at the same pipe, of the same set band.
func orderedPlant(t *testing.T) *sitefile.Site {
	t.Helper()
	site := plant(t)
	first := &site.Machines[0]
	first.CutInPa, first.CutOutPa = handLowPa, handHighPa
	other := site.Devices[0]
	other.Name = "controller2"
	site.Devices = append(site.Devices, other)
	second := *first
	second.Name = "comp2"
	second.Roles = maps.Clone(first.Roles)
	for role, channel := range second.Roles {
		if rest, ok := strings.CutPrefix(channel, "controller."); ok {
			second.Roles[role] = "controller2." + rest
		}
	}
	delete(second.Roles, scan.Power)
	delete(second.Roles, scan.Energy)
	site.Machines = append(site.Machines, second)
	site.Systems[0].Machines = append(site.Systems[0].Machines, "comp2")
	return site
}

// TestReplayOfStandby has one of two machines make the air of each cycle while the other
// stands ready at the same pressure. Who loaded in the first two cycles of sixty and not
// when the pressure came down to the same cut-in again was first in the order then and
// stood by since: its band is lower. Where both take turns each has the band that it was
// seen with. All numbers are invented; that machines in an order have bands in steps is
// common practice.
func TestReplayOfStandby(t *testing.T) {
	const cycles, dipPa = 60, 3000.0
	hours := int64(math.Ceil(cycles * handCycleS / 3600))
	play := func(seconds func(cycle int64) bool) ReplayRecord {
		site := orderedPlant(t)
		tp := newTape(site, 0)
		for second := range hours*3600 + 1 {
			loaded, pa, watts := handPlant(second)
			if second%handCycleS < 4 { // until air comes
				pa -= dipPa
			}
			on := [2]int64{1, 0}
			if seconds(second / handCycleS) {
				on = [2]int64{0, 1}
			}
			counts := int64(math.Round(pa / 100))
			tp.add("controller", second*1000, on[0], on[0]*loaded, 1-on[0], 0, counts, 1)
			tp.add("controller2", second*1000, on[1], on[1]*loaded, 1-on[1], 0, counts, 1)
			tp.add("meter", second*1000, int64(math.Round(float64(on[0])*watts/100)), 0)
		}
		return mustReplay(t, fold(site, tp.scans), site, hours)
	}
	rec := play(func(cycle int64) bool { return cycle < 3 })
	first, standby := rec.Machines[0], rec.Machines[1]
	nearTo(t, "cut-in of the first", first.CutInPa.V, handLowPa, 3000)
	if below := handLowPa - standby.CutInPa.V; below < dipPa || below > mostRankPa || !strings.Contains(standby.Basis["cut_in"], "hardly a load") {
		t.Errorf("cut-in of the one that stood by lies %.0f Pa below: %s", below, standby.Basis["cut_in"])
	}
	nearTo(t, "band of the one that stood by", standby.CutOutPa.V-standby.CutInPa.V, handHighPa-handLowPa, 3000)
	rec = play(func(cycle int64) bool { return cycle%2 == 0 })
	for i := range rec.Machines {
		m := &rec.Machines[i]
		nearTo(t, "cut-in of "+m.Machine.Name+" by turns", m.CutInPa.V, handLowPa, 5000)
		if !strings.Contains(m.Basis["cut_in"], "as seen") {
			t.Errorf("%s: %s", m.Machine.Name, m.Basis["cut_in"])
		}
	}
}
