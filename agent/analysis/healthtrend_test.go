package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

// TestPettittOnTheNile: the flow of the Nile at Aswan, 1871 to 1970, in 10^8 m³ a
// year (public data, figures from memory), is known to have fallen after 1898,
// when the dam was begun (Cobb 1978, from memory).
func TestPettittOnTheNile(t *testing.T) {
	nile := []float64{1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
		1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824,
		702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771,
		676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170,
		912, 746, 919, 718, 714, 740}
	c, ok := changeOf(nile, 100)
	if year := 1870 + c.at; !ok || year != 1898 || c.drift {
		t.Errorf("%v %+v: the last year before the change is %d, want 1898, a step", ok, c, year)
	}
	if fall := c.before - c.after; fall < 200 || fall > 300 { // 1098 to 850 in the mean
		t.Errorf("it fell by %g, want about 250", fall)
	}
	if _, ok := changeOf(nile[28:], 1); ok {
		t.Error("a change is told in the years after 1898")
	}
}

// TestPettittP: K = 232 of 40 values gives 0.0146 (the example of Pettitt's
// paper with Page's data, from memory).
func TestPettittP(t *testing.T) {
	if p := pettittP(232, 40); math.Abs(p-0.0146) > 5e-5 {
		t.Errorf("p = %.5f, want 0.0146", p)
	}
}

// noise draws n values around level whose neighbours are alike by r.
func noise(g *rand.Rand, n int, r float64) []float64 {
	all, last := make([]float64, n), g.NormFloat64()
	for i := range all {
		last = r*last + math.Sqrt(1-r*r)*g.NormFloat64()
		all[i] = last
	}
	return all
}

// TestChangeSaysNothingOnNoise: of many rows of noise, some of it with a long
// memory and some with wild values, hardly one is told to change.
func TestChangeSaysNothingOnNoise(t *testing.T) {
	for _, tt := range []struct {
		name string
		r    float64
		n    int
		wild bool
	}{{"white", 0, 45, false}, {"white, few", 0, 14, false}, {"white, many", 0, 300, false}, {"remembers little", 0.25, 60, false}, {"remembers", 0.5, 60, false}, {"remembers long", 0.7, 120, false}, {"wild", 0, 60, true}} {
		told := 0
		const rows = 400
		for seed := uint64(1); seed <= rows; seed++ {
			g := rand.New(rand.NewPCG(seed, 5))
			x := noise(g, tt.n, tt.r)
			for i := range x {
				if tt.wild && g.IntN(10) == 0 {
					x[i] *= 50
				}
			}
			if _, ok := changeOf(x, 0); ok {
				told++
			}
		}
		t.Logf("%s: %d of %d", tt.name, told, rows)
		if most := rows/100 + int(float64(rows)*0.015*math.Ceil(tt.r)); told > most {
			t.Errorf("%s: a change is told in %d of %d rows of noise", tt.name, told, rows)
		}
	}
}

// TestChangeFindsStepAndDrift: a step of three standard deviations is found where
// it is, a drift is called one, and a small change is let be.
func TestChangeFindsStepAndDrift(t *testing.T) {
	steps, drifts := 0, 0
	const rows = 200
	for seed := uint64(1); seed <= rows; seed++ {
		g := rand.New(rand.NewPCG(seed, 6))
		step, drift := noise(g, 45, 0), noise(g, 45, 0)
		for i := range step {
			if i >= 12 {
				step[i] += 3
			}
			drift[i] += float64(i) * 0.2
		}
		if c, ok := changeOf(step, 1); ok && c.at >= 10 && c.at <= 14 && math.Abs(c.after-c.before-3) < 1.2 && !c.drift {
			steps++
		}
		if c, ok := changeOf(drift, 1); ok && c.drift {
			drifts++
		}
		if c, ok := changeOf(step, 5); ok {
			t.Errorf("seed %d: %+v is told, though less than 5 is none", seed, c)
		}
	}
	t.Logf("steps %d, drifts %d of %d", steps, drifts, rows)
	if steps < rows*95/100 || drifts < rows*95/100 {
		t.Errorf("found %d steps and %d drifts of %d", steps, drifts, rows)
	}
}

// TestSeparatorTrendUnderShortLoads: a separator that drops 20 kPa is the same one
// when loads get short, though no air flows for the first 12 s of each; one that
// drops 26 kPa from then on is not. Of a short load the last second of 25 counts
// half, so that this is seen as 25.5.
func TestSeparatorTrendUnderShortLoads(t *testing.T) {
	for _, tt := range []struct {
		later int64 // hundredths of a kPa
		by    float64
	}{{2000, 0}, {2600, 6}} {
		site := plant(t)
		site.Devices[0].Map.Channels[5] = mapChannel(t, "starts", scan.SeparatorDrop, "u16", 0.01, "kPa", time.Second)
		roles := site.Machines[0].Roles
		delete(roles, scan.StartCount)
		roles[scan.SeparatorDrop] = "controller.starts"
		tp := newTape(site, monday)
		const half = 40 * cellMS / 1000
		for sec := int64(0); sec < 2*half; sec++ {
			load, cycle, drop := int64(300), int64(320), int64(2000)
			if sec >= half {
				load, cycle, drop = 40, 60, tt.later
			}
			at, loaded := sec%cycle, int64(0)
			if at < load {
				loaded = 1
			}
			if at < 12 || at >= load {
				drop = 0
			}
			tp.add("controller", sec*1000, 1, loaded, 0, 0, 7000, drop)
		}
		rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+80*cellMS)
		var by []float64
		for _, r := range rep.Machines[0].Remarks {
			if r.About == "separator_drop" {
				by = append(by, *r.Change)
			}
		}
		if (len(by) == 1) != (tt.by > 0) || len(by) > 1 || tt.by > 0 && math.Abs(by[0]-tt.by) > 0.6 {
			t.Errorf("later %d: changes %v kPa, want %g", tt.later, by, tt.by)
		}
	}
}
