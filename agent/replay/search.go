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

	"loadscribe/agent/quantity"
	"loadscribe/agent/replay/engine"
)

// evaluatedAs is how many plays of a search one point of the front counts for in the
// progress: evaluating it plays it again with each input moved.
const evaluatedAs = 100

// Front is what a search found. The JSON is part of the contract of /api/v1/replay.
type Front struct {
	Tried      int      `json:"tried"`      // combinations, without the settings as they are
	Impossible int      `json:"impossible"` // settings that contradict each other
	Example    string   `json:"impossible_example,omitempty"`
	Broke      []Broken `json:"broke"` // one combination may break several
	Allowed    int      `json:"allowed"`
	// Best is how many allowed combinations no other beats in energy, starts, lowest
	// pressure and price; Points are those of them that are shown.
	Best    int          `json:"best"`
	Points  []FrontPoint `json:"points"`
	Remarks []string     `json:"remarks"`
	Method  string       `json:"method"`
	Absent  string       `json:"absent,omitempty"` // why there is no point
}

// Broken is a limit and how many combinations break it.
type Broken struct {
	Limit string `json:"limit"` // its key
	Count int    `json:"count"`
}

// FrontPoint is one point of a front. Result.Flags reproduce it.
type FrontPoint struct {
	Result Result   `json:"result"`
	Price  *float64 `json:"price,omitempty"` // nil: no prices were given
	// PaybackYears is Price over the saving of a year; nil: no price or no saving.
	PaybackYears *float64 `json:"payback_years,omitempty"`
	Alike        int      `json:"alike"` // other combinations that come to the same
}

// playground is what a search plays on: a *Study, or what a test has for one.
type playground interface {
	// plantOf is the plant and the demand with these changes; safe for concurrent use.
	plantOf(set []Setting) (*engine.Plant, []engine.Stretch, error)
	Evaluate(ctx context.Context, alternatives []Alternative, progress func(done, total int)) (Answer, error)
	display() quantity.System
}

// searchOver plays every combination of a spec and evaluates the front beside the
// alternatives that were asked for by name. The answer does not depend on the number of
// cores. It ends early with ctx's error.
func searchOver(ctx context.Context, on playground, spec SearchSpec, named []Alternative, progress func(done, total int)) (Answer, error) {
	g, err := spec.grid()
	if err != nil {
		return Answer{}, err
	}
	if err := eachValueFits(ctx, on, g); err != nil {
		return Answer{}, err
	}
	steps := &steps{tell: progress, total: g.size() + 1 + (frontMost+len(named))*evaluatedAs}
	plain, toldAs, err := asToldOf(ctx, on)
	if err != nil || plain.Absent != "" {
		return plain, err
	}
	trials, err := playAll(ctx, on, g, steps)
	if err != nil {
		return Answer{}, err
	}
	for i := range trials {
		toldAs.put(&trials[i])
	}
	limits := g.limits
	if present := trials[0]; !limits.belowGiven && !present.failed {
		limits.belowS = belowSlack(present.belowS)
	}
	f := &Front{Tried: g.size(), Points: []FrontPoint{}, Remarks: limits.remarks(trials), Method: searchMethod}
	allowed := f.sift(trials, limits)
	if err := f.explain(on, g, trials); err != nil {
		return Answer{}, err
	}
	grain := grainOf(trials)
	best := grain.nonDominated(allowed)
	f.Best = len(best)
	if len(best) == 0 {
		f.Absent = f.noneAllowed(trials, on.display())
	}
	return f.evaluate(ctx, on, g, named, grain.thinned(best, frontMost), steps)
}

// asTold brings the numbers of a play to those that an answer tells, so that limits
// are held to what is told: what the replay of the present misses of the measured is
// put right in both alike.
type asTold struct{ lowestPa, cycles float64 }

// asToldOf evaluates the present alone; its answer says why where nothing can be told.
func asToldOf(ctx context.Context, on playground) (Answer, asTold, error) {
	told := asTold{cycles: 1}
	answer, err := on.Evaluate(ctx, nil, nil)
	if err != nil || answer.Absent != "" {
		return answer, told, err
	}
	present, err := play(ctx, on, nil)
	if err != nil {
		return answer, told, fmt.Errorf("play the present settings: %w", err)
	}
	if v := answer.Present.LowestPa.Value; v != nil && !math.IsInf(present.lowestPa, 0) {
		told.lowestPa = *v - present.lowestPa
	}
	if v := answer.Present.LoadsHour.Value; v != nil && *v > 0 && present.cyclesHour > 0 {
		told.cycles = *v / present.cyclesHour
	}
	return answer, told, nil
}

func (a asTold) put(t *trial) {
	t.lowestPa += a.lowestPa
	t.cyclesHour *= a.cycles
}

const searchMethod = "every combination is played against the same demand; of those within the limits the ones that no other " +
	"beats in energy (to a thousandth), starts, lowest pressure (to 1 kPa) and (where prices are given) price; of more than 12 of these the best in each, then those farthest " +
	"from all that are kept; intervals are those of an alternative. Limits are held to the values, not to the ends of their intervals"

