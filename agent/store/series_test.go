package store

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"loadscribe/agent/scan"
)

// bruteSeries computes a series straight from the scans, with none of the
// store's cell code: integer kinds in int64 (test values are small).
func bruteSeries(all []scan.Scan, device, name string, from, to, step int64) []Cell {
	n := (to - from) / step
	cells := make([]Cell, n)
	sums := make([]int64, n)
	for i := range cells {
		cells[i].StartMS = from + int64(i)*step
	}
	for i := range all {
		sc := &all[i]
		c := sc.Group.Index(name)
		if sc.Group.Device != device || c < 0 || sc.WallMS < from || sc.WallMS >= to {
			continue
		}
		raw, ok := sc.Get(c)
		if !ok {
			continue
		}
		ch := &sc.Group.Channels[c]
		v := ch.Value(raw)
		at := (sc.WallMS - from) / step
		cell := &cells[at]
		if cell.Count == 0 || sc.WallMS < cell.FirstMS {
			cell.FirstMS, cell.First = sc.WallMS, v
		}
		if cell.Count == 0 || sc.WallMS >= cell.LastMS {
			cell.LastMS, cell.Last = sc.WallMS, v
		}
		if cell.Count == 0 || v < cell.Min {
			cell.Min = v
		}
		if cell.Count == 0 || v > cell.Max {
			cell.Max = v
		}
		cell.Count++
		if ch.Kind == scan.KindInt || ch.Kind == scan.KindUint {
			sums[at] += raw
			cell.Sum = float64(sums[at])*ch.Scale + ch.Offset*float64(cell.Count)
		} else {
			cell.Sum += v
		}
	}
	return cells
}

func TestSeriesEqualsRawAtEveryLevel(t *testing.T) {
	alone(t)
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups())
	const hours = 53
	all := appendAll(t, s, stream(groups, 5, startMS, hours*3600+700))
	end := startMS + hours*hourMS + 700_000
	tests := []struct {
		name     string
		id       string
		from, to int64
		points   int
		step     int64
	}{
		{"two seconds", "controller.pressure", startMS + 3500_123, startMS + 3700_456, 150, 2000},
		{"five seconds in the tail", "meter.power", end - 400_000, end - 100, 100, 5000},
		{"half a minute", "controller.flow", startMS - 5000, startMS + 9*hourMS, 1100, 30_000},
		{"a minute", "controller.pressure", startMS + 77_777, startMS + 20*hourMS, 1200, minuteMS},
		{"a minute with the tail", "meter.power", end - 20*hourMS, end, 1300, minuteMS},
		{"five minutes", "controller.text", startMS, end, 700, 5 * minuteMS},
		{"a quarter", "controller.heat", startMS, end, 250, 15 * minuteMS},
		{"half an hour", "controller.hours", startMS, end, 120, 30 * minuteMS},
		{"an hour", "meter.amps", startMS, end, 60, hourMS},
		{"two hours", "controller.loaded", startMS, end, 30, 2 * hourMS},
		{"six hours", "controller.oil", startMS, end, 10, 6 * hourMS},
		{"a day", "controller.pressure", startMS, end, 3, dayMS},
		{"a day, longer than all", "controller.pressure", startMS - 400*dayMS, end + 400*dayMS, 900, dayMS},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := s.Series(tt.id, tt.from, tt.to, tt.points)
			if err != nil {
				t.Fatal(err)
			}
			if got.StepMS != tt.step {
				t.Fatalf("step %d ms, want %d", got.StepMS, tt.step)
			}
			device, name, _ := scan.SplitID(tt.id)
			want := bruteSeries(all, device, name, floorTo(tt.from, tt.step), floorTo(tt.to+tt.step-1, tt.step), tt.step)
			wantCells(t, got.Cells, want)
		})
	}
}

// wantCells compares cells; an empty one of want may be missing in got.
func wantCells(t *testing.T, got, want []Cell) {
	t.Helper()
	full := 0
	for _, w := range want {
		if len(got) > 0 && got[0].StartMS < w.StartMS {
			t.Fatalf("cell at %s is not wanted", stamp(got[0].StartMS))
		}
		if len(got) == 0 || got[0].StartMS != w.StartMS {
			if w.Count != 0 {
				t.Fatalf("cell at %s is missing: %+v", stamp(w.StartMS), w)
			}
			continue
		}
		g := got[0]
		got = got[1:]
		if w.Count > 0 {
			full++
		}
		// floats may be summed in another order: 1e-12 of the sum
		if math.Abs(g.Sum-w.Sum) > 1e-12*math.Abs(w.Sum) {
			t.Fatalf("cell at %s: sum %v, want %v", stamp(w.StartMS), g.Sum, w.Sum)
		}
		g.Sum = w.Sum
		if g != w {
			t.Fatalf("cell at %s:\n got %+v\nwant %+v", stamp(w.StartMS), g, w)
		}
	}
	if len(got) != 0 || full == 0 {
		t.Fatalf("%d cells too many, %d with values", len(got), full)
	}
}

