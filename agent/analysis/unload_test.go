package analysis

import (
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// sumpPlant is the plant whose last controller channel is a sump pressure.
func sumpPlant(t testing.TB) *sitefile.Site {
	t.Helper()
	site := plant(t)
	channels := site.Devices[0].Map.Channels
	channels[len(channels)-1] = mapChannel(t, "starts", scan.SumpPressure, "u32", 0.1, "kPa", time.Second)
	roles := site.Machines[0].Roles
	delete(roles, scan.StartCount)
	delete(roles, scan.Energy)
	roles[scan.SumpPressure] = "controller.starts"
	return site
}

// fall is a hand-made unload: straight from its first value, as power and sump
// pressure have it when the inlet valve has closed, to its end.
type fall struct {
	unloadedS, fallS           int64
	kPaFrom, kPaTo, kWFrom, kW int64
}

// sound falls for a minute and stays.
func sound() fall { return fall{200, 60, 800, 200, 24, 12} }

// kept keeps the plant's pressure.
func kept() fall { return fall{200, 200, 800, 700, 24, 22} }

// unloadTape loads for a minute before each unload, and after the last.
func unloadTape(site *sitefile.Site, falls ...fall) *tape {
	tp := newTape(site, monday)
	mono := int64(0)
	second := func(loaded, kPaTenths, kWTenths int64) {
		tp.add("controller", mono, 1, loaded, 0, 0, 7000, kPaTenths)
		tp.add("meter", mono, kWTenths, 0)
		mono += 1000
	}
	load := func() {
		for range 60 {
			second(1, 8000, 360)
		}
	}
	for _, f := range falls {
		load()
		for at := range f.unloadedS {
			done := min(at, f.fallS)
			second(0, 10*f.kPaFrom-10*(f.kPaFrom-f.kPaTo)*done/f.fallS, 10*f.kWFrom-10*(f.kWFrom-f.kW)*done/f.fallS)
		}
	}
	load()
	return tp
}

// TestBlowDown has straight falls of 60 s: nine tenths of one are done after
// 54 s. By power it is counted from the mean of the third and fourth second,
// 3 s: from 23.4 kW nine tenths are left behind at 13.14 kW, 54.3 s, and so 51.3 s
// (worked by hand; sixteenths of a count are 0.03 s of it).
func TestBlowDown(t *testing.T) {
	for _, c := range []struct {
		name                   string
		falls                  []fall
		blind                  bool // no sump pressure
		took, residual, settle float64
		denominator, why       string
		says                   []string
	}{
		{"by sump pressure", []fall{sound(), sound(), {45, 45, 800, 300, 24, 14}}, false, 54, 200, 12, "2 of 3 unloads settled", "", nil},
		{"by power", []fall{sound(), sound()}, true, 51.3, 0, 12, "2 of 2 unloads settled", "not to which pressure", nil},
		{"short", []fall{{45, 60, 800, 200, 24, 12}}, false, 0, 0, 0, "", "none of 1 unload lasted a minute", nil},
		{"cut off before it settles", []fall{{70, 100, 800, 200, 24, 12}}, false, 0, 0, 0, "", "none of 1 unload lasted until it settled", nil},
		{"never", []fall{kept(), kept(), kept()}, false, 0, 0, 0, "", "3 unloads of a minute and more: see the remarks",
			[]string{"comp1 never blows down", "none of 3 unloads", "blow-down valve, then the minimum-pressure valve"}},
		{"never, by power", []fall{kept(), kept(), kept()}, true, 0, 0, 0, "", "see the remarks", []string{"comp1 never blows down"}},
		{"no longer", []fall{sound(), sound(), kept(), kept(), kept()}, false, 54, 200, 12, "2 of 5 unloads settled, 3 kept", "",
			[]string{"no longer blows down", "2 unloads of a minute and more, and then in none of 3"}},
		{"now and then", []fall{kept(), sound(), kept(), sound(), kept(), sound()}, false, 54, 200, 12, "3 of 6 unloads settled", "",
			[]string{"does not always blow down", "in 3 of 6"}},
		{"twice is not yet a finding", []fall{kept(), kept()}, false, 0, 0, 0, "", "see the remarks", nil},
		{"a sensor that does not follow", []fall{{200, 60, 800, 790, 24, 12}, {200, 60, 800, 790, 24, 12}, {200, 60, 800, 790, 24, 12}},
			false, 0, 0, 12, "3 of 3 unloads settled", "", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := sumpPlant(t)
			if c.blind {
				delete(site.Machines[0].Roles, scan.SumpPressure)
			}
			rep := mustCompute(t, fold(site, unloadTape(site, c.falls...).scans), site, monday, monday+hourMS)
			for name, want := range map[string]float64{"blowdown_time": c.took, "sump_pressure_residual": c.residual, "power_unloaded_settled": c.settle} {
				f := figureOf(t, rep, name)
				switch {
				case want != 0:
					check(t, f, want, 0.02)
				case f.Value != nil:
					t.Errorf("%s = %g, want it absent", name, *f.Value)
				}
				if name == "power_unloaded_settled" && !strings.Contains(f.Denominator, c.denominator) {
					t.Errorf("denominator %q, want %q in it", f.Denominator, c.denominator)
				}
			}
			why := figureOf(t, rep, "blowdown_time").Absent + figureOf(t, rep, "sump_pressure_residual").Absent
			if !strings.Contains(why, c.why) {
				t.Errorf("absent for %q, want %q in it", why, c.why)
			}
			checkSays(t, rep.Machines[0].Remarks, c.says)
		})
	}
}

