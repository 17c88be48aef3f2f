package analysis

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

func mustUnloads(t *testing.T, src Source, q UnloadQuery) Unloads {
	t.Helper()
	q.NowMS = farFuture
	got, err := UnloadsOf(src, sumpPlant(t), "comp1", q)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// TestUnloadCurves: curves of hand-made unloads are their readings, by seconds
// since the unload, from sealed pieces and from the folder alike.
func TestUnloadCurves(t *testing.T) {
	site := sumpPlant(t)
	scans := unloadTape(site, sound(), fall{30, 60, 800, 200, 24, 12}, kept()).scans
	for name, src := range map[string]Source{"sealed": fold(site, scans, 300, 400), "pending": unsealed(site, scans)} {
		t.Run(name, func(t *testing.T) {
			got := mustUnloads(t, src, UnloadQuery{FromMS: monday, ToMS: monday + hourMS, Limit: 10, Seconds: 100, Points: 300})
			if got.Total != 3 || len(got.Unloads) != 3 {
				t.Fatalf("%d unloads of %d, want 3", len(got.Unloads), got.Total)
			}
			for i, want := range []struct {
				start  string
				lasted float64
				points int // five seconds before it, and those up to 100 s
			}{{"2024-03-04T00:01:00.000Z", 200, 106}, {"2024-03-04T00:05:20.000Z", 30, 36}, {"2024-03-04T00:06:50.000Z", 200, 106}} {
				u := got.Unloads[i]
				if u.Start != want.start || u.LastedS != want.lasted || u.Ended != "load" || len(u.Power) != want.points || len(u.Sump) != want.points {
					t.Errorf("unload %d: %s, %g s, ended by %s, %d and %d points, want %+v", i, u.Start, u.LastedS, u.Ended, len(u.Power), len(u.Sump), want)
				}
			}
			first := got.Unloads[0]
			for _, p := range [][3]float64{{-5, 36, 800}, {0, 24, 800}, {30, 18, 500}, {60, 12, 200}, {100, 12, 200}} {
				at := int(p[0]) + 5
				if first.Power[at] != [2]float64{p[0], p[1]} || first.Sump[at] != [2]float64{p[0], p[2]} {
					t.Errorf("at %g s %v kW and %v kPa, want %g and %g", p[0], first.Power[at], first.Sump[at], p[1], p[2])
				}
			}
			if text := strings.Join(got.Sentences, " "); !strings.Contains(text, "1 of 3 unloads settled, 1 kept") || !strings.Contains(text, "took 54 s (median of 1)") {
				t.Errorf("sentences %q", text)
			}
		})
	}
}

// TestUnloadCurvesAreCapped: of more unloads than are asked for evenly chosen ones
// have a curve, with no more points than are asked for.
func TestUnloadCurvesAreCapped(t *testing.T) {
	site := sumpPlant(t)
	var falls []fall
	for range 40 {
		falls = append(falls, fall{20, 60, 800, 200, 24, 12})
	}
	m := fold(site, unloadTape(site, falls...).scans)
	got := mustUnloads(t, m, UnloadQuery{FromMS: monday, ToMS: monday + hourMS, Limit: 5, Seconds: 100, Points: 7})
	if got.Total != 40 || len(got.Unloads) != 5 || len(got.Notes) != 1 || !strings.Contains(got.Notes[0], "5 of 40") {
		t.Fatalf("%d unloads of %d, notes %q", len(got.Unloads), got.Total, got.Notes)
	}
	for i, u := range got.Unloads {
		if len(u.Power) != 7 || u.Power[0][0] != -5 || u.Power[6][0] != 20 {
			t.Errorf("curve %d: %v, want 7 points from -5 to 20 s", i, u.Power)
		}
	}
	if got.Unloads[0].Start != "2024-03-04T00:01:00.000Z" || got.Unloads[4].Start != "2024-03-04T00:53:00.000Z" {
		t.Errorf("from %s to %s: the first and the last must be there", got.Unloads[0].Start, got.Unloads[4].Start)
	}
}

// TestUnloadCurveOverGap: where reading broke off the curve ends, and says so;
// what comes after belongs to another segment.
func TestUnloadCurveOverGap(t *testing.T) {
	site := sumpPlant(t)
	tp := unloadTape(site, sound(), sound())
	var scans []scan.Scan
	for _, s := range tp.scans {
		if s.MonoMS >= 90_000 { // the agent is started anew 30 s after the unload
			s.Segment, s.MonoMS = 2, s.MonoMS-60_000
			s.WallMS += 20_000
		}
		scans = append(scans, s)
	}
	got := mustUnloads(t, fold(site, scans), UnloadQuery{FromMS: monday, ToMS: monday + hourMS, Limit: 9, Seconds: 300, Points: 300})
	if len(got.Unloads) != 2 || got.Unloads[0].Ended != TurnLost || got.Unloads[1].Ended != TurnLoad {
		t.Fatalf("unloads %+v", got.Unloads)
	}
	power := got.Unloads[0].Power
	if last := power[len(power)-1]; last[0] != 29 || math.Abs(last[1]-18.2) > 1e-9 {
		t.Errorf("the curve ends at %v, want 29 s and 18.2 kW", last)
	}
}

// TestUnloadCurvesKeepTheirOwn: what comes after an unload's end is not kept with
// it, so that many short ones in a long reach take no more memory than they show.
func TestUnloadCurvesKeepTheirOwn(t *testing.T) {
	site := sumpPlant(t)
	var falls []fall
	for range 20 {
		falls = append(falls, fall{20, 60, 800, 200, 24, 12})
	}
	m := fold(site, unloadTape(site, falls...).scans)
	sp, err := specOf(m, site, "comp1")
	if err != nil {
		t.Fatal(err)
	}
	g, err := gather(m, sp, monday, monday+hourMS, nil)
	if err != nil {
		t.Fatal(err)
	}
	var seen []seenUnload
	for _, u := range unloadsIn(g, monday, monday+hourMS) {
		seen = append(seen, seenUnload{moment: u, untilMS: u.ms})
	}
	if err := readTogether(m, sp, seen, 600_000); err != nil {
		t.Fatal(err)
	}
	if len(seen) != 20 {
		t.Fatalf("%d unloads", len(seen))
	}
	for i, u := range seen {
		if len(u.draws) != 26 || len(u.sumps) != 26 {
			t.Errorf("unload %d keeps %d and %d points, want 5 s before it to 20 s after", i, len(u.draws), len(u.sumps))
		}
	}
}
