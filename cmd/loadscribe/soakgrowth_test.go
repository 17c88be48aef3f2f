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
	"time"

	"loadscribe/agent/store"
)

// soakSample is how much the process takes on a day, at rest after a collection.
type soakSample struct {
	day         int
	heap        float64 // MB of live objects
	anonymous   float64 // MB of memory that is of no file, swapped out or not; 0 where the system does not tell
	goroutines  int
	descriptors int     // 0 where the system does not tell
	diskMB      float64 // of the data directory
}

// soakEnd is what the data directory holds after a run, in bytes.
type soakEnd struct {
	atMS                    int64
	blocks, free, directory int64
}

func endOf(t *testing.T, dir string, atMS int64) soakEnd {
	t.Helper()
	s, err := store.OpenReadOnly(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	stats := s.Stats()
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	return soakEnd{atMS, stats.BlockBytes, stats.FreePageBytes, stats.DirectoryBytes}
}

func takeSample(t *testing.T, day int, dir string) soakSample {
	t.Helper()
	s := soakSample{day: day, goroutines: runtime.NumGoroutine()}
	debug.FreeOSMemory()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	s.heap = float64(m.HeapAlloc) / 1e6
	if text, err := os.ReadFile("/proc/self/smaps_rollup"); err == nil { // proc(5)
		s.anonymous = smapsMB(t, string(text), "Anonymous:") + smapsMB(t, string(text), "Swap:")
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

// judgeGrowth holds the end of the last run, half a month, against its first days, and
// the rests between the runs against the first one.
func (s *soak) judgeGrowth(t *testing.T) {
	for _, x := range s.samples {
		t.Logf("%+v", x)
	}
	if len(s.samples) != s.days {
		t.Fatalf("%d samples of %d days", len(s.samples), s.days)
	}
	began := int(s.plan.runs[len(s.plan.runs)-1].from/(24*time.Hour)) + 1
	warm := s.samples[began:]
	if len(warm) < s.days/3 {
		t.Fatalf("the last run has %d whole days", len(warm))
	}
	first, last := warm[:3], warm[len(warm)-3:]
	for name, of := range map[string]func(soakSample) float64{
		"live objects":     func(x soakSample) float64 { return x.heap },
		"anonymous memory": func(x soakSample) float64 { return x.anonymous },
	} {
		rise := slope(warm, of)
		t.Logf("%s: %.1f MB from day %d on, %.1f MB at the end, %+.3f MB a day", name, middle(first, of), began, middle(last, of), rise)
		if most := 5.0; middle(last, of)-middle(first, of) > most || rise*float64(len(warm)) > most {
			t.Errorf("%s grew by more than %.0f MB in %d days", name, most, len(warm))
		}
	}
	// Between two runs nothing of the agent is left: what remains is the plant's.
	for i, n := range s.idle {
		if n > s.idle[0]+1 {
			t.Errorf("%d goroutines after run %d, %d after the first", n, i, s.idle[0])
		}
	}
	goroutines, descriptors := func(x soakSample) int { return x.goroutines }, func(x soakSample) int { return x.descriptors }
	if was, is := middle(first, goroutines), middle(last, goroutines); is > was {
		t.Errorf("%d goroutines at the end, %d from day %d on", is, was, began)
	}
	if was, is := middle(first, descriptors), middle(last, descriptors); is > was {
		t.Errorf("%d descriptors at the end, %d from day %d on", is, was, began)
	}
	s.judgeDisk(t)
}

// judgeDisk: raw readings and free pages stop growing, as docs/keeping-data.md says (N
// + 1 days' worth where N are kept), and what stays for good grows evenly.
func (s *soak) judgeDisk(t *testing.T) {
	const keep = 5
	var perDay float64 // bytes of blocks, while all were kept
	for _, e := range s.ends {
		if e.atMS < keep*24*3600*1000 {
			perDay = max(perDay, float64(e.blocks)*24*3600*1000/float64(e.atMS))
		}
	}
	last := s.ends[len(s.ends)-1]
	t.Logf("disk: %.2f MB of raw readings at %.2f MB a day, %.2f MB free pages, %.2f MB in all",
		float64(last.blocks)/1e6, perDay/1e6, float64(last.free)/1e6, float64(last.directory)/1e6)
	// A day more for that which the clock said to be tomorrow: it counts as one.
	if float64(last.blocks+last.free) > (keep+2)*perDay {
		t.Errorf("%d bytes of raw readings and free pages at %d a day are more than %d days' worth", last.blocks+last.free, int64(perDay), keep+2)
	}
	// What stays for good of a day: summaries and curves.
	grew := func(a, b soakEnd) float64 {
		rest := func(e soakEnd) float64 { return float64(e.directory - e.blocks - e.free) }
		return (rest(b) - rest(a)) * 24 * 3600 * 1000 / float64(b.atMS-a.atMS)
	}
	n := len(s.ends) - 2 // the last run may be minutes
	early, late := grew(s.ends[n/3], s.ends[2*n/3]), grew(s.ends[2*n/3], s.ends[n])
	t.Logf("disk: what stays grew by %.3f MB a day in the second third of the time, %.3f in the last", early/1e6, late/1e6)
	if late > 1.2*early {
		t.Errorf("what stays for good grows by %.0f bytes a day at the end, %.0f before", late, early)
	}
}