func checkSays(t *testing.T, remarks []Remark, parts []string) {
	t.Helper()
	said := ""
	for _, r := range remarks {
		if r.Kind == remarkBlowDown {
			said += r.Sentence
		}
	}
	for _, p := range parts {
		if !strings.Contains(said, p) {
			t.Errorf("said %q, want %q in it", said, p)
		}
	}
	if len(parts) == 0 && said != "" {
		t.Errorf("said %q of a machine of which nothing is known to be wrong", said)
	}
}

// TestUnloadTable counts unloads by length.
func TestUnloadTable(t *testing.T) {
	site := sumpPlant(t)
	rep := mustCompute(t, fold(site, unloadTape(site, sound(), fall{45, 60, 800, 200, 24, 12}, kept(), sound()).scans), site, monday, monday+hourMS)
	tables := rep.Machines[0].Tables
	at := slices.IndexFunc(tables, func(tb Table) bool { return tb.Name == "unloads" })
	if at < 0 {
		t.Fatal("no table of unloads")
	}
	want := map[string][]float64{"20 s to 60 s": {1, 0, -1, -1, -1, -1, -1}, "2 min to 5 min": {3, 2, 2, 1, 12, 54, 200}}
	for _, r := range tables[at].Rows {
		for i, w := range want[r.Name] {
			v := r.Values[i]
			if (w < 0) != (v == nil) || v != nil && (*v < w-0.005 || *v > w+0.005) {
				t.Errorf("%s, %s: %v, want %v", r.Name, tables[at].Columns[i].Name, shownValue(v), w)
			}
		}
		delete(want, r.Name)
	}
	if len(want) > 0 {
		t.Errorf("no rows %v", want)
	}
}

func shownValue(v *float64) any {
	if v == nil {
		return "nothing"
	}
	return *v
}

// TestUnloadSeenInPart: an unload that a gap cuts, and one that was found under
// way, are no unload of the figures.
func TestUnloadSeenInPart(t *testing.T) {
	site := sumpPlant(t)
	tp := unloadTape(site, sound(), sound())
	// The record begins in the first, and loses ten seconds of the second.
	scans := slices.DeleteFunc(tp.scans, func(s scan.Scan) bool {
		return s.MonoMS < 100_000 || s.MonoMS >= 400_000 && s.MonoMS < 410_000
	})
	rep := mustCompute(t, fold(site, scans), site, monday, monday+hourMS)
	if f := figureOf(t, rep, "blowdown_time"); f.Absent != "no unload was seen whole" {
		t.Errorf("blow-down time %v, %q: no unload was seen whole", shownValue(f.Value), f.Absent)
	}
}

