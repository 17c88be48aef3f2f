package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/simulator"
)

const (
	rawReps   = 3
	hourRows  = 3600
	dayRows   = 24 * hourRows
	benchName = "comp1" // the machine of the bench week
)

// foldRows measures the fold on the bench week: from raw blocks on one core,
// and as it runs while recording.
func foldRows(ctx context.Context, b *bench) ([]row, error) {
	columns, err := simulator.BenchWeek(weekSeed, false)
	if err != nil {
		return nil, err
	}
	raw, err := weekRawRow(ctx, b, columns)
	if err != nil {
		return nil, err
	}
	live, err := liveRows(ctx, b, columns)
	return append([]row{raw}, live...), err
}

// weekRawRow computes all figures of the bench week from raw blocks on one core,
// beside decoding the same blocks and doing nothing with what comes out.
func weekRawRow(ctx context.Context, b *bench, columns []simulator.BenchColumn) (row, error) {
	site, err := weekSite(filepath.Join(b.dir, "foldweek"), columns)
	if err != nil {
		return row{}, err
	}
	begin := simulator.BenchStart(site.Location)
	s, err := store.Open(site.Agent.DataDir, store.Options{})
	if err != nil {
		return row{}, err
	}
	groups, err := s.Register(sitefile.Groups(site))
	if err == nil {
		err = appendWeek(s, groups[0], columns, begin.UnixMilli(), onTheSecond)
	}
	if err = errors.Join(err, s.Close()); err != nil {
		return row{}, err
	}
	if s, err = store.OpenReadOnly(site.Agent.DataDir, store.Options{}); err != nil {
		return row{}, err
	}
	defer s.Close()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	var samples int64
	bare, err := timed(rawReps, func() error {
		samples = 0
		if err := ctx.Err(); err != nil {
			return err
		}
		return s.SealedColumns(func(c *store.Columns) error {
			samples += int64(len(c.MonoMS)) * int64(len(c.Values))
			return nil
		})
	})
	if want := int64(len(columns)) * simulator.BenchRows; err == nil && samples != want {
		err = fmt.Errorf("the blocks hold %d samples, not %d", samples, want)
	}
	if err != nil {
		return row{}, err
	}
	var report analysis.Report
	from, to := begin.UnixMilli(), begin.UnixMilli()+simulator.BenchRows*1000
	took, err := timed(rawReps, func() (err error) {
		report, err = analysis.ComputeRaw(s, site, from, to, to, "")
		return errors.Join(err, ctx.Err())
	})
	if err == nil {
		err = wholeWeek(report)
	}
	return row{figure: "week_raw_one_core", value: took / bare, unit: "× decoding",
		note: fmt.Sprintf("all figures of the bench week (12 channels, 1 s) folded from raw blocks on one core: %s ms, %.0f ns a scan; decoding the same blocks to columns and doing nothing with them takes %s ms",
			number(took), took*1e6/simulator.BenchRows, number(bare))}, err
}

// liveRows steps the fold through the bench week as the store does while it
// records, with a flush at every hour, and asks for the live state after each
// scan, as the page and the metrics do.
func liveRows(ctx context.Context, b *bench, columns []simulator.BenchColumn) ([]row, error) {
	site, err := weekSite(filepath.Join(b.dir, "liveweek"), columns)
	if err != nil {
		return nil, err
	}
	groups := sitefile.Groups(site)
	f := analysis.NewFolder(site, groups)
	one := scan.Scan{Group: groups[0], Segment: 1, DurationMS: 20, Values: make([]int64, len(columns))}
	order := make([]int, len(columns))
	for i, c := range columns {
		order[i] = groups[0].Index(c.Name)
	}
	begin := simulator.BenchStart(site.Location).UnixMilli()
	var days []usage
	var slowest time.Duration
	for sec := 0; sec < simulator.BenchRows; sec++ {
		for i := range columns {
			one.Values[order[i]] = columns[i].Counts[sec]
		}
		one.Seq++
		one.MonoMS, one.WallMS = int64(sec)*1000, begin+int64(sec)*1000
		if sec%dayRows == 0 {
			days = append(days, usageNow())
		}
		stepped := time.Now()
		f.Step(&one)
		live, ok := f.Live(benchName, one.MonoMS, one.WallMS)
		slowest = max(slowest, time.Since(stepped))
		if !ok || live.State == analysis.Unobserved {
			return nil, fmt.Errorf("the live state of second %d is %v", sec, live.State)
		}
		if (sec+1)%hourRows == 0 {
			f.Flush()
			if err := ctx.Err(); err != nil {
				return nil, err
			}
		}
	}
	days = append(days, usageNow())
	first, last := days[1].until(days[2]), days[len(days)-2].until(days[len(days)-1])
	return []row{
		{figure: "live_update", value: float64(days[1].until(days[len(days)-1]).took.Nanoseconds()) / 1000 / float64((len(days)-2)*dayRows), unit: "µs", goal: 20,
			note: fmt.Sprintf("a scan of %d channels folded and the machine's live state asked for, hourly flushes included; the slowest of the week took %s µs, whatever the system did meanwhile",
				len(columns), number(float64(slowest.Nanoseconds())/1000))},
		{figure: "live_update_allocs", value: float64(last.allocs) / dayRows, unit: "allocations a scan",
			reference: "the second day", referenceValue: float64(first.allocs) / dayRows,
			note: fmt.Sprintf("the week's last day (a Sunday) beside its second; all of them belong to the live state's answer and the hourly flush; live memory grew by %d B from the end of the first day to that of the week",
				int64(days[len(days)-1].heap)-int64(days[1].heap))},
	}, nil
}

// usage is what this process has used so far.
type usage struct {
	at     time.Time
	took   time.Duration // only of a difference
	allocs uint64
	heap   uint64 // live
}

func usageNow() usage {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return usage{at: time.Now(), allocs: m.Mallocs, heap: m.HeapAlloc}
}

func (u usage) until(v usage) usage {
	return usage{took: v.at.Sub(u.at), allocs: v.allocs - u.allocs}
}
