package replay

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"

	"golang.org/x/sync/errgroup"

	"loadscribe/agent/gum"
	"loadscribe/agent/replay/engine"
)

// measure is a number of a play that an Amount is made of.
type measure int

const (
	mEnergyJ measure = iota
	mStarts
	mStartsHour
	mLoads
	mLoadsHour
	mLowestPa
	mMeanPa
	mBelowS
	mServedM3
	numMeasures
)

// measures are a play's numbers.
type measures [numMeasures]float64

// measuresOf are those of a result.
func measuresOf(r *engine.Result) (m measures) {
	var runningS, starts, loads float64
	for i := range r.Machines {
		one := &r.Machines[i]
		starts += float64(one.Starts)
		loads += float64(one.Loads)
		m[mStartsHour] = max(m[mStartsHour], float64(one.StartsHourMax))
		for s, seconds := range one.Seconds {
			if engine.State(s) != engine.Stopped {
				runningS += seconds
			}
		}
	}
	m[mEnergyJ], m[mStarts], m[mLoads] = r.EnergyJ, starts, loads
	if runningS > 0 {
		m[mLoadsHour] = loads / (runningS / 3600)
	}
	m[mLowestPa], m[mMeanPa], m[mBelowS], m[mServedM3] = r.LowestPa, r.MeanPa, r.ShortS, r.ServedM3
	return m
}

// noiseSeeds is how many perturbed demands are played.
const noiseSeeds = 8

// plays are all plays of one plan: as it is, with each input moved up and down, and
// with perturbed demands.
type plays struct {
	nominal measures
	result  *engine.Result
	up      map[string]measures
	down    map[string]measures
	noisy   []measures
	slots   [][]float64 // of the perturbed ones
	failed  string      // why the plan cannot be played
}

// moved is what a play with an input moved gave; one that the plan does not rest on
// moves nothing.
func (p *plays) moved(input string, by float64) measures {
	of := p.up
	if by < 0 {
		of = p.down
	}
	if m, ok := of[input]; ok {
		return m
	}
	return p.nominal
}

// leastShift is the standard uncertainty, as a share of the value that it is of, that
// is worth a play: what is below moves an energy by less than 0.02 %.
const leastShift = 2e-4

// inputs are the names of what a plan rests on and is worth moving, in order.
func (st *Study) inputs(p *plan) (names []string) {
	values := append(st.demandValues(), p.volume)
	for i := range p.units {
		values = append(values, p.units[i].values()...)
	}
	for _, v := range values {
		for _, share := range v.Shares() {
			if math.Abs(v.Part(share.Input)) > leastShift*math.Abs(v.V) && !slices.Contains(names, share.Input) {
				names = append(names, share.Input)
			}
		}
	}
	slices.Sort(names)
	return names
}

// job is one play.
type job struct {
	plan  int
	shift shift
	noise int // from 1; 0: none
}

