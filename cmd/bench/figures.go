package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"reflect"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/demo"
)

const (
	coldReps    = 3
	summaryReps = 31
	// interval is the cell of the summaries.
	interval = 15 * time.Minute
)

// figureFigures are the rows of the section.
var figureFigures = []string{"week_figures_cold", "week_figures_summaries", "week_raw_one_core", "live_update", "live_update_allocs"}

// demoWeek is the invented shop with the week before b.now recorded. It ends
// about now, so that an agent started on it has a last hour to show.
type demoWeek struct {
	dir  string
	shop *demo.Shop
}

func (w *demoWeek) close() {
	if w != nil {
		w.shop.Close()
	}
}

// demoWeek records the week at its first call.
func (b *bench) demoWeek(ctx context.Context) (_ *demoWeek, err error) {
	if b.week == nil {
		b.week, err = b.demoWeekTo(ctx, "shop", b.now)
	}
	return b.week, err
}

// demoWeekTo records the week before end in a folder of that name.
func (b *bench) demoWeekTo(ctx context.Context, name string, end time.Time) (*demoWeek, error) {
	began := time.Now()
	w := &demoWeek{dir: filepath.Join(b.dir, name)}
	var err error
	w.shop, err = demo.Open(demo.Options{Dir: w.dir, Listen: "127.0.0.1:0", Now: func() time.Time { return end }})
	if err != nil {
		return nil, err
	}
	err = w.shop.Fill(ctx, "bench", slog.New(slog.DiscardHandler), func(float64, string) {})
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		w.close()
		return nil, fmt.Errorf("record the demo week: %w", err)
	}
	fmt.Fprintf(b.log, "the demo week took %.1f s to record\n", time.Since(began).Seconds())
	return w, nil
}

// figureRows computes all figures of the demo week, of the machine and of the
// system: from raw blocks, and from the summaries. Both must agree. The fold's
// own rows follow.
func figureRows(ctx context.Context, b *bench) ([]row, error) {
	w, err := b.demoWeek(ctx)
	if err != nil {
		return nil, err
	}
	from, to := w.shop.History(), b.now
	var cold []float64
	var raw analysis.Report
	for range coldReps {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		ms, report, err := figuresOf(w.shop.Site, from, to, 1, analysis.ComputeRaw)
		if err != nil {
			return nil, err
		}
		cold, raw = append(cold, ms), report
	}
	if err := wholeWeek(raw); err != nil {
		return nil, err
	}
	// One computation on a store just opened, then the median of many.
	first, err := figuresFromSummaries(w.shop.Site, from, to, 1, raw)
	if err != nil {
		return nil, err
	}
	summed, err := figuresFromSummaries(w.shop.Site, from, to, summaryReps, raw)
	if err != nil {
		return nil, err
	}
	// A window that ends now mostly cuts a cell.
	from, to = from.Add(interval/2), to.Add(-interval/2)
	if _, raw, err = figuresOf(w.shop.Site, from, to, 1, analysis.ComputeRaw); err != nil {
		return nil, err
	}
	cut, err := figuresFromSummaries(w.shop.Site, from, to, summaryReps, raw)
	if err != nil {
		return nil, err
	}
	fold, err := foldRows(ctx, b)
	if err != nil {
		return nil, err
	}
	return append([]row{
		{figure: "week_figures_cold", value: median(cold), unit: "ms",
			note: fmt.Sprintf("%s: every raw block decoded and folded anew", weekSize(w.shop.Site))},
		{figure: "week_figures_summaries", value: summed, unit: "ms", goal: 5,
			note: fmt.Sprintf("the same figures, to the last bit, from interval summaries; %s ms the first time after a start, when no summary is decoded yet; %s ms where both ends lie inside an interval, so that two are folded from raw",
				number(first), number(cut))},
	}, fold...), nil
}

// compute is analysis.Compute or analysis.ComputeRaw.
type compute func(src analysis.Source, site *sitefile.Site, fromMS, toMS, nowMS int64, machine string) (analysis.Report, error)

// figuresOf opens a site's record as after a start and computes a window reps
// times: the median in milliseconds.
func figuresOf(site *sitefile.Site, from, to time.Time, reps int, f compute) (ms float64, report analysis.Report, err error) {
	folder := analysis.NewFolder(site, sitefile.Groups(site))
	s, err := store.OpenReadOnly(site.Agent.DataDir, store.Options{Summariser: folder})
	if err != nil {
		return 0, report, err
	}
	source := analysis.WithPending(s, folder)
	ms, err = timed(reps, func() (err error) {
		report, err = f(source, site, from.UnixMilli(), to.UnixMilli(), to.UnixMilli(), "")
		return err
	})
	if closeErr := s.Close(); err == nil {
		err = closeErr
	}
	return ms, report, err
}

// figuresFromSummaries is figuresOf from summaries. want is what raw scans
// gave.
func figuresFromSummaries(site *sitefile.Site, from, to time.Time, reps int, want analysis.Report) (float64, error) {
	ms, report, err := figuresOf(site, from, to, reps, analysis.Compute)
	if err == nil && !reflect.DeepEqual(report, want) {
		err = errors.New("the figures from summaries are not those from raw scans")
	}
	return ms, err
}

// wholeWeek fails if the record does not reach through the week.
func wholeWeek(r analysis.Report) error {
	for _, m := range r.Machines {
		for _, f := range m.Figures {
			if f.Name == "duty_cycle" && f.Value != nil && f.Coverage != nil && *f.Coverage > 0.999 {
				return nil
			}
		}
	}
	return errors.New("the demo's record does not cover its week")
}

// weekSize says in words what a site's week consists of.
func weekSize(site *sitefile.Site) string {
	channels := 0
	for _, g := range sitefile.Groups(site) {
		channels += len(g.Channels)
	}
	return fmt.Sprintf("%d machine and %d system, %d channels, 7 days of seconds", len(site.Machines), len(site.Systems), channels)
}
