package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/simulator"
)

const (
	yearDays  = 365
	monthDays = 31
	// zoomPoints and zoomQueries are of series_p95.
	zoomPoints  = 2000
	zoomQueries = 400
	mergeReps   = 7
	// thinPeriod is the period of the year's poll group until its last month.
	thinPeriod = 15 * time.Second
	// glanceEvery is how often the exporting process is looked at.
	glanceEvery = 20 * time.Millisecond
)

// yearRows records a year of twelve channels and asks for it.
func yearRows(ctx context.Context, b *bench) ([]row, error) {
	began := time.Now()
	site, err := storeYear(ctx, filepath.Join(b.dir, "year"), b.yearDays, b.monthDays)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(b.log, "the year took %.0f s to record\n", time.Since(began).Seconds())
	merge, err := mergeRow(site, b.yearDays)
	if err != nil {
		return nil, err
	}
	series, err := seriesRow(ctx, site, b.yearDays, b.monthDays)
	if err != nil {
		return nil, err
	}
	export, err := exportRow(ctx, b, site)
	return []row{merge, series, export}, err
}

// storeYear makes a store of days: a scan on each second in the last month, one
// every 15 s of a group of that period before, which fills as many cells of the
// pyramid and as many intervals in a fraction of the time. The values are the bench week's, over and over.
func storeYear(ctx context.Context, dir string, days, month int64) (*sitefile.Site, error) {
	columns, err := simulator.BenchWeek(weekSeed, false)
	if err != nil {
		return nil, err
	}
	site, err := weekSite(dir, columns)
	if err != nil {
		return nil, err
	}
	groups := sitefile.Groups(site)
	s, err := store.Open(site.Agent.DataDir, store.Options{Summariser: analysis.NewFolder(site, groups)})
	if err != nil {
		return nil, err
	}
	thin := *groups[0]
	thin.Name, thin.PeriodMS = thinPeriod.String(), thinPeriod.Milliseconds()
	before, err := s.Register([]*scan.Group{&thin})
	if err == nil {
		err = appendYear(ctx, s, before[0], columns, 0, (days-month)*86_400)
	}
	if err == nil {
		groups, err = s.Register(groups)
	}
	if err == nil {
		err = appendYear(ctx, s, groups[0], columns, (days-month)*86_400, days*86_400)
	}
	return site, errors.Join(err, s.Close())
}

// yearBegin is when the year begins; no clock or calendar matters to it.
var yearBegin = time.Date(2025, time.March, 1, 0, 0, 0, 0, time.UTC)

// appendYear appends the seconds [sec, end) at the group's period.
func appendYear(ctx context.Context, s *store.Store, g *scan.Group, columns []simulator.BenchColumn, sec, end int64) error {
	var batch []scan.Scan
	for sec < end {
		own := make([]int64, len(columns))
		for _, c := range columns {
			own[g.Index(c.Name)] = c.Counts[sec%int64(len(c.Counts))]
		}
		batch = append(batch, scan.Scan{Group: g, MonoMS: sec * 1000, WallMS: yearBegin.UnixMilli() + sec*1000, DurationMS: 20, Values: own})
		sec += g.PeriodMS / 1000
		if len(batch) == storeBatch || sec >= end {
			if err := errors.Join(ctx.Err(), s.Append(batch)); err != nil {
				return err
			}
			batch = nil
		}
	}
	return nil
}

// yearTariff makes a year's figures ask for all that money does: prices by the
// hour, and demand with a ratchet that looks back eleven months.
const yearTariff = `
[tariff]
currency = "USD"
energy = [{ price = 0.118 }, { price = 0.171, when = "Mon-Fri 12:00-18:00" }]
demand = { price = 14.20, window = "15m", ratchet = "80 % of 11 months" }
emissions = "0.39 kg/kWh"
`

// mergeRow computes all figures of the whole year from its interval summaries.
func mergeRow(site *sitefile.Site, days int64) (row, error) {
	// From the first midnight of the site's, so that the billing months are whole.
	from, to := time.Date(2025, time.March, 1, 0, 0, 0, 0, site.Location), yearBegin.Add(time.Duration(days)*24*time.Hour)
	text, err := os.ReadFile(site.Path)
	if err != nil {
		return row{}, fmt.Errorf("read the year's site: %w", err)
	}
	path := filepath.Join(filepath.Dir(site.Path), "priced.toml")
	if err := os.WriteFile(path, append(text, yearTariff...), 0o644); err != nil {
		return row{}, fmt.Errorf("write the year's site with a tariff: %w", err)
	}
	priced, err := sitefile.Load(path, sitefile.Options{})
	if err != nil {
		return row{}, err
	}
	first, _, err := figuresOf(priced, from, to, 1, analysis.Compute)
	if err != nil {
		return row{}, err
	}
	took, report, err := figuresOf(priced, from, to, mergeReps, analysis.Compute)
	if err != nil {
		return row{}, err
	}
	for _, f := range report.Machines[0].Figures {
		if (f.Name == "demand_cost" || f.Name == "duty_cycle") && f.Value == nil {
			return row{}, fmt.Errorf("the year has no %s: %s", f.Name, f.Absent)
		}
	}
	bare, _, err := figuresOf(site, from, to, mergeReps, analysis.Compute)
	return row{figure: "year_merge", value: took, unit: "ms", goal: 50,
		note: fmt.Sprintf("all figures of a machine over %d days (%d intervals), with prices by the hour and demand with a ratchet of 11 months; %s ms the first time after a start; %s ms without a tariff",
			days, days*96, number(first), number(bare))}, err
}

