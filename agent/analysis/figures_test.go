package analysis

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

// monday is 2024-03-04 00:00:00 UTC, a Monday.
const monday = 1_709_510_400_000

// handWorked is one hour, a scan a second from 00:00:00 to 01:00:00, whose
// figures follow by pencil:
//
//	0-600 s     standby, 0 kW
//	600-610 s   motor on, not loaded: starting, 20 kW
//	610-1210 s  loaded, 36 kW, pressure 600 → 700 kPa
//	1210-1510 s unloaded, 12 kW, pressure 700 → 600 kPa
//	1510-2110 s loaded, 36 kW
//	2110-2410 s unloaded, 12 kW
//	2410-3600 s standby, 0 kW
func handWorked(t *testing.T) *tape {
	t.Helper()
	site := plant(t)
	tp := newTape(site, monday)
	energy := 0.0
	for sec := int64(0); sec <= 3600; sec++ {
		running, loaded, standby, power, pressure := int64(0), int64(0), int64(1), int64(0), int64(6000)
		cycle := sec - 610
		switch {
		case sec < 600 || sec >= 2410:
		case sec < 610:
			running, standby, power = 1, 0, 200
		default:
			running, standby = 1, 0
			if cycle >= 900 {
				cycle -= 900
			}
			if cycle < 600 {
				loaded, power, pressure = 1, 360, 6000+cycle*1000/600
			} else {
				power, pressure = 120, 7000-(cycle-600)*1000/300
			}
		}
		starts := int64(41)
		if running == 1 || sec >= 2410 {
			starts = 42
		}
		tp.add("controller", sec*1000, running, loaded, standby, 0, pressure, starts)
		tp.add("meter", sec*1000, power, int64(energy*10))
		energy += float64(power) / 10 / 3600
	}
	return tp
}

