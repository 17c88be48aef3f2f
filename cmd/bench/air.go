package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sync"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/airtruth"
	"loadscribe/simulator"
)

// airNames are the figures whose intervals are counted.
var airNames = []string{"air_delivered", "full_load_flow", "specific_power", "specific_power_loaded", "specific_power_rated",
	"isentropic_efficiency", "air_demand_mean", "quiet_demand", "leak_flow", "leak_share", "effective_volume", "volume_per_flow", "delivery_delay"}

func airFigures() []string {
	var held, wide []string
	for _, name := range airNames {
		held, wide = append(held, "coverage_"+name), append(wide, "width_"+name)
	}
	return append(append(held, wide...), "demand_rms_1min", "leak_error", "volume_error")
}

// airLies: what its meter shows is not what its data sheet says.
const airLies = "reversed-ct"

// airRows plays every scenario once with a true flow of its own, two at a time,
// and counts which intervals hold the truth.
func airRows(ctx context.Context, b *bench) ([]row, error) {
	scenarios := simulator.Scenarios()
	flows := airtruth.Flows(len(scenarios))
	var mu sync.Mutex
	var all []airtruth.Row
	var worst row
	work := make(chan int)
	failed := make([]error, 2)
	var done sync.WaitGroup
	for w := range failed {
		done.Go(func() {
			for k := range work {
				if failed[w] != nil {
					continue // the rest is only taken away
				}
				run := airtruth.Run{Scenario: scenarios[k], Seed: uint64(1000 + k), Flow: flows[k]}
				rows, rms, err := b.playAir(ctx, run)
				if failed[w] = err; err != nil {
					continue
				}
				mu.Lock()
				all = append(all, rows...)
				if rms > worst.value {
					worst.value, worst.note = rms, "worst in "+run.Scenario
				}
				mu.Unlock()
			}
		})
	}
	for k := range scenarios {
		work <- k
	}
	close(work)
	done.Wait()
	if err := errors.Join(failed...); err != nil {
		return nil, err
	}
	rows := coverageRows(all)
	worst.figure, worst.unit = "demand_rms_1min", "1"
	worst.note = "rms error of each minute's demand, over the machines' full flow; " + worst.note
	if worst.value == 0 {
		worst.missing = "no minute was balanced"
	}
	return append(rows, worst, errorRow("leak_error", "leak_flow", all), errorRow("volume_error", "volume_per_flow", all)), nil
}

// playAir plays a run and gives its rows and the error of its minutes' demand.
func (b *bench) playAir(ctx context.Context, r airtruth.Run) ([]airtruth.Row, float64, error) {
	dir := filepath.Join(b.dir, "air-"+r.Scenario)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, 0, fmt.Errorf("make a directory for a scenario: %w", err)
	}
	p, err := r.Play(ctx, dir)
	if err != nil {
		return nil, 0, fmt.Errorf("scenario %s: %w", r.Scenario, err)
	}
	rows, err := p.Rows()
	if err != nil {
		return nil, 0, fmt.Errorf("scenario %s: %w", r.Scenario, err)
	}
	d, err := analysis.AirDemand(p.Source, p.Site, p.Site.Systems[0].Name, p.From.UnixMilli(), p.To.UnixMilli(), 60_000, p.To.UnixMilli())
	if err != nil {
		return nil, 0, fmt.Errorf("demand of scenario %s: %w", r.Scenario, err)
	}
	rms, err := minuteError(p, &d)
	return rows, rms, err
}

// minuteError is the root mean square of what the minutes' demand is off by, over
// the full flow that the machines are rated for.
func minuteError(p *airtruth.Played, d *analysis.Demand) (float64, error) {
	sum, n := 0.0, 0.0
	for _, step := range d.Steps {
		if step.Flow == nil {
			continue
		}
		at, err := time.Parse(time.RFC3339, step.Start)
		if err != nil {
			return 0, fmt.Errorf("a step of demand: %w", err)
		}
		off := *step.Flow - p.DemandM3S(at, at.Add(time.Minute))
		sum, n = sum+off*off, n+1
	}
	if n == 0 {
		return 0, nil
	}
	rated := 0.0
	for i := range p.Site.Machines {
		rated += p.Site.Machines[i].RatedFlowM3S
	}
	return math.Sqrt(sum/n) / rated, nil
}

// coverageRows are the share that holds over all runs, and the mean width in the
// worst scenario.
func coverageRows(all []airtruth.Row) []row {
	var shares, widths []row
	for _, name := range airNames {
		t := airtruth.TallyOf(all, name, func(r *airtruth.Row) bool { return r.Run.Scenario != airLies })
		held := row{figure: "coverage_" + name, value: t.Share(), unit: "1",
			note: fmt.Sprintf("%d of %d stated 95 %% intervals hold what happened; the worst scenario is %s with %.0f %% of its own", t.Held, t.Counted, t.Worst, 100*t.WorstShare)}
		wide := row{figure: "width_" + name, value: t.WidestMeanWidth, unit: "1",
			note: fmt.Sprintf("stated 95 %% uncertainty over the truth in the widest scenario, %s; %.1f %% in the mean over all", t.WidestScenario, 100*t.Width)}
		if t.Counted == 0 {
			held = row{figure: held.figure, unit: "1", missing: "absent in every run"}
			wide = row{figure: wide.figure, unit: "1", missing: "absent in every run"}
		}
		shares, widths = append(shares, held), append(widths, wide)
	}
	return append(shares, widths...)
}

// errorRow is the root mean square of how far a figure lies from the truth.
func errorRow(name, figure string, all []airtruth.Row) row {
	r := row{figure: name, unit: "1"}
	sum, n, worst := 0.0, 0.0, 0.0
	for i := range all {
		f := &all[i]
		if f.Name != figure || !f.Counts() {
			continue
		}
		off := f.Value/f.Truth - 1
		sum, n = sum+off*off, n+1
		if math.Abs(off) >= worst {
			worst, r.note = math.Abs(off), fmt.Sprintf("rms of %s over the truth, less 1; worst is %s with %+.1f %%", figure, f.Run.Scenario, 100*off)
		}
	}
	if n == 0 {
		r.missing = "absent in every run"
		return r
	}
	r.value = math.Sqrt(sum / n)
	return r
}