// playAll plays all plans with all their shifts on all cores. What is the same comes
// out the same whatever their number.
func (st *Study) playAll(ctx context.Context, plans []plan, progress func(done, total int)) ([]plays, error) {
	all := make([]plays, len(plans))
	var jobs []job
	for i := range plans {
		all[i] = plays{up: map[string]measures{}, down: map[string]measures{}, noisy: make([]measures, noiseSeeds), slots: make([][]float64, noiseSeeds)}
		jobs = append(jobs, job{plan: i})
		for _, name := range st.inputs(&plans[i]) {
			jobs = append(jobs, job{plan: i, shift: shift{name, 1}}, job{plan: i, shift: shift{name, -1}})
		}
		for n := range noiseSeeds {
			jobs = append(jobs, job{plan: i, noise: n + 1})
		}
	}
	var mu sync.Mutex // guards all and done
	done := 0
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, j := range jobs {
		g.Go(func() error {
			var r *engine.Result
			err := guarded(j.shift.input, func() (err error) {
				r, err = st.play(ctx, &plans[j.plan], j)
				return err
			})
			if err != nil && !errors.Is(err, engine.ErrInvalid) && !errors.Is(err, engine.ErrRestless) {
				return err
			}
			mu.Lock()
			defer mu.Unlock()
			all[j.plan].put(j, r, err)
			done++
			if progress != nil {
				progress(done, len(jobs))
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	return all, nil
}

func (st *Study) play(ctx context.Context, p *plan, j job) (*engine.Result, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("replay: %w", err)
	}
	n := noise{}
	if j.noise > 0 {
		n.seed = st.seed + uint64(j.noise)
	}
	a := st.applied(p, j.shift, n)
	r, err := engine.Play(&a.Plant, a.Demand, engine.Options{Stop: func() bool { return ctx.Err() != nil }, Trace: j.shift == (shift{}) && j.noise == 0})
	if errors.Is(err, engine.ErrStopped) {
		return nil, fmt.Errorf("replay: %w", ctx.Err())
	}
	return r, err
}

// put files a play's numbers. A moved plan that cannot be played moves nothing on
// that side; the plan itself must.
func (p *plays) put(j job, r *engine.Result, err error) {
	switch {
	case err != nil && j.shift == (shift{}) && j.noise == 0:
		p.failed = err.Error()
	case err != nil:
	case j.noise > 0:
		p.noisy[j.noise-1], p.slots[j.noise-1] = measuresOf(r), r.SlotJ
	case j.shift.by > 0:
		p.up[j.shift.input] = measuresOf(r)
	case j.shift.by < 0:
		p.down[j.shift.input] = measuresOf(r)
	default:
		p.nominal, p.result = measuresOf(r), r
	}
}

// Names of parts that are no input of the record.
const (
	chanceInput    = "chance in the demand"
	curvatureInput = "what does not go in proportion"
	missInput      = "how the replay misses what was measured"
)

// valueOf is a function of the present's and an alternative's numbers with its
// uncertainty: half the difference of up and down for each input, what is not in
// proportion, and the spread over the perturbed demands.
func valueOf(present, other *plays, f func(present, other measures) float64) gum.Value {
	v0 := f(present.nominal, other.nominal)
	var terms []gum.Term
	curved, spread := 0.0, chance(present, other, f, v0)
	for _, name := range unionOf(present, other) {
		up := f(present.moved(name, 1), other.moved(name, 1))
		down := f(present.moved(name, -1), other.moved(name, -1))
		// Each play has its own chance too, which is counted once, below.
		first, second := beyond((up-down)/2, spread*spread/2), beyond((up+down)/2-v0, 1.5*spread*spread)
		terms = append(terms, gum.Term{C: first, X: gum.New(0, 1, name)})
		if math.Abs(second) > math.Abs(first)/2 {
			curved += second * second
		}
	}
	terms = append(terms, gum.Term{C: math.Sqrt(curved), X: gum.New(0, 1, curvatureInput)},
		gum.Term{C: spread, X: gum.New(0, 1, chanceInput)})
	return gum.Linear(v0, terms...)
}

// beyond is a difference less what chance of a variance makes of it in the mean.
func beyond(d, variance float64) float64 {
	return math.Copysign(math.Sqrt(max(0, d*d-variance)), d)
}

// chance is how far the perturbed demands lie from the one that was played: their
// scatter, and what they have in common.
func chance(present, other *plays, f func(present, other measures) float64, v0 float64) float64 {
	var sum, n float64
	for i := range other.noisy {
		if other.noisy[i] == (measures{}) || present.noisy[i] == (measures{}) {
			continue
		}
		d := f(present.noisy[i], other.noisy[i]) - v0
		sum += d * d
		n++
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(sum / n)
}

// unionOf are the inputs that either was moved by, in order.
func unionOf(a, b *plays) []string {
	var names []string
	for _, of := range []map[string]measures{a.up, a.down, b.up, b.down} {
		for name := range of {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}