func TestHandWorkedHour(t *testing.T) {
	site := plant(t)
	rep := mustCompute(t, fold(site, handWorked(t).scans), site, monday, monday+hourMS)
	for _, want := range []struct {
		name             string
		value, tolerance float64
	}{
		{"observed_time", 3599, 0}, // the pair that ends at 01:00:00 belongs to the next cell
		{"standby_time", 600 + 1189, 0},
		{"off_time", 0, 0},
		{"stopped_time", 0, 0},
		{"loaded_time", 1200, 0},
		{"unloaded_time", 600, 0},
		{"running_time", 1810, 0},
		{"duty_cycle", 1200.0 / 1810, 1e-12},
		{"loaded_share", 1200.0 / 3599, 1e-12},
		{"starts", 1, 0},
		{"starts_per_hour_max", 1, 0},
		{"starts_per_hour_mean", 3600.0 / 3599, 1e-12},
		{"load_cycles", 2, 0},
		{"load_cycles_per_hour", 2 * 3600.0 / 1810, 1e-12},
		{"mean_load_cycle", 900, 0},
		{"power_loaded", 36, 1e-9},
		{"power_unloaded_mean", 12, 1e-9},
		{"power_unloaded_settled", 12, 1e-9},
		// 1200·36 + 600·12 + 10·20 kW·s; trapezoids at steps cancel in pairs.
		{"energy", (1200*36 + 600*12 + 10*20) / 3600.0, 0.15},
		// By quarter hours: 610-900 loaded and 10 s at 20 kW; 310 loaded, 290 unloaded;
		// 600 s of load lie in 1510-2110.
		{"energy_cost", 0.1 * (1200*36 + 600*12 + 10*20) / 3600.0, 0.001},
		{"cut_in_seen", 600, 5},
		{"cut_out_seen", 700, 1},
		{"band_seen", 100, 5},
		{"pressure_mean", (10*600 + 1800*650) / 1810.0, 0.5},
		{"pressure_swing", 100, 0.5},
		{"cycle_low", 600, 0.5},
		{"cycle_high", 700, 0.5},
		{"pressure_min", 600, 1e-9},
		{"pressure_max", 700, 0.2},
		// Rated 6 m³/min less 3.5 %, loaded 1200 s less 2·3 s.
		{"air_delivered", 6.0 / 60 * 0.965 * 1194, 1e-9},
		{"flow_mean", 6.0 / 60 * 0.965 * 1194 / 3599 * 60, 1e-9},
		{"specific_power", (1200*36 + 600*12 + 10*20) / 3600.0 / (0.0965 * 1194) * 60, 0.02},
		{"specific_power_loaded", 36 / (6 * 0.965), 1e-9},
	} {
		check(t, figureOf(t, rep, want.name), want.value, want.tolerance)
	}
	// 2·√((s/√3)²·(edges+1) + (5 s/√3)²): the 10 s of the start may half belong to unloaded.
	if f := figureOf(t, rep, "unloaded_time"); math.Abs(*f.Uncertainty-2*math.Sqrt((5+25)/3.0)) > 1e-9 || !strings.Contains(f.Method, "half of the 10 s") {
		t.Errorf("unloaded_time ± %v s, %s", *f.Uncertainty, f.Method)
	}
	if f := figureOf(t, rep, "starts"); f.AtLeast || !strings.Contains(f.Method, "rose by 1") {
		t.Errorf("starts: at_least %v, method %q; want exact, with the counter's rise", f.AtLeast, f.Method)
	}
	if f := figureOf(t, rep, "shortest_rest"); f.Absent == "" {
		t.Errorf("shortest_rest = %v, want absent: no stop came before the start", *f.Value)
	}
	// Each of two loadings and two unloadings may be a second late.
	f := figureOf(t, rep, "loaded_time")
	if want := 2 / math.Sqrt(3) * math.Sqrt(5); math.Abs(*f.Uncertainty-want) > 1e-9 {
		t.Errorf("loaded_time ± %g, want %g", *f.Uncertainty, want)
	}
	// Half the time below 650 kPa while it swings, all of it while stopped.
	check(t, systemFigure(t, rep, "time_below_minimum_all"), 600+10+1189+900, 5)
	check(t, systemFigure(t, rep, "time_below_minimum"), 10+900, 5)
	// From 2260 s, when it falls through 650 kPa, to the end of the hour; while
	// running from 1360 to 1810 s.
	check(t, systemFigure(t, rep, "longest_below_minimum_all"), 3599-2260, 1.5)
	check(t, systemFigure(t, rep, "longest_below_minimum"), 450, 1.5)
	check(t, systemFigure(t, rep, "energy"), (1200*36+600*12+10*20)/3600.0, 0.15)
}

// TestEveryFigureIsThere holds the report to the contract: all names, each with
// a value or a reason.
func TestEveryFigureIsThere(t *testing.T) {
	site := plant(t)
	empty := mustCompute(t, &memory{}, site, monday, monday+hourMS)
	full := mustCompute(t, fold(site, handWorked(t).scans), site, monday, monday+hourMS)
	for _, rep := range []Report{empty, full} {
		for _, all := range [][]Figure{rep.Machines[0].Figures, rep.Systems[0].Figures} {
			if len(all) != len(figureNames()) {
				t.Fatalf("%d figures, want %d", len(all), len(figureNames()))
			}
			for i, f := range all {
				if f.Name != figureNames()[i] {
					t.Errorf("figure %d is %q, want %q", i, f.Name, figureNames()[i])
				}
				if (f.Value == nil) == (f.Absent == "") {
					t.Errorf("%s: value %v and absent %q: want one of them", f.Name, f.Value, f.Absent)
				}
				if f.Value != nil && (math.IsNaN(*f.Value) || f.Unit == "" || f.Method == "" || f.Level != 0.95) {
					t.Errorf("%s: incomplete: %s", f.Name, asJSON(t, f))
				}
			}
		}
	}
	check(t, figureOf(t, empty, "unobserved_time"), 3600, 0)
	if f := figureOf(t, empty, "energy"); f.Value != nil {
		t.Errorf("energy of an empty store = %g, want absent", *f.Value)
	}
}

