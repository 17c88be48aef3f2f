package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"
)

// bench is what the sections share.
type bench struct {
	dir          string    // for everything that is written, removed at the end
	log          io.Writer // progress, for people
	now          time.Time // the demo week ends here, at the edge of an interval
	pollWindow   time.Duration
	pollRounds   int
	storeReps    int
	serialCycles int           // reads for each of the serial medians
	jitterWindow time.Duration // how long the jitter is watched
	yearDays     int64         // length of the year section's record
	monthDays    int64         // of it, with a scan on each second
	exchangeDays int64         // that go out as CSV and in again
	fleetSites   int           // that send to one receiver
	fleetSpan    time.Duration // of simulated time, in which their traffic is measured
	fleetAway    time.Duration // how long their network is away
	week         *demoWeek     // made at its first use
}

// section is a group of figures that are measured together.
type section struct {
	name    string
	figures []string // what run gives, in this order
	run     func(context.Context, *bench) ([]row, error)
}

func sections() []section {
	return []section{
		{"poll", []string{"poll_cycles_tcp", "poll_scans_tcp"}, pollRows},
		{"store", storeFigures, storeRows},
		{"codecs", codecFigures(), codecRows},
		{"disk", []string{"disk_bytes_per_day"}, diskRows},
		{"figures", figureFigures, figureRows},
		{"year", []string{"year_merge", "series_p95", "export_memory"}, yearRows},
		{"serial", serialFigures, serialRows},
		{"agent", agentFigures, agentRows},
		{"scrape", scrapeFigures, scrapeRows},
		{"soak", soakFigures, soakRows},
		{"fleet", fleetFigures, fleetRows},
		{"air", airFigures(), airRows},
		{"evidence", evidenceFigures, evidenceRows},
		{"replay", replayFigures, replayRows},
		{"report", reportFigures, reportRows},
		{"page", pageFigures, pageRows},
	}
}

// chosen returns the section of that name, or all for an empty one.
func chosen(name string) ([]section, error) {
	all := sections()
	if name == "" {
		return all, nil
	}
	names := make([]string, len(all))
	for i, s := range all {
		if s.name == name {
			return all[i : i+1], nil
		}
		names[i] = s.name
	}
	return nil, fmt.Errorf("there is no section %q: use one of %s, or leave -section out for all", name, strings.Join(names, ", "))
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the program; it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("bench", flag.ContinueOnError)
	flags.SetOutput(stderr)
	name := flags.String("section", "", "measure only `NAME`: poll, store, codecs, disk, figures, year, serial, agent, scrape, soak, fleet, air, evidence, replay, report or page")
	out := flags.String("out", "", "also write the figures as tab-separated values to `FILE`")
	if err := flags.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return 0
		}
		return 2
	}
	todo, err := chosen(*name)
	if err == nil && flags.NArg() > 0 {
		err = fmt.Errorf("%q is not understood: there are only flags", flags.Arg(0))
	}
	if err != nil {
		fmt.Fprintln(stderr, "bench:", err)
		return 2
	}
	rows, err := measure(ctx, todo, stderr)
	if err == nil {
		err = writeTable(stdout, rows)
	}
	if err == nil && *out != "" {
		err = writeFile(*out, rows)
	}
	if err != nil {
		fmt.Fprintln(stderr, "bench:", err)
		return 1
	}
	return 0
}

// measure runs the sections one after the other.
func measure(ctx context.Context, todo []section, log io.Writer) (rows []row, err error) {
	dir, err := os.MkdirTemp("", "loadscribe-bench-")
	if err != nil {
		return nil, fmt.Errorf("make a directory for the bench: %w", err)
	}
	b := &bench{dir: dir, log: log, now: time.Now().Truncate(interval),
		pollWindow: 500 * time.Millisecond, pollRounds: 5, storeReps: 3,
		yearDays: yearDays, monthDays: monthDays, exchangeDays: exchangeDays, serialCycles: 21, jitterWindow: 15 * time.Second,
		fleetSites: 50, fleetSpan: 5 * time.Minute, fleetAway: 12 * time.Hour}
	defer func() {
		b.week.close()
		if removeErr := os.RemoveAll(dir); err == nil {
			err = removeErr
		}
	}()
	for _, s := range todo {
		began := time.Now()
		found, err := s.run(ctx, b)
		if err == nil {
			err = promised(s, found)
		}
		if err != nil {
			return nil, fmt.Errorf("section %s: %w", s.name, err)
		}
		rows = append(rows, found...)
		fmt.Fprintf(log, "section %s took %.0f s\n", s.name, time.Since(began).Seconds())
	}
	return rows, nil
}

// promised holds rows to the names that others rely on.
func promised(s section, rows []row) error {
	var names []string
	for _, r := range rows {
		names = append(names, r.figure)
	}
	if !slices.Equal(names, s.figures) {
		return fmt.Errorf("it gave the figures %q, not %q", names, s.figures)
	}
	return nil
}
