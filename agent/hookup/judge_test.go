package hookup

import (
	"errors"
	"math"
	"strings"
	"testing"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// bench is a machine whose every channel a test sets by hand, 1 s apart. Its
// true loaded draw: 460 V, P = 34.64 kW at cos φ 0.866 (φ = 30°), so S = 40
// kVA and I = 50.2 A; unloaded 12 kW, S = 21 kVA, I = 26.4 A.
type bench struct {
	t     *testing.T
	site  *sitefile.Site
	group map[string]*scan.Group
	steps map[Step]map[scan.Role]float64
	walk  *Walk
	mono  int64
}

// newBench has the roles on "controller" and those of a meter on "meter".
func newBench(t *testing.T, onMeter ...scan.Role) *bench {
	t.Helper()
	b := &bench{t: t, group: map[string]*scan.Group{}, steps: map[Step]map[scan.Role]float64{}}
	roles := map[scan.Role]string{}
	for device, list := range map[string][]scan.Role{
		"controller": {scan.MotorRunning, scan.Loaded, scan.MotorCurrent, scan.DischargePressure}, "meter": onMeter,
	} {
		g := &scan.Group{Device: device, Name: "1s", PeriodMS: 1000}
		for _, r := range list {
			if roles[r] != "" {
				continue
			}
			roles[r] = device + "." + string(r)
			g.Channels = append(g.Channels, scan.Channel{Device: device, Name: string(r), Role: r, Kind: scan.KindFloat64, Scale: 1, Unit: unitOf(r)})
		}
		b.group[device] = g
	}
	b.site = &sitefile.Site{Machines: []sitefile.Machine{{Name: "m", Control: sitefile.LoadUnload, RatedPowerW: 38_000,
		Motor: sitefile.Motor{Volts: 460, Starting: "wye-delta"}, Roles: roles}}}
	set := func(s Step, running, loaded, amps, watts, va, slope float64) {
		b.steps[s] = map[scan.Role]float64{scan.MotorRunning: running, scan.Loaded: loaded, scan.MotorCurrent: amps, scan.Power: watts,
			scan.ApparentPower: va, scan.VoltageAB: 460, scan.VoltageBC: 460, scan.VoltageCA: 460, scan.DischargePressure: slope}
		b.steps[s][scan.PowerFactor] = watts / math.Max(va, 1)
	}
	set(Stopped, 0, 0, 0, 60, 70, -10)
	set(Unloaded, 1, 0, 25.5, 12_000, 21_000, -300)
	set(Loaded, 1, 1, 48.5, 34_641, 40_000, 2000)
	set(UnloadedAgain, 1, 0, 25.5, 12_000, 21_000, -300)
	return b
}

// meter are the roles of a good meter.
func meter() []scan.Role {
	return []scan.Role{scan.Power, scan.ApparentPower, scan.VoltageAB, scan.VoltageBC, scan.VoltageCA}
}

// each changes a role in every step.
func (b *bench) each(r scan.Role, f func(float64) float64) {
	for _, s := range b.steps {
		s[r] = f(s[r])
	}
}

// second shows one scan of each device, with the values of step.
func (b *bench) second(step Step) {
	b.mono += 1000
	for _, g := range b.group {
		s := scan.Scan{Group: g, MonoMS: b.mono}
		for _, c := range g.Channels {
			v := b.steps[step][c.Role]
			if c.Role == scan.DischargePressure { // what is set is its slope, Pa/s
				v = 7e5 + v*float64(b.mono)/1000
			}
			s.Values = append(s.Values, int64(math.Float64bits(v)))
		}
		b.walk.Observe(&s)
	}
}

// begin makes the walk.
func (b *bench) begin() {
	b.t.Helper()
	w, err := New(b.site, "m", []*scan.Group{b.group["controller"], b.group["meter"]})
	if err != nil {
		b.t.Fatal(err)
	}
	b.walk = w
}

// judged goes through all steps.
func (b *bench) judged() Report { return b.walked(false) }

// walked is the report after a walk, with or without the stopped step.
func (b *bench) walked(withoutStop bool) Report {
	b.t.Helper()
	b.begin()
	for _, step := range Steps() {
		skip := withoutStop && step == Stopped
		if err := b.walk.Begin(step, skip, b.mono); err != nil {
			b.t.Fatal(err)
		}
		if skip {
			continue
		}
		for range 30 {
			b.second(step)
		}
	}
	r := b.walk.Report()
	if r.Phase != "done" {
		b.t.Fatalf("not done: %+v", r)
	}
	return r
}

func codes(r Report) string {
	var list []string
	for _, f := range r.Findings {
		list = append(list, f.Code)
	}
	return strings.Join(list, " ")
}

// Worked by hand for three wattmeters, P = V·ΣI·cos(angle), at φ = 30°; S stays
// 40 kVA but for the leg's, which is S/√3. From the trigonometry alone.
func TestInferenceByHand(t *testing.T) {
	deg := func(d float64) float64 { return math.Cos(d * math.Pi / 180) }
	loadedPower := func(watts float64) func(*bench) {
		return func(b *bench) {
			share := watts / b.steps[Loaded][scan.Power]
			b.each(scan.Power, func(v float64) float64 { return v * share })
		}
	}
	scale := func(f float64, roles ...scan.Role) func(*bench) {
		return func(b *bench) {
			for _, r := range roles {
				b.each(r, func(v float64) float64 { return v * f })
			}
		}
	}
	const s = 40_000
	for _, tt := range []struct {
		name   string
		roles  []scan.Role
		change func(*bench)
		want   string
	}{
		{"as it should be", meter(), func(*bench) {}, ""},
		{"one reversed: (1+1-1)/3", meter(), loadedPower(s * deg(30) / 3), CodeReversed},
		{"two reversed: (1-1-1)/3", meter(), loadedPower(-s * deg(30) / 3), CodeReversed},
		{"three reversed", meter(), loadedPower(-s * deg(30)), CodeReversed},
		{"two swapped: (cos 30 + cos 150 + cos -90)/3", meter(), loadedPower(s / 3 * (deg(30) + deg(150) + deg(-90))), CodeWrongPhase},
		{"all one phase on: cos 150", meter(), loadedPower(s * deg(150)), CodeReversed},
		{"all one phase back: cos -90", meter(), loadedPower(s * deg(-90)), CodeWrongPhase},
		{"ratio 2", meter(), scale(2, scan.Power, scan.ApparentPower), CodeRatio},
		{"ratio 1/5", meter(), scale(0.2, scan.Power, scan.ApparentPower), CodeRatio},
		{"leading leg: cos 0", meter(), func(b *bench) {
			scale(1/math.Sqrt(3), scan.ApparentPower)(b)
			loadedPower(s / math.Sqrt(3) * deg(0))(b)
		}, CodeOneLeg},
		{"lagging leg: cos 60", meter(), func(b *bench) {
			scale(1/math.Sqrt(3), scan.ApparentPower)(b)
			loadedPower(s / math.Sqrt(3) * deg(60))(b)
		}, CodeOneLeg},
		{"the controller's own leg", meter(), scale(1/math.Sqrt(3), scan.MotorCurrent), CodeControllerLeg},
		{"the controller's scale", meter(), scale(0.1, scan.MotorCurrent), CodeControllerRatio},
		{"rated power wrong", meter(), func(b *bench) { b.site.Machines[0].RatedPowerW = 11_000 }, CodeRatedPower},
		{"no apparent power: one reversed", []scan.Role{scan.Power}, loadedPower(s * deg(30) / 3), CodeReversed},
		{"no apparent power: ratio 2", []scan.Role{scan.Power}, scale(2, scan.Power), CodeRatio},
		{"power factor instead: two swapped", []scan.Role{scan.Power, scan.PowerFactor}, func(b *bench) {
			scale(0, scan.Power, scan.PowerFactor)(b)
		}, CodeWrongPhase},
		{"no second current: ratio 2 against the plate", meter(), func(b *bench) {
			delete(b.site.Machines[0].Roles, scan.MotorCurrent)
			scale(2, scan.Power, scan.ApparentPower)(b)
		}, CodeRatio},
		{"no voltage at standstill, another running", meter(), func(b *bench) {
			for _, r := range []scan.Role{scan.VoltageAB, scan.VoltageBC, scan.VoltageCA} {
				b.steps[Stopped][r] = 0
				b.steps[Loaded][r] = 380
			}
		}, CodeDriveOutput},
		{"no voltage at standstill, the mains' running", meter(), func(b *bench) {
			for _, r := range []scan.Role{scan.VoltageAB, scan.VoltageBC, scan.VoltageCA} {
				b.steps[Stopped][r] = 0
			}
		}, CodeMotorOnly},
		{"a drive's input near 1", meter(), func(b *bench) {
			b.site.Machines[0].Motor.Starting = "drive"
			b.steps[Loaded][scan.ApparentPower] = 36_000
			b.steps[Unloaded][scan.ApparentPower] = 12_200
			b.steps[Loaded][scan.MotorCurrent], b.steps[Unloaded][scan.MotorCurrent] = 44, 15
			b.steps[UnloadedAgain][scan.MotorCurrent] = 15
		}, ""},
		{"loaded bit inverted", meter(), func(b *bench) { b.each(scan.Loaded, func(v float64) float64 { return 1 - v }) }, CodeInvertedLoad},
		{"loaded bit is another", meter(), func(b *bench) { b.each(scan.Loaded, func(float64) float64 { return 1 }) }, CodeStillLoad},
		{"running bit inverted", meter(), func(b *bench) { b.each(scan.MotorRunning, func(v float64) float64 { return 1 - v }) }, CodeInvertedRunning},
		{"running bit is another", meter(), func(b *bench) { b.each(scan.MotorRunning, func(float64) float64 { return 0 }) }, CodeStillRunning},
		{"steps mistaken", meter(), func(b *bench) {
			b.steps[Loaded], b.steps[Unloaded] = b.steps[Unloaded], b.steps[Loaded]
			b.steps[UnloadedAgain] = b.steps[Unloaded]
		}, CodeSwappedSteps},
		{"it stood all the time", meter(), func(b *bench) {
			for _, step := range []Step{Unloaded, Loaded, UnloadedAgain} {
				b.steps[step] = b.steps[Stopped]
			}
		}, CodeNothingMoved},
		{"it stood all the time, without bits", meter(), func(b *bench) {
			for _, step := range []Step{Unloaded, Loaded, UnloadedAgain} {
				b.steps[step] = b.steps[Stopped]
			}
			delete(b.site.Machines[0].Roles, scan.MotorRunning)
			delete(b.site.Machines[0].Roles, scan.Loaded)
		}, CodeNothingMoved},
		{"both bits are others, and it ran", meter(), func(b *bench) {
			b.each(scan.MotorRunning, func(float64) float64 { return 0 })
			b.each(scan.Loaded, func(float64) float64 { return 0 })
		}, CodeStillRunning + " " + CodeStillLoad},
		{"a meter without current, and it ran", meter(), func(b *bench) {
			b.each(scan.MotorRunning, func(float64) float64 { return 0 })
			b.each(scan.Loaded, func(float64) float64 { return 0 })
			scale(0.001, scan.Power, scan.ApparentPower)(b)
		}, CodeStillRunning + " " + CodeStillLoad + " " + CodeRatio},
		{"pressure upside down", meter(), func(b *bench) { b.each(scan.DischargePressure, func(v float64) float64 { return -v }) }, CodePressure},
		{"the plant takes more than the machine gives", meter(), func(b *bench) {
			b.each(scan.DischargePressure, func(v float64) float64 { return v - 4000 })
		}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, tt.roles...)
			tt.change(b)
			r := b.judged()
			if codes(r) != tt.want {
				t.Errorf("found %q, want %q: %+v", codes(r), tt.want, r.Findings)
			}
			if tt.want == "" && r.Verdict != "well" {
				t.Errorf("verdict %q: %+v", r.Verdict, r.Checks)
			}
		})
	}
}

