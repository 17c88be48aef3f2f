package analysis

import (
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"

	"pgregory.net/rapid"
)

// bandTape is a machine that loads at 600 kPa and unloads at 700 kPa, read
// every periodMS; it moves 10 kPa a second either way, and begins half a period
// off its turns.
func bandTape(site *sitefile.Site, periodMS, lengthMS int64) *tape {
	tp := newTape(site, monday)
	for at := int64(0); at < lengthMS; at += periodMS {
		phase := (at + 10_137) % 20_000
		loaded, pressure := int64(1), 6000+phase/10
		if phase >= 10_000 {
			loaded, pressure = 0, 7000-(phase-10_000)/10
		}
		tp.add("controller", at, 1, loaded, 0, 0, pressure, 1)
	}
	return tp
}

// TestBandSeen: cut-in and cut-out lie within their interval however slowly the
// machine is polled, and the interval grows with what the pressure moves
// between two readings.
func TestBandSeen(t *testing.T) {
	last := 0.0
	for _, periodMS := range []int64{200, 1000, 3000} {
		site := plant(t)
		for i := range site.Devices[0].Map.Channels {
			site.Devices[0].Map.Channels[i].Every = time.Duration(periodMS) * time.Millisecond
		}
		rep := mustCompute(t, fold(site, bandTape(site, periodMS, 800_000).scans), site, monday, monday+cellMS)
		for name, want := range map[string]float64{"cut_in_seen": 600, "cut_out_seen": 700, "band_seen": 100} {
			f := figureOf(t, rep, name)
			if f.Value == nil || math.Abs(*f.Value-want) > *f.Uncertainty {
				t.Errorf("read every %d ms: %s = %s, want %v inside its interval", periodMS, name, asJSON(t, f), want)
			}
		}
		f := figureOf(t, rep, "band_seen")
		t.Logf("read every %d ms: band %.2f ± %.2f kPa", periodMS, *f.Value, *f.Uncertainty)
		if *f.Uncertainty <= last {
			t.Errorf("read every %d ms: ± %g kPa, no more than when read more often: ± %g", periodMS, *f.Uncertainty, last)
		}
		// Half of 10 kPa/s times the period, rectangular, at either end: 2√2 times that, less where steps are cut by the turn.
		if least := 2 * math.Sqrt2 * 5 * float64(periodMS) / 1000 / math.Sqrt(3) * 0.6; *f.Uncertainty < least {
			t.Errorf("read every %d ms: ± %g kPa, want at least %g for what lies between readings", periodMS, *f.Uncertainty, least)
		}
		last = *f.Uncertainty
	}
}

// TestBandForgetsStraysAndStarts: loads after a start and a few strays do not
// move the band, and a setting is told beside it.
func TestBandForgetsStraysAndStarts(t *testing.T) {
	site := plant(t)
	site.Machines[0].CutInPa, site.Machines[0].CutOutPa = 600_000, 715_000
	tp := newTape(site, monday)
	at := int64(0)
	stretch := func(seconds, running, loaded, from, to int64) {
		for i := int64(0); i < seconds; i++ {
			tp.add("controller", at, running, loaded, 1-running, 0, from+(to-from)*i/seconds, 1)
			at += 1000
		}
	}
	for cycle := 0; cycle < 12; cycle++ {
		out := int64(7000)
		if cycle == 4 {
			out = 6300 // somebody unloaded it by hand
		}
		stretch(40, 1, 1, 6000, out)
		stretch(40, 1, 0, out, 6000)
		if cycle%3 == 2 { // stops, and starts late
			stretch(30, 0, 0, 6000, 5200)
			stretch(8, 1, 0, 5200, 5000)
			stretch(20, 1, 1, 5000, 6000)
		}
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+2*hourMS)
	check(t, figureOf(t, rep, "cut_in_seen"), 600, 2)
	check(t, figureOf(t, rep, "cut_out_seen"), 700, 2)
	check(t, figureOf(t, rep, "cut_in_set"), 600, 1e-9)
	check(t, figureOf(t, rep, "band_set"), 115, 1e-9)
	f := figureOf(t, rep, "pressure_swing")
	n := 0
	for _, c := range f.Distribution {
		n += c.Count
	}
	if !strings.HasPrefix(f.Denominator, "7 whole") || n != 7 || f.Distribution[0].Count != 1 {
		t.Errorf("swing over %q, distribution %s: want seven, the short one apart", f.Denominator, asJSON(t, f.Distribution))
	}
	notes := 0
	for _, table := range rep.Machines[0].Tables {
		if table.Name == "pressure_band" {
			for _, r := range table.Rows {
				if r.Note != "" {
					notes++
					if r.Name == "cut-in" {
						t.Errorf("cut-in as set, and yet noted: %s", r.Note)
					}
				}
			}
		}
	}
	if notes != 2 {
		t.Errorf("%d notes on a cut-out 15 kPa from what is set, want one on it and one on the band", notes)
	}
	site.Machines[0].CutInPa = 0
	rep = mustCompute(t, fold(site, tp.scans), site, monday, monday+2*hourMS)
	if f := figureOf(t, rep, "band_set"); f.Absent == "" {
		t.Errorf("band_set = %v without a cut-in, want absent", *f.Value)
	}
}

