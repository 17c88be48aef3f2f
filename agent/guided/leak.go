package guided

import (
	"cmp"
	"errors"
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/baseline"
	"loadscribe/agent/gum"
)

// What a leak test asks for.
const (
	leastCycles   = 5
	enoughCycles  = 10
	enoughSpread  = 0.05   // standard, of the mean
	leastFit      = 4      // samples
	strokeS       = 5.0    // after an unload the inlet closes and what flows still fills up
	refusedCycles = 12     // so many uneven ones and there is no quiet
	bleedLeastS   = 600.0  // without a load
	bleedEnoughS  = 1800.0 //
	bleedLeastPa  = 20e3   // also how far below its load point a machine has stopped for certain
	bleedEnoughPa = 50e3
	legLimit      = 40_000 // samples of one fall: a later half is as good
)

// leg is a stretch in which the machine delivered (the pressure rises) or none
// did (it falls).
type leg struct {
	rise     bool
	from, to float64
	// fit is of the pressure (rise), or of the logarithm of the absolute pressure
	// (fall): leaks follow the absolute pressure.
	fit    baseline.Line
	meanPa float64
	good   bool
}

// turn is where two legs meet: their lines cross there, whatever the delay
// between the controls' word and the air.
type turn struct{ s, pa float64 }

// leakTest gathers whole load cycles while nobody uses air.
type leakTest struct {
	plan    *Plan
	wallMS  int64 // of the first reading
	on      int   // the machine that loads; -1: none yet
	seen    bool
	loading bool
	resting bool     // no machine runs
	loadPa  float64  // at which it loaded last; 0: not seen yet
	from    float64  // of the leg
	samples []sample // of the leg
	legs    []leg    // the last ones, in turns; at most four
	shares  []float64
	inside  []float64 // of each, the air space inside the machine over the volume
	decays  []float64 // 1/s, of each fall
	means   []float64 // mean pressure of each cycle
	turnU   float64   // sum of the cycles' uncertainty of the turning points
	refused int
	detail  string
	found   *Result
}

func (t *leakTest) result() *Result { return t.found }

// lost forgets what a gap has cut.
func (t *leakTest) lost() {
	t.samples, t.legs, t.seen = nil, nil, false
	t.detail = "readings were missing: the cycle does not count"
}

func (t *leakTest) take(s float64, r *Reading) error {
	t.wallMS = cmp.Or(t.wallMS, r.WallMS)
	loads := -1
	t.resting = true
	for i, d := range r.Doing {
		t.resting = t.resting && d == Resting
		switch {
		case d == Unseen:
			t.samples, t.legs, t.seen = nil, nil, false
			t.detail = t.plan.Machines[i] + " was not seen: the cycle does not count"
			return nil
		case d == PartLoad:
			return fmt.Errorf("%s runs at part load, which says nothing of how long it loads: stop it and let the pressure fall, with the system's volume known", t.plan.Machines[i])
		case d == Loaded && loads >= 0:
			return errors.New("two machines load at once: somebody uses air, or the leaks take more than one machine gives")
		case d == Loaded:
			loads = i
		}
	}
	if loads >= 0 && t.on >= 0 && loads != t.on {
		t.shares, t.inside, t.decays, t.means, t.legs, t.turnU = nil, nil, nil, nil, nil, 0
		t.detail = t.plan.Machines[loads] + " took over: the cycles before do not count"
	}
	if loads >= 0 {
		t.on = loads
	}
	if t.seen && (loads >= 0) != t.loading {
		t.turned(s)
		t.samples = t.samples[:0]
		if loads >= 0 {
			t.loadPa = r.PressurePa
		}
	}
	if !t.seen || (loads >= 0) != t.loading {
		t.from = s
	}
	t.seen, t.loading = true, loads >= 0
	if t.samples = append(t.samples, sample{s, r.PressurePa}); len(t.samples) > legLimit {
		t.samples = append(t.samples[:0], t.samples[legLimit/2:]...)
		t.from = t.samples[0].s
	}
	t.bled(s)
	if t.refused >= refusedCycles && len(t.shares) < leastCycles {
		return fmt.Errorf("%d falls were uneven: somebody or something draws air now and then (%s)", t.refused, t.detail)
	}
	return nil
}

// turned ends a leg and counts the cycle that it completes.
func (t *leakTest) turned(s float64) {
	t.legs = append(t.legs, t.measured(s))
	if n := len(t.legs); n > 4 {
		t.legs = append(t.legs[:0], t.legs[n-4:]...)
	}
	last := &t.legs[len(t.legs)-1]
	if !last.good {
		t.legs = nil
		return
	}
	if !last.rise || len(t.legs) < 4 { // fall, rise, fall, rise
		return
	}
	t.cycle()
}

