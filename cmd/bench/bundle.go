package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"loadscribe/agent/bundle"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
	"loadscribe/simulator"
)

// bundleRows make bundles of the bench week and verify them.
func bundleRows(ctx context.Context, b *bench) (rows []row, err error) {
	columns, err := simulator.BenchWeek(weekSeed, false)
	if err != nil {
		return nil, err
	}
	dir := filepath.Join(b.dir, "evidence")
	s, err := openWeek(dir, columns)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close(), os.RemoveAll(dir)) }()
	fmt.Fprintln(b.log, "the bench week is stored")
	var long, wide bundled
	if long, err = bundleWeek(ctx, b, s, dir, transfer.Long); err != nil {
		return nil, err
	}
	if wide, err = bundleWeek(ctx, b, s, dir, transfer.Wide); err != nil {
		return nil, err
	}
	samples := float64(simulator.BenchRows * len(columns))
	return []row{
		{figure: "verify_week", value: long.verified.Seconds(), unit: "s", goal: 2,
			note: fmt.Sprintf("loadscribe verify of the bench week as a bundle, long layout: %d MB of CSV derived and compared; median of %d. Wide layout, %d MB of CSV: %s s",
				long.csv/1_000_000, verifyReps, wide.csv/1_000_000, number(wide.verified.Seconds()))},
		{figure: "bundle_bytes", value: float64(long.bytes), unit: "B",
			note: fmt.Sprintf("the same bundle, %s B a sample; wide layout %d B, %s B a sample. Made in %s s and %s s",
				number(float64(long.bytes)/samples), wide.bytes, number(float64(wide.bytes)/samples), number(long.made.Seconds()), number(wide.made.Seconds()))},
	}, nil
}

// openWeek stores the bench week and leaves the store open, all of it sealed.
func openWeek(dir string, columns []simulator.BenchColumn) (*store.Store, error) {
	site, err := weekSite(dir, columns)
	if err != nil {
		return nil, err
	}
	groups := sitefile.Groups(site)
	s, err := store.Open(site.Agent.DataDir, store.Options{})
	if err != nil {
		return nil, err
	}
	if groups, err = s.Register(groups); err == nil {
		err = appendWeek(s, groups[0], columns, simulator.BenchStart(site.Location).UnixMilli(), onTheSecond)
	}
	if err = errors.Join(err, s.Close()); err != nil {
		return nil, err
	}
	return store.OpenReadOnly(site.Agent.DataDir, store.Options{})
}

// bundled is a bundle of the week, and what making and verifying it took.
type bundled struct {
	made, verified time.Duration
	bytes, csv     int64
}

// verifyReps is how often a bundle is verified.
const verifyReps = 5

func bundleWeek(ctx context.Context, b *bench, s *store.Store, dir string, layout transfer.Layout) (out bundled, err error) {
	f, err := os.Create(filepath.Join(dir, string(layout)+".zip"))
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	o := bundle.Options{FromMS: s.Stats().OldestMS, ToMS: s.Stats().NewestMS + 1, Layout: layout}
	began := time.Now()
	err = s.ReadLog(ctx, func(log *store.LogReader) error {
		d, err := bundle.Write(ctx, f, log, o)
		if err == nil {
			out.bytes, out.csv = d.Bytes, d.CSVBytes
		}
		return err
	})
	if err != nil {
		return out, err
	}
	out.made = time.Since(began)
	var times []float64
	for range verifyReps {
		began := time.Now()
		d, err := bundle.Verify(ctx, f, out.bytes, bundle.VerifyOptions{})
		if err != nil {
			return out, err
		}
		if d.Scans != simulator.BenchRows {
			return out, fmt.Errorf("the bundle shows %d scans, not %d", d.Scans, simulator.BenchRows)
		}
		times = append(times, time.Since(began).Seconds())
	}
	out.verified = time.Duration(median(times) * float64(time.Second))
	fmt.Fprintf(b.log, "%s bundle verified\n", layout)
	return out, nil
}
