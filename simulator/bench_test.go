package simulator

import (
	"math"
	"slices"
	"testing"
)

func TestBenchWeek(t *testing.T) {
	if testing.Short() {
		t.Skip("makes three weeks")
	}
	week, err := BenchWeek(1, false)
	if err != nil {
		t.Fatal(err)
	}
	again, err := BenchWeek(1, false)
	if err != nil {
		t.Fatal(err)
	}
	noisy, err := BenchWeek(1, true)
	if err != nil {
		t.Fatal(err)
	}
	if len(week) != 12 {
		t.Fatalf("%d channels, want 12", len(week))
	}
	for i, c := range week {
		if len(c.Counts) != 604800 {
			t.Fatalf("%s: %d rows, want 604800", c.Name, len(c.Counts))
		}
		if !slices.Equal(c.Counts, again[i].Counts) {
			t.Errorf("%s: the same seed gave other counts", c.Name)
		}
	}
	// The spread of the difference of the two weeks: the truth falls out, and
	// the noises are one normal number times 1 and 4, so σ(diff) = 3σ with the
	// rounding's 1/12 + 1/12 added.
	want := map[string]float64{
		"discharge_pressure": 0.5, "discharge_temperature": 0.3, "ambient_temperature": 0.3,
		"voltage_ab": 4, "voltage_bc": 4, "voltage_ca": 4, "speed": 1,
	}
	status := column(t, week, "status")
	for name, sigma := range want {
		a, b := column(t, week, name), column(t, noisy, name)
		var sum, squares, n float64
		for row := range a {
			if status[row]&bitRunning == 0 {
				continue // pressure and speed end at zero
			}
			d := float64(b[row] - a[row])
			sum, squares, n = sum+d, squares+d*d, n+1
		}
		got := math.Sqrt((squares/n - sum*sum/n/n) - 1.0/6)
		if math.Abs(got-3*sigma) > 0.05*3*sigma {
			t.Errorf("%s: σ of the difference is %.3f counts, want %.3f", name, got, 3*sigma)
		}
	}
	for _, c := range week { // Gaussian noise of σ counts needs log2(σ√(2πe)) bits and a little
		sigma, known := want[c.Name]
		if bits := c.FloorBits / 604800; known && c.Name != "speed" && c.Name != "discharge_pressure" && math.Abs(bits-math.Log2(math.Sqrt(sigma*sigma+1.0/12)*math.Sqrt(2*math.Pi*math.E))) > 0.02 {
			t.Errorf("%s: floor of %.3f bits for σ %g", c.Name, bits, sigma)
		}
	}
	for _, name := range []string{"status", "run_hours", "energy"} {
		if !slices.Equal(column(t, week, name), column(t, noisy, name)) {
			t.Errorf("%s: noise where there is none", name)
		}
	}
	for _, name := range []string{"run_hours", "energy"} {
		if counts := column(t, week, name); !slices.IsSorted(counts) || counts[0] == counts[BenchRows-1] {
			t.Errorf("%s: does not count up", name)
		}
	}
}

func column(t *testing.T, week []BenchColumn, name string) []int64 {
	t.Helper()
	for _, c := range week {
		if c.Name == name {
			return c.Counts
		}
	}
	t.Fatalf("no column %q", name)
	return nil
}

// The entropies of a rounded Gaussian of σ 0.5, 1 and 2 counts, averaged over
// where the mean lies: 0.16, 0.26 and 0.38 bytes (issue 4).
func TestRoundedEntropy(t *testing.T) {
	for sigma, want := range map[float64]float64{0.5: 0.16, 1: 0.26, 2: 0.38} {
		sum := 0.0
		for i := range 16 {
			sum += entropies{}.of(100+float64(i)/16, sigma)
		}
		if got := sum / 16 / 8; math.Abs(got-want) > 0.005 {
			t.Errorf("σ %g: %.4f bytes, want %.2f", sigma, got, want)
		}
	}
	if got := roundedEntropy(0.5, 1e-9); math.Abs(got-1) > 1e-9 { // one of two, evenly
		t.Errorf("between two counts: %g bits, want 1", got)
	}
}
