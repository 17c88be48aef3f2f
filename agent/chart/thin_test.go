package chart

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestThin: in every column the thinned line reaches as low and as high as all points do.
func TestThin(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var all []point
	for i := range 10080 {
		y := 50 + 10*math.Sin(float64(i)/700) + 5*r.NormFloat64()
		if i == 4321 {
			y = 400 // one minute's spike
		}
		all = append(all, point{float64(i) * 450 / 10080, y})
	}
	extremes := func(points []point) map[int]reach {
		of := map[int]reach{}
		for _, p := range points {
			e, ok := of[int(p.x/columnPt)]
			if !ok {
				e = nowhere()
			}
			e.take(p.y)
			of[int(p.x/columnPt)] = e
		}
		return of
	}
	few := thin(all)
	want, got := extremes(all), extremes(few)
	for c, w := range want {
		if got[c] != w {
			t.Fatalf("column %d reaches %v, all points %v", c, got[c], w)
		}
	}
	if len(few) > 4*len(want) {
		t.Errorf("%d points are left of %d columns", len(few), len(want))
	}
	for i := 1; i < len(few); i++ {
		if few[i].x < few[i-1].x {
			t.Fatalf("the line turns back at %v", few[i])
		}
	}
	if few[0] != all[0] || few[len(few)-1] != all[len(all)-1] {
		t.Error("the ends are lost")
	}
}

// TestStraight leaves out points within a level or upright stretch, and no turn of it.
func TestStraight(t *testing.T) {
	got := straight([]point{{0, 1}, {1, 1}, {2, 1}, {2, 5}, {2, 9}, {2, 3}, {3, 3}})
	want := []point{{0, 1}, {2, 1}, {2, 9}, {2, 3}, {3, 3}}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("%v, want %v", got, want)
		}
	}
}

// TestAskedAxis: an axis of x as asked is kept, though a last step ends a little beyond.
func TestAskedAxis(t *testing.T) {
	l := Lines{X: Axis{Min: 0, Max: 167.9997, Ticks: []Tick{{12, "Mon"}}}, Series: []Series{{X: Values{0, 100, 167.75}, Y: Values{1, 2, 3}, Step: true}}}
	f, ok := l.frame(500)
	if !ok || f.x.lo != 0 || f.x.hi != 167.9997 {
		t.Fatalf("the axis runs from %g to %g", f.x.lo, f.x.hi)
	}
	if gaps := l.gaps(f.x, f.y); len(gaps) != 0 {
		t.Errorf("hatched: %v", gaps)
	}
}

// TestRuns: a gap ends a line, nothing is drawn over it, and a step holds to the next x.
func TestRuns(t *testing.T) {
	x, y := scale{0, 100, 0, 100}, scale{0, 10, 10, 0}
	s := Series{X: Values{0, 10, 20, 30, 40, 50}, Y: Values{1, 2, nan, 4, nan, 6}}
	var spans [][2]float64
	for _, r := range s.runs(x, y) {
		spans = append(spans, [2]float64{r.line[0].x, r.line[len(r.line)-1].x})
	}
	want := [][2]float64{{0, 10}, {30, 30}, {50, 50}}
	if len(spans) != 3 || spans[0] != want[0] || spans[1] != want[1] || spans[2] != want[2] {
		t.Errorf("runs over %v, want %v", spans, want)
	}
	s.Step = true
	all := s.runs(x, y)
	last := all[len(all)-1].line
	if first := all[0].line; first[len(first)-1].x != 20 || last[0].x != 50 || last[len(last)-1].x != 60 {
		t.Errorf("steps end at %v and %v, want 20 and 60", first[len(first)-1].x, last[len(last)-1].x)
	}
	l := Lines{Series: []Series{{X: Values{0, 10, 40, 50}, Y: Values{1, 1, nan, nan}}, {X: Values{60, 90}, Y: Values{2, 2}}}}
	if got := l.gaps(x, y); len(got) != 1 || got[0] != [2]float64{10, 60} {
		t.Errorf("not observed over %v, want 10 to 60", got)
	}
	l.X.Ticks = []Tick{{0, "Mon"}} // on a clock the ends count
	if got := l.gaps(x, y); len(got) != 2 || got[1] != [2]float64{90, 100} {
		t.Errorf("not observed over %v, want 10 to 60 and 90 to 100", got)
	}
}

// TestShares: the columns of a band hold each state for as long as it lasted, however
// short its stretches are.
func TestShares(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	x := scale{0, 24, 60, 492.5}
	want := map[string]float64{}
	var stages []Stage
	words := []string{"loaded", "unloaded", "standby", "off", "unobserved"}
	for at := 0.0; at < 24; {
		to := min(at+0.05*r.ExpFloat64(), 24)
		state := words[r.IntN(len(words))]
		stages = append(stages, Stage{at, to, state})
		want[state] += to - at
		at = to
	}
	got := map[string]float64{}
	for i, c := range shares(x, stages) {
		sum := 0.0
		for k, share := range c {
			name := "unobserved"
			if k < len(ofState) {
				name = ofState[k].state
			}
			got[name] += share * stageColumn * 24 / (x.b - x.a)
			sum += share
		}
		if sum > 1+1e-9 || sum < 1-1e-9 && i < int(x.b-x.a) {
			t.Errorf("column %d is full to %g", i, sum)
		}
	}
	for _, name := range words {
		if math.Abs(got[name]-want[name]) > 1e-6 {
			t.Errorf("%s for %g h, want %g", name, got[name], want[name])
		}
	}
}
