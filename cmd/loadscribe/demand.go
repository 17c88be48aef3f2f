package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
)

type demandCmd struct {
	siteFlags
	windowFlags
	System string `help:"The system; may be left out where there is one." placeholder:"NAME"`
	Step   string `default:"15m" help:"Length of a step: whole minutes from 1m to 24h." placeholder:"TIME"`
	CSV    bool   `help:"Print CSV: UTC, SI units, empty where nothing was observed."`
	JSON   bool   `help:"Print the JSON of /api/v1/demand."`
}

func (c *demandCmd) Run(s *surroundings) error {
	if c.CSV && c.JSON {
		return misuse{errors.New("--csv and --json: give one of them")}
	}
	if _, err := analysis.ParseDemandStep(c.Step); err != nil {
		return misuse{fmt.Errorf("--step %q: %w", c.Step, err)}
	}
	site, err := c.load()
	if err != nil {
		return err
	}
	system, err := oneSystem(site, c.System)
	if err != nil {
		return err
	}
	w := c.window()
	source, err := askFor(s, site, w)
	if err != nil {
		return err
	}
	defer source.Close()
	d, err := source.Demand(s.ctx, w, system, c.Step)
	switch {
	case err != nil:
		return err
	case c.JSON:
		return printJSON(s.stdout, d)
	case c.CSV:
		return demandCSV(s.stdout, &d)
	}
	return printDemand(s.stdout, &d, site)
}

// oneSystem is the system that --system names; empty is enough where there is one.
func oneSystem(site *sitefile.Site, name string) (string, error) {
	var names []string
	for i := range site.Systems {
		if site.Systems[i].Name == name {
			return name, nil
		}
		names = append(names, site.Systems[i].Name)
	}
	switch {
	case len(names) == 0:
		return "", misuse{errors.New("the site file has no [[system]]; add one with its machines, parts and taps to have its demand")}
	case name == "" && len(names) == 1:
		return names[0], nil
	case name == "":
		return "", misuse{fmt.Errorf("--system is missing: write one of %s", strings.Join(names, ", "))}
	}
	return "", misuse{fmt.Errorf("--system %q: the site file has no system of that name; write one of %s", name, strings.Join(names, ", "))}
}

// printDemand writes a line for each step, in the site's time and units.
func printDemand(w io.Writer, d *analysis.Demand, site *sitefile.Site) error {
	wrap := &wrapWriter{out: w}
	out := bufio.NewWriter(wrap)
	fmt.Fprintf(out, "%s, system %s, %s to %s\n", site.Name, d.System, localTime(d.From, site), localTime(d.To, site))
	if d.Note != "" {
		fmt.Fprintf(out, "note: %s\n", d.Note)
	}
	if d.Absent != "" {
		fmt.Fprintf(out, "not to be had from this data: %s\n", d.Absent)
		return errors.Join(out.Flush(), wrap.Close())
	}
	flow, pressure := analysis.Column{Name: "demand", Unit: "m³/min"}, analysis.Column{Name: "pressure", Unit: "kPa"}
	// A flow and half its interval share their decimals.
	cells := func(flowM3S, u *float64) (value, spread string) {
		return display.Pair(scaled(flowM3S, 60), scaled(u, 120), &flow, site.Units)
	}
	flowUnit, _, _ := site.Units.Display(flow.Unit)
	pressureUnit, _, _ := site.Units.Display(pressure.Unit)
	fmt.Fprintf(out, "mean %s, free air at the inlet, over %.1f %% of the window\n%s\nhow: %s\n",
		meanDemand(d, site), 100*d.Coverage, d.Resolution, d.Method)
	for _, part := range d.Budget {
		if part.Share < 0.005 {
			continue // "0 % of its variance" says nothing
		}
		fmt.Fprintf(out, "  %3.0f %% of its variance: %s\n", 100*part.Share, part.Input)
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(table, "begin\tdemand [%s]\t± [%s]\tpressure [%s]\tobserved\tair delivered in\n", flowUnit, flowUnit, pressureUnit)
	for i := range d.Steps {
		step := &d.Steps[i]
		value, spread := cells(step.Flow, step.U)
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%.0f %%\t%.0f %% of its minutes\n", localTime(step.Start, site), value, spread,
			display.Cell(scaled(step.Pressure, 1e-3), &pressure, site.Units), 100*step.Seen, 100*step.Delivering)
	}
	return errors.Join(table.Flush(), out.Flush(), wrap.Close())
}

// meanDemand is the mean rounded as its interval.
func meanDemand(d *analysis.Demand, site *sitefile.Site) string {
	if d.Mean == nil || d.U == nil {
		return "-"
	}
	mean, half := *d.Mean*60, *d.U*120 // m³/min, and twice the standard uncertainty
	f := analysis.Figure{Name: "air_demand_mean", Value: &mean, Uncertainty: &half, Unit: "m³/min"}
	return shortValue(&f, site)
}

func scaled(v *float64, by float64) *float64 {
	if v == nil {
		return nil
	}
	product := *v * by
	return &product
}

// demandCSV writes the series as it is.
func demandCSV(w io.Writer, d *analysis.Demand) error {
	if d.Absent != "" {
		return fmt.Errorf("demand of %s: not to be had from this data: %s", d.System, d.Absent)
	}
	out := csv.NewWriter(w)
	text := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'g', 8, 64)
	}
	err := out.Write([]string{"time", "demand_m3s", "standard_uncertainty_m3s", "own_uncertainty_m3s", "pressure_pa", "seen", "delivering"})
	for i := range d.Steps {
		s := &d.Steps[i]
		err = errors.Join(err, out.Write([]string{s.Start, text(s.Flow), text(s.U), text(s.OwnU), text(s.Pressure), text(&s.Seen), text(&s.Delivering)}))
	}
	out.Flush()
	return errors.Join(err, out.Error())
}

func (a *stopped) Demand(_ context.Context, w window, system, step string) (analysis.Demand, error) {
	fromMS, toMS, err := w.resolve(a.history.Now(), a.history.Site())
	if err != nil {
		return analysis.Demand{}, err
	}
	stepMS, err := analysis.ParseDemandStep(step)
	if err != nil {
		return analysis.Demand{}, misuse{fmt.Errorf("--step %q: %w", step, err)}
	}
	d, err := a.history.Demand(system, fromMS, toMS, stepMS)
	if wrong := (*analysis.DemandError)(nil); errors.As(err, &wrong) {
		err = misuse{fmt.Errorf("--%s: %s", wrong.Field, wrong.Message)}
	}
	return d, err
}

func (r *running) Demand(ctx context.Context, w window, system, step string) (d analysis.Demand, err error) {
	query := w.query()
	query.Set("system", system)
	query.Set("step", step)
	err = r.read(ctx, "/api/v1/demand", query, &d)
	return d, err
}
