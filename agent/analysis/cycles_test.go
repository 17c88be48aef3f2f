package analysis

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

func mustCycles(t testing.TB, src Source, site *sitefile.Site, fromMS, toMS int64, limit int) Cycles {
	t.Helper()
	c, err := CyclesOf(src, site, "comp1", CyclesQuery{FromMS: fromMS, ToMS: toMS, NowMS: farFuture, Limit: limit})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func lengthOf(t testing.TB, c *Cycles, what string) CycleLengths {
	t.Helper()
	for _, l := range c.Lengths {
		if l.What == what {
			return l
		}
	}
	t.Fatalf("no lengths of %q among %v", what, c.Lengths)
	return CycleLengths{}
}

// TestCycleStorageTextbook: a plant that is stepped through in tenths of a second, of
// the published storage (see textbook), at a demand, has cycles of the curve's length:
// t_load = V·ΔP/(Pa·(C−D)), t_unload = V·ΔP/(Pa·D), 2 min of either at half. Air that
// comes late makes them longer, by C·delay/(C−D).
func TestCycleStorageTextbook(t *testing.T) {
	for _, c := range []struct{ share, delayS float64 }{{0.5, 0}, {0.3, 0}, {0.7, 0}, {0.5, 4.3}, {0.75, 4.3}} {
		p := textbook(t, c.share)
		p.delayS = c.delayS
		site := plant(t)
		site.BarometerPa, site.BarometerGiven = p.inletPa, true
		site.Machines[0].RatedFlowM3S = p.flow / flowMiddle
		// The textbook's air is dry, ours is taken to be half saturated: see TestStorageTextbook.
		dry := 1 - 0.5*2338.8/p.inletPa
		site.Systems[0].Parts[0].VolumeM3 = p.volumeM3 * dry
		got := mustCycles(t, p.tape(t, 6), site, monday, monday+6*hourMS, 600)
		st := got.Storage
		if st.Absent != "" || st.SeenS == nil {
			t.Fatalf("share %g: no curve (%s), %d cycles tell", c.share, st.Absent, st.SeenOf)
		}
		// At half, 2 min of unloaded time is the band over half the flow: 60 s of full flow.
		near(t, "fill time", *st.FillS, 60, 1.2)
		near(t, "fill time as seen", *st.SeenS, 60, 1.2)
		near(t, "delay", *st.DelayS, c.delayS, 1)
		near(t, "band", *st.BandKPa, (p.high-p.low)/1000, 2)
		cycle := lengthOf(t, &got, LengthCycle)
		near(t, "cycle by the curve", curveAt(st.Points, c.share), cycle.MedianS, 0.03*cycle.MedianS)
		if c.share == 0.5 {
			near(t, "cycle of the textbook", cycle.MedianS, 240+2*c.delayS, 2)
		}
		for _, y := range got.Cycles[1:] {
			if y.Demand == nil || math.Abs(*y.Demand-c.share) > 0.01 {
				t.Errorf("share %g: cycle at %s says a demand of %v", c.share, y.Start, y.Demand)
				break
			}
		}
		if last := got.Sentences[len(got.Sentences)-1]; !strings.HasPrefix(last, "Its cycles are as long as the storage makes them") {
			t.Errorf("share %g: %q", c.share, last)
		}
		// Half of the vessel is shut off: the cycles show it.
		site.Systems[0].Parts[0].VolumeM3 *= 2
		short := mustCycles(t, p.tape(t, 6), site, monday, monday+6*hourMS, 600)
		if last := short.Sentences[len(short.Sentences)-1]; !strings.HasPrefix(last, "Its cycles are shorter than the storage should make them") {
			t.Errorf("share %g, half of the volume: %q", c.share, last)
		}
	}
}

// curveAt leads the curve's points on by straight lines.
func curveAt(points []CyclePoint, demand float64) float64 {
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		if a.Demand <= demand && demand <= b.Demand {
			return a.CycleS + (b.CycleS-a.CycleS)*(demand-a.Demand)/(b.Demand-a.Demand)
		}
	}
	return math.NaN()
}

