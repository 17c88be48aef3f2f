package analysis

import (
	"math/rand/v2"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

func millisOf(t testing.TB, stamp string) int64 {
	t.Helper()
	at, err := time.Parse(time.RFC3339, stamp)
	if err != nil {
		t.Fatal(err)
	}
	return at.UnixMilli()
}

// TestMomentsOfTheHandWorkedHour: when each extreme was follows by pencil from
// the hour that handWorked describes. Shifts cut the quarter hours at 1500 and
// 2100 s.
func TestMomentsOfTheHandWorkedHour(t *testing.T) {
	site := plant(t)
	site.Shifts = []sitefile.WeekWindow{{Days: [7]bool{true, true, true, true, true, true, true}, FromMinute: 25, UntilMinute: 35, Text: "00:25-00:35"}}
	rep := mustCompute(t, fold(site, handWorked(t).scans), site, monday, monday+hourMS)
	machine, system := rep.Machines[0].Figures, rep.Systems[0].Figures
	for _, c := range []struct {
		of       []Figure
		name     string
		from, to int64 // seconds of the hour
	}{
		{machine, "starts_per_hour_max", 600, 3600}, // its hour ends with the window
		{machine, "pressure_min", 0, 900},           // at 610 s
		{machine, "pressure_max", 900, 1500},        // at 1210 s
		{machine, "pressure_min_shift", 1500, 1800}, // at 1510 s
		{machine, "pressure_max_shift", 1800, 2100}, // at the shift's end
		{machine, "peak_demand", 900, 1800},         // 600 s loaded, 300 s unloaded
		{system, "longest_below_minimum", 1360, 1810},
		{system, "longest_below_minimum_all", 2260, 3599},
		{system, "longest_below_minimum_shift", 1500, 1810},
	} {
		f := findFigure(t, c.of, c.name)
		if f.At == nil {
			t.Errorf("%s says no moment: %s", c.name, asJSON(t, f))
			continue
		}
		from, to := millisOf(t, f.At.From)-monday-c.from*1000, millisOf(t, f.At.To)-monday-c.to*1000
		if from < -1500 || from > 1500 || to < -1500 || to > 1500 {
			t.Errorf("%s: %s to %s, want %d s to %d s of the hour", c.name, f.At.From, f.At.To, c.from, c.to)
		}
	}
	for _, name := range []string{"energy", "pressure_mean", "starts", "shortest_rest"} {
		if f := findFigure(t, machine, name); f.At != nil {
			t.Errorf("%s has a moment, and is no extreme or absent: %s", name, asJSON(t, f))
		}
	}
}

// TestMomentHoldsTheExtreme asks again for the moment alone that a figure names:
// it must come to the same value there, and no reading before it may be as extreme.
// One scale runs downwards.
func TestMomentHoldsTheExtreme(t *testing.T) {
	for _, scale := range []float64{0.1, -0.1} {
		site := plant(t)
		m := site.Devices[0].Map
		m.Channels[4].Scale, m.Channels[4].Offset = scale, 650
		m.Channels = append(m.Channels, mapChannel(t, "heat", scan.DischargeTemperature, "u16", 0.1, "°C", time.Second))
		site.Machines[0].Roles[scan.DischargeTemperature] = "controller.heat"
		tp := newTape(site, monday)
		random := rand.New(rand.NewPCG(7, 7))
		counts, heat := int64(0), int64(800)
		rested := int64(0)
		for at := int64(0); at < 6*3600; at++ {
			counts = max(-900, min(900, counts+random.Int64N(21)-10))
			heat = max(600, min(1100, heat+random.Int64N(11)-5))
			running := int64(1)
			if phase := at % 1700; phase > 1100+at/60 { // it rests ever shorter
				running = 0
				rested++
			}
			tp.add("controller", at*1000, running, running, 1-running, 0, counts, 1, heat)
		}
		src := fold(site, tp.scans)
		rep := mustCompute(t, src, site, monday, monday+6*hourMS)
		for _, name := range []string{"pressure_min", "pressure_max", "discharge_temperature_max", "shortest_rest", "starts_per_hour_max"} {
			f := figureOf(t, rep, name)
			if f.Value == nil || f.At == nil {
				t.Fatalf("scale %g: %s has no value or no moment: %s", scale, name, asJSON(t, f))
			}
			from, to := millisOf(t, f.At.From), millisOf(t, f.At.To)
			if to-from > hourMS {
				t.Errorf("scale %g: %s: the moment lasts %d s", scale, name, (to-from)/1000)
			}
			// A stop is seen by the reading before it, a start by its own.
			again := figureOf(t, mustCompute(t, src, site, from-2000, to+2000), name)
			check(t, again, *f.Value, 1e-9)
			if name == "shortest_rest" || from == monday {
				continue
			}
			if before := figureOf(t, mustCompute(t, src, site, monday, from), name); before.Value == nil || *before.Value == *f.Value {
				t.Errorf("scale %g: %s was as much before its moment: %s", scale, name, asJSON(t, before))
			}
		}
		if rested == 0 {
			t.Fatal("the machine never rested")
		}
	}
}
