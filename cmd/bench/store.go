package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/simulator"
)

const (
	// weekSeed is the bench week's, so that sizes compare.
	weekSeed = 1
	// storeBatch is how many scans are appended at a time, as by the agent.
	storeBatch = 512
)

// storeFigures are the rows of the section.
var storeFigures = []string{"scans_stored_per_second", "import_samples_per_second", "store_bytes_per_sample",
	"store_directory_bytes_per_sample", "aggregate_raw"}

// storeRows stores the bench week several times.
func storeRows(ctx context.Context, b *bench) ([]row, error) {
	columns, err := simulator.BenchWeek(weekSeed, false)
	if err != nil {
		return nil, err
	}
	fmt.Fprintln(b.log, "the bench week is made")
	chunks, plain, err := plainColumns(columns)
	if err != nil {
		return nil, err
	}
	samples := float64(simulator.BenchRows * len(columns))
	var speeds []float64
	var exact store.Stats
	for rep := range b.storeReps {
		took, st, err := storeWeek(ctx, filepath.Join(b.dir, fmt.Sprintf("week%d", rep)), columns, onTheSecond)
		if err != nil {
			return nil, err
		}
		speeds, exact = append(speeds, float64(simulator.BenchRows)/took.Seconds()), st
	}
	_, early, err := storeWeek(ctx, filepath.Join(b.dir, "jitter"), columns, jitter())
	if err != nil {
		return nil, err
	}
	sums, err := aggregateRow(ctx, b, columns, chunks)
	if err != nil {
		return nil, err
	}
	directory, err := directoryRow(ctx, b, columns, float64(exact.DirectoryBytes)/samples, float64(early.DirectoryBytes)/samples)
	if err != nil {
		return nil, err
	}
	return []row{
		{figure: "scans_stored_per_second", value: median(speeds), unit: "scans/s",
			note: fmt.Sprintf("%d channels a scan; append, journal, fold and seals by one goroutine, the last seal included", len(columns))},
		{figure: "import_samples_per_second", value: median(speeds) * float64(len(columns)), unit: "samples/s",
			note: "the same, in samples: from the first scan to all of them sealed and synced; 1,000,000 or more is wanted"},
		{figure: "store_bytes_per_sample", value: float64(exact.BlockBytes) / samples, unit: "B", goal: 0.25,
			reference: "delta, varint, zstd best by hour and column", referenceValue: float64(plain) / samples,
			note: "sealed blocks with sequence numbers, reasons and hashes, scans on the second; the reference has the values alone; " +
				number(float64(early.BlockBytes)/samples) + " B where times vary by 2 ms and exchanges by 3 ms, as on a serial line"},
		directory,
		sums,
	}, nil
}

// directoryRow is the whole directory beside Prometheus' on the same samples.
func directoryRow(ctx context.Context, b *bench, columns []simulator.BenchColumn, exact, early float64) (row, error) {
	r := row{figure: "store_directory_bytes_per_sample", value: exact, unit: "B", goal: 0.40,
		reference: "Prometheus' TSDB, first day of it",
		note: "every file: blocks, pyramid, summaries, free pages; " + number(early) + " B with such times; the reference is the blocks of two hours, " +
			"index and all, that promtool tsdb create-blocks-from openmetrics makes of the counts of the first day, 12 channels"}
	var err error
	r.referenceValue, err = tsdbBytes(ctx, filepath.Join(b.dir, "tsdb"), columns, simulator.BenchStart(time.UTC).Unix(), tsdbRows)
	if errors.Is(err, errNoPromtool) {
		r.noReference, err = err.Error(), nil
	}
	return r, err
}

// timing says when the scan of a second came, in milliseconds after it, and
// how long its exchange took.
type timing func() (lateMS int64, tookMS uint32)

// onTheSecond is the bench week as it is defined.
func onTheSecond() (int64, uint32) { return 0, 20 }

// jitter is as on a line.
func jitter() timing {
	r := rand.New(rand.NewPCG(weekSeed, 0))
	return func() (int64, uint32) { return r.Int64N(3), 20 + r.Uint32N(4) }
}

// storeWeek puts the bench week into a new store in dir, with its fold, and
// returns the time from the first scan to the closed store. dir is removed.
func storeWeek(ctx context.Context, dir string, columns []simulator.BenchColumn, when timing) (time.Duration, store.Stats, error) {
	if err := ctx.Err(); err != nil {
		return 0, store.Stats{}, err
	}
	site, err := weekSite(dir, columns)
	if err != nil {
		return 0, store.Stats{}, err
	}
	groups := sitefile.Groups(site)
	if len(groups) != 1 || len(groups[0].Channels) != len(columns) {
		return 0, store.Stats{}, fmt.Errorf("the bench week's site has %d poll groups, not one of %d channels", len(groups), len(columns))
	}
	s, err := store.Open(site.Agent.DataDir, store.Options{Summariser: analysis.NewFolder(site, groups)})
	if err != nil {
		return 0, store.Stats{}, err
	}
	rows := len(columns[0].Counts)
	began := time.Now()
	if groups, err = s.Register(groups); err == nil {
		err = appendWeek(s, groups[0], columns, simulator.BenchStart(site.Location).UnixMilli(), when)
	}
	if closeErr := s.Close(); err == nil {
		err = closeErr
	}
	took := time.Since(began)
	st := s.Stats()
	if err == nil && st.SealedSeq != uint64(rows) {
		err = fmt.Errorf("%d of %d scans are sealed", st.SealedSeq, rows)
	}
	if removeErr := os.RemoveAll(dir); err == nil {
		err = removeErr
	}
	return took, st, err
}

// appendWeek appends a scan for each row of columns, a second apart.
func appendWeek(s *store.Store, g *scan.Group, columns []simulator.BenchColumn, fromMS int64, when timing) error {
	order := make([]int, len(columns))
	for i, c := range columns {
		if order[i] = g.Index(c.Name); order[i] < 0 {
			return fmt.Errorf("the bench week's site has no channel %s", c.Name)
		}
	}
	rows := len(columns[0].Counts)
	for from := 0; from < rows; from += storeBatch {
		batch := make([]scan.Scan, min(storeBatch, rows-from))
		values := make([]int64, len(batch)*len(columns))
		for i := range batch {
			own := values[i*len(columns) : (i+1)*len(columns) : (i+1)*len(columns)]
			for c := range columns {
				own[order[c]] = columns[c].Counts[from+i]
			}
			late, took := when()
			mono := int64(from+i)*1000 + late
			batch[i] = scan.Scan{Group: g, MonoMS: mono, WallMS: fromMS + mono, DurationMS: took, Values: own}
		}
		if err := s.Append(batch); err != nil {
			return err
		}
	}
	return nil
}
