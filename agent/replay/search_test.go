package replay

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"

	"loadscribe/agent/quantity"
	"loadscribe/agent/replay/engine"
)

// shop is a playground without a record: one load/unload machine of 0.05 m³/s, a
// demand of eight hours, and the keys in, out (bar), stop (s) and add (m³).
type shop struct {
	demand    []engine.Stretch
	plays     atomic.Int64
	stopAfter int64 // plays, then cancel
	cancel    context.CancelFunc
	evaluated [][]Setting
	tellPa    float64
	panicAt   int64 // plays
}

func newShop() *shop {
	r := rand.New(rand.NewPCG(3, 8))
	s := engine.Stretch{StartPa: 6.5e5}
	for minute := range 8 * 60 {
		flow := 0.03 + 0.015*r.Float64()
		if minute > 240 && minute < 300 || minute > 400 {
			flow = 0.004 // the break, and the end of the shift
		}
		s.Segments = append(s.Segments, engine.Segment{Seconds: 60, DemandM3S: flow, AtPa: 6.5e5})
	}
	return &shop{demand: []engine.Stretch{s}}
}

func (s *shop) plantOf(set []Setting) (*engine.Plant, []engine.Stretch, error) {
	n := s.plays.Add(1)
	if n == s.stopAfter {
		s.cancel()
	}
	if n == s.panicAt {
		panic("index out of range")
	}
	p := &engine.Plant{VolumeM3: 1, InletPa: 1e5, OutsidePa: 1e5, MinimumPa: 5.5e5, SlotS: 900, Machines: []engine.Machine{{
		Name: "comp1", FullFlowM3S: 0.05, RatedPa: 7e5, FullPowerW: 20e3, PowerPerPa: 7e-7,
		UnloadedW: 6e3, UnloadStartW: 12e3, BlowDownS: 20, StartS: 5, StartW: 8e3,
		CutInPa: 6e5, CutOutPa: 7e5, NoLoadStopS: 600}}}
	m := &p.Machines[0]
	for _, c := range set {
		v, err := strconv.ParseFloat(strings.Fields(c.Value)[0], 64)
		if err != nil {
			return nil, nil, refuse(c.Key, "%q is no number", c.Value)
		}
		switch c.Key {
		case "in":
			m.CutInPa = v * 1e5
		case "out":
			m.CutOutPa = v * 1e5
		case "stop":
			m.NoLoadStopS = v
		case "add":
			p.VolumeM3 += v
		default:
			return nil, nil, refuse(c.Key, "there is no such setting")
		}
	}
	if m.CutInPa >= m.CutOutPa {
		return nil, nil, refuse("in", "the cut-in is not below the cut-out")
	}
	return p, s.demand, nil
}

func (s *shop) display() quantity.System { return quantity.SI }

// Evaluate says of the present that its pressure is told s.tellPa lower and its cycles
// are told half as many. It plays once; intervals are a tenth of the values.
func (s *shop) Evaluate(ctx context.Context, alternatives []Alternative, progress func(done, total int)) (answer Answer, err error) {
	if now, err := play(ctx, s, nil); err == nil && s.tellPa != 0 {
		low, cycles := now.lowestPa-s.tellPa, now.cyclesHour/2
		answer.Present = Outcome{LowestPa: Amount{Value: &low}, LoadsHour: Amount{Value: &cycles}}
	}
	for i, a := range alternatives {
		s.evaluated = append(s.evaluated, a.Set)
		t, err := play(ctx, s, a.Set)
		if err = errors.Join(err, ctx.Err()); err != nil {
			return Answer{}, err
		}
		with := func(v float64) Amount {
			u := v / 10
			return Amount{Value: &v, Interval: &u}
		}
		answer.Results = append(answer.Results, Result{Name: a.Name, Set: a.Set, SavedYear: with(500),
			Outcome: Outcome{Energy: with(t.energyJ / 3.6e6), Starts: with(float64(t.starts)), LowestPa: with(t.lowestPa)}})
		if progress != nil {
			progress(i+1, len(alternatives))
		}
	}
	return answer, nil
}

// frontOf searches with nothing asked for by name.
func frontOf(ctx context.Context, s *shop, spec SearchSpec, progress func(done, total int)) (Front, error) {
	a, err := searchOver(ctx, s, spec, nil, progress)
	if err != nil {
		return Front{}, err
	}
	return *a.Search, nil
}

func shopSpec() SearchSpec {
	six := 6.0
	return SearchSpec{
		Vary: map[string]any{
			"in":   map[string]any{"from": "5.6 bar", "to": "6.8 bar", "step": "0.2 bar"},
			"out":  []any{"6.4 bar", "6.8 bar", "7.2 bar", "as is"},
			"stop": []any{"120 s", "600 s", "3600 s"},
			"add":  []any{"as is", "1 m3"},
		},
		Limits: SearchLimits{LowestPressure: "5.6 bar", StartsPerHour: &six},
		Price:  map[string]any{"add": 2000.0},
	}
}

