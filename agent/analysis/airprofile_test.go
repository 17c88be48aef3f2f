package analysis

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/scan"
)

// TestProfileFollowsTheClock: days of 23 and of 25 hours. The shop delivers for
// one minute at the beginning of each hour of the local clock.
func TestProfileFollowsTheClock(t *testing.T) {
	loc, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name  string
		day   time.Time // a Sunday
		hour  int
		wants int // minutes of that hour on that day
	}{
		{"clocks go forward", time.Date(2026, 3, 8, 0, 0, 0, 0, loc), 2, 0},
		{"clocks go back", time.Date(2026, 11, 1, 0, 0, 0, 0, loc), 1, 120},
		{"any Sunday", time.Date(2026, 6, 7, 0, 0, 0, 0, loc), 2, 60},
	} {
		from, to := tt.day.UnixMilli(), tt.day.AddDate(0, 0, 1).UnixMilli()
		b := vessel(0.1, 1, 100e3, int((to-from)/minuteMS))
		for i := range b.minutes {
			b.minutes[i].startMS = from + int64(i)*minuteMS
			if i%60 == 0 {
				b.minutes[i].fullS[0] = 60
			}
		}
		buckets, stepMS, ok := b.buckets()
		if !ok || stepMS != minuteMS || len(buckets) != len(b.minutes) {
			t.Fatalf("%s: %d buckets of %d ms", tt.name, len(buckets), stepMS)
		}
		cells := b.hourCells(loc, buckets)
		const sunday = 6 // Monday is the first
		if got := len(cells[sunday][tt.hour].minutes); got != tt.wants {
			t.Errorf("%s: %02d:00 has %d minutes, want %d", tt.name, tt.hour, got, tt.wants)
		}
		all := 0
		for day := range cells {
			for hour := range cells[day] {
				c := &cells[day][hour]
				all += c.all
				if day != sunday && c.all > 0 {
					t.Errorf("%s: minutes on %s", tt.name, weekdays()[day])
				}
				if v, seconds := b.mean(c.minutes); seconds > 0 && math.Abs(v.V-0.1/60) > 1e-12 {
					t.Errorf("%s: %02d:00 mean %g, want %g", tt.name, hour, v.V, 0.1/60)
				}
			}
		}
		if all != len(b.minutes) {
			t.Errorf("%s: %d minutes of %d have an hour", tt.name, all, len(b.minutes))
		}
	}
}

// TestHighestOfNoisySteps: the mean over many trials of the corrected highest
// step is the true highest within what its interval says, and without the
// correction it is not. Expected maxima of n normal deviates: tables of order
// statistics (from memory).
func TestHighestOfNoisySteps(t *testing.T) {
	for n, want := range map[int]float64{1: 0, 2: 0.564, 5: 1.163, 10: 1.539, 100: 2.508} {
		if got := expectedMax(n); math.Abs(got-want) > 0.03 {
			t.Errorf("expected maximum of %d deviates %.3f, want %.3f", n, got, want)
		}
	}
	rng := rand.New(rand.NewPCG(6, 2))
	const noise, trials, steps = 0.1, 300, 200
	var plain, corrected float64
	covered := 0
	for range trials {
		var all []bucket
		for i := range steps {
			level := 1.0 // a plateau: all contend
			if i%2 == 0 {
				level = 0.2
			}
			all = append(all, bucket{v: level + noise*rng.NormFloat64(), ownU: noise})
		}
		excess, top := highest(all, "main")
		v := gum.New(top.v, noise, "own").Minus(excess)
		plain += top.v / trials
		corrected += v.V / trials
		if math.Abs(v.V-1) <= coverageFactor*v.U() {
			covered++
		}
	}
	if plain < 1+2*noise {
		t.Errorf("without the correction the highest is %.3f: noise was to raise it", plain)
	}
	if math.Abs(corrected-1) > noise {
		t.Errorf("the corrected highest is %.3f in the mean, truly 1 ± %.2f", corrected, noise)
	}
	if covered < trials*93/100 {
		t.Errorf("the interval holds the true highest in %d of %d trials", covered, trials)
	}
}

// TestFlowPeak: the highest whole minute of a meter.
func TestFlowPeak(t *testing.T) {
	site := plant(t)
	controller := site.Devices[0].Map
	controller.Channels = append(controller.Channels, mapChannel(t, "flow", scan.Flow, "u16", 0.01, "m3/min", time.Second))
	site.Machines[0].Roles[scan.Flow] = "controller.flow"
	tp := newTape(site, 1_772_452_800_000)
	for s := int64(0); s <= 600; s++ {
		flow := int64(300)
		if s > 180 && s <= 240 {
			flow = 500
		}
		if s == 400 { // one reading is no minute
			flow = 900
		}
		tp.add("controller", s*1000, 1, 1, 0, 0, 7000, 5, flow)
	}
	m := fold(site, tp.scans)
	rep := mustCompute(t, m, site, 1_772_452_800_000, 1_772_452_800_000+600_000)
	f := figureOf(t, rep, "flow_peak")
	check(t, f, 5, 0.05)
	if !strings.Contains(f.Method, "12:03") {
		t.Errorf("its minute is not told: %s", f.Method)
	}
	if f := figureOf(t, mustCompute(t, fold(plant(t), nil), plant(t), 0, 900_000), "flow_peak"); f.Value != nil || f.Absent == "" {
		t.Errorf("without a meter: %+v", f)
	}
}

// TestDemandAsks: what cannot be asked for is refused.
func TestDemandAsks(t *testing.T) {
	site := plant(t)
	for _, tt := range []struct {
		name, system string
		to, step     int64
		says         string
	}{
		{"another system", "mains", dayMS, minuteMS, `"mains" is not in the site file`},
		{"seconds", "main", dayMS, 30_000, "whole minutes"},
		{"too many steps", "main", 60 * dayMS, minuteMS, "steps"},
		{"too long", "main", 500 * dayMS, dayMS, "days"},
	} {
		_, err := AirDemand(fold(site, nil), site, tt.system, 0, tt.to, tt.step, farFuture)
		if err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.says)
		}
	}
	d, err := AirDemand(fold(site, nil), site, "main", 0, dayMS, hourMS, farFuture)
	if err != nil || d.Mean != nil || d.Absent == "" {
		t.Errorf("nothing recorded: %v, mean %v, absent %q", err, d.Mean, d.Absent)
	}
}