// TestDescentBins: bins follow one another without a hole or an overlap.
func TestDescentBins(t *testing.T) {
	last := 0
	for ms := int64(0); ms < 310_000; ms += 100 {
		i := descentBin(ms)
		if i != last && i != last+1 {
			t.Fatalf("bin %d after %d at %d ms", i, last, ms)
		}
		last = i
	}
	for i := range descentBins {
		if got := descentBin(descentMiddle(i)); got != i {
			t.Errorf("the middle of bin %d lies in bin %d", i, got)
		}
	}
	if last != descentBins {
		t.Errorf("the last bin is %d, want %d", last, descentBins)
	}
}

// TestDeadSumpSensor: one that shows next to nothing under load has no say in
// whether the sump blows down, and gives no residual pressure.
func TestDeadSumpSensor(t *testing.T) {
	for _, c := range []struct {
		falls []fall
		took  float64
		says  []string
	}{{[]fall{sound(), sound()}, 51.3, nil}, {[]fall{kept(), kept(), kept()}, 0, []string{"comp1 never blows down", "vent it by hand"}}} {
		site := sumpPlant(t)
		channels := site.Devices[0].Map.Channels
		channels[len(channels)-1].Scale = 0.001 // 8 kPa under load
		rep := mustCompute(t, fold(site, unloadTape(site, c.falls...).scans), site, monday, monday+hourMS)
		if f := figureOf(t, rep, "blowdown_time"); c.took > 0 {
			check(t, f, c.took, 0.02)
		} else if f.Value != nil {
			t.Errorf("blow-down time %g of a machine that does not blow down", *f.Value)
		}
		if f := figureOf(t, rep, "sump_pressure_residual"); f.Value != nil {
			t.Errorf("residual %g kPa by a dead sensor", *f.Value)
		}
		checkSays(t, rep.Machines[0].Remarks, c.says)
	}
}

// TestBlowDownBehindADrive: power falls with the speed there, and so says nothing of
// the sump; a sump pressure does.
func TestBlowDownBehindADrive(t *testing.T) {
	for _, blind := range []bool{true, false} {
		for _, f := range []fall{sound(), kept()} {
			site := sumpPlant(t)
			site.Machines[0].Control = sitefile.VariableSpeed
			if blind {
				delete(site.Machines[0].Roles, scan.SumpPressure)
			}
			rep := mustCompute(t, fold(site, unloadTape(site, f, f, f).scans), site, monday, monday+hourMS)
			took := figureOf(t, rep, "blowdown_time")
			var says []string
			switch {
			case blind && (took.Value != nil || !strings.Contains(took.Absent, "falls with the speed")):
				t.Errorf("by power alone: %s", asJSON(t, took))
			case !blind && f == sound():
				check(t, took, 54, 0.02)
			case !blind:
				says = []string{"never blows down"}
			}
			checkSays(t, rep.Machines[0].Remarks, says)
		}
	}
}

// TestLastReadingsOfAnUnload: states told by the level of power end an unload a reading
// or two after power has risen. That rise, alone in the last bin, is not what the sump
// was left at; a power that stays high is.
func TestLastReadingsOfAnUnload(t *testing.T) {
	for _, c := range []struct {
		name string
		watt func(s int64) int64
		want int64
	}{
		{"blown down, then the load", func(s int64) int64 {
			if s >= 71 {
				return 20_000
			}
			return 10_000
		}, 160_000},
		{"kept pressure", func(int64) int64 { return 20_000 }, 320_000},
	} {
		var f descent
		for s := int64(1); s <= 71; s++ {
			var p pair
			p.dt = 1000
			p.twice = 2 * c.watt(s)
			f.intoBin(descentBin(1000*s-500), p)
		}
		if got, ok := f.endLow(); !ok || got != c.want {
			t.Errorf("%s: ended at %d sixteenths (%v), want %d", c.name, got, ok, c.want)
		}
	}
}