// TestSearch against the plain way: every combination in three loops, and the front
// from the definition.
func TestSearch(t *testing.T) {
	s := newShop()
	told := []int{}
	f, err := frontOf(t.Context(), s, shopSpec(), func(done, total int) { told = append(told, done, total) })
	if err != nil {
		t.Fatal(err)
	}
	type plain struct {
		set                     string
		energyJ, lowestPa, cost float64
		starts                  int
	}
	var allowed []plain
	impossible, low := 0, 0
	one := func(set ...Setting) {
		set = slices.DeleteFunc(set, func(s Setting) bool { return s.Value == asIs })
		slices.SortFunc(set, func(a, b Setting) int { return strings.Compare(a.Key, b.Key) })
		p, demand, err := s.plantOf(set)
		if err != nil {
			impossible++
			return
		}
		r, err := engine.Play(p, demand, engine.Options{})
		if err != nil {
			impossible++
			return
		}
		if r.LowestPa < 5.6e5 {
			low++
		}
		if r.LowestPa >= 5.6e5 && r.Machines[0].StartsHourMax <= 6 && r.ShortS <= 60 {
			allowed = append(allowed, plain{fmt.Sprint(set), r.EnergyJ, r.LowestPa, 2000 * (p.VolumeM3 - 1), r.Machines[0].Starts})
		}
	}
	one()
	grainJ := allowed[0].energyJ / 1000 // as it is
	for i := range 7 {
		for _, out := range []string{"6.4 bar", "6.8 bar", "7.2 bar", asIs} {
			for _, stop := range []string{"120 s", "600 s", "3600 s"} {
				for _, add := range []string{asIs, "1 m3"} {
					in := strconv.FormatFloat(math.Round((5.6+0.2*float64(i))*10)/10, 'g', -1, 64)
					one(Setting{"in", in + " bar"}, Setting{"out", out}, Setting{"stop", stop}, Setting{"add", add})
				}
			}
		}
	}
	if f.Tried != 7*4*3*2 || f.Impossible != impossible || impossible == 0 || f.Allowed != len(allowed)-1 || !strings.Contains(f.Example, "cut-in") {
		t.Errorf("tried %d, impossible %d (%s), allowed %d; want 168, %d, %d", f.Tried, f.Impossible, f.Example, f.Allowed, impossible, len(allowed)-1)
	}
	if i := slices.IndexFunc(f.Broke, func(b Broken) bool { return b.Limit == "lowest_pressure" }); i < 0 || f.Broke[i].Count != low || low == 0 {
		t.Errorf("broken limits %v, want %d times lowest_pressure", f.Broke, low)
	}
	if len(f.Points) == 0 || len(f.Points) > frontMost || len(f.Points) > f.Best {
		t.Fatalf("%d points of %d", len(f.Points), f.Best)
	}
	for _, p := range f.Points {
		i := slices.IndexFunc(allowed, func(a plain) bool { return a.set == fmt.Sprint(p.Result.Set) })
		if i < 0 {
			t.Fatalf("%v is not allowed", p.Result.Set)
		}
		a := allowed[i]
		if math.Abs(*p.Result.Outcome.Energy.Value*3.6e6/a.energyJ-1) > 1e-12 || *p.Price != a.cost || (*p.Price/500 != *p.PaybackYears) {
			t.Errorf("%v: %v kWh for %v, want %v J for %v", p.Result.Set, *p.Result.Outcome.Energy.Value, *p.Price, a.energyJ, a.cost)
		}
		for _, b := range allowed {
			less := math.Round(a.energyJ/grainJ) - math.Round(b.energyJ/grainJ)
			higher := math.Round(b.lowestPa/1000) - math.Round(a.lowestPa/1000)
			if less >= 0 && b.starts <= a.starts && higher >= 0 && b.cost <= a.cost &&
				(less > 0 || b.starts < a.starts || higher > 0 || b.cost < a.cost) {
				t.Errorf("%v is beaten by %v", a, b)
			}
		}
	}
	// its interval of a tenth reaches below 5.6 bar from 6.2 bar
	for _, p := range f.Points {
		near := slices.ContainsFunc(p.Result.Remarks, func(r string) bool { return strings.Contains(r, "lowest pressure keeps the limit by its value") })
		if low := *p.Result.Outcome.LowestPa.Value; near != (low*0.9 < 5.6e5) {
			t.Errorf("a lowest pressure of %.0f Pa: remarks %q", low, p.Result.Remarks)
		}
	}
	if n := len(told); n < 4 || told[n-2] != told[n-1] || !slices.IsSorted(evens(told)) {
		t.Errorf("progress was told as %v", told)
	}
}

func evens(all []int) (out []int) {
	for i := 0; i < len(all); i += 2 {
		out = append(out, all[i])
	}
	return out
}

// TestSearchSameOnAnyCores: the answer is the same to the last byte.
func TestSearchSameOnAnyCores(t *testing.T) {
	var first []byte
	for _, cores := range []int{1, 2, 7} {
		before := runtime.GOMAXPROCS(cores)
		f, err := frontOf(t.Context(), newShop(), shopSpec(), nil)
		runtime.GOMAXPROCS(before)
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = text
		} else if !slices.Equal(first, text) {
			t.Fatalf("on %d cores\n%s\non one\n%s", cores, text, first)
		}
	}
}

