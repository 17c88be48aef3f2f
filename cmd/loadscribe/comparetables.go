package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"text/tabwriter"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
)

// models writes the models that were tried side by side.
func (p *comparePrinter) models(c *analysis.Comparison) {
	p.line("\nmodels tried; saved in the period after, without bringing it to a year")
	table := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	for i := range c.Models {
		m := &c.Models[i]
		if m.Absent != "" {
			fmt.Fprintf(table, "  %s\tnone: %s\n", m.Name, m.Absent)
			continue
		}
		mark, kept := "", "keeps the limits"
		if m.Name == c.Chosen {
			mark = " (taken)"
		}
		if !m.KeepsLimits {
			kept = "OVER the limits"
		}
		kWh := analysis.Column{Unit: "kWh"}
		saving, spread := display.Pair(m.SavingKWh, m.Uncertainty, &kWh, p.site.Units)
		baseline, guideline := display.Pair(m.BaselineKWh, m.GuidelineKWh, &kWh, p.site.Units)
		fmt.Fprintf(table, "  %s%s\t%s ± %s kWh of %s\t%s\t%s\tin Guideline 14's form ± %s\n",
			m.Name, mark, saving, spread, baseline, m.Scope, kept, guideline)
	}
	p.flush(table)
	p.fits(c)
	for i := range c.Models {
		m := &c.Models[i]
		if m.Name != c.Chosen || len(m.Coefficients) > 4 {
			continue
		}
		for _, k := range m.Coefficients {
			value, spread := analysis.Rounded(k.Value, k.Error)
			p.line("  %s: %s ± %s %s (standard error; t = %.1f)", k.Name, value, spread, k.Unit, k.T)
		}
	}
	if c.Chosen != "" {
		p.line("  %s was taken: %s", c.Chosen, c.Why)
	}
}

// fits writes how well each model fits the period before.
func (p *comparePrinter) fits(c *analysis.Comparison) {
	table := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	for i := range c.Models {
		if m := &c.Models[i]; m.Absent == "" {
			fmt.Fprintf(table, "  %s fits\tR² %.3f\tCV(RMSE) %.1f %%\tNMBE %s %%\tn %d, p %d, n' %.0f (ρ %.2f)\n",
				m.Name, *m.R2, 100**m.CVRMSE, display.Rounded(*m.NMBE*100, 2), m.Points, m.Parameters, *m.EffectiveN, *m.Rho)
		}
	}
	p.flush(table)
}

func (p *comparePrinter) flush(table *tabwriter.Writer) {
	if err := table.Flush(); p.err == nil {
		p.err = err
	}
}

// periods writes both periods and their day types side by side.
func (p *comparePrinter) periods(c *analysis.Comparison) {
	p.line("\nthe periods")
	for _, one := range []struct {
		name string
		of   *analysis.ComparedPeriod
	}{{"before", &c.Before}, {"after", &c.After}} {
		p.line("  %s: %s to %s", one.name, localTime(one.of.From, p.site), localTime(one.of.To, p.site))
		p.line("    %d hours used, %d left out, observed %.1f %%; loaded %.1f h, unloaded %.1f h", one.of.Hours, one.of.LeftOut, 100*one.of.Coverage, one.of.LoadedH, one.of.UnloadedH)
		if one.of.EnergyKWh != nil {
			p.line("    energy %.1f kWh: %s", *one.of.EnergyKWh, one.of.Method)
		}
		if one.of.AirM3 != nil {
			f := analysis.Figure{Name: "air", Value: one.of.AirM3, Unit: "m³"}
			value, _, unit := display.Figure(&f, p.site.Units)
			p.line("    air %s %s: %s", value, unit, one.of.AirMethod)
		}
		if one.of.Production != nil {
			p.line("    production %.6g", *one.of.Production)
		}
	}
	table := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	shown := func(kW *float64) string {
		if kW == nil {
			return "none"
		}
		return display.Rounded(*kW, 2) + " kW"
	}
	for i := range c.DayTypes {
		d := &c.DayTypes[i]
		fmt.Fprintf(table, "  %s\t%.1f a year\tbefore %s in %d h\tafter %s in %d h\n", d.Name, d.DaysPerYear, shown(d.KWBefore), d.HoursBefore, shown(d.KWAfter), d.HoursAfter)
	}
	p.flush(table)
}

func (a *stopped) Compare(_ context.Context, r agent.CompareRequest) (analysis.Comparison, error) {
	return a.history.Compare(r)
}

func (r *running) Compare(ctx context.Context, asked agent.CompareRequest) (c analysis.Comparison, err error) {
	content, err := json.Marshal(asked)
	if err != nil {
		return c, err
	}
	body, err := r.send(ctx, http.MethodPost, "/api/v1/compare", content)
	if err != nil {
		return c, err
	}
	err = decodeAnswer(body, &c)
	return c, err
}
