package main

import (
	"cmp"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// soakSample is how much the process takes on a day, at rest after a collection.
type soakSample struct {
	day         int
	heap        float64 // MB of live objects
	private     float64 // MB of changed private pages; 0 where the system does not tell
	goroutines  int
	descriptors int // 0 where the system does not tell
	diskMB      float64
	databaseMB  float64
	mappedMB    float64 // clean private pages
}

func takeSample(t *testing.T, day int, dir string) soakSample {
	t.Helper()
	s := soakSample{day: day, goroutines: runtime.NumGoroutine()}
	debug.FreeOSMemory()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	s.heap = float64(m.HeapAlloc) / 1e6
	if text, err := os.ReadFile("/proc/self/smaps_rollup"); err == nil {
		s.private, s.mappedMB = smapsMB(t, string(text), "Private_Dirty:"), smapsMB(t, string(text), "Private_Clean:")
	}
	if open, err := os.ReadDir("/proc/self/fd"); err == nil {
		s.descriptors = len(open)
	}
	err := filepath.WalkDir(filepath.Join(dir, "data"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		s.diskMB += float64(info.Size()) / 1e6
		if strings.HasSuffix(path, ".db") {
			s.databaseMB += float64(info.Size()) / 1e6
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	return s
}

// smapsMB reads a line of /proc/PID/smaps_rollup.
func smapsMB(t *testing.T, text, name string) float64 {
	t.Helper()
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, name); ok {
			kib, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), "kB")), 64)
			if err != nil {
				t.Errorf("smaps_rollup: %q", line)
			}
			return kib * 1024 / 1e6
		}
	}
	t.Errorf("smaps_rollup has no %s", name)
	return 0
}

// slope is the rise a day by least squares.
func slope(samples []soakSample, of func(soakSample) float64) float64 {
	var n, x, y, xx, xy float64
	for _, s := range samples {
		d, v := float64(s.day), of(s)
		n, x, y, xx, xy = n+1, x+d, y+v, xx+d*d, xy+d*v
	}
	return (n*xy - x*y) / (n*xx - x*x)
}

// middle is the median of the values of some samples.
func middle[N cmp.Ordered](samples []soakSample, of func(soakSample) N) N {
	var all []N
	for _, s := range samples {
		all = append(all, of(s))
	}
	slices.Sort(all)
	return all[len(all)/2]
}

func (s *soak) judgeGrowth(t *testing.T) {
	for _, x := range s.samples {
		t.Logf("%+v", x)
	}
	t.Log(s.idle)
}