// TestSearchEnds: a cancelled search ends with the context's error, in the midst of
// the combinations and of the evaluation.
func TestSearchEnds(t *testing.T) {
	all := newShop()
	if _, err := frontOf(t.Context(), all, shopSpec(), nil); err != nil {
		t.Fatal(err)
	}
	for _, after := range []int64{3, 40, all.plays.Load() - 3} {
		s := newShop()
		var ctx context.Context
		ctx, s.cancel = context.WithCancel(t.Context())
		s.stopAfter = after
		if _, err := frontOf(ctx, s, shopSpec(), nil); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled after %d plays it ends with %v", after, err)
		}
		s.cancel()
	}
}

// TestSearchRefuses a value that fits no combination before anything is played, and
// says how near the limits can be come.
func TestSearchRefuses(t *testing.T) {
	if testing.Short() {
		t.Skip("TestSearchSameOnAnyCores is what a race shows in")
	}
	for _, c := range []struct {
		key, value, field, says string
	}{
		{"stop", "often", "search.vary.stop", `"often" fits no combination`},
		{"in", "7.4 bar", "search.vary.in", "not below the cut-out"},
		{"inn", "6 bar", "search.vary.inn", "no such setting"},
	} {
		spec := shopSpec()
		spec.Vary[c.key] = []any{"as is", c.value}
		_, err := frontOf(t.Context(), newShop(), spec, nil)
		var bad *RequestError
		if !errors.As(err, &bad) || bad.Field != c.field || !strings.Contains(bad.Message, c.says) {
			t.Errorf("%s = %s: %v", c.key, c.value, err)
		}
	}
	spec := shopSpec()
	spec.Limits.LowestPressure = "9 bar"
	f, err := frontOf(t.Context(), newShop(), spec, nil)
	if err != nil || f.Allowed != 0 || len(f.Points) != 0 || !strings.Contains(f.Absent, "break lowest_pressure") || !strings.Contains(f.Absent, "a lowest pressure of 6.42 bar") {
		t.Errorf("a limit nothing keeps: %v, %+v", err, f)
	}
	if !slices.Contains(f.Remarks, "the settings as they are break a limit themselves") {
		t.Errorf("remarks %q", f.Remarks)
	}
}

// TestSearchBesideAlternatives: what was asked for by name keeps its place, whatever
// the search finds.
func TestSearchBesideAlternatives(t *testing.T) {
	if testing.Short() {
		t.Skip("TestSearchSameOnAnyCores is what a race shows in")
	}
	named := []Alternative{{Name: "longer", Set: []Setting{{"stop", "1800 s"}}}, {Name: "lower", Set: []Setting{{"in", "5.8 bar"}}}}
	for _, limit := range []string{"5.6 bar", "9 bar"} {
		spec := shopSpec()
		spec.Limits.LowestPressure = limit
		a, err := searchOver(t.Context(), newShop(), spec, named, nil)
		if err != nil || len(a.Results) != 2 || a.Results[0].Name != "longer" || a.Results[1].Name != "lower" || a.Search == nil {
			t.Fatalf("with a limit of %s: %v, %+v", limit, err, a)
		}
		if (len(a.Search.Points) > 0) != (a.Search.Absent == "") {
			t.Errorf("with a limit of %s: %d points, absent %q", limit, len(a.Search.Points), a.Search.Absent)
		}
	}
}

// TestSearchLimitsWhatIsTold: a limit is held to the numbers that the answer tells, not
// to those that the replay plays.
func TestSearchLimitsWhatIsTold(t *testing.T) {
	if testing.Short() {
		t.Skip("TestSearchSameOnAnyCores is what a race shows in")
	}
	played, told := newShop(), newShop()
	told.tellPa = 2e4
	spec := shopSpec()
	cycles := 12.0
	spec.Limits = SearchLimits{LowestPressure: "5.8 bar", CyclesPerHour: &cycles}
	lower, cycles2 := spec, 6.0
	lower.Limits = SearchLimits{LowestPressure: "5.6 bar", CyclesPerHour: &cycles2}
	a, err := frontOf(t.Context(), played, spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := frontOf(t.Context(), told, lower, nil)
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(a.Broke) != fmt.Sprint(b.Broke) || a.Allowed != b.Allowed || a.Allowed == 0 || len(a.Broke) < 2 {
		t.Errorf("with what is told a little lower %v, %d allowed; want %v, %d", b.Broke, b.Allowed, a.Broke, a.Allowed)
	}
}

// TestSearchOutlivesAFault: a panic in a worker ends the search with an error, not the
// program.
func TestSearchOutlivesAFault(t *testing.T) {
	s := newShop()
	s.panicAt = 60
	_, err := frontOf(t.Context(), s, shopSpec(), nil)
	if !errors.Is(err, ErrFault) || !strings.Contains(err.Error(), "index out of range") || !strings.Contains(err.Error(), "bar") {
		t.Errorf("the search ends with %v", err)
	}
}