func TestSeriesRawAndGaps(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	g := register(t, s, testGroups())[2]
	var all []scan.Scan
	for i := range int64(7400) {
		if i >= 100 && i < 110 || i >= 7300 && i < 7304 || i == 50 {
			continue // gaps of ten and four seconds; one lost scan is none
		}
		wall := startMS + i*1000
		all = append(all, scan.Scan{Group: g, WallMS: wall, MonoMS: wall - startMS, Values: []int64{i, 2 * i}})
	}
	all[20].Quality = []scan.Reason{scan.Implausible, scan.Good}
	appendAll(t, s, all)

	got, err := s.Series("meter.power", startMS, startMS+200_000, 1000)
	if err != nil || got.StepMS != 0 || got.Unit != "kW" {
		t.Fatalf("raw series: %v, step %d, unit %q", err, got.StepMS, got.Unit)
	}
	if n := len(got.Cells); n != 200-10-1-1+1 {
		t.Errorf("%d raw cells, want 188 values and one gap", n)
	}
	gaps := gapStarts(got.Cells)
	if len(gaps) != 1 || gaps[0] != startMS+100_000 {
		t.Errorf("gaps at %v, want one a period after the last value, %d", gaps, startMS+100_000)
	}
	if c := got.Cells[3]; c.First != 3*-0.5+3 || c.Min != c.Max || c.Count != 1 || c.StartMS != startMS+3000 {
		t.Errorf("raw cell 3 is %+v", c)
	}

	// cells of one second: the single lost scan leaves no gap, the outage does
	got, err = s.Series("meter.power", startMS, startMS+200_000, 199)
	if err != nil || got.StepMS != 2000 {
		t.Fatalf("step %d: %v", got.StepMS, err)
	}
	if gaps := gapStarts(got.Cells); len(gaps) != 5 || gaps[0] != startMS+100_000 {
		t.Errorf("gaps at %v, want the five cells from second 100", gaps)
	}
	// the gap in the unsealed tail
	got, err = s.Series("meter.power", startMS+7290_000, startMS+7400_000, 109)
	if err != nil || len(gapStarts(got.Cells)) != 2 {
		t.Errorf("gaps in the tail: %v (%v), want two cells", gapStarts(got.Cells), err)
	}
	if _, err := s.Series("meter.nothing", 0, 1000, 10); !errors.Is(err, ErrUnknown) {
		t.Errorf("unknown channel: %v, want ErrUnknown", err)
	}
	if _, err := s.Series("meter.power", 1000, 1000, 10); err == nil {
		t.Error("an empty window is no error")
	}
}

func gapStarts(cells []Cell) []int64 {
	var out []int64
	for _, c := range cells {
		if c.Count == 0 {
			out = append(out, c.StartMS)
		}
	}
	return out
}

// A slow channel must not look full of gaps at a fine zoom.
func TestSlowChannelHasNoFalseGaps(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	groups := register(t, s, testGroups())
	var all []scan.Scan
	r := rand.New(rand.NewPCG(1, 2))
	for i := range int64(400) {
		wall := startMS + i*15_000 + r.Int64N(4000)
		all = append(all, scan.Scan{Group: groups[1], WallMS: wall, MonoMS: wall - startMS, Values: []int64{i}})
	}
	appendAll(t, s, all)
	got, err := s.Series("controller.oil", startMS, startMS+400*15_000, 399)
	if err != nil || got.StepMS != 30_000 && got.StepMS != 15_000 {
		t.Fatalf("step %d: %v", got.StepMS, err)
	}
	if gaps := gapStarts(got.Cells); len(gaps) != 0 {
		t.Errorf("gaps at %v, want none", gaps)
	}
}

// The integer kinds sum in 128 bits: extremes must not wrap.
func TestCellsOfExtremes(t *testing.T) {
	s := openTest(t, t.TempDir(), Options{})
	g := register(t, s, []*scan.Group{{Device: "d", Name: "1s", PeriodMS: 1000, Channels: []scan.Channel{
		{Name: "i", Kind: scan.KindInt, Scale: 1, Unit: "1"},
		{Name: "u", Kind: scan.KindUint, Scale: 1, Unit: "1"},
		{Name: "f", Kind: scan.KindFloat64, Scale: 1, Unit: "1"}}}})[0]
	values := [][]int64{
		{math.MinInt64, -1, int64(math.Float64bits(math.NaN()))},
		{math.MinInt64, -1, int64(math.Float64bits(math.Inf(1)))},
		{math.MinInt64, 0, int64(math.Float64bits(math.Copysign(0, -1)))},
		{-5, 7, int64(math.Float64bits(2))},
	}
	for round := range int64(2) { // the second round goes to a later hour: merged
		var all []scan.Scan
		for i, v := range values {
			wall := startMS + round*hourMS + int64(i)*1000
			all = append(all, scan.Scan{Group: g, WallMS: wall, MonoMS: wall - startMS, Values: append([]int64(nil), v...)})
		}
		appendAll(t, s, all)
	}
	wall := startMS + 3*hourMS // seals what is before
	appendAll(t, s, []scan.Scan{{Group: g, WallMS: wall, MonoMS: wall - startMS, Reason: scan.Timeout}})
	tests := []struct {
		id       string
		sum      float64
		min, max float64
		count    int64
	}{
		{"d.i", 6*math.MinInt64 - 10, math.MinInt64, -5, 8},
		{"d.u", 4*math.MaxUint64 + 14, 0, math.MaxUint64, 8},
		{"d.f", math.Inf(1), 0, math.Inf(1), 6}, // a NaN is no value
	}
	for _, tt := range tests {
		got, err := s.Series(tt.id, startMS, startMS+2*hourMS, 1)
		if err != nil || len(got.Cells) != 1 {
			t.Fatalf("%s: %d cells, %v", tt.id, len(got.Cells), err)
		}
		c := got.Cells[0]
		if c.Sum != tt.sum || c.Min != tt.min || c.Max != tt.max || c.Count != tt.count {
			t.Errorf("%s: %+v, want sum %g, min %g, max %g, count %d", tt.id, c, tt.sum, tt.min, tt.max, tt.count)
		}
	}
}