// A step that was left out has no reading, and a finding does not show one.
func TestStoodWithoutTheStoppedStep(t *testing.T) {
	b := newBench(t, meter()...)
	for _, step := range []Step{Unloaded, Loaded, UnloadedAgain} {
		b.steps[step] = b.steps[Stopped]
	}
	r := b.walked(true)
	if codes(r) != CodeNothingMoved {
		t.Fatalf("found %q: %+v", codes(r), r.Findings)
	}
	if basis := r.Findings[0].Basis; strings.Contains(basis, "NaN") || strings.Contains(basis, "stopped") || !strings.Contains(basis, "unloaded ") {
		t.Errorf("it rests on %q", basis)
	}
}

func TestWhatBreaksAStepOff(t *testing.T) {
	b := newBench(t, meter()...)
	b.begin()
	wantRefused := func(what string, err error) {
		t.Helper()
		if !errors.Is(err, ErrRefused) {
			t.Errorf("%s: %v", what, err)
		}
	}
	wantRefused("loaded before its turn", b.walk.Begin(Loaded, false, b.mono))
	wantRefused("unloaded left out", b.walk.Begin(Unloaded, true, b.mono))
	if _, err := New(b.site, "other", nil); !errors.Is(err, ErrNoMachine) {
		t.Errorf("a machine that is not there: %v", err)
	}
	if _, err := New(b.site, "m", nil); !errors.Is(err, ErrRefused) {
		t.Errorf("a machine without channels: %v", err)
	}
	if err := errors.Join(b.walk.Begin(Stopped, true, b.mono), b.walk.Begin(Unloaded, false, b.mono)); err != nil {
		t.Fatal(err)
	}
	for range 10 {
		b.second(Unloaded)
	}
	b.second(Loaded) // the machine cut in by itself
	if r := b.walk.Report(); r.Phase != "waiting" || r.Step != Unloaded || !strings.Contains(r.Detail, "changed during the step") {
		t.Errorf("a machine that loads in the unloaded step: %+v", r)
	}

	// A gap begins the 20 s anew; scans from before the step do not count.
	if err := b.walk.Begin(Unloaded, false, b.mono+5000); err != nil {
		t.Fatal(err)
	}
	for range 5 {
		b.second(Unloaded)
	}
	if r := b.walk.Report(); r.CollectedS != 0 {
		t.Errorf("scans from before the step count: %v s", r.CollectedS)
	}
	for range 15 {
		b.second(Unloaded)
	}
	b.mono += 10_000
	for range 19 {
		b.second(Unloaded)
	}
	if r := b.walk.Report(); r.Phase != "collecting" || r.CollectedS != 18 {
		t.Errorf("after a gap: %s, %v s, want 18", r.Phase, r.CollectedS)
	}
	for range 2 {
		b.second(Unloaded)
	}
	if r := b.walk.Report(); r.Phase != "waiting" || r.Step != Loaded {
		t.Errorf("after 20 s without a gap: %+v", r)
	}

	// A power that goes on falling, as in a blow-down, is waited for.
	if err := b.walk.Begin(Unloaded, false, b.mono); err != nil {
		t.Fatal(err)
	}
	for i := range 60 {
		b.steps[Unloaded][scan.Power] = 12_000 + 12_000*math.Exp(-float64(i)/15)
		b.second(Unloaded)
		if r := b.walk.Report(); i == 30 && !strings.Contains(r.Detail, "still changing") {
			t.Errorf("in the blow-down: %+v", r)
		}
	}
	if mean, ok := b.walk.Mean(Unloaded, scan.Power); !ok || mean.Mean > 13_500 {
		t.Errorf("settled at %v W", mean.Mean)
	}
	b.neverComes(t)
}

