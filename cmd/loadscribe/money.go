package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"text/tabwriter"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
)

type moneyCmd struct {
	siteFlags
	windowFlags
	Machine string `help:"One machine, instead of a system." placeholder:"NAME"`
	System  string `help:"The system; without it and --machine the first one, or the only machine." placeholder:"NAME"`
	JSON    bool   `help:"Print the JSON of /api/v1/money: every hour, what air took by the hour, and how long how much was drawn."`
}

// Run tells what the page Money and air tells.
func (c *moneyCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	w := c.window()
	source, err := askFor(s, site, w)
	if err != nil {
		return err
	}
	defer source.Close()
	m, err := source.Money(s.ctx, w, c.Machine, c.System)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, m)
	}
	return printMoney(s.stdout, &m, site)
}

// moneyPrinter writes one answer.
type moneyPrinter struct {
	out  *bufio.Writer
	m    *analysis.Money
	site *sitefile.Site
}

func printMoney(w io.Writer, m *analysis.Money, site *sitefile.Site) error {
	wrap := &wrapWriter{out: w}
	p := &moneyPrinter{bufio.NewWriter(wrap), m, site}
	p.line("%s, %s %s, %s to %s", site.Name, m.Kind, m.Subject, localTime(m.From, site), localTime(m.To, site))
	for _, n := range m.Notes {
		p.line("note: %s", n)
	}
	if m.Currency == "" {
		p.line("no prices: give [tariff] in the site file (docs/tariff.md); energy is counted instead")
	}
	p.figures(m.Figures)
	p.figures(m.Year)
	err := p.split()
	p.hours()
	p.bills()
	p.covers()
	p.pressure()
	return errors.Join(err, p.out.Flush(), wrap.Close())
}

func (p *moneyPrinter) line(format string, values ...any) { fmt.Fprintf(p.out, format+"\n", values...) }

// figures are one a line; of those that are absent the reason.
func (p *moneyPrinter) figures(all []analysis.Figure) {
	for i := range all {
		switch f := &all[i]; {
		case f.Value != nil:
			p.line("  %s: %s", analysis.TitleOf(f.Name), shortValue(f, p.site))
		case f.Absent != analysis.NotOfMachine && f.Absent != analysis.NotOfSystem:
			p.line("  %s: not known: %s", analysis.TitleOf(f.Name), f.Absent)
		}
	}
}

// split is what went where.
func (p *moneyPrinter) split() error {
	v := &p.m.Split
	if v.Absent != "" {
		p.line("\nby what the machines did: not known: %s", v.Absent)
		return nil
	}
	p.line("\nby what the machines did")
	table := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	head := "  state\ttime\tkWh\t±"
	priced := p.m.Currency != "" && v.RestCost != nil
	if priced {
		head += "\t" + p.m.Currency + "\t±"
		for _, price := range p.m.Prices {
			head += "\t" + price.Name
		}
	}
	fmt.Fprintln(table, head)
	for i := range v.States {
		s := &v.States[i]
		row := fmt.Sprintf("  %s\t%s\t%.1f\t%.1f", s.State, display.Duration(s.TimeS), s.EnergyKWh, s.EnergyU)
		if priced {
			row += fmt.Sprintf("\t%.2f\t%.2f", *s.Cost, *s.CostU)
			for _, part := range s.ByPrice {
				row += fmt.Sprintf("\t%.2f", part.Cost)
			}
		}
		fmt.Fprintln(table, row)
	}
	if rest := fmt.Sprintf("  of no state\t\t%.1f\t", v.RestKWh); math.Abs(v.RestKWh) >= 0.05 {
		if priced {
			rest += fmt.Sprintf("\t%.2f\t", *v.RestCost)
		}
		fmt.Fprintln(table, rest)
	}
	return table.Flush()
}

