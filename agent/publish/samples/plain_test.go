package samples

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"loadscribe/agent/analysis"
	"loadscribe/agent/publish"
	"loadscribe/agent/publish/remote"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// seen is one scan of the record with the cell that it falls into.
type seen struct {
	scan.Scan
	cell   int   // counts the stretches of scans that share cell and segment
	clock  int   // counts the starts of the agent
	latest int64 // time of the scans of the segment so far, ms
}

// record reads all scans of a rig.
func (r *rig) record(every time.Duration) (all []seen) {
	r.t.Helper()
	clocks := map[uint32]int{}
	n := 0
	latest := int64(0) // time in a segment: a scan that came late is of the cell of those before it
	for _, seg := range r.store.Segments() {
		if seg.NewClock() {
			n++
		}
		clocks[seg.Number] = n
	}
	cellOf := func(ms int64) int64 { return int64(math.Floor(float64(ms) / float64(every.Milliseconds()))) }
	err := r.store.Scans(store.ScanQuery{}, func(s *scan.Scan) error {
		x := seen{Scan: s.Clone(), clock: clocks[s.Segment]}
		if k := len(all); k > 0 {
			x.cell = all[k-1].cell
			switch b := &all[k-1]; {
			case b.Segment != s.Segment:
				x.cell++
				latest = s.WallMS
			case cellOf(latest) < cellOf(s.WallMS):
				x.cell++
			}
		}
		latest = max(latest, s.WallMS)
		x.latest = latest
		all = append(all, x)
		return nil
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return all
}

// plainReadings is what the series of a device's first channel should be, said of all
// scans at once: a value is given where no later one of its cell is, or a gap follows;
// a marker where the next good value is beyond a gap, or the cell of a failed scan
// ended without one.
func plainReadings(all []seen, device string, value func(raw int64) float64) (out []remote.Sample) {
	var goods []int
	for i := range all {
		if all[i].Group.Device == device && all[i].Reason == scan.Good {
			goods = append(goods, i)
		}
	}
	sent := int64(0)
	open := all[len(all)-1].cell
	for k, i := range goods {
		g := &all[i]
		gap := g.Group.GapMS()
		next := len(all)
		if k+1 < len(goods) {
			next = goods[k+1]
		}
		ended, marked, bad := false, int64(0), int64(0)
		j := i + 1
		for ; j <= next && j < len(all) && !ended; j++ {
			x := &all[j]
			closes := x.cell != all[j-1].cell
			switch {
			case x.clock != g.clock, closes && x.MonoMS-g.MonoMS > gap, closes && bad != 0, j == next && x.MonoMS-g.MonoMS > gap:
				ended = true
				if marked = bad; bad == 0 {
					marked = g.WallMS + gap
				}
				marked = min(marked, x.WallMS-1)
			case x.Group.Device == device && x.Reason != scan.Good && bad == 0:
				bad = x.WallMS
			}
		}
		last := next == len(all) || all[next].cell != g.cell
		if (last || ended) && (g.cell != open || ended) && g.WallMS > sent {
			v, _ := g.Get(0)
			out = append(out, remote.Sample{TimeMS: g.WallMS, Value: value(v)})
			sent = g.WallMS
		}
		live := len(out) > 0 && !isStale(out[len(out)-1].Value)
		if ended && live {
			sent = max(marked, sent+1)
			out = append(out, remote.Sample{TimeMS: sent, Value: math.Float64frombits(remote.StaleBits)})
		}
	}
	return out
}

// plainCounters are the totals of a fold stepped once through the record, at the last
// scan of each cell.
func (r *rig) plainCounters(all []seen) got {
	out := got{}
	f := analysis.NewFolder(r.site, r.groups)
	sent := map[string]int64{}
	for i := range all {
		f.Step(&all[i].Scan)
		if i+1 == len(all) || all[i+1].cell == all[i].cell {
			continue
		}
		t, _ := f.Totals(&r.site.Machines[0])
		totals := publish.TotalsOf(&t)
		totals.Counters("comp1", func(f publish.Family, v float64, labels ...string) {
			name := nameOf(labelsOf(noPhase, f, labels))
			if all[i].latest > sent[name] {
				sent[name] = all[i].latest
				out[name] = append(out[name], remote.Sample{TimeMS: all[i].latest, Value: v})
			}
		})
	}
	return out
}

// live plays a random life of a rig: polls, failures, silence, restarts and steps of
// the clock.
func (r *rig) live(t *rapid.T) {
	for range rapid.IntRange(3, 12).Draw(t, "chapters") {
		switch rapid.SampledFrom([]string{"run", "run", "fail", "one", "late", "meter", "quiet", "restart", "forth", "back"}).Draw(t, "chapter") {
		case "run":
			r.run(time.Duration(rapid.IntRange(1, 70).Draw(t, "s")) * time.Second)
		case "fail":
			for range rapid.IntRange(1, 25).Draw(t, "times") {
				r.put("controller")
				r.pass(time.Second)
			}
		case "one":
			r.put("meter")
			r.pass(time.Duration(rapid.IntRange(1, 900).Draw(t, "ms")) * time.Millisecond)
		case "late":
			r.put("controller", 70, 1, 0)
			r.late("meter", time.Duration(rapid.IntRange(1, 900).Draw(t, "ms"))*time.Millisecond, 100)
			r.pass(time.Second)
		case "meter":
			for range rapid.IntRange(1, 9).Draw(t, "times") {
				r.put("meter", 100)
				r.pass(2 * time.Second)
			}
		case "quiet":
			r.pass(time.Duration(rapid.IntRange(1, 40).Draw(t, "s")) * time.Second)
		case "restart":
			r.restart(time.Duration(rapid.IntRange(1, 90).Draw(t, "s")) * time.Second)
		case "forth":
			r.clock.wall += rapid.Int64Range(3000, 120_000).Draw(t, "ms")
		case "back":
			r.clock.wall -= rapid.Int64Range(3000, 120_000).Draw(t, "ms")
		}
	}
	r.run(5 * time.Second)
}

// TestAgainstPlainModel: whatever happens, however the record is cut into batches and
// how often the Source is made anew from its position, readings are those of a plain
// second model and counters those of one fold.
func TestAgainstPlainModel(t *testing.T) {
	if testing.Short() {
		t.Skip("ten seconds without a goroutine of its own")
	}
	rapid.Check(t, func(rt *rapid.T) {
		r := newRig(t)
		defer func() { _ = r.store.Close() }()
		every := time.Duration(rapid.SampledFrom([]int{1, 5, 15, 60}).Draw(rt, "every")) * time.Second
		if rapid.Bool().Draw(rt, "each scan") {
			every = 100 * time.Millisecond
		}
		first := r.options()
		first.Every = every
		b, _, err := New(r.store, first).Next(context.Background(), nil, nil, 1) // a place before the first scan
		if err != nil {
			rt.Fatal(err)
		}
		after, g := b.Next, got{}
		for range rapid.IntRange(1, 3).Draw(rt, "parts") {
			r.live(rt)
			o := r.options()
			o.Every = every
			s := New(r.store, o)
			for more := true; more; {
				var b remote.Batch
				if b, more, err = s.Next(context.Background(), after, nil, rapid.IntRange(1, 300).Draw(rt, "most")); err != nil {
					rt.Fatal(err)
				}
				g.take(t, &b)
				if b.Next != nil {
					after = b.Next
				}
				if rapid.IntRange(0, 3).Draw(rt, "anew") == 0 {
					s = New(r.store, o)
				}
			}
		}
		all := r.record(every)
		want := r.plainCounters(all)
		bar := func(raw int64) float64 { return float64(raw) * 1e4 }
		for name, samples := range map[string][]remote.Sample{
			"pressure_pascals{comp1,discharge_pressure}": plainReadings(all, "controller", bar),
			"power_watts{comp1,power}":                   plainReadings(all, "meter", func(raw int64) float64 { return float64(raw) * 100 }),
		} {
			if len(samples) > 0 {
				want[name] = samples
			}
		}
		for name := range g { // what the model does not have
			if want[name] == nil && name != "pressure_pascals{comp1,discharge_pressure}" && name != "power_watts{comp1,power}" {
				want[name] = g[name]
			}
		}
		near(rt, want, g)
	})
}

var errDiffer = errors.New("differ")

// near compares samples; readings may differ by the last bits of a unit's conversion.
func near(t *rapid.T, want, have got) {
	t.Helper()
	for name := range want {
		w, h := want[name], have[name]
		if len(w) != len(h) {
			t.Fatalf("%s: %v\n got %s\nwant %s", name, errDiffer, have.text(name), want.text(name))
		}
		for i := range w {
			if w[i].TimeMS != h[i].TimeMS || isStale(w[i].Value) != isStale(h[i].Value) ||
				!isStale(w[i].Value) && math.Abs(w[i].Value-h[i].Value) > 1e-9*math.Abs(w[i].Value) {
				t.Fatalf("%s, sample %d: %v\n got %s\nwant %s", name, i, errDiffer, have.text(name), want.text(name))
			}
		}
	}
}