// seriesRow asks for windows of random channels, from a minute to a year: the
// spans spread evenly over the orders of magnitude, since that is how one
// zooms. Windows that fit into the last month lie there, where raw scans are
// as dense as a machine's.
func seriesRow(ctx context.Context, site *sitefile.Site, days, month int64) (row, error) {
	s, err := store.OpenReadOnly(site.Agent.DataDir, store.Options{})
	if err != nil {
		return row{}, err
	}
	defer s.Close()
	channels := sitefile.Groups(site)[0].Channels
	r := rand.New(rand.NewPCG(weekSeed, 2000))
	end := yearBegin.UnixMilli() + days*86_400_000
	var all []float64
	worst := map[string]float64{}
	for range zoomQueries {
		if err := ctx.Err(); err != nil {
			return row{}, err
		}
		span := int64(60_000 * math.Pow(float64(days*86_400_000)/60_000, r.Float64()))
		room := days * 86_400_000
		if span < month*86_400_000 {
			room = month * 86_400_000
		}
		from := end - room + r.Int64N(room-span+1)
		began := time.Now()
		found, err := s.Series(channels[r.IntN(len(channels))].ID(), from, from+span, zoomPoints)
		took := time.Since(began).Seconds() * 1000
		if err != nil {
			return row{}, err
		}
		if n := len(found.Cells); n < 20 || n > zoomPoints+2 {
			return row{}, fmt.Errorf("a window of %d s gave %d cells", span/1000, n)
		}
		all = append(all, took)
		level := "raw"
		if found.StepMS >= 60_000 {
			level = "pyramid"
		}
		worst[level] = max(worst[level], took)
	}
	slices.Sort(all)
	return row{figure: "series_p95", value: all[len(all)*95/100], unit: "ms", goal: 10,
		note: fmt.Sprintf("%d windows of %d points, from a minute to %d days, %d channels; median %s ms, slowest from raw %s ms, from the pyramid %s ms",
			len(all), zoomPoints, days, len(channels), number(median(all)), number(worst["raw"]), number(worst["pyramid"]))}, nil
}

// exportRow lets the program itself export the last month to nowhere, and
// watches its memory.
func exportRow(ctx context.Context, b *bench, site *sitefile.Site) (row, error) {
	out := row{figure: "export_memory", unit: "MB", goal: 64}
	if _, err := os.Stat("/proc/self/smaps_rollup"); err != nil {
		out.missing = "not measured on this system"
		return out, nil
	}
	binary, err := buildAgent(ctx, b.dir)
	if err != nil {
		return out, err
	}
	from := yearBegin.AddDate(0, 0, int(b.yearDays-b.monthDays))
	cmd := exec.CommandContext(ctx, binary, "export", "--site", site.Path, "--from", from.Format(time.RFC3339),
		"--to", yearBegin.AddDate(0, 0, int(b.yearDays)).Format(time.RFC3339))
	var said lockedBuffer
	cmd.Stderr = &said
	counted := &counter{}
	cmd.Stdout = counted
	began := time.Now()
	if err := cmd.Start(); err != nil {
		return out, fmt.Errorf("export: %w", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	dirty, clean, err := watchMemory(cmd.Process.Pid, ended)
	if err != nil {
		return out, fmt.Errorf("export: %w: %s", err, strings.TrimSpace(said.String()))
	}
	if want := b.monthDays * 86_400 * int64(len(sitefile.Groups(site)[0].Channels)); counted.lines != want+1 {
		return out, fmt.Errorf("the export has %d rows, not %d and a head", counted.lines, want)
	}
	half := len(dirty) / 2
	if half == 0 {
		return out, errors.New("the export was over before its memory could be read")
	}
	out.value = slices.Max(dirty)
	out.note = fmt.Sprintf("peak private dirty memory of loadscribe export, %d days of seconds, %d million rows, %.1f GB, in %.0f s; first half of the time %s MB, second half %s MB; clean pages of the mapped file, which the system may take back, %s MB",
		b.monthDays, (counted.lines-1)/1_000_000, float64(counted.bytes)/1e9, time.Since(began).Seconds(),
		number(slices.Max(dirty[:half])), number(slices.Max(dirty[half:])), number(slices.Max(clean)))
	return out, nil
}

// watchMemory reads a process's private memory, in MB, until it has ended.
func watchMemory(pid int, ended <-chan error) (dirty, clean []float64, err error) {
	tick := time.NewTicker(glanceEvery)
	defer tick.Stop()
	for {
		select {
		case err := <-ended:
			return dirty, clean, err
		case <-tick.C:
			// it may be gone by now: then the next round knows
			if c, d, err := privateMemory(pid); err == nil {
				dirty, clean = append(dirty, float64(d)/1e6), append(clean, float64(c)/1e6)
			}
		}
	}
}

// counter counts what is written to it.
type counter struct{ bytes, lines int64 }

func (c *counter) Write(p []byte) (int, error) {
	c.bytes += int64(len(p))
	for _, b := range p {
		if b == '\n' {
			c.lines++
		}
	}
	return len(p), nil
}