// TestGap loses the line for ten minutes while the machine is loaded.
func TestGap(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	energy := int64(65_000) // wraps at 65 536: a 16-bit counter
	for sec := int64(0); sec <= 1800; sec++ {
		if sec%10 == 0 {
			energy++ // 0.1 kWh in 10 s is 36 kW
		}
		if sec > 600 && sec < 1200 {
			tp.bad("controller", sec*1000, scan.Timeout)
			tp.bad("meter", sec*1000, scan.Timeout)
			continue
		}
		starts := int64(7)
		if sec >= 1200 {
			starts = 9
		}
		tp.add("controller", sec*1000, 1, 1, 0, 0, 7000, starts)
		tp.add("meter", sec*1000, 360, (energy+400)%65_536)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+1_800_000)
	check(t, figureOf(t, rep, "observed_time"), 600+599, 0)
	check(t, figureOf(t, rep, "unobserved_time"), 601, 0)
	check(t, figureOf(t, rep, "loaded_time"), 1199, 0)
	check(t, figureOf(t, rep, "starts"), 0, 0)
	for _, name := range []string{"starts", "loaded_time", "starts_per_hour_max", "pressure_max", "load_cycles"} {
		if f := figureOf(t, rep, name); !f.AtLeast {
			t.Errorf("%s is not marked at_least over a gap", name)
		}
	}
	if f := figureOf(t, rep, "starts"); !strings.Contains(f.Method, "rose by 2") {
		t.Errorf("starts: method %q does not give the counter's rise over the gap", f.Method)
	}
	if f := figureOf(t, rep, "unobserved_time"); !strings.Contains(f.Method, "timeout 600 s") {
		t.Errorf("unobserved_time: method %q lacks the reason", f.Method)
	}
	// The counter bridges the gap and its own wrap: 36 kW for half an hour.
	f := figureOf(t, rep, "energy")
	check(t, f, 18, 0.11)
	if f.AtLeast {
		t.Error("energy is marked at_least although the counter ran through the gap")
	}
	if !strings.Contains(f.Method, "difference of the energy counter") {
		t.Errorf("energy: method %q, want the counter, since power has a gap", f.Method)
	}
	runs, err := StateRuns(fold(site, tp.scans), site, "comp1", monday, monday+1_800_000)
	if err != nil {
		t.Fatal(err)
	}
	want := []Run{
		{Loaded, monday, monday + 600_000, ""},
		{Unobserved, monday + 600_000, monday + 1_200_000, "timeout"},
		{Loaded, monday + 1_200_000, monday + 1_800_000, ""},
	}
	if asJSON(t, runs) != asJSON(t, want) {
		t.Errorf("state runs\n%s\nwant\n%s", asJSON(t, runs), asJSON(t, want))
	}
}

func TestCounter(t *testing.T) {
	for _, c := range []struct {
		name                      string
		readings                  []int64
		modulus                   int64
		diff, wraps, resets, gaps int64
	}{
		{"rises", []int64{5, 7, 7, 10}, 65_536, 5, 0, 0, 0},
		{"wraps", []int64{65_530, 65_535, 3}, 65_536, 9, 1, 0, 0},
		{"resets", []int64{30_000, 30_010, 0, 4}, 65_536, 14, 0, 1, 0},
		{"falls near the bottom", []int64{10, 3, 5}, 65_536, 2, 0, 1, 0},
		{"no modulus", []int64{100, 2, 3}, 0, 1, 0, 1, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			var n counterSum
			var tr track
			for i, v := range c.readings {
				s := scan.Scan{MonoMS: int64(i) * 1000, WallMS: int64(i) * 1000}
				n.step(&tr, &s, v, 3000, c.modulus)
				tr.take(&s, v, 3000)
			}
			if n.diff != c.diff || n.wraps != c.wraps || n.resets != c.resets || int64(len(n.gaps)) != c.gaps {
				t.Errorf("%v: diff %d, wraps %d, resets %d, gaps %d; want %d, %d, %d, %d",
					c.readings, n.diff, n.wraps, n.resets, len(n.gaps), c.diff, c.wraps, c.resets, c.gaps)
			}
		})
	}
}
