package guided

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/gum"
)

// What a pump-up test asks for.
const (
	leastRisePa    = 60e3  // above the floor, after the ends are cut
	leastRiseN     = 8     // samples
	holdLeastS     = 30.0  // what the volume loses by itself
	holdEnoughS    = 120.0 // and the heat of the rise has gone
	earlyS         = 5.0   // of the hold: the inlet has closed, the air is still warm
	refusedRises   = 6
	tightShare     = 0.15 // of the machine's flow that the volume may lose by itself
	evenShare      = 0.05 // that segments of a rise may differ by, beside what pressure does
	perBarShare    = 0.02 // a screw's flow falls with pressure by less than this
	exponentLeast  = 0.97
	exponentMost   = 1.4 // adiabatic
	exponentRestU  = 0.005
	lowerLimitS    = 45 * 60.0
	risingLimitS   = 30 * 60.0
	segments       = 4
	pumpUpBuffer   = 40_000
	cutLow, cutTop = 0.08, 0.04 // of a rise: the delay at its beginning, the closing inlet
)

// pumpUp times rises of the known volume.
type pumpUp struct {
	plan    *Plan
	wallMS  int64 // of the first reading
	phase   Phase
	seen    bool // a reading without load came: the next load is whole
	from    float64
	nowPa   float64
	rise    []sample
	hold    []sample
	flows   []oneRise
	refused int
	detail  string
	found   *Result
}

// oneRise is what one rise gave.
type oneRise struct {
	flowM3S, u float64 // as the volume is, u from scatter alone
	slopePaS   float64
	ownM3S     float64 // what the volume loses by itself, in it
	meanPa     float64
	exponent   float64
	uExponent  float64
	bend       float64 // slope of the last segment over that of the first, less 1
}

func (t *pumpUp) result() *Result { return t.found }

func (t *pumpUp) machine(r *Reading) Doing {
	for i, name := range t.plan.Machines {
		if name == t.plan.Machine {
			return r.Doing[i]
		}
	}
	return Unseen
}

// lost refuses a rise that a gap has cut.
func (t *pumpUp) lost() {
	if t.phase != Lower {
		t.refuse("readings were missing")
	}
	t.seen = false
}

// refuse goes back to the beginning of a rise.
func (t *pumpUp) refuse(why string, args ...any) {
	t.detail = fmt.Sprintf("a rise does not count: "+why, args...)
	t.refused++
	t.again()
}

func (t *pumpUp) again() {
	t.phase, t.rise, t.hold, t.seen, t.from = Lower, nil, nil, false, 0
}

func (t *pumpUp) take(s float64, r *Reading) error {
	t.wallMS = cmp.Or(t.wallMS, r.WallMS)
	doing := t.machine(r)
	if i := slices.Index(r.Doing, Unseen); i >= 0 { // another machine may have filled it as well
		t.lost()
		t.detail = t.plan.Machines[i] + " was not seen: a rise does not count meanwhile"
		return nil
	}
	if t.from == 0 {
		t.from = s
	}
	p := sample{s, r.PressurePa}
	t.nowPa = p.pa
	switch t.phase {
	case Lower:
		t.lower(p, doing)
	case Rise:
		t.rises(p, doing)
	default:
		t.holds(p, doing)
	}
	switch {
	case t.refused >= refusedRises:
		return fmt.Errorf("%d rises did not count; the last: %s", t.refused, t.detail)
	case t.phase == Lower && s-t.from > lowerLimitS:
		return fmt.Errorf("%s has not loaded in %.0f minutes", t.plan.Machine, lowerLimitS/60)
	case t.phase == Rise && s-t.from > risingLimitS:
		return fmt.Errorf("%s has loaded for %.0f minutes without filling the volume: is the plant valve open?", t.plan.Machine, risingLimitS/60)
	}
	return nil
}

// lower waits for a load that is seen from its beginning.
func (t *pumpUp) lower(p sample, doing Doing) {
	switch {
	case doing == PartLoad:
		t.detail = t.plan.Machine + " runs at part load: the rise counts only where it loads fully"
	case doing != Loaded:
		t.seen = true
	case t.seen:
		t.phase, t.rise, t.from = Rise, append(t.rise[:0], p), p.s
	}
}

func (t *pumpUp) rises(p sample, doing Doing) {
	switch doing {
	case Loaded:
		if t.rise = append(t.rise, p); len(t.rise) > pumpUpBuffer {
			t.refuse("it lasts too long")
		}
	case PartLoad:
		t.refuse("%s went to part load", t.plan.Machine)
	default:
		if list := t.steep(); len(list) < leastRiseN || list[len(list)-1].pa-list[0].pa < leastRisePa {
			t.refuse("the pressure rose by less than %s above %s, where the minimum-pressure valve is open: let it down further",
				t.plan.differenceText(leastRisePa), t.plan.pressureText(floorPa))
			t.seen = true
			return
		}
		t.phase, t.from, t.hold = Hold, p.s, append(t.hold[:0], p)
	}
}