// TestCyclesByHand: rounds worked by hand, twelve an hour: start, load for 60 s, rest
// for 100, load for 60, rest for 140 and stop, stand for 60. What is told of them is what the
// figures of the same window tell.
func TestCyclesByHand(t *testing.T) {
	site := plant(t)
	site.Machines[0].Motor.StartsPerHour = 6
	src, hours := rounds(site, 24, 1, 650e3, []phase{{8, 1, 0, 646e3}, {60, 1, 1, 750e3}, {100, 1, 0, 650e3}, {60, 1, 1, 750e3}, {140, 1, 0, 680e3}, {60, 0, 0, 650e3}})
	got := mustCycles(t, src, site, 0, hours*hourMS, 600)
	for what, want := range map[string]float64{LengthLoaded: 60, LengthReload: 100, LengthStopped: 140, LengthCycle: 160, LengthRest: 60} {
		l := lengthOf(t, &got, what)
		near(t, what, l.MedianS, want, 0)
		near(t, what+", shortest", l.ShortestS, want, 0)
		near(t, what+", longest", l.LongestS, want, 0)
	}
	first, second := got.Cycles[2], got.Cycles[3]
	if first.Ended != TurnLoad || second.Ended != TurnStop || first.Started == "" || second.Started != "" {
		t.Errorf("the rounds' loads: %+v, %+v", first, second)
	}
	near(t, "from the second load to the next", *second.CycleS, 60+140+60+8, 0)
	near(t, "cut-in", *second.CutInKPa, 650, 2)
	near(t, "cut-out", *second.CutOutKPa, 750, 2)
	if st := got.Starts; st.NoLoadStop == nil || *st.NoLoadStop != 140 || st.Limit == nil || *st.Limit != 6 {
		t.Errorf("stops after %v s (%s), limit %v", st.NoLoadStop, st.StopBasis, st.Limit)
	}
	// A round takes 428 s: up to nine starts lie in 60 minutes, more than six from the seventh on.
	near(t, "most starts", float64(got.Starts.Most), 9, 0)
	near(t, "starts over the limit", float64(got.Starts.Over), float64(got.Starts.Total-6), 0)
	for i, s := range got.Starts.List[:7] {
		near(t, "starts in the hour", float64(s.InHour), float64(i+1), 0)
	}
	rep := mustCompute(t, src, site, 0, hours*hourMS)
	check(t, figureOf(t, rep, "starts"), float64(got.Starts.Total), 0)
	most := figureOf(t, rep, "starts_per_hour_max")
	check(t, most, float64(got.Starts.Most), 0)
	if most.At == nil || most.At.From != got.Starts.BusiestFrom || most.At.To != got.Starts.BusiestTo {
		t.Errorf("busiest from %s to %s, the figure has %v", got.Starts.BusiestFrom, got.Starts.BusiestTo, most.At)
	}
	check(t, figureOf(t, rep, "shortest_rest"), lengthOf(t, &got, LengthRest).ShortestS, 0)
	if f := figureOf(t, rep, "mean_load_cycle"); !reflect.DeepEqual(f.Distribution, lengthOf(t, &got, LengthCycle).Classes) {
		t.Errorf("cycles by classes: %v, the figure has %v", lengthOf(t, &got, LengthCycle).Classes, f.Distribution)
	}
	// Seventeen rounds begin within two hours; the first start was before the record.
	for _, want := range []string{"It loaded 34 times, half of the times for less than 60 s; between two loads it ran unloaded for 100 s",
		"at most 9 times within 60 minutes: more than the 6 that the motor bears, by 10 starts. It stops by itself: 16 of 16 stops after 2 min unloaded."} {
		if !strings.Contains(strings.Join(got.Sentences, " "), want) {
			t.Errorf("sentences %q lack %q", got.Sentences, want)
		}
	}
	few := mustCycles(t, src, site, 0, hours*hourMS, 5)
	if len(few.Cycles) != 5 || len(few.Starts.List) != 5 || few.CyclesTotal != got.CyclesTotal || len(few.Notes) != 2 {
		t.Errorf("five asked for: %d cycles of %d, %d starts, notes %q", len(few.Cycles), few.CyclesTotal, len(few.Starts.List), few.Notes)
	}
	if few.Cycles[4] != got.Cycles[len(got.Cycles)-1] && few.Cycles[4].Start != got.Cycles[len(got.Cycles)-1].Start {
		t.Errorf("the last of the list is %v", few.Cycles[4])
	}
}