// eachValueFits finds for each value of each key one combination that can be applied,
// so that a mistyped one is an error at once, not a search that leaves it out.
func eachValueFits(ctx context.Context, on playground, g *grid) error {
	type value struct{ axis, at int }
	why := map[value]error{}
	for k, a := range g.axes {
		for v := range a.values {
			why[value{k, v}] = nil
		}
	}
	for i := 0; i < g.size() && len(why) > 0; i++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		open, rest := []value{}, i
		for k, a := range slices.Backward(g.axes) {
			v := value{k, rest % len(a.values)}
			rest /= len(a.values)
			if _, ok := why[v]; ok {
				open = append(open, v)
			}
		}
		if len(open) == 0 {
			continue
		}
		set, _ := g.at(i)
		_, _, err := on.plantOf(set)
		for _, v := range open {
			if err == nil {
				delete(why, v)
			} else if why[v] == nil {
				why[v] = err
			}
		}
	}
	for k, a := range g.axes {
		for v := range a.values {
			if err := why[value{k, v}]; err != nil {
				why := err.Error()
				if bad := (*RequestError)(nil); errors.As(err, &bad) && bad.Field == a.key {
					why = bad.Message
				}
				return refuse("search.vary."+a.key, "%q fits no combination: %s", a.values[v], why)
			}
		}
	}
	return nil
}

// steps counts what is done and tells it, one call at a time.
type steps struct {
	mu          sync.Mutex
	tell        func(done, total int)
	done, total int
}

func (s *steps) add(n int) {
	if s.tell == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.done += n
	s.tell(min(s.done, s.total), s.total)
}

// playAll plays the settings as they are, then every combination, on all cores.
func playAll(ctx context.Context, on playground, g *grid, steps *steps) ([]trial, error) {
	trials := make([]trial, g.size()+1)
	group, ctx := errgroup.WithContext(ctx)
	next := make(chan int)
	group.Go(func() error {
		defer close(next)
		for i := range trials {
			select {
			case next <- i:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	for range min(runtime.GOMAXPROCS(0), len(trials)) {
		group.Go(func() error {
			for i := range next {
				set, price := g.at(i - 1)
				var t trial
				err := guarded(fmt.Sprint(set), func() (err error) {
					t, err = play(ctx, on, set)
					return err
				})
				if errors.Is(err, ErrFault) {
					return err
				}
				if err != nil && ctx.Err() != nil {
					return ctx.Err()
				}
				t.failed = err != nil
				t.combination, t.changed, t.price = i-1, len(set)-len(g.fixed), price
				trials[i] = t
				steps.add(1)
			}
			return nil
		})
	}
	return trials, group.Wait()
}

// play plays one combination.
func play(ctx context.Context, on playground, set []Setting) (trial, error) {
	plant, demand, err := on.plantOf(set)
	if err != nil {
		return trial{}, err
	}
	r, err := engine.Play(plant, demand, engine.Options{Stop: func() bool { return ctx.Err() != nil }})
	if err != nil {
		return trial{}, err
	}
	m := measuresOf(r)
	t := trial{energyJ: m[mEnergyJ], starts: int(m[mStarts]), startsHour: int(m[mStartsHour]), cyclesHour: m[mLoadsHour],
		lowestPa: m[mLowestPa], belowS: m[mBelowS], shortM3: r.ShortM3}
	if math.IsNaN(t.lowestPa) { // nothing is watched: no pressure is too low
		t.lowestPa = math.Inf(1)
	}
	return t, nil
}

// grainOf takes the energy as it is, or the first there is.
func grainOf(trials []trial) grain {
	g := grain{energyJ: 1, pressurePa: pressureGrainPa}
	if i := slices.IndexFunc(trials, func(t trial) bool { return !t.failed && t.energyJ > 0 }); i >= 0 {
		g.energyJ = energyGrain * trials[i].energyJ
	}
	return g
}

// evaluate makes the points of the trials that are shown, and the answer around them.
func (f *Front) evaluate(ctx context.Context, on playground, g *grid, named []Alternative, shown []trial, steps *steps) (Answer, error) {
	all := slices.Clone(named)
	for i, t := range shown {
		set, _ := g.at(t.combination)
		name := fmt.Sprintf("point %d", i+1)
		if t.changed == 0 {
			name = "as it is"
		}
		all = append(all, Alternative{Name: name, Set: set})
	}
	told, worth := 0, steps.total-steps.done
	answer, err := on.Evaluate(ctx, all, func(done, total int) {
		now := worth * done / max(total, 1)
		steps.add(now - told)
		told = now
	})
	if err != nil {
		return Answer{}, err
	}
	if answer.Absent != "" {
		return answer, nil
	}
	if len(answer.Results) != len(all) {
		return Answer{}, fmt.Errorf("%d alternatives were evaluated, not %d", len(answer.Results), len(all))
	}
	points := answer.Results[len(named):]
	answer.Results = answer.Results[:len(named):len(named)]
	for i, r := range points {
		r.Outcome.Trace = nil // who wants one asks for the point by its flags
		p := FrontPoint{Result: r, Alike: shown[i].alike}
		if g.priced {
			p.Price = &shown[i].price
			if year := r.SavedYear.Value; year != nil && *year > 0 {
				years := shown[i].price / *year
				p.PaybackYears = &years
			}
		}
		g.limits.nearLimit(&p.Result)
		f.Points = append(f.Points, p)
	}
	steps.add(worth - told)
	answer.Search = f
	return answer, nil
}