// steep is the part of the rise that counts.
func (t *pumpUp) steep() []sample {
	list := risen(t.rise, cutLow, 1-cutTop)
	for len(list) > 0 && list[0].pa < floorPa {
		list = list[1:]
	}
	return list
}

func (t *pumpUp) holds(p sample, doing Doing) {
	held := p.s - t.from
	loads := doing == Loaded || doing == PartLoad
	fell := len(t.hold) > 0 && p.pa < t.hold[0].pa-0.5*(t.hold[0].pa-t.rise[0].pa)
	if !loads && !fell && held < holdEnoughS {
		t.hold = append(t.hold, p)
		return
	}
	if held < holdLeastS {
		t.refuse("the pressure did not stand for %.0f s after it: is the plant valve shut?", holdLeastS)
		return
	}
	one, err := t.measure()
	if err != nil {
		t.refuse("%s", err.Error())
		return
	}
	t.flows = append(t.flows, one)
	t.detail = ""
	t.again()
	t.seen = !loads
	if len(t.flows) >= t.plan.Rises {
		t.conclude()
	}
}

// measure takes a rise and the time after it apart.
func (t *pumpUp) measure() (oneRise, error) {
	list := t.steep()
	l := fit(list, linear)
	one := oneRise{slopePaS: l.Slope, meanPa: l.Mean}
	if err := evenRise(list, &one); err != nil {
		return one, err
	}
	// The hold: late, the air has cooled and what it loses is what gets by.
	end := t.hold[len(t.hold)-1].s
	long := end - t.from
	late := fit(between(t.hold, t.from+max(long/2, earlyS), end), linear)
	early := fit(between(t.hold, t.from+earlyS, t.from+2*earlyS+5), linear)
	if late.N < leastFit || early.N < 3 {
		return one, errors.New("too little was read after it")
	}
	inlet := t.plan.InletPa.V
	// What is lost follows the absolute pressure, and is lost while it fills, too.
	losesPaS := -late.Slope * (one.meanPa + inlet) / (late.Mean + inlet)
	one.ownM3S = t.plan.VolumeM3.V * losesPaS / inlet
	filled := t.plan.VolumeM3.V + t.plan.PackageM3.V
	settled := late.Value(t.from) - t.rise[0].pa
	excess := early.Mean - late.Value(early.At)
	one.exponent = 1 + excess/settled
	one.uExponent = math.Hypot(math.Abs(excess/settled)/2, early.UMean/settled) + exponentRestU
	if one.exponent < exponentLeast || one.exponent > exponentMost {
		return one, fmt.Errorf("right after it the pressure fell by %.1f %% of the rise, which no cooling does: is the valve shut, does a drain open?", 100*(one.exponent-1))
	}
	one.flowM3S = filled*one.slopePaS/(one.exponent*inlet) + one.ownM3S
	one.u = math.Hypot(filled*l.USlope/inlet, t.plan.VolumeM3.V*late.USlope/inlet)
	if one.ownM3S > tightShare*one.flowM3S {
		return one, fmt.Errorf("the shut volume loses %.0f %% of what the machine gives: is the plant valve shut, a drain open?", 100*one.ownM3S/one.flowM3S)
	}
	return one, nil
}

// evenRise refuses a rise whose segments differ by more than pressure, heat and
// scatter make.
func evenRise(list []sample, one *oneRise) error {
	size := len(list) / segments
	if size < leastFit {
		size = len(list) / 2
	}
	first, last := fit(list[:size], linear), fit(list[len(list)-size:], linear)
	one.bend = last.Slope/first.Slope - 1
	bars := (last.Mean - first.Mean) / 1e5
	limit := evenShare + perBarShare*bars
	for at := 0; at+size <= len(list); at += size {
		part := fit(list[at:at+size], linear)
		if off := math.Abs(part.Slope/one.slopePaS - 1); off > limit+3*part.USlope/one.slopePaS {
			return fmt.Errorf("it was not even (one part of it was %.0f %% off): something drew air, or the valve was moved", 100*off)
		}
	}
	return nil
}