// hours are the dearest.
func (p *moneyPrinter) hours() {
	h := &p.m.Hours
	if h.Absent != "" {
		p.line("\nhours: not known: %s", h.Absent)
		return
	}
	p.line("\nhalf of it fell in %d hours, %.0f %% of the window; the dearest:", h.HalfHours, 100*h.HalfShare)
	for _, i := range h.Dearest {
		r := &h.Rows[i]
		text := fmt.Sprintf("  %s  %.1f kWh", localTime(r.From, p.site), r.EnergyKWh)
		if r.Cost != nil {
			text += fmt.Sprintf("  %.2f %s", *r.Cost, p.m.Currency)
		}
		p.line("%s", text)
	}
}

func (p *moneyPrinter) bills() {
	for i := range p.m.Bills {
		b := &p.m.Bills[i]
		least := ""
		if b.AtLeast {
			least = "at least "
		}
		p.line("\ndemand, month from %s, %s: highest %.1f kW from %s to %s; billed %.1f of %.1f kW at %.2f, %.0f %% of the month: %s%.2f %s (%s)", localDate(b.From, p.site), b.Charge,
			b.PeakKW, localTime(b.PeakFrom, p.site), localTime(b.PeakTo, p.site), b.OwnKW, b.BilledKW, b.PerKW, 100*b.Share, least, b.Cost, p.m.Currency, b.Note)
	}
}

// covers are for how long more was drawn than the machines give.
func (p *moneyPrinter) covers() {
	d := &p.m.Duration
	if d.Absent != "" {
		if d.Absent != analysis.NotOfMachine {
			p.line("\nfor how long how much was drawn: not known: %s", d.Absent)
		}
		return
	}
	flow := analysis.Column{Name: "flow", Unit: "m³/min"}
	unit, _, _ := p.site.Units.Display(flow.Unit)
	p.line("")
	for i := range d.Covers {
		c := &d.Covers[i]
		p.line("up to %s the machines give %s %s at full load; more was drawn for %s, %.2f %% of the observed time", c.Machine, display.Cell(&c.UpTo, &flow, p.site.Units), unit,
			display.Duration(c.Above), 100*c.Share)
	}
}

// pressure is what a step of it takes.
func (p *moneyPrinter) pressure() {
	kPa := analysis.Column{Name: "pressure", Unit: "kPa"}
	unit, _, _ := p.site.Units.Display(kPa.Unit)
	for i := range p.m.Pressure {
		c := &p.m.Pressure[i]
		if c.Absent != "" {
			p.line("\nwhat pressure costs, %s: not known: %s", c.Machine, c.Absent)
			continue
		}
		for k := range c.Steps {
			step := &c.Steps[k]
			p.line("\n%s %s of pressure more or less, %s, around %s %s, for the same air:", p.step(step.Step), unit, c.Machine, display.Cell(&c.Pressure, &kPa, p.site.Units), unit)
			p.figures(step.Figures)
		}
		p.line("  slope: %s", c.Basis)
	}
	if len(p.m.Pressure) > 0 {
		p.line("for comparison: %s", p.m.Pressure[0].Handbook)
	}
}

// step is a round amount of pressure: three figures of it, and no zeros behind them.
func (p *moneyPrinter) step(kPa float64) string {
	_, factor, _ := p.site.Units.Display("kPa")
	return strconv.FormatFloat(float64(kPa*factor), 'g', 3, 64)
}

func (a *stopped) Money(_ context.Context, w window, machine, system string) (analysis.Money, error) {
	fromMS, toMS, err := w.resolve(a.history.Now(), a.history.Site())
	if err != nil {
		return analysis.Money{}, err
	}
	m, err := a.history.Money(analysis.MoneyQuery{Machine: machine, System: system, FromMS: fromMS, ToMS: toMS})
	if wrong := (*agent.FieldError)(nil); errors.As(err, &wrong) {
		err = misuse{fmt.Errorf("--%s: %s", wrong.Field, wrong.Message)}
	}
	return m, err
}

func (r *running) Money(ctx context.Context, w window, machine, system string) (m analysis.Money, err error) {
	query := w.query()
	for name, value := range map[string]string{"machine": machine, "system": system} {
		if value != "" {
			query.Set(name, value)
		}
	}
	err = r.read(ctx, "/api/v1/money", query, &m)
	return m, err
}