// TestControllersOwnSetting: a set-point read from the controller goes before
// the site file's, and a change of it is said.
func TestControllersOwnSetting(t *testing.T) {
	site := plant(t)
	site.Machines[0].CutInPa = 555_000
	site.Devices[0].Map.Channels[5] = mapChannel(t, "starts", scan.CutInSetting, "u16", 0.1, "kPa", time.Second)
	delete(site.Machines[0].Roles, scan.StartCount)
	site.Machines[0].Roles[scan.CutInSetting] = "controller.starts"
	tp := newTape(site, monday)
	for s := int64(0); s < 600; s++ {
		tp.add("controller", s*1000, 1, 1, 0, 0, 6500, 6000+s/500*200)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+cellMS)
	f := figureOf(t, rep, "cut_in_set")
	check(t, f, 620, 1e-9)
	if !strings.Contains(f.Method, "between 600 and 620 kPa") {
		t.Errorf("method %q does not say that the setting was changed", f.Method)
	}
	rep = mustCompute(t, fold(site, tp.scans), site, monday, monday+400_000)
	check(t, figureOf(t, rep, "cut_in_set"), 600, 1e-9)
}

// TestHoursApart: the night without the machine is in neither the running nor
// the shift hours.
func TestHoursApart(t *testing.T) {
	site := plant(t)
	site.Shifts = []sitefile.WeekWindow{{Days: [7]bool{true, true, true, true, true, true, true}, FromMinute: 10, UntilMinute: 25, Text: "00:10-00:25"}}
	tp := newTape(site, monday)
	// Off at 500 kPa, from 8 min on running at 700, a dip to 600 from 12 to 14 min
	// and from 24 to 26, off again at 28 min.
	for s := int64(0); s < 1800; s++ {
		running, pressure := int64(0), int64(5000)
		if s >= 480 && s < 1680 {
			running, pressure = 1, 7000
		}
		if s >= 720 && s < 840 || s >= 1440 && s < 1560 {
			pressure = 6000
		}
		tp.add("controller", s*1000, running, running, 1-running, 0, pressure, 1)
	}
	m := fold(site, tp.scans)
	rep := mustCompute(t, m, site, monday, monday+1_800_000)
	for name, want := range map[string]float64{
		"pressure_min": 600, "pressure_min_shift": 600, "pressure_max_shift": 700,
		"pressure_mean":       (960*700 + 240*600) / 1200.0,
		"pressure_mean_shift": (720*700 + 180*600) / 900.0,
		"pressure_p05":        600, "pressure_p95": 700,
		"time_below_minimum": 240, "time_below_minimum_shift": 180, "time_below_minimum_all": 240 + 480 + 120,
		"longest_below_minimum": 120, "longest_below_minimum_shift": 120, "longest_below_minimum_all": 480,
	} {
		check(t, systemFigure(t, rep, name), want, 1.01)
	}
	// When it was: 0 to 8 min, 12 to 14, 24 to 26 and from 28 on, as laid out above.
	below, err := BelowMinimum(m, site, site.Systems[0].Name, monday, monday+1_800_000, monday+1_800_000)
	if err != nil || below.Total != 4 || len(below.Stretches) != 4 {
		t.Fatalf("below the minimum: %v %s", err, asJSON(t, below))
	}
	for i, want := range [][3]float64{{0, 480, 0}, {720, 840, 120}, {1440, 1560, 120}, {1680, 1800, 0}} {
		got := below.Stretches[i]
		from, _ := time.Parse(time.RFC3339, got.From)
		if at := float64(from.UnixMilli()-monday) / 1000; math.Abs(at-want[0]) > 1 || math.Abs(got.Seconds-(want[1]-want[0])) > 1.01 || got.RunningSeconds == nil || math.Abs(*got.RunningSeconds-want[2]) > 1.01 {
			t.Errorf("stretch %d is %s, want %v s", i, asJSON(t, got), want)
		}
	}
	longest := 0.0
	for _, st := range below.Stretches {
		longest = max(longest, st.Seconds)
	}
	check(t, systemFigure(t, rep, "longest_below_minimum_all"), longest, 1e-9)
	// All that is low in the shift ran; by a shift from 5 min on it stood for 180 of the low 360 s.
	check(t, systemFigure(t, rep, "standing_below_minimum_share"), 0, 1e-9)
	shift := site.Shifts
	site.Shifts = []sitefile.WeekWindow{{Days: [7]bool{true, true, true, true, true, true, true}, FromMinute: 5, UntilMinute: 25, Text: "00:05-00:25"}}
	early := systemFigure(t, mustCompute(t, m, site, monday, monday+1_800_000), "standing_below_minimum_share")
	check(t, early, 0.5, 0.003)
	if early.Denominator != "6 min below the minimum in shift hours" || *early.Uncertainty <= 0 || *early.Uncertainty > 0.02 {
		t.Errorf("share of the low time without a machine %s", asJSON(t, early))
	}
	site.Shifts = shift
	if f := systemFigure(t, rep, "pressure_mean_shift"); f.Denominator != "15 min with a reading, in shift hours" {
		t.Errorf("denominator %q", f.Denominator)
	}
	// The same of the machine itself, and without shifts.
	check(t, figureOf(t, rep, "pressure_mean"), (960*700+240*600)/1200.0, 0.2)
	site.Shifts = nil
	rep = mustCompute(t, m, site, monday, monday+1_800_000)
	if f := systemFigure(t, rep, "time_below_minimum_shift"); f.Absent != "no shifts in the site file" {
		t.Errorf("shift hours without a shift: %s", asJSON(t, f))
	}
	// A window that begins within a time below the minimum has its part of it.
	rep = mustCompute(t, m, site, monday+300_000, monday+1_800_000)
	check(t, systemFigure(t, rep, "longest_below_minimum_all"), 180, 1.01)
	// One that ends within it too.
	rep = mustCompute(t, m, site, monday+300_000, monday+400_000)
	check(t, systemFigure(t, rep, "longest_below_minimum_all"), 100, 1.51)
}