// conclude combines the rises.
func (t *pumpUp) conclude() {
	p := t.plan
	n := len(t.flows)
	flows := make([]float64, n)
	var mean oneRise
	fitted := 0.0
	for i, one := range t.flows {
		flows[i] = one.flowM3S
		fitted += float64(one.u*one.u) / float64(n)
		mean.slopePaS += one.slopePaS / float64(n)
		mean.meanPa += one.meanPa / float64(n)
		mean.ownM3S += one.ownM3S / float64(n)
		mean.exponent += one.exponent / float64(n)
		mean.uExponent = max(mean.uExponent, one.uExponent)
		mean.bend += one.bend / float64(n)
	}
	flow, scatter := scattered(flows)
	scatter = max(scatter, math.Sqrt(fitted/float64(n)))
	// (V + Vpackage)·dp/dt/(n·p₀) + own loss: the storage formula's V = T·C·Pa/Δp,
	// solved for C (testdata/vectors/storage.csv).
	volume := p.VolumeM3.Plus(p.PackageM3)
	slope := gum.Exact(mean.slopePaS).Times(p.Gauge)
	heat := gum.New(mean.exponent, mean.uExponent, "heat of the rise (what the pressure fell back by)")
	own := p.VolumeM3.Scaled(mean.ownM3S / p.VolumeM3.V).Times(p.Gauge)
	v := volume.Times(slope).Over(p.InletPa).Over(heat).Plus(own)
	v = v.Plus(gum.New(flow-v.V, scatter, t.plan.scatter("rises", t.wallMS))).Plus(p.weather(flow, t.wallMS)).Times(p.Condition)
	unit, perUnit, _ := p.flowUnit()
	t.found = &Result{Flow: v, Machine: p.Machine, PressurePa: mean.meanPa, Cycles: n,
		Method: fmt.Sprintf("pump-up of %s and %s inside the machine, by %s (%s): %s in ten seconds near %s, over %d rises; polytropic exponent %.3f; the shut volume's own loss of %.2g %s added",
			p.volumeText(p.VolumeM3.V), p.volumeText(p.PackageM3.V), p.Source.ID, p.Source.Part, p.differenceText(10*mean.slopePaS), p.pressureText(mean.meanPa), n, mean.exponent,
			mean.ownM3S*perUnit, unit),
		Text: t.text(v, &mean)}
}

func (t *pumpUp) text(v gum.Value, mean *oneRise) string {
	s := fmt.Sprintf("%s delivers %s of free air near %s", t.plan.Machine, t.plan.flowText(v), t.plan.pressureText(mean.meanPa))
	if rated := t.plan.RatedFlowM3S; rated > 0 {
		s += fmt.Sprintf(", %.0f ± %.0f %% of its rated flow", 100*v.V/rated, 200*v.U()/rated)
	}
	if mean.bend < -evenShare {
		s += fmt.Sprintf("; the rise slowed by %.0f %% on its way: a valve that lets by, or heat", -100*mean.bend)
	}
	return s
}

// lowering says how the next rise is prepared. The air must rest with the drain
// shut: it has cooled while it was let down, and warms up again.
func (t *pumpUp) lowering() string {
	valve := "Shut the plant valve"
	if t.plan.Valve != "" {
		valve += " behind " + t.plan.Valve
	}
	if len(t.flows)+t.refused > 0 {
		valve = "Keep the plant valve shut"
	}
	return fmt.Sprintf("Stop %s or hold it unloaded. %s. Let the pressure down to below %s, shut the drain, wait half a minute, then put the machine back to automatic and let it load by itself.",
		t.plan.Machine, valve, t.plan.pressureText(floorPa))
}

func (t *pumpUp) show(r *Report) {
	r.Phase, r.Done, r.Needed, r.Detail = t.phase, len(t.flows), t.plan.Rises, t.detail
	r.Needs = fmt.Sprintf("%d rises, of which %d are there", r.Needed, r.Done)
	switch t.phase {
	case Lower:
		r.Instruction = t.lowering()
		if t.nowPa >= floorPa {
			r.Needs += fmt.Sprintf("; the pressure is %s, which is too high still", t.plan.pressureText(t.nowPa))
		} else if t.from > 0 {
			r.Needs += fmt.Sprintf("; the pressure is %s, low enough", t.plan.pressureText(t.nowPa))
		}
	case Rise:
		r.Instruction = fmt.Sprintf("Touch nothing: %s fills the volume up to its cut-out.", t.plan.Machine)
		if len(t.rise) > 0 {
			r.Needs += fmt.Sprintf("; the pressure has risen by %s", t.plan.differenceText(t.rise[len(t.rise)-1].pa-t.rise[0].pa))
		}
	case Hold:
		r.Instruction = "Touch nothing: the pressure stands, and shows what the volume loses by itself."
		if len(t.hold) > 0 {
			r.Needs += fmt.Sprintf("; %.0f s more", holdEnoughS-(t.hold[len(t.hold)-1].s-t.from))
		}
	}
	if n := len(t.flows); n > 0 {
		sum := 0.0
		for _, one := range t.flows {
			sum += one.flowM3S / float64(n)
		}
		unit, perUnit, digits := t.plan.flowUnit()
		r.SoFar = fmt.Sprintf("%.*f %s, rises counted: %d", digits, sum*t.plan.Condition.V*perUnit, unit, n)
	}
}
