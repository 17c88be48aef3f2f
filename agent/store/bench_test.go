package store

import (
	"math"
	"math/rand/v2"
	"testing"

	"loadscribe/agent/scan"
)

const benchChannels = 14

// benchWeek makes the scans of the bench week (design, section 9): every
// channel it lists, with two pressures, in integer counts at 1 s, Gaussian
// noise before rounding with the design's sigmas times noise. The demand is a
// plain load/unload cycle by shift here, not the simulator's.
func benchWeek(g *scan.Group, noise float64, days int, fn func([]scan.Scan) error) error {
	r := rand.New(rand.NewPCG(42, 1))
	n := func(v, sigma float64) int64 { return int64(math.Round(v + sigma*noise*r.NormFloat64())) }
	pressure, oil, loaded := 100.0, 180.0, 1.0
	hours, energy := 0.0, 0.0
	for i := range days * 86400 {
		wall := startMS + int64(i)*1000 + r.Int64N(3)
		day, sec := i/86400, i%86400
		demand := 0.12
		if day < 5 && sec > 7*3600 && sec < 16*3600 {
			demand = 0.6 + 0.15*math.Sin(float64(sec)/613)
		}
		pressure += (loaded - demand) * 0.35
		if pressure > 110 {
			loaded = 0
		} else if pressure < 100 {
			loaded = 1
		}
		oil += (140 + 50*loaded - oil) / 400
		kw, amps := 37*loaded+11*(1-loaded), 62*loaded+30*(1-loaded)
		hours += 1.0 / 3600
		energy += kw / 3600
		sc := scan.Scan{Group: g, WallMS: wall, MonoMS: wall - startMS, DurationMS: uint32(20 + r.IntN(4)), Values: []int64{
			n(pressure*10, 0.5), n(pressure*10-30, 0.5), n(oil*10, 0.3), n(oil*9, 0.3), // psi/10, degF/10
			n(kw*10, kw*10*0.01), n(amps*10, amps*10*0.01), // kW/10, A/10: 1 % of the value
			n(4600, 4), n(4600, 4), n(4600, 4), n(1780, 1), // V/10, rpm
			int64(loaded), 1, int64(hours * 10), int64(energy)}}
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
	}
	b.ReportMetric(float64(2*7*86400)*float64(b.N)/b.Elapsed().Seconds(), "scans/s")
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
		g := register(b, s, []*scan.Group{benchGroup("controller", benchChannels)})[0]
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

// BenchmarkRead times a walk over all scans of the bench week and series of
// several spans, on a store that is filled once.
func BenchmarkRead(b *testing.B) {
	s, err := Open(b.TempDir(), Options{Clock: newTestClock()})
	if err != nil {
		b.Fatal(err)
	}
	g := register(b, s, []*scan.Group{benchGroup("controller", benchChannels)})[0]
	if err := benchWeek(g, 1, 7, s.Append); err != nil {
		b.Fatal(err)
	}
	b.Run("scans", func(b *testing.B) {
		n := 0
		for b.Loop() {
			if err := s.Scans(ScanQuery{}, func(*scan.Scan) error { n++; return nil }); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(n)*benchChannels/b.Elapsed().Seconds(), "samples/s")
	})
	for _, span := range []struct {
		name string
		ms   int64
	}{{"10min", 10 * minuteMS}, {"2h", 2 * hourMS}, {"12h", 12 * hourMS}, {"day", dayMS}, {"week", 7 * dayMS}} {
		b.Run("series-"+span.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := s.Series("controller.b", startMS+7*dayMS-span.ms, startMS+7*dayMS, 2000); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
}