// TestRunningBySeveralMachines: a system runs while one of its machines does,
// by its signal or its level.
func TestRunningBySeveralMachines(t *testing.T) {
	site := plant(t)
	second := site.Machines[0]
	second.Name = "comp2"
	second.Roles = map[scan.Role]string{scan.Power: "meter.power"}
	site.Machines = append(site.Machines, second)
	site.Systems[0].Machines = append(site.Systems[0].Machines, "comp2")
	tp := newTape(site, monday)
	for s := int64(0); s < 900; s++ {
		running, power, pressure := int64(0), int64(0), int64(5000)
		if s >= 100 && s < 300 {
			running, pressure = 1, 7000
		}
		if s >= 400 && s < 600 { // comp2 alone, by its level
			power, pressure = 300, 7200
		}
		tp.add("controller", s*1000, running, running, 1-running, 0, pressure, 1)
		tp.add("meter", s*1000, power, 0)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+cellMS)
	check(t, systemFigure(t, rep, "pressure_mean"), (200*700+200*720)/400.0, 3)
	check(t, figureOf(t, rep, "pressure_mean"), 700, 2)
	// One that may run unseen: then nobody knows when none runs.
	delete(site.Machines[1].Roles, scan.Power)
	rep = mustCompute(t, fold(site, tp.scans), site, monday, monday+cellMS)
	f := systemFigure(t, rep, "pressure_mean")
	check(t, f, (500*500+200*700+200*720)/900.0, 1)
	if !strings.Contains(f.Denominator, "not known") {
		t.Errorf("denominator %q does not say that running is not known", f.Denominator)
	}
}

