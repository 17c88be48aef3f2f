package store

import (
	"math"
	"math/rand/v2"
	"testing"

	"loadscribe/agent/scan"
)

// benchWeek makes the scans of the bench week (design, section 9): 12 channels
// in integer counts at 1 s, Gaussian noise before rounding with the design's
// sigmas times noise. The demand is a plain load/unload cycle by shift here,
// not the simulator's. fn gets batches of one second.
func benchWeek(g *scan.Group, noise float64, days int, fn func([]scan.Scan) error) error {
	r := rand.New(rand.NewPCG(42, 1))
	pressure, oil, running, loaded := 100.0, 180.0, 1.0, 1.0
	hours, energy := 0.0, 0.0
	for i := range days * 86400 {
		wall := startMS + int64(i)*1000 + r.Int64N(3)
		day, sec := i/86400, i%86400
		shift := day < 5 && sec > 7*3600 && sec < 16*3600
		demand := 0.12
		if shift {
			demand = 0.6 + 0.15*math.Sin(float64(sec)/613)
		}
		pressure += (loaded - demand) * 0.35
		if pressure > 110 {
			loaded = 0
		} else if pressure < 100 {
			loaded = 1
		}
		oil += (140 + 50*loaded - oil) / 400
		kw := (37*loaded + 11*(1-loaded)) * (1 + 0.01*noise*r.NormFloat64())
		amps := (62*loaded + 30*(1-loaded)) * (1 + 0.01*noise*r.NormFloat64())
		hours += running / 3600
		energy += kw / 3600
		n := func(v, sigma float64) int64 { return int64(math.Round(v + sigma*noise*r.NormFloat64())) }
		sc := scan.Scan{Group: g, WallMS: wall, MonoMS: wall - startMS, DurationMS: uint32(20 + r.IntN(4)), Values: []int64{
			n(pressure*10, 0.5), n(pressure*10-30, 0.5), n(oil*10, 0.3), n(oil*9, 0.3),
			int64(math.Round(kw * 10)), int64(math.Round(amps * 10)),
			n(4600, 4), n(4600, 4), n(4600, 4), n(1780, 1), int64(loaded),
			int64(hours*10)<<20 | int64(energy), // one column for both counters is unfair: see below
		}}
		sc.Values[11] = int64(hours * 10)
		sc.Values = append(sc.Values, int64(energy))
		if err := fn([]scan.Scan{sc}); err != nil {
			return err
		}
	}
	return nil
}

func benchGroup(device string, channels int) *scan.Group {
	g := &scan.Group{Device: device, Name: "1s", PeriodMS: 1000}
	for i := range channels {
		g.Channels = append(g.Channels, intChannel(device, string(rune('a'+i))))
	}
	return g
}

// BenchmarkAppend fills a week of two devices, 20 and 10 channels at 1 s, with
// sealing: what the demo does. The figure of interest is the whole time.
func BenchmarkAppend(b *testing.B) {
	for b.Loop() {
		s, err := Open(b.TempDir(), Options{Clock: newTestClock()})
		if err != nil {
			b.Fatal(err)
		}
		groups := register(b, s, []*scan.Group{benchGroup("controller", 20), benchGroup("meter", 10)})
		r := rand.New(rand.NewPCG(3, 3))
		for i := range 7 * 86400 {
			batch := make([]scan.Scan, len(groups))
			for gi, g := range groups {
				wall := startMS + int64(i)*1000 + int64(gi)*30
				v := make([]int64, len(g.Channels))
				for c := range v {
					v[c] = 1000 + int64(r.NormFloat64()*float64(c)/2)
				}
				batch[gi] = scan.Scan{Group: g, WallMS: wall, MonoMS: wall - startMS, DurationMS: 20, Values: v}
			}
			if err := s.Append(batch); err != nil {
				b.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(2*7*86400)*float64(b.N)/b.Elapsed().Seconds(), "scans/s")
	}
}

// BenchmarkSize reports the bytes a sample of the bench week costs, in blocks
// and in the whole directory after Close.
func BenchmarkSize(b *testing.B) {
	for b.Loop() {
		dir := b.TempDir()
		s, err := Open(dir, Options{Clock: newTestClock()})
		if err != nil {
			b.Fatal(err)
		}
		g := register(b, s, []*scan.Group{benchGroup("controller", 13)})[0]
		if err := benchWeek(g, 1, 7, s.Append); err != nil {
			b.Fatal(err)
		}
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		st := s.Stats()
		samples := float64(st.LastSeq) * float64(len(g.Channels))
		b.ReportMetric(float64(st.BlockBytes)/samples, "blockB/sample")
		b.ReportMetric(float64(st.DirectoryBytes)/samples, "dirB/sample")
	}
}
