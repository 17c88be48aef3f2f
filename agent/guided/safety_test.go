package guided

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/quantity"
)

// A machine that goes on filling past what it is made for does not see what it
// fills: the test ends at once and says what to do first.
func TestTooHighAPressureEndsAPumpUp(t *testing.T) {
	plan := bench(PumpUp, 1, 1e5)
	plan.MostPa = overshoot * 8.6e5
	p := player{s: New(plan)}
	for range 20 {
		p.show(5e5, Resting)
	}
	last := 5e5
	for ; last < 12e5 && !p.s.Report().Phase.Over(); last += 5e3 {
		p.show(last, Loaded)
	}
	r := p.s.Report()
	if r.Phase != GivenUp || last > plan.MostPa+2*5e3 || !strings.HasPrefix(r.Instruction, "Stop comp1 at once.") || !strings.Contains(r.Instruction, "slowly") {
		t.Errorf("at %.0f Pa: %+v", last, r)
	}
	if caution := strings.Join(Cautions(PumpUp), " "); !strings.Contains(caution, "machine's side of the valve") {
		t.Error("no caution tells of a gauge behind the valve")
	}
}

// The machine is stopped before the valve is shut, and the air rests with the
// drain shut: it cools while it is let down.
func TestTheOrderOfThePumpUpsSteps(t *testing.T) {
	plan := bench(PumpUp, 1, 1e5)
	check := func(text string, steps ...string) {
		t.Helper()
		at := -1
		for _, step := range steps {
			next := strings.Index(text, step)
			if next <= at {
				t.Errorf("%q out of its order in %q", step, text)
			}
			at = next
		}
	}
	s := New(plan)
	check(s.Report().Instruction, "Stop comp1", "Shut the plant valve behind receiver", "Let the pressure down", "shut the drain", "wait half a minute", "load by itself")
	plan.Valve = ""
	check(New(plan).Report().Instruction, "Stop comp1", "Shut the plant valve. ", "shut the drain")
	again := pumpUp{plan: plan, refused: 1}
	check(again.lowering(), "Stop comp1", "Keep the plant valve shut", "shut the drain")
	check(Afterwards(PumpUp), "Shut the drain", "slowly", "tell those who use air")
	plan.units = quantity.US
	if text := New(plan).Report().Instruction; !strings.Contains(text, "75.4 psi") || strings.Contains(text, "bar") { // 520 kPa / 6.894757
		t.Errorf("on a US site: %s", text)
	}
}

// A machine that loaded when the test began and is stopped then leaves one long
// fall, which is enough; one that rests between loads does not.
func TestAFallCountsOnceTheMachineWasStopped(t *testing.T) {
	const inlet, volume, decay = 1e5, 1.0, 1e-4 // 1/s: 1 m³·1e-4·8 bar(a)/1 bar(a) = 0.8 l/s at 7 bar(g)
	fall := func(p *player, from float64, until func(pa float64) bool) {
		for i := 0; i < 3*3600 && !p.s.Report().Phase.Over(); i++ {
			pa := (from+inlet)*math.Exp(-decay*float64(i)) - inlet
			if until != nil && until(pa) {
				return
			}
			p.show(pa, Resting)
		}
	}
	p := player{s: New(bench(Leak, volume, inlet))}
	for i := range 30 {
		p.show(7e5+1e3*float64(i), Loaded)
	}
	fall(&p, 7.3e5, nil)
	r, ok := p.s.Result()
	if want := volume * decay * (r.PressurePa + inlet) / inlet; !ok || math.Abs(r.Flow.V/want-1) > 0.01 {
		t.Errorf("stopped from the beginning: %+v, want %.6f m³/s; %+v", r, want, p.s.Report())
	}

	p = player{s: New(bench(Leak, volume, inlet))}
	cutIn := func(pa float64) bool { return pa < 6.7e5 }
	fall(&p, 6.75e5, cutIn)
	for range 2 {
		for i := range 40 {
			p.show(6.7e5+1.5e3*float64(i), Loaded)
		}
		fall(&p, 7.3e5, cutIn) // 12 minutes: long enough, but it will load again
		if r := p.s.Report(); r.Phase != Watch {
			t.Fatalf("a fall between two loads ends the test: %+v", r)
		}
	}
	fall(&p, 6.7e5, nil) // now it is stopped
	if r, ok := p.s.Result(); !ok || r.PressurePa > 7.1e5 || r.Flow.V <= 0 {
		t.Errorf("stopped between its cycles: %+v; %+v", r, p.s.Report())
	}
}

// A rise in which another machine was not seen does not count: it may have filled
// the volume as well.
func TestARiseWithAnUnseenMachineDoesNotCount(t *testing.T) {
	plan := bench(PumpUp, 1, 1e5)
	plan.Machines = []string{"comp1", "comp2"}
	p := player{s: New(plan)}
	show := func(pa float64, one, two Doing) {
		p.ms += 1000
		p.s.Observe(Reading{MonoMS: p.ms, WallMS: 1_772_550_000_000 + p.ms, PressurePa: pa, Good: true, Doing: []Doing{one, two}})
	}
	round := func(two Doing) {
		for range 20 {
			show(5e5, Resting, Resting)
		}
		for i := range 60 {
			show(5e5+5e3*float64(i), Loaded, two)
		}
		for range 130 {
			show(5e5+5e3*59, Unloaded, Resting)
		}
	}
	round(Unseen)
	if r := p.s.Report(); r.Done != 0 || r.Detail == "" || r.Phase != Lower {
		t.Errorf("it counts: %+v", r)
	}
	round(Resting)
	if r := p.s.Report(); r.Done != 1 {
		t.Errorf("the next one does not: %+v", r)
	}
}