// TestNoiseAboutTheMinimum: readings that hover about the minimum are one time,
// not hundreds; a return of five seconds ends it, and a gap does.
func TestNoiseAboutTheMinimum(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for s := int64(0); s < 700; s++ {
		pressure := 6500 - s%2 // half of them one count below
		if s >= 300 && s < 310 {
			pressure = 6500
		}
		if s >= 500 && s < 560 {
			continue // nothing is read
		}
		tp.add("controller", s*1000, 1, 1, 0, 0, pressure, 1)
	}
	m := fold(site, tp.scans)
	rep := mustCompute(t, m, site, monday, monday+cellMS)
	check(t, systemFigure(t, rep, "longest_below_minimum_all"), 299.5, 1.01)
	sp := systemSpec(site, sitefile.Groups(site), &site.Systems[0], nil)
	g, err := gather(m, sp, monday, monday+cellMS, nil)
	if err != nil {
		t.Fatal(err)
	}
	s := &sheet{g: g}
	if n := len(s.g.lows(lowAll)); n != 3 {
		t.Errorf("%d times below the minimum, want 3: up to 300 s, up to 500 s, from 560 s on", n)
	}
}

// TestMinimumInCounts: a reading that stands for the minimum is not below it,
// in whatever unit and direction the register counts.
func TestMinimumInCounts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		site := plant(t)
		scale := rapid.SampledFrom([]float64{0.1, 1, 0.01, -0.1, -1}).Draw(rt, "scale")
		unit := rapid.SampledFrom([]string{"psi", "kPa", "bar"}).Draw(rt, "unit")
		c := mapChannel(t, "pressure", scan.DischargePressure, "i32", scale, unit, time.Second)
		site.Devices[0].Map.Channels[4] = c
		at := rapid.Int64Range(100, 9000).Draw(rt, "minimum")
		if scale < 0 {
			at = -at
		}
		site.Systems[0].MinimumPressurePa = float64(at) * scale * c.Unit.Scale
		sp := systemSpec(site, sitefile.Groups(site), &site.Systems[0], nil)
		below := func(v int64) bool { return v < sp.lowBelow != sp.lowTurned }
		down := int64(1)
		if scale < 0 {
			down = -1
		}
		if !sp.hasLow || below(at) || below(at+down) || !below(at-down) {
			rt.Fatalf("minimum %d × %g %s: below at it %v, above it %v, under it %v", at, scale, unit, below(at), below(at+down), below(at-down))
		}
	})
}

