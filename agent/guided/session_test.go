package guided

import (
	"errors"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

// Each way in which a test ends without a result says why, and what to do.
func TestWhyATestIsGivenUp(t *testing.T) {
	rise := func(p *player, from, to float64, n int) {
		for i := range n {
			p.show(from+(to-from)*float64(i)/float64(n), Loaded)
		}
	}
	still := func(p *player, pa float64, n int, d Doing) {
		for range n {
			p.show(pa, d)
		}
	}
	for name, tt := range map[string]struct {
		test string
		play func(p *player)
		why  string
	}{
		"tripped":  {Leak, func(p *player) { still(p, 7e5, 5, Unloaded); still(p, 7e5, 1, Tripped) }, "comp1 has tripped"},
		"unseen":   {PumpUp, func(p *player) { still(p, 5e5, 5, Resting); still(p, 5e5, 130, Unseen) }, "was not seen for 120 s"},
		"partload": {Leak, func(p *player) { still(p, 7e5, 5, PartLoad) }, "part load"},
		"cancel":   {PumpUp, func(p *player) { still(p, 5e5, 5, Resting); p.s.Cancel("broken off by R. Vale") }, "broken off"},
		"silence": {PumpUp, func(p *player) {
			still(p, 5e5, 5, Resting)
			for range 130 {
				p.ms += 1000
				p.s.Observe(Reading{MonoMS: p.ms, WallMS: p.ms, Reason: "timeout", Doing: []Doing{Resting}})
			}
		}, "was not read for 121 s: timeout"},
		"asleep":          {PumpUp, func(p *player) { still(p, 5e5, 5, Resting); p.ms += 300_000; still(p, 5e5, 1, Resting) }, "was not read for"},
		"never loads":     {PumpUp, func(p *player) { still(p, 5e5, 2800, Resting) }, "has not loaded in 45 minutes"},
		"open valve":      {PumpUp, func(p *player) { still(p, 7e5, 5, Resting); still(p, 7e5, 1900, Loaded) }, "is the plant valve open?"},
		"nothing happens": {Leak, func(p *player) { still(p, 7e5, 8*3600+5, Unloaded) }, "480 minutes have passed"},
		"draws air after it": {PumpUp, func(p *player) {
			for range refusedRises {
				still(p, 5e5, 20, Resting)
				rise(p, 5e5, 8e5, 60)
				for i := range 40 {
					p.show(8e5-8e3*float64(i), Unloaded)
				}
			}
		}, "6 rises did not count; the last: a rise does not count: the pressure did not stand for 30 s after it"},
		"too short": {PumpUp, func(p *player) {
			for range refusedRises {
				still(p, 7e5, 20, Resting)
				rise(p, 7e5, 7.4e5, 20)
				still(p, 7.4e5, 40, Unloaded)
			}
		}, "let it down further"},
	} {
		p := player{s: New(bench(tt.test, 1, 1e5))}
		tt.play(&p)
		r := p.s.Report()
		if _, ok := p.s.Result(); ok || r.Phase != GivenUp || !strings.Contains(r.Why, tt.why) || r.Instruction == "" {
			t.Errorf("%s: phase %s, why %q, want %q; instruction %q", name, r.Phase, r.Why, tt.why, r.Instruction)
		}
		p.show(9e5, Loaded) // after its end it takes nothing
		if p.s.Report().Why != r.Why {
			t.Errorf("%s: went on after its end", name)
		}
	}
}

// A rise that people draw air from, that a gap cuts, or that loses too much does
// not count; the good ones after it do.
func TestABadRiseDoesNotCount(t *testing.T) {
	for name, spoil := range map[string]func(p *player, i int) float64{
		"uneven": func(_ *player, i int) float64 { return math.Min(0, float64(30-i)) * 2.5e3 }, // less from the half on
		"gap": func(p *player, i int) float64 {
			if i == 30 {
				p.ms += 20_000
			}
			return 0
		},
	} {
		p := player{s: New(bench(PumpUp, 1, 1e5))}
		for round := range 4 {
			for range 20 {
				p.show(5e5, Resting)
			}
			for i := range 60 {
				pa := 5e5 + 5e3*float64(i)
				if round == 0 {
					pa += spoil(&p, i)
				}
				p.show(pa, Loaded)
			}
			for range 130 {
				p.show(5e5+5e3*59, Unloaded)
			}
			if r := p.s.Report(); round == 0 && (r.Done != 0 || r.Detail == "") {
				t.Errorf("%s: the first rise counts: %+v", name, r)
			}
		}
		r, ok := p.s.Result()
		if !ok || r.Cycles != 3 || math.Abs(r.Flow.V/0.05-1) > 0.01 { // 1 m³ · 5 kPa/s / 100 kPa
			t.Errorf("%s: %+v, %+v", name, r, p.s.Report())
		}
	}
}

// What is asked for is held against the site; a mistake names its field.
func TestPlanNamesWhatIsWrong(t *testing.T) {
	site, err := sitefile.Load(filepath.Join("..", "..", "configs", "joinery.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	groups := sitefile.Groups(site)
	good := Ask{Test: PumpUp, Who: "R. Vale", Confirmed: true}
	for field, change := range map[string]func(*Ask){
		"test":         func(a *Ask) { a.Test = "smoke" },
		"machine":      func(a *Ask) { a.Machine = "comp9" },
		"system":       func(a *Ask) { a.Test, a.System = Leak, "attic" },
		"who":          func(a *Ask) { a.Who = " " },
		"confirmed":    func(a *Ask) { a.Confirmed = false },
		"volume_m3":    func(a *Ask) { a.VolumeM3 = math.NaN() },
		"volume_share": func(a *Ask) { a.VolumeShare = 0.9 },
		"package_m3":   func(a *Ask) { a.PackageM3 = -1 },
		"rises":        func(a *Ask) { a.Rises = 1 },
	} {
		ask := good
		change(&ask)
		_, err := NewPlan(site, groups, ask)
		var w *Wrong
		if !errors.As(err, &w) || w.Field != field || w.Message == "" {
			t.Errorf("%s: %v", field, err)
		}
	}
	p, err := NewPlan(site, groups, good)
	if err != nil {
		t.Fatal(err)
	}
	// 240 gal: the receiver, not the mains behind the valve.
	if math.Abs(p.VolumeM3.V-240*231*0.0254*0.0254*0.0254) > 1e-3 || p.Valve != "receiver" || p.Machine != "comp1" {
		t.Errorf("plan %+v", p)
	}
	if p.VolumeM3.U() <= 0 || p.Gauge.U() <= 0 || p.InletPa.U() <= 0 || p.PackageM3.U() <= 0 {
		t.Errorf("a plan without uncertainty: %+v", p)
	}
	given := good
	given.VolumeM3, given.VolumeShare, given.PackageM3 = 1, 0.01, 0.03
	if q, err := NewPlan(site, groups, given); err != nil || q.VolumeM3.V != 1 || q.VolumeM3.U() >= p.VolumeM3.U() || q.PackageM3.U() >= p.PackageM3.U() {
		t.Errorf("what was given does not narrow: %+v %v", q, err)
	}
	bare := *site
	bare.Systems = append([]sitefile.System{}, site.Systems...)
	bare.Systems[0].Taps = nil
	bare.Machines = append([]sitefile.Machine{}, site.Machines...)
	bare.Machines[0].Roles = nil
	if _, err := NewPlan(&bare, groups, good); !errors.Is(err, ErrNone) {
		t.Errorf("without a pressure: %v", err)
	}
}

// Cautions name what can hurt; both tests tell of the safety valve, heat, noise,
// automatic starts, lock-out and local rules.
func TestCautions(t *testing.T) {
	for _, test := range []string{Leak, PumpUp} {
		text := strings.Join(Cautions(test), " ")
		for _, word := range []string{"safety valve", "hot", "hearing", "starts", "lock-out", "licensed", "vessel"} {
			if !strings.Contains(text, word) {
				t.Errorf("%s: no caution tells of %q", test, word)
			}
		}
	}
	if text := strings.Join(Cautions(PumpUp), " "); !strings.Contains(text, "users' air") {
		t.Error("the pump-up's cautions do not tell of the users' air")
	}
}

// While the pressure is let down the test says where it is, and when that will do:
// whoever holds the drain sees no page.
func TestLettingDownSaysThePressure(t *testing.T) {
	p := player{s: New(bench(PumpUp, 1, 1e5))}
	for _, step := range []struct {
		pa   float64
		want string
	}{{7e5, "the pressure is 7.00 bar(g), which is too high still"}, {3e5, "the pressure is 3.00 bar(g), low enough"}} {
		p.show(step.pa, Resting)
		if got := p.s.Report().Needs; !strings.HasSuffix(got, step.want) {
			t.Errorf("at %.0f Pa it says %q, want %q", step.pa, got, step.want)
		}
	}
}
