package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/simulator"
	"loadscribe/testdata/peers"
)

func TestWriteOpenMetrics(t *testing.T) {
	name := filepath.Join(t.TempDir(), "samples")
	columns := []simulator.BenchColumn{{Name: "power", Counts: []int64{370, -1, 5}}, {Name: "status", Counts: []int64{1, 0, 3}}}
	if err := writeOpenMetrics(name, columns, 1000, 2); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(name)
	want := "# TYPE power gauge\npower 370 1000\npower -1 1001\n# TYPE status gauge\nstatus 1 1000\nstatus 0 1001\n# EOF\n"
	if err != nil || string(got) != want {
		t.Errorf("got\n%s\nwant\n%s: %v", got, want, err)
	}
}

// Without promtool the reference is missing, and a reader of the rows sees it.
func TestTSDBWithoutPromtool(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	r, err := directoryRow(t.Context(), &bench{dir: t.TempDir()}, nil, 0.39, 0.45)
	if err != nil {
		t.Fatal(err)
	}
	if f := r.fields(); f[1] != "0.39" || !strings.HasPrefix(f[4], "Prometheus") || f[5] != "promtool is not installed" {
		t.Errorf("got %q", f)
	}
}

// TestTSDBBytes lets promtool store a constant, which takes it some bits a
// sample, and random numbers, which take more.
func TestTSDBBytes(t *testing.T) {
	if _, err := exec.LookPath("promtool"); err != nil {
		peers.Missing(t, "promtool is not installed")
	}
	still, lively := make([]int64, 3600), make([]int64, 3600)
	for i := range lively {
		lively[i] = int64(i * i % 977)
	}
	size := func(counts []int64) float64 {
		bytes, err := tsdbBytes(t.Context(), filepath.Join(t.TempDir(), "tsdb"), []simulator.BenchColumn{{Name: "power", Counts: counts}},
			time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).Unix(), len(counts))
		if err != nil && !errors.Is(err, errNoPromtool) {
			t.Fatal(err)
		}
		return bytes
	}
	if a, b := size(still), size(lively); a <= 0 || b <= a {
		t.Errorf("a constant takes %v bytes a sample, noise %v", a, b)
	}
}
