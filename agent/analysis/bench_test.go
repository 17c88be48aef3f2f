package analysis

import (
	"testing"

	"loadscribe/agent/sitefile"
)

// weekTape is a week of a load/unload machine, a scan a second from controller
// and meter: 1.2 million scans.
func weekTape(tb testing.TB, site *sitefile.Site, seconds int64) *tape {
	tb.Helper()
	tp := newTape(site, monday)
	energy := int64(0)
	for sec := int64(0); sec < seconds; sec++ {
		hour := sec / 3600 % 24
		at := sec % 180
		running, loaded, power, pressure := int64(0), int64(0), int64(0), int64(6000)
		if hour >= 7 && hour < 16 {
			running, power = 1, 120+sec%3
			if at < 100 {
				loaded, power = 1, 360+sec%5
			}
			pressure = 6000 + 10*at + sec%7
		}
		energy += power
		tp.add("controller", sec*1000, running, loaded, 1-running, 0, pressure, sec/86_400)
		tp.add("meter", sec*1000+300, power, energy/3600%65_536)
	}
	return tp
}

// TestStepAllocatesNothing: in steady state a step touches only memory it has.
func TestStepAllocatesNothing(t *testing.T) {
	site := plant(t)
	tp := weekTape(t, site, 8*3600+800)
	f := NewFolder(site, sitefile.Groups(site))
	warm := len(tp.scans) - 1000
	for i := range tp.scans[:warm] {
		f.Step(&tp.scans[i])
	}
	next := warm
	if allocs := testing.AllocsPerRun(900, func() { f.Step(&tp.scans[next]); next++ }); allocs > 0.05 {
		t.Errorf("%.2f allocations a step inside a cell, want 0", allocs)
	}
}

// TestPieceSize keeps summaries small: a busy cell of machine takes two
// kilobytes, a third of it minutes and profiles, here with an unload on its way at every cut.
func TestPieceSize(t *testing.T) {
	site := plant(t)
	tp := weekTape(t, site, 10*3600)
	var bytes, n int
	for _, p := range fold(site, tp.scans).pieces {
		if p.Key == MachineKey("comp1") && p.StartMS >= monday+8*hourMS {
			bytes += len(p.Entry) + len(p.Delta) + len(p.Exit)
			n++
		}
	}
	if mean := bytes / n; mean > 2048 {
		t.Errorf("a piece takes %d bytes, want at most 2048", mean)
	} else {
		t.Logf("%d bytes a piece", mean)
	}
}

func BenchmarkStep(b *testing.B) {
	site := plant(b)
	tp := weekTape(b, site, 86_400)
	f := NewFolder(site, sitefile.Groups(site))
	b.ReportAllocs()
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		if i%len(tp.scans) == 0 && i > 0 {
			b.StopTimer()
			f.Flush()
			b.StartTimer()
		}
		f.Step(&tp.scans[i%len(tp.scans)])
	}
}

func BenchmarkWeekFromPieces(b *testing.B) {
	site := plant(b)
	m := fold(site, weekTape(b, site, 7*86_400).scans)
	b.ReportAllocs()
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		mustCompute(b, m, site, monday, monday+7*86_400_000)
	}
}

func BenchmarkWeekFromRaw(b *testing.B) {
	site := plant(b)
	m := &memory{scans: weekTape(b, site, 7*86_400).scans}
	b.ReportAllocs()
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		if _, err := ComputeRaw(m, site, monday, monday+7*86_400_000, farFuture, ""); err != nil {
			b.Fatal(err)
		}
	}
}
