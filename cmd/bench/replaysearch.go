package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/metrics"
	"sync/atomic"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// searchCores are what the goal of search_10000 is for.
const searchCores = 2

// searchVaried makes 10 × 10 × 10 × 10 combinations that are all possible and all differ.
func searchVaried() replay.SearchSpec {
	span := func(from, to, step string) map[string]any {
		return map[string]any{"from": from, "to": to, "step": step}
	}
	return replay.SearchSpec{
		Vary: map[string]any{
			"comp1.cut_in":       span("90 psi", "99 psi", "1 psi"),
			"comp1.cut_out":      span("104 psi", "122 psi", "2 psi"),
			"comp1.no_load_stop": span("2 min", "20 min", "2 min"),
			"volume_add":         span("100 gal", "1000 gal", "100 gal"),
		},
	}
}

// searchRows searches the demo's week on two cores, and says what memory it takes.
func searchRows(ctx context.Context, b *bench) ([]row, error) {
	w, err := b.demoWeek(ctx)
	if err != nil {
		return nil, err
	}
	folder := analysis.NewFolder(w.shop.Site, sitefile.Groups(w.shop.Site))
	s, err := store.OpenReadOnly(w.shop.Site.Agent.DataDir, store.Options{Summariser: folder})
	if err != nil {
		return nil, err
	}
	defer s.Close()
	query := replay.Query{FromMS: w.shop.History().UnixMilli(), ToMS: b.now.UnixMilli(), NowMS: b.now.UnixMilli()}
	began := time.Now()
	study, err := replay.Open(analysis.WithPending(s, folder), w.shop.Site, query)
	if err != nil {
		return nil, err
	}
	opened := time.Since(began)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(searchCores))
	runtime.GC()
	peak, played := &heapPeak{before: heapBytes()}, time.Duration(0)
	spec := searchVaried()
	began = time.Now()
	answer, err := study.Search(ctx, spec, nil, func(done, total int) {
		if done <= 10_001 {
			played = time.Since(began)
		}
		peak.look()
	})
	if err != nil {
		return nil, err
	}
	took := time.Since(began)
	if answer.Absent != "" || answer.Search == nil || answer.Search.Tried != 10_000 || answer.Search.Impossible > 0 || len(answer.Search.Points) == 0 {
		return nil, fmt.Errorf("the search of the demo week is none: %s, %+v", answer.Absent, answer.Search)
	}
	f := answer.Search
	return []row{
		{figure: "search_10000", value: took.Seconds(), unit: "s", goal: 60,
			note: fmt.Sprintf("the demo week, band, timer and receiver in 10,000 combinations on %d cores: %s s for playing them, the rest for the intervals of %d points; %d combinations are allowed, %d are best; reading the record before, %s s",
				searchCores, number(played.Seconds()), len(f.Points), f.Allowed, f.Best, number(opened.Seconds()))},
		{figure: "search_memory", value: float64(peak.most.Load()-peak.before) / 1e6, unit: "MB",
			note: "the most that the heap's objects, dead ones included, grew by in it"},
	}, nil
}

// heapPeak watches the heap.
type heapPeak struct {
	before uint64
	calls  atomic.Int64
	most   atomic.Uint64
}

func (p *heapPeak) look() {
	if p.calls.Add(1)%16 == 0 {
		if now := heapBytes(); now > p.most.Load() {
			p.most.Store(now)
		}
	}
}

func heapBytes() uint64 {
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(sample)
	return sample[0].Value.Uint64()
}
