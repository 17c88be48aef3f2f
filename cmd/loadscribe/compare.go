package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/sitefile"
)

type compareCmd struct {
	siteFlags
	Before     string   `required:"" help:"The period before, FROM/TO: RFC 3339, local dates (a date as TO includes that day), now, or ages such as -28d." placeholder:"FROM/TO"`
	After      string   `required:"" help:"The period after, likewise." placeholder:"FROM/TO"`
	Machine    string   `help:"One machine, instead of a system." placeholder:"NAME"`
	System     string   `help:"A system; left out: the first, or the only machine." placeholder:"NAME"`
	Production string   `help:"What was made each day: CSV with the head date,count and local dates like 2026-03-02." placeholder:"FILE"`
	Peak       []string `sep:"none" help:"The programme's peak window, on whole hours, such as \"Mon-Fri 14:00-18:00\"; may be given several times." placeholder:"WINDOW"`
	PeakMonths string   `help:"Months in which the window counts, such as 6-9 or 12,1,2." placeholder:"MONTHS"`
	Model      string   `help:"Which baseline: auto, air, air-shift, day-type, day-hour or production." default:"auto" placeholder:"MODEL"`
	JSON       bool     `help:"Print the JSON of /api/v1/compare."`
}

func (c *compareCmd) Run(s *surroundings) error {
	asked := agent.CompareRequest{Before: c.Before, After: c.After, Machine: c.Machine, System: c.System, Model: c.Model,
		Peak: c.Peak, PeakMonths: c.PeakMonths}
	if c.Production != "" {
		var err error
		if asked.Production, err = readProduction(c.Production); err != nil {
			return err
		}
	}
	site, source, err := c.open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	answer, err := source.Compare(s.ctx, asked)
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		flag := strings.ReplaceAll(field.Field, "_", "-")
		return misuse{fmt.Errorf("--%s: %s", flag, field.Message)}
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, answer)
	}
	return printComparison(s.stdout, &answer, site)
}

// readProduction reads a file of date,count.
func readProduction(path string) ([]analysis.Production, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, misuse{fmt.Errorf("--production: %w; name a CSV file whose rows are date,count", err)}
	}
	defer f.Close()
	all, err := analysis.ReadProduction(f)
	if err != nil {
		return nil, misuse{fmt.Errorf("--production: %s: %w", path, err)}
	}
	return all, nil
}

// comparePrinter writes a comparison for people and keeps the first error.
type comparePrinter struct {
	out  io.Writer
	site *sitefile.Site
	err  error
}

func (p *comparePrinter) line(format string, args ...any) {
	if _, err := fmt.Fprintf(p.out, format+"\n", args...); p.err == nil {
		p.err = err
	}
}

func (p *comparePrinter) list(title string, sentences []string) {
	if len(sentences) == 0 {
		return
	}
	p.line("\n%s", title)
	for _, s := range sentences {
		p.line("  %s", s)
	}
}

func printComparison(out io.Writer, c *analysis.Comparison, site *sitefile.Site) error {
	w := &wrapWriter{out: out}
	p := &comparePrinter{out: w, site: site}
	p.line("%s, %s %s", site.Name, c.Kind, c.Subject)
	p.line("%s", c.Sentence)
	if p.err == nil {
		p.err = printFigures(out, "saved, of a year where it says so", c.Figures, site.Units)
	}
	p.list("where it must not be used, or with care", c.Limits)
	p.models(c)
	p.periods(c)
	p.list("held equal", c.Equal)
	p.list("not held equal, or not known", c.Unequal)
	p.list("what this follows", c.Basis)
	return errors.Join(p.err, w.Close())
}
