package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
)

type eventsCmd struct {
	siteFlags
	windowFlags
	Kind    []string `help:"Only these kinds: state, fault, note, config_changed, line_down … Naming state gives every load and unload too; a wrong one lists them all." placeholder:"KIND"`
	Subject []string `help:"Only those of a machine, system, line or device." placeholder:"NAME"`
	Limit   int      `default:"1000" help:"At most so many, the newest." placeholder:"N"`
	JSON    bool     `help:"Print the JSON of /api/v1/events and /api/v1/faults, the newest first."`
	Text    string   `help:"Print the site file or map of this hash, as a config_changed event names it, and nothing else." placeholder:"HASH"`
}

// eventsAnswer is what --json prints.
type eventsAnswer struct {
	agent.EventPage
	Faults []agent.Fault `json:"faults"`
}

func (c *eventsCmd) Run(s *surroundings) error {
	if c.Limit < 1 || c.Limit > 10000 {
		return misuse{fmt.Errorf("--limit %d: use 1 to 10000", c.Limit)}
	}
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
	if c.Text != "" {
		text, err := source.Text(s.ctx, c.Text)
		if err != nil {
			return err
		}
		_, err = s.stdout.Write(text)
		return err
	}
	var a eventsAnswer
	if a.EventPage, err = source.Events(s.ctx, w, eventFilter{c.Kind, c.Subject, c.Limit}); err != nil {
		return err
	}
	if a.Faults, err = c.faults(s.ctx, source, w); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, a)
	}
	return printEvents(s.stdout, &a, site)
}

// faults are those of the subjects asked for, where faults are asked for.
func (c *eventsCmd) faults(ctx context.Context, source asked, w window) ([]agent.Fault, error) {
	if len(c.Kind) > 0 && !slices.Contains(c.Kind, "fault") {
		return []agent.Fault{}, nil
	}
	all, err := source.Faults(ctx, w)
	return slices.DeleteFunc(all, func(f agent.Fault) bool {
		return len(c.Subject) > 0 && !slices.Contains(c.Subject, f.Subject)
	}), err
}

// printEvents writes the oldest first, by days, as a logbook reads.
func printEvents(w io.Writer, a *eventsAnswer, site *sitefile.Site) error {
	out := bufio.NewWriter(w)
	if a.Next != "" {
		fmt.Fprintf(out, "(the newest %d; --limit gives more)\n", len(a.Events))
	}
	day := ""
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, e := range slices.Backward(a.Events) {
		at := time.UnixMilli(int64(e.Time)).In(site.Location)
		if d := at.Format("Mon 2006-01-02"); d != day {
			day = d
			fmt.Fprintf(table, "%s\n", d)
		}
		fmt.Fprintf(table, "  %s\t%s\t%s\t%s\n", at.Format("15:04:05"), e.Kind, e.Subject, indented(e))
	}
	if len(a.Events) == 0 {
		fmt.Fprintln(table, "nothing of that kind in this window")
	}
	return errors.Join(table.Flush(), printFaults(out, a.Faults, site), out.Flush())
}

// indented is an event's text on one line, with what a note says of itself.
func indented(e agent.Event) string {
	text := oneLine(e.Text)
	if e.Kind == "note" {
		text = fmt.Sprintf("%s (note %d", text, e.Seq)
		for _, part := range []struct{ key, says string }{{"author", ", by "}, {"corrects", ", corrects note "}, {"corrected_by", ", corrected by note "}} {
			if v := e.Data[part.key]; v != "" {
				text += part.says + v
			}
		}
		text += ")"
	}
	return text
}

// printFaults writes how often each fault came.
func printFaults(w io.Writer, faults []agent.Fault, site *sitefile.Site) error {
	if len(faults) == 0 {
		return nil
	}
	fmt.Fprint(w, "\nfaults\n")
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, f := range faults {
		name := "code " + f.Code
		if f.Text != "" {
			name = f.Text + " (code " + f.Code + ")"
		}
		fmt.Fprintf(table, "  %s\t%s\t%s\t%s\n", f.Subject, name, faultTimes(&f, site), faultDuration(&f))
	}
	return table.Flush()
}

func faultTimes(f *agent.Fault, site *sitefile.Site) string {
	at := func(t agent.Stamp) string {
		return time.UnixMilli(int64(t)).In(site.Location).Format("Mon 2006-01-02 15:04")
	}
	switch {
	case f.Times == 0:
		return "on since before"
	case f.Times == 1:
		return "once, " + at(f.Last)
	}
	return fmt.Sprintf("%d times, first %s, last %s", f.Times, at(f.First), at(f.Last))
}

func faultDuration(f *agent.Fault) string {
	text := display.Duration(f.OnS)
	if f.UnseenS > 0 {
		text += ", of which unread " + display.Duration(f.UnseenS)
	}
	if f.On {
		return "on for " + text + ", and still"
	}
	return "on for " + text
}