// measured is the leg that ends now, with its line.
func (t *leakTest) measured(s float64) leg {
	l := leg{rise: t.loading, from: t.from, to: s}
	for _, p := range t.samples {
		l.meanPa += p.pa / float64(len(t.samples))
	}
	long := s - t.from
	absolute := func(pa float64) float64 { return math.Log(pa + t.plan.InletPa.V) }
	if l.rise {
		l.fit = fit(risen(t.samples, 0.3, 0.95), linear)
		l.good = l.fit.N >= leastFit && l.fit.Slope > 0
	} else {
		list := between(t.samples, t.from+max(0.15*long, min(strokeS, 0.4*long)), s-0.02*long)
		l.fit = fit(list, absolute)
		l.good = l.fit.N >= leastFit && l.fit.Slope < 0
		if l.good && !even(list, absolute) {
			l.good = false
			t.refused++
			t.detail = "the pressure did not fall evenly: something drew air, and the cycle does not count"
			return l
		}
	}
	if !l.good && len(t.legs) > 0 { // the first may be cut
		t.refused++
		t.detail = fmt.Sprintf("in %.0f s between load and unload too little was read (every %.1f s): the cycle does not count", long, float64(t.plan.PeriodMS)/1000)
	}
	return l
}

// risen are the samples of a rise between two shares of its way.
func risen(list []sample, from, to float64) []sample {
	if len(list) == 0 {
		return nil
	}
	low, high := 0, len(list)-1
	for i := range list {
		if list[i].pa < list[low].pa {
			low = i
		}
	}
	for i := low; i < len(list); i++ {
		if list[i].pa >= list[high].pa {
			high = i
		}
	}
	way := list[high].pa - list[low].pa
	a, b := low, low
	for i := low; i <= high; i++ {
		if list[i].pa < list[low].pa+from*way {
			a = i + 1
		}
		if list[i].pa <= list[low].pa+to*way {
			b = i + 1
		}
	}
	return list[min(a, b):b]
}

// even compares the slopes of the halves of a fall.
func even(list []sample, f func(float64) float64) bool {
	half := len(list) / 2
	if half < leastFit {
		return true
	}
	a, b := fit(list[:half], f), fit(list[half:], f)
	mean := math.Abs(a.Slope+b.Slope) / 2
	return math.Abs(a.Slope-b.Slope) <= 0.5*mean+4*math.Hypot(a.USlope, b.USlope)
}

// meets is where a rise and a fall cross, near s.
func (t *leakTest) meets(rise, fall *leg, s float64) turn {
	inlet := t.plan.InletPa.V
	for range 20 {
		falling := math.Exp(fall.fit.Value(s))
		step := (rise.fit.Value(s) + inlet - falling) / (rise.fit.Slope - float64(fall.fit.Slope*falling))
		if s -= step; math.Abs(step) < 1e-6 {
			break
		}
	}
	return turn{s, rise.fit.Value(s)}
}

// cycle counts the last four legs: from the bottom between the first two to that
// between the last two. What the bottoms differ in was stored or taken out, and
// moves the loaded time by Δp/(rise + fall per second).
func (t *leakTest) cycle() {
	l := t.legs
	bottom, top, next := t.meets(&l[1], &l[0], l[1].from), t.meets(&l[1], &l[2], l[2].from), t.meets(&l[3], &l[2], l[3].from)
	whole := next.s - bottom.s
	falling := -float64(l[2].fit.Slope * (l[2].meanPa + t.plan.InletPa.V))
	both := l[1].fit.Slope + falling // is p₀·Q/V
	share := (top.s - bottom.s - (next.pa-bottom.pa)/both) / whole
	// While the pressure rises the air space inside the machine fills as well, and
	// takes of its flow what the plant does not get; in the fall it is shut off. So
	// the same time unloaded stands for more air, by its volume over the plant's.
	inside := packageS / (t.plan.InletPa.V/both - packageS)
	share = air.LeakShare(share, (1-share)*(1+inside))
	if !(share > 0 && share < 1 && inside > 0 && inside < 1) {
		t.refused++
		t.detail = "a cycle in which rise and fall do not meet, or the volume is hardly larger than the machine's own, does not count"
		return
	}
	t.inside = append(t.inside, inside)
	t.shares, t.decays = append(t.shares, share), append(t.decays, -l[2].fit.Slope)
	t.means = append(t.means, (l[1].meanPa*(l[1].to-l[1].from)+l[2].meanPa*(l[2].to-l[2].from))/(l[2].to-l[1].from))
	t.turnU += math.Sqrt2 * float64(t.plan.PeriodMS) / 1000 / math.Sqrt(12) / whole
	t.conclude()
}