// TestDropsGoWithTheSquareOfTheFlow: a separator that drops 20 kPa at full flow
// is seen at half and at full flow in turn, with 15 s of nothing after each load.
func TestDropsGoWithTheSquareOfTheFlow(t *testing.T) {
	site := plant(t)
	m := &site.Machines[0]
	m.Control = sitefile.VariableSpeed
	channels := site.Devices[0].Map.Channels
	channels[3] = mapChannel(t, "fault", scan.LoadFraction, "u16", 0.1, "%", time.Second)
	channels[5] = mapChannel(t, "starts", scan.SeparatorDrop, "u16", 0.01, "kPa", time.Second)
	delete(m.Roles, scan.FaultCode)
	delete(m.Roles, scan.StartCount)
	delete(m.Roles, scan.Loaded)
	m.Roles[scan.LoadFraction], m.Roles[scan.SeparatorDrop] = "controller.fault", "controller.starts"
	tp := newTape(site, monday)
	for s := int64(0); s < 890; s++ {
		fraction, drop := int64(0), int64(0)
		switch at := s % 115; {
		case at < 10: // unloaded
		case at < 24:
			fraction = 1000 // the valve is open, and no air comes yet
		case at < 70:
			fraction, drop = 1000, 2000
		default:
			fraction, drop = 500, 500
		}
		tp.add("controller", s*1000, 1, 1, 0, fraction, 6500, drop)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+cellMS)
	// Of each 115 s, 46 at full and 45 at half flow, of which pairs from the 15th second on count.
	check(t, figureOf(t, rep, "separator_drop"), (45*20+45*5)/90.0, 0.3)
	var row *Row
	for i, table := range rep.Machines[0].Tables {
		if table.Name == "pressure_drops" {
			row = &rep.Machines[0].Tables[i].Rows[0]
		}
	}
	if row == nil || row.Values[3] == nil {
		t.Fatal("no drop at rated flow")
	}
	// Full flow is the nameplate's less 3.5 %.
	if got, want := *row.Values[3], 20/(0.965*0.965); math.Abs(got-want) > 0.02*want {
		t.Errorf("at rated flow %.2f kPa, want %.2f", got, want)
	}
	if f := figureOf(t, rep, "dryer_drop"); f.Absent != "no channel for dryer_drop" {
		t.Errorf("dryer_drop without a channel: %s", asJSON(t, f))
	}
}

// TestPressureCountedDownwards: a register whose counts fall as the pressure rises
// gives the figures of one whose counts rise with it.
func TestPressureCountedDownwards(t *testing.T) {
	over := func(scale, offset float64, raw func(tenths int64) int64) Report {
		site := plant(t)
		c := &site.Devices[0].Map.Channels[4]
		c.Scale, c.Offset = scale, offset
		tp := newTape(site, monday)
		for s := int64(0); s < 890; s++ { // an eighth of the time low, and a rise of 0.1 kPa a second
			at := 6600 + s
			if s >= 400 && s < 511 {
				at = 6000 + s%50
			}
			tp.add("controller", s*1000, 1, 1, 0, 0, raw(at), 1)
		}
		return mustCompute(t, fold(site, tp.scans), site, monday, monday+cellMS)
	}
	up := over(0.1, 0, func(v int64) int64 { return v })
	down := over(-0.1, 1000, func(v int64) int64 { return 10_000 - v })
	for _, name := range []string{"pressure_mean", "pressure_min", "pressure_max", "pressure_p05", "pressure_p95", "time_below_minimum_all", "longest_below_minimum_all"} {
		want := systemFigure(t, up, name)
		if want.Value == nil || *want.Value == 0 {
			t.Fatalf("%s: %s", name, asJSON(t, want))
		}
		within := 0.5 // kPa: a bin, whose edges the sign moves
		if *want.Value < 500 {
			within = 1 // s
		}
		check(t, systemFigure(t, down, name), *want.Value, within)
	}
}

// TestPressureTap: the channel that is told to stand for a system is the one
// that its figures are of, in whatever order the taps are written.
func TestPressureTap(t *testing.T) {
	site := plant(t)
	s := &site.Systems[0]
	s.Parts = []sitefile.Part{{Name: "tank", Kind: "receiver"}, {Name: "mains", Kind: "piping"}}
	c := site.Devices[0].Map
	c.Channels = append(c.Channels, mapChannel(t, "mains", scan.HeaderPressure, "u16", 0.1, "kPa", time.Second))
	up := sitefile.Tap{At: "tank", Pressure: "controller.pressure"}
	down := sitefile.Tap{At: "mains", Pressure: "controller.mains"}
	for _, taps := range [][]sitefile.Tap{{up, down}, {down, up}, {up}, {{At: "mains", Flow: "meter.flow"}, up}, nil} {
		s.Taps = taps
		want := ""
		if sp := systemSpec(site, sitefile.Groups(site), s, nil); sp.pressure >= 0 {
			want = sp.chans[sp.pressure].id
		}
		if got := PressureTap(s); got != want || (len(taps) > 0) == (got == "") {
			t.Errorf("taps %v: %q stands for the system, its figures are of %q", taps, got, want)
		}
	}
}