// TestCyclesOverAGap: what a gap hides makes no cycle.
func TestCyclesOverAGap(t *testing.T) {
	site := plant(t)
	whole, _ := rounds(site, 6, 1, 650e3, []phase{{60, 1, 1, 750e3}, {100, 1, 0, 650e3}})
	kept := whole.scans[:0:0]
	for _, s := range whole.scans {
		if at := s.MonoMS / 1000; at < 300 || at >= 400 { // 300 s: unloaded; 400 s: unloaded again, a load between
			kept = append(kept, s)
		}
	}
	got := mustCycles(t, fold(site, kept), site, 0, 960_000, 600)
	var starts []string
	for _, c := range got.Cycles {
		starts = append(starts, c.Start[14:19])
		if c.CycleS != nil && *c.CycleS != 160 {
			t.Errorf("a cycle of %g s at %s", *c.CycleS, c.Start)
		}
	}
	// Loads at 0 (found, no load), 160 (lost), 320 (hidden), 480, 640, 800 (goes on).
	if want := []string{"08:00", "10:40"}; !reflect.DeepEqual(starts, want) {
		t.Errorf("cycles at %v, want %v", starts, want)
	}
	if len(got.Unobserved) != 1 || !strings.HasPrefix(got.Sentences[0], "It loaded at least 4 times") {
		t.Errorf("unobserved %v, %q", got.Unobserved, got.Sentences)
	}
}

// TestRollingSteps holds the steps to counting, and their height to the figure.
func TestRollingSteps(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 10))
	for range 200 {
		var starts []start
		at := int64(0)
		for range r.IntN(60) {
			at += 1000 * (1 + r.Int64N(2400))
			starts = append(starts, start{wall: at, mono: at, segment: 1})
		}
		steps := rollingSteps(starts, rollingCounts(starts))
		most := 0
		for i, k := range steps {
			n := 0
			for _, s := range starts {
				if s.wall <= k.wall && s.wall > k.wall-hourMS {
					n++
				}
			}
			if n != k.n || i > 0 && steps[i-1].wall >= k.wall {
				t.Fatalf("at %d: %d starts, %d are within 60 minutes: %v", k.wall, k.n, n, starts)
			}
			most = max(most, k.n)
		}
		if want, _ := rollingMost(starts); most != want {
			t.Fatalf("most %d, the figure has %d", most, want)
		}
	}
	// Of very many, each part of the window tells its most.
	var many []start
	for i := range int64(4000) {
		many = append(many, start{wall: i * 100_000, mono: i * 100_000, segment: 1})
	}
	steps := rollingSteps(many, rollingCounts(many))
	kept := fewer(steps, 0, 400_000_000)
	most := 0
	for _, k := range kept {
		most = max(most, k.Starts)
	}
	if want, _ := rollingMost(many); len(kept) > maxRolling || most != want {
		t.Errorf("%d steps of %d, at most %d starts, the figure has %d", len(kept), len(steps), most, want)
	}
}