// conclude makes the result once there are enough cycles that agree.
func (t *leakTest) conclude() {
	n := len(t.shares)
	mean, u := scattered(t.shares)
	if n < leastCycles || n < enoughCycles && u > enoughSpread*mean {
		return
	}
	turns := t.turnU / float64(n) / math.Sqrt(float64(n))
	pa, _ := scattered(t.means)
	inside, _ := scattered(t.inside)
	r := &Result{Machine: t.plan.Machines[t.on], Cycles: n, PressurePa: pa,
		Share: gum.New(mean, math.Hypot(u, turns), t.plan.scatter("cycles", t.wallMS)).
			Plus(gum.New(0, -mean*(1-mean)/(1+inside)*inside*gum.Rectangular(packageLimitS/packageS), packageInput(t.plan.Machines[t.on]))),
		Method: fmt.Sprintf("share of the time in which %s delivered, over %d whole load cycles from turning point to turning point of %s",
			t.plan.Machines[t.on], n, t.plan.Source.ID)}
	decay, uDecay := scattered(t.decays)
	t.addFlow(r, decay, uDecay)
	t.found = r
}

// addFlow adds the flow by the fall of pressure, where the volume is known.
func (t *leakTest) addFlow(r *Result, decay, u float64) {
	p := t.plan
	if r.Share.V > 0 {
		r.Text = fmt.Sprintf("%s delivered %.1f ± %.1f %% of the time (%d cycles)", r.Machine, 100*r.Share.V, 200*r.Share.U(), r.Cycles)
	}
	if p.VolumeM3.V <= 0 {
		return
	}
	rate := gum.New(decay, u, t.plan.scatter("falls", t.wallMS))
	r.Flow = air.DecayM3S(rate, p.VolumeM3, r.PressurePa+p.InletPa.V, p.InletPa).Times(p.Condition).Times(p.Gauge)
	r.Flow = r.Flow.Plus(p.weather(r.Flow.V, t.wallMS))
	if r.Method != "" {
		r.Method += "; "
		r.Text += "; "
	}
	r.Method += fmt.Sprintf("flow: the fall of %s in the known volume of %s", p.Source.ID, p.volumeText(p.VolumeM3.V))
	r.Text += fmt.Sprintf("by the fall of pressure %s of free air leak at %s", p.flowText(r.Flow), p.pressureText(r.PressurePa))
}

// bled makes a result of one long fall without a load.
func (t *leakTest) bled(s float64) {
	if t.loading || t.plan.VolumeM3.V <= 0 || s-t.from < bleedLeastS {
		return
	}
	first, last := t.samples[0].pa, t.samples[len(t.samples)-1].pa
	// One that has loaded will do so again, unless it was stopped: then it rests,
	// and the pressure falls past the point at which it loaded.
	if t.on >= 0 && (!t.resting || t.loadPa > 0 && last > t.loadPa-bleedLeastPa) {
		return
	}
	if fell := first - last; fell < bleedLeastPa || fell < bleedEnoughPa && s-t.from < bleedEnoughS {
		return
	}
	list := between(t.samples, t.from+strokeS, s)
	absolute := func(pa float64) float64 { return math.Log(pa + t.plan.InletPa.V) }
	l := fit(list, absolute)
	half := len(list) / 2
	a, b := fit(list[:half], absolute), fit(list[half:], absolute)
	// what the halves differ in says how even it was
	u := math.Hypot(l.USlope, math.Abs(a.Slope-b.Slope)/2)
	if !even(list, absolute) || l.Slope >= 0 {
		t.detail = "the pressure does not fall evenly: something draws air; the fall is timed anew"
		t.refused++
		t.samples, t.from = t.samples[:0], s
		return
	}
	mean, _ := scattered([]float64{first, last})
	r := &Result{PressurePa: mean}
	t.addFlow(r, -l.Slope, u)
	t.found = r
}

func (t *leakTest) show(r *Report) {
	n := len(t.shares)
	mean, u := scattered(t.shares)
	r.Done, r.Needed, r.Detail = n, leastCycles, t.detail
	if n >= leastCycles {
		r.Needed = enoughCycles
	}
	r.Instruction = "Let nobody use air. Leave the machine in automatic: it loads and unloads by itself."
	r.Needs = fmt.Sprintf("%d whole load cycles, of which %d are there", r.Needed, n)
	if t.plan.VolumeM3.V > 0 {
		r.Instruction = "Let nobody use air. Leave the machine in automatic (it loads and unloads by itself), or stop it: then the fall of pressure is timed."
	}
	if (t.on < 0 || t.resting) && len(t.samples) > 0 {
		r.Needs += fmt.Sprintf("; the pressure has fallen by %s in %.0f s", t.plan.differenceText(t.samples[0].pa-t.samples[len(t.samples)-1].pa),
			t.samples[len(t.samples)-1].s-t.from)
	}
	if n >= 2 {
		r.SoFar = fmt.Sprintf("%s delivers %.1f ± %.1f %% of the time", t.plan.Machines[t.on], 100*mean, 200*u)
	}
	if r.Machine == "" && t.on >= 0 {
		r.Machine = t.plan.Machines[t.on]
	}
}
