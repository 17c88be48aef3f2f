package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/simulator"
)

const (
	diskChannels = 40
	diskHours    = 2 // of a scan a second, each synced before the next; a day is twelve times that
	diskPage     = 4096
	moreColumns  = "more_" // see weekSite
)

// diskRows measures what the store writes to the disk: an hour's seal after
// every 3600 scans, and a sync after each scan, as at one scan a second.
func diskRows(ctx context.Context, b *bench) ([]row, error) {
	r := row{figure: "disk_bytes_per_day", unit: "MB", goal: 200}
	if runtime.GOOS != "linux" {
		r.missing = "not measured on this system"
		return []row{r}, nil
	}
	week, err := simulator.BenchWeek(weekSeed, false)
	if err != nil {
		return nil, err
	}
	columns := append([]simulator.BenchColumn(nil), week...)
	for i := 0; len(columns) < diskChannels; i++ {
		c := week[i%len(week)]
		c.Name = fmt.Sprintf("%s%d_%s", moreColumns, i, c.Name)
		columns = append(columns, c)
	}
	for i := range columns {
		columns[i].Counts = columns[i].Counts[:diskHours*3600]
	}
	dir := filepath.Join(b.dir, "disk")
	seen, err := storeSynced(ctx, dir, columns)
	if removeErr := os.RemoveAll(dir); err == nil {
		err = removeErr
	}
	if err != nil {
		return nil, err
	}
	const day = 24.0 / diskHours / 1e6
	if seen.written == 0 {
		r.missing = "the directory for temporary files is not on a disk"
		return []row{r}, nil
	}
	r.value = float64(seen.written) * day
	r.note = fmt.Sprintf("write_bytes of /proc/self/io, %d hours of %d channels at 1 Hz; of it the journal: %s MB of records, in %.0f syncs a day "+
		"that write %s MB in whole pages of 4 KiB, since each sync writes its last page again; the hourly file and its summaries: the rest",
		diskHours, diskChannels, number(float64(seen.journal)*day), float64(seen.syncs)*24/diskHours, number(float64(seen.pages*diskPage)*day))
	return []row{r}, nil
}

// diskSeen is what was counted.
type diskSeen struct {
	written               int64 // by the system, of this process
	journal, syncs, pages int64 // through the store's seam
}

// storeSynced stores rows of columns, a sync after each, but for the closing
// seal.
func storeSynced(ctx context.Context, dir string, columns []simulator.BenchColumn) (diskSeen, error) {
	site, err := weekSite(dir, columns)
	if err != nil {
		return diskSeen{}, err
	}
	groups := sitefile.Groups(site)
	if len(groups) != 1 || len(groups[0].Channels) != len(columns) {
		return diskSeen{}, fmt.Errorf("the disk's site has %d poll groups, not one of %d channels", len(groups), len(columns))
	}
	disk := &countingFS{FS: store.SystemFS()}
	s, err := store.Open(site.Agent.DataDir, store.Options{FS: disk, SyncEvery: time.Hour,
		Summariser: analysis.NewFolder(site, groups)})
	if err != nil {
		return diskSeen{}, err
	}
	defer s.Close() // for an early end; what it says is of no interest then
	if groups, err = s.Register(groups); err != nil {
		return diskSeen{}, err
	}
	if err := s.Sync(); err != nil {
		return diskSeen{}, err
	}
	before, err := processWritten()
	if err != nil {
		return diskSeen{}, err
	}
	disk.reset()
	fromMS := simulator.BenchStart(site.Location).UnixMilli()
	values := func(i int) (all []int64) {
		all = make([]int64, len(columns))
		for _, c := range columns {
			all[groups[0].Index(c.Name)] = c.Counts[i]
		}
		return all
	}
	// one more row than hours have: it seals the last hour
	for i := range len(columns[0].Counts) + 1 {
		if err := ctx.Err(); err != nil {
			return diskSeen{}, err
		}
		mono := int64(i) * 1000
		batch := []scan.Scan{{Group: groups[0], MonoMS: mono, WallMS: fromMS + mono, DurationMS: 20,
			Values: values(min(i, len(columns[0].Counts)-1))}}
		if err := s.Append(batch); err != nil {
			return diskSeen{}, err
		}
		if err := s.Sync(); err != nil {
			return diskSeen{}, err
		}
	}
	after, err := processWritten()
	if err != nil {
		return diskSeen{}, err
	}
	if sealed := s.SealedSeq(); sealed != uint64(len(columns[0].Counts)) {
		return diskSeen{}, fmt.Errorf("%d of %d scans are sealed", sealed, len(columns[0].Counts))
	}
	return diskSeen{after - before, disk.bytes.Load(), disk.syncs.Load(), disk.pages.Load()}, s.Close()
}

// processWritten is what this process has caused to be written to disks, in
// bytes (proc(5), write_bytes, from memory).
func processWritten() (int64, error) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, fmt.Errorf("bytes written: %w", err)
	}
	for line := range strings.Lines(string(text)) {
		if number, ok := strings.CutPrefix(line, "write_bytes: "); ok {
			return strconv.ParseInt(strings.TrimSpace(number), 10, 64)
		}
	}
	return 0, fmt.Errorf("bytes written: /proc/self/io has no write_bytes")
}

// countingFS counts what the journal writes.
type countingFS struct {
	store.FS
	bytes, syncs, pages atomic.Int64
}

func (c *countingFS) reset() {
	c.bytes.Store(0)
	c.syncs.Store(0)
	c.pages.Store(0)
}

func (c *countingFS) Create(name string) (store.File, error) {
	f, err := c.FS.Create(name)
	return &countedFile{File: f, fs: c}, err
}

type countedFile struct {
	store.File
	fs         *countingFS
	size, safe int64
}

func (f *countedFile) Write(b []byte) (int, error) {
	n, err := f.File.Write(b)
	f.size += int64(n)
	f.fs.bytes.Add(int64(n))
	return n, err
}

func (f *countedFile) Sync() error {
	if f.size > f.safe {
		f.fs.syncs.Add(1)
		f.fs.pages.Add((f.size-1)/diskPage - f.safe/diskPage + 1)
		f.safe = f.size
	}
	return f.File.Sync()
}
