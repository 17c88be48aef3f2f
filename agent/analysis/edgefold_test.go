package analysis

import (
	"slices"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// edgeTape is read each second at the half of it, running all the time and loaded
// where load says so, at the pressure of at (in counts, by the second).
func edgeTape(t testing.TB, site *sitefile.Site, seconds int64, load func(sec int64) bool, at func(sec int64) int64) *tape {
	t.Helper()
	tp := newTape(site, monday)
	for sec := int64(0); sec < seconds; sec++ {
		loaded := int64(0)
		if load(sec) {
			loaded = 1
		}
		tp.add("controller", sec*1000+500, 1, loaded, 0, 0, at(sec), 3)
	}
	return tp
}

// TestEdgeBlocks is worked by hand. The pressure falls by 5 counts a second to
// the load at 100.5 s and rises by 8 after it. Blocks begin at whole multiples of
// 4 s. The last scan before the load is that of 99.5 s, in the block of 96 s; the
// one of 100.5 s lies in that of 100 s: both blocks are cut. So those before are
// the eight from 64 s to 92 s, the last with readings from 92.5 s to 95.5 s, mean
// 94 s, 6.5 s before the load; those after begin at 104 s, mean 106 s.
func TestEdgeBlocks(t *testing.T) {
	site := plant(t)
	at := func(sec int64) int64 {
		if sec < 100 {
			return 7000 - 5*sec
		}
		return 6500 + 8*(sec-100)
	}
	tp := edgeTape(t, site, 300, func(sec int64) bool { return sec >= 100 }, at)
	sp := machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})
	edges := gatherMarks(t, fold(site, tp.scans, 90, 111), sp, monday, monday+hourMS).total.edges
	if len(edges) != 1 {
		t.Fatalf("%d edges, want 1", len(edges))
	}
	e := edges[0]
	if !e.load || e.wall != monday+100_500 || e.lateMS != 1000 {
		t.Errorf("edge %+v, want a load at 100.5 s, seen at most 1 s late", e)
	}
	// The mean of 92, 93, 94 and 95 is 93.5: 6532.5 counts.
	var before, after []edgePoint
	for i := int64(0); i < 8; i++ {
		before = append(before, edgePoint{-6500 - 4000*(7-i), 16*7000 - 8*(187-8*(7-i))*5})
		after = append(after, edgePoint{5500 + 4000*i, 16*6500 + 8*(11+8*i)*8})
	}
	if !slices.Equal(e.before(), before) {
		t.Errorf("before: %v, want %v", e.before(), before)
	}
	if !slices.Equal(e.after(), after) {
		t.Errorf("after: %v, want %v", e.after(), after)
	}
}

// TestEdgeCutByNext: another load or unload ends the blocks on both sides, time
// that was not observed as well, and no more than two of a kind are kept in a
// quarter hour.
func TestEdgeCutByNext(t *testing.T) {
	site := plant(t)
	// Loads each 40 s, for 20 s.
	tp := edgeTape(t, site, 800, func(sec int64) bool { return sec%40 >= 20 }, func(sec int64) int64 { return 6500 })
	sp := machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})
	edges := gatherMarks(t, fold(site, tp.scans), sp, monday, monday+hourMS).total.edges
	if len(edges) != 4 {
		t.Fatalf("%d edges, want two loads and two unloads of one quarter hour", len(edges))
	}
	for _, e := range edges {
		// 20 s are five blocks; the one with the edge is cut, and the one before the next.
		if len(e.before()) > 4 || len(e.after()) > 4 || e.before()[0].ms < -20_000 || e.after()[len(e.after())-1].ms > 20_000 {
			t.Errorf("edge at %d s has blocks beyond the next: %+v", (e.wall-monday)/1000, e)
		}
	}
	// Unseen for 20 s, 12 s after the load: two blocks are left after it.
	tp = edgeTape(t, site, 300, func(sec int64) bool { return sec >= 100 }, func(sec int64) int64 { return 6500 })
	tp.scans = slices.DeleteFunc(tp.scans, func(s scan.Scan) bool { return s.MonoMS > 112_500 && s.MonoMS < 132_500 })
	edges = gatherMarks(t, fold(site, tp.scans), sp, monday, monday+hourMS).total.edges
	if len(edges) != 1 || len(edges[0].after()) != 2 {
		t.Errorf("edges %+v, want one with two blocks after it", edges)
	}
}

// TestTapOfAnotherDevice: the profile is of the system's pressure, and the
// machine's figures know nothing of it.
func TestTapOfAnotherDevice(t *testing.T) {
	site := plant(t)
	site.Devices[1].Map.Channels = []sitefile.MapChannel{mapChannel(t, "header", scan.HeaderPressure, "u16", 1, "kPa", 10*time.Second)}
	site.Devices[1].Every = 10 * time.Second
	delete(site.Machines[0].Roles, scan.Power)
	delete(site.Machines[0].Roles, scan.Energy)
	site.Systems[0].Taps[0].Pressure = "meter.header"
	sp := machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})
	if sp.tap < 0 || sp.chans[sp.tap].id != "meter.header" || sp.blockMS != 20_000 {
		t.Fatalf("tap %d, blocks of %d ms; want the header's and 20 s", sp.tap, sp.blockMS)
	}
	if sp.find(scan.HeaderPressure) >= 0 {
		t.Error("the machine has a header pressure, which is the system's")
	}
}