// neverComes lets a device be silent: the reason is told, and the step ends.
func (b *bench) neverComes(t *testing.T) {
	t.Helper()
	if err := b.walk.Begin(Loaded, false, b.mono); err != nil {
		t.Fatal(err)
	}
	for i := range 310 {
		b.mono += 1000
		b.walk.Observe(&scan.Scan{Group: b.group["meter"], MonoMS: b.mono, Reason: scan.Timeout})
		if r := b.walk.Report(); i == 5 && !strings.Contains(r.Detail, "timeout") && !strings.Contains(r.Detail, "waiting for") {
			t.Errorf("a silent meter: %+v", r)
		}
	}
	if r := b.walk.Report(); r.Phase != "waiting" || !strings.Contains(r.Detail, "nothing settled in 5 min") {
		t.Errorf("a meter that stays silent: %+v", r)
	}
}

// An implausible power counts: the map's valid range hides what three reversed
// transformers show.
func TestImplausiblePowerCounts(t *testing.T) {
	watts, err := quantity.ParseUnit("W")
	if err != nil {
		t.Fatal(err)
	}
	g := &scan.Group{Device: "meter", PeriodMS: 1000, Channels: []scan.Channel{{Device: "meter", Name: "power", Kind: scan.KindInt, Scale: 1, Unit: "W"}}}
	list := []channel{{role: scan.Power, group: g, id: "meter.power", unit: watts}}
	w := newWindow(list, Loaded)
	for i := range int64(25) {
		w.add(list, &scan.Scan{Group: g, MonoMS: i * 1000, Values: []int64{-34_000}, Quality: []scan.Reason{scan.Implausible}})
	}
	readings, state, detail := w.judge(list, 24_000)
	if state != complete || readings[scan.Power].Mean != -34_000 {
		t.Errorf("state %v, %q, %+v", state, detail, readings)
	}
}

func TestConclusionComesOnce(t *testing.T) {
	b := newBench(t, meter()...)
	b.judged()
	if r, ok := b.walk.Conclusion(); !ok || r.Verdict != "well" {
		t.Errorf("the first time: %v %q", ok, r.Verdict)
	}
	if _, ok := b.walk.Conclusion(); ok {
		t.Error("it comes twice")
	}
}