// TestCyclesOfOthers: machines that do not load and unload say what they have.
func TestCyclesOfOthers(t *testing.T) {
	site := plant(t)
	site.Machines[0].Control = sitefile.StartStop
	src, hours := rounds(site, 30, 1, 650e3, []phase{{60, 1, 1, 750e3}, {120, 0, 0, 650e3}})
	got := mustCycles(t, src, site, 0, hours*hourMS, 600)
	near(t, "start/stop: loaded", lengthOf(t, &got, LengthLoaded).MedianS, 60, 0)
	near(t, "start/stop: rest", lengthOf(t, &got, LengthRest).MedianS, 120, 0)
	if c := got.Cycles[2]; c.UnloadedS != 0 || c.Ended != TurnStop || c.CycleS == nil || *c.CycleS != 180 {
		t.Errorf("start/stop: %+v", c)
	}
	site.Machines[0].Control = sitefile.Modulating
	src, hours = rounds(site, 2, 1, 650e3, []phase{{3600, 1, 1, 700e3}})
	got = mustCycles(t, src, site, 0, hours*hourMS, 600)
	if len(got.Cycles) != 0 || !strings.Contains(got.Storage.Absent, "holds the pressure") || got.Sentences[0] != "It never unloaded: it gives as much air as is drawn." {
		t.Errorf("modulating: %v, %q, %q", got.Cycles, got.Storage.Absent, got.Sentences)
	}
	empty := mustCycles(t, &memory{}, plant(t), 0, hourMS, 600)
	if empty.Absent != nothingSeen || len(empty.Sentences) != 0 || empty.Coverage != 0 {
		t.Errorf("nothing recorded: %+v", empty)
	}
}

// TestShortestCycleIsListed: of very many cycles the one that somebody looks for,
// the shortest from load to load, is listed, and so is the longest.
func TestShortestCycleIsListed(t *testing.T) {
	var list []LoadCycle
	for i := range 100 {
		s := 90 + float64(i%7)
		switch i {
		case 37:
			s = 61
		case 38:
			s = 20 // until it loaded after a stop: no cycle from load to load
		case 62:
			s = 400
		}
		c := LoadCycle{Start: stamp(monday + int64(i)*600_000), Ended: "load", CycleS: &s}
		if i == 38 {
			c.Ended = "stop"
		}
		list = append(list, c)
	}
	got := chosenCycles(list, 10)
	var lengths []float64
	for i, c := range got {
		lengths = append(lengths, *c.CycleS)
		if i > 0 && c.Start <= got[i-1].Start {
			t.Errorf("cycle %d is not behind the one before", i)
		}
	}
	if len(got) != 10 || !slices.Contains(lengths, 61) || !slices.Contains(lengths, 400) {
		t.Errorf("listed %v, want ten with 61 and 400", lengths)
	}
	if got := chosenCycles(list, 1); len(got) != 1 {
		t.Errorf("%d listed of at most one", len(got))
	}
}

// TestGuardIsHeldToTheStarts: what the site file says of the controller's guard
// beside the shortest time from start to start that was seen.
func TestGuardIsHeldToTheStarts(t *testing.T) {
	at := func(ms int64) SeenStart { return SeenStart{At: stamp(monday + ms)} }
	seen := &StartsSeen{List: []SeenStart{at(0), at(600_000), at(1_500_000)}}
	for _, tt := range []struct {
		guard time.Duration
		list  []SeenStart
		want  string
	}{
		{0, seen.List, ""},
		{6 * time.Minute, nil, "at least 6 min pass from start to start (least_between_starts)."},
		{6 * time.Minute, seen.List, "; the shortest of the listed is 10 min."},
		{12 * time.Minute, seen.List, ", yet 10 min is the shortest of the listed: the setting is another one"},
	} {
		if got := sayGuard(&StartsSeen{List: tt.list}, tt.guard); !strings.Contains(got, tt.want) || (tt.want == "") != (got == "") {
			t.Errorf("guard %s: %q, want %q", tt.guard, got, tt.want)
		}
	}
	if got := inWords((6371*time.Hour + 57*time.Minute).Milliseconds()); got != "265 d 12 h" {
		t.Errorf("%q, want days", got)
	}
}
