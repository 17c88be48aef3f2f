package main

import (
	"errors"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
)

type serviceDueCmd struct {
	siteFlags
	Effect uint64 `help:"Compare the days before and after a service that was done: the number of its note, as the list has it." placeholder:"NOTE"`
	Days   int    `default:"7" help:"With --effect: so many whole days on either side." placeholder:"N"`
	JSON   bool   `help:"Print the JSON of /api/v1/service, with --effect that of /api/v1/service/effect."`
}

// serviceDue is what --json prints.
type serviceDue struct {
	Machines []analysis.MachineService `json:"machines"`
}

// Run lists what is due, from the running agent or the files of a stopped one.
func (c *serviceDueCmd) Run(s *surroundings) error {
	site, source, err := c.open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	if c.Effect != 0 {
		return c.effect(s, source, site)
	}
	machines, err := source.Service(s.ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, serviceDue{machines})
	}
	for i := range machines {
		if err := printService(s.stdout, &machines[i], site); err != nil {
			return err
		}
	}
	return nil
}

// effect compares the days around a service.
func (c *serviceDueCmd) effect(s *surroundings, source asked, site *sitefile.Site) error {
	e, err := source.ServiceEffect(s.ctx, agent.ServiceEffectRequest{Note: c.Effect, Days: c.Days})
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		flag := field.Field
		if flag == "note" {
			flag = "effect"
		}
		return misuse{fmt.Errorf("--%s: %s", flag, field.Message)}
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, e)
	}
	return printEffect(s.stdout, &e, site)
}

func printEffect(out io.Writer, e *analysis.ServiceEffect, site *sitefile.Site) error {
	fmt.Fprintf(out, "%s of %s, done %s (note %d)", e.Item, e.Machine, localDate(e.Done, site), e.Note)
	if e.Found != "" {
		fmt.Fprintf(out, ", found: %s", oneLine(e.Found))
	}
	fmt.Fprintln(out)
	if e.Absent != "" {
		fmt.Fprintf(out, "nothing to compare: %s\n", e.Absent)
		return nil
	}
	fmt.Fprintf(out, "%s Compared: %s to %s with %s to %s.\n", e.Sentence, localDate(e.Periods.First.From, site), lastDate(e.Periods.First.To, site),
		localDate(e.Periods.Second.From, site), lastDate(e.Periods.Second.To, site))
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for i := range e.Moves {
		m := &e.Moves[i]
		if m.Row == nil {
			fmt.Fprintf(table, "  %s\tnot compared: %s\n", m.Figure, m.Absent)
			continue
		}
		d := &e.Periods.Rows[*m.Row].Difference
		value, half, unit, _ := display.Interval(d, site.Units) // a difference may be less than nothing
		fmt.Fprintf(table, "  %s\t%s %s %s\t%s\n", m.Figure, value, half, unit, m.Judged)
	}
	if err := table.Flush(); err != nil {
		return err
	}
	for _, r := range e.Remarks {
		fmt.Fprintf(out, "  %s\n", r)
	}
	return nil
}

// lastDate is the last local date before a moment.
func lastDate(stamp string, site *sitefile.Site) string {
	t, err := time.Parse(time.RFC3339Nano, stamp)
	if err != nil {
		return stamp
	}
	return t.Add(-time.Millisecond).In(site.Location).Format(time.DateOnly)
}

func printService(out io.Writer, m *analysis.MachineService, site *sitefile.Site) error {
	fmt.Fprintf(out, "machine %s", m.Machine)
	if m.HourMeter != nil {
		fmt.Fprintf(out, ", hour meter %.1f h", *m.HourMeter)
	}
	switch {
	case m.HoursPerDay != nil:
		fmt.Fprintf(out, ", ran %.1f ± %.1f h a day over the last %.0f days (%s)", *m.HoursPerDay, *m.Uncertainty, m.OverDays, m.Method)
	case m.RateAbsent != "":
		fmt.Fprintf(out, "; how long it runs a day is not known: %s", m.RateAbsent)
	}
	fmt.Fprintln(out)
	if len(m.Items) == 0 {
		fmt.Fprintln(out, `  the site file lists no service for it: add service = [{ item = "oil", hours = 4000, months = 12 }]`)
		return nil
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for i := range m.Items {
		it := &m.Items[i]
		fmt.Fprintf(table, "  %s\t%s\t%s\t%s\n", it.Item, everyText(it), dueText(it, site), doneText(it, site))
	}
	if err := table.Flush(); err != nil {
		return err
	}
	for i := range m.Items {
		it := &m.Items[i]
		for _, mark := range it.Marks {
			fmt.Fprintf(out, "  %s, note %d of %s: %s\n", it.Item, mark.Note, localDate(mark.At, site), markText(mark))
		}
		if it.Absent != "" {
			fmt.Fprintf(out, "  %s: %s\n", it.Item, it.Absent)
			if it.Done == "" {
				fmt.Fprintf(out, "    loadscribe note --machine %s --service %q --at DATE --hour-meter HOURS TEXT\n", m.Machine, it.Item)
			}
		}
	}
	return nil
}

// markText is what a mark says on one line.
func markText(m analysis.ServiceMark) string {
	text := m.Text
	if m.Found != "" {
		text += "; found: " + m.Found
	}
	if m.Author != "" {
		text += " (" + m.Author + ")"
	}
	return oneLine(text)
}

func everyText(it *analysis.ServiceItem) string {
	switch {
	case it.EveryHours > 0 && it.EveryMonths > 0:
		return fmt.Sprintf("every %g h or %g months", it.EveryHours, it.EveryMonths)
	case it.EveryHours > 0:
		return fmt.Sprintf("every %g h", it.EveryHours)
	}
	return fmt.Sprintf("every %g months", it.EveryMonths)
}

func dueText(it *analysis.ServiceItem, site *sitefile.Site) string {
	switch {
	case it.Due == "":
		return "due: not known"
	case it.Overdue && it.By == "hours":
		return fmt.Sprintf("OVERDUE by %.0f h", -*it.HoursLeft)
	case it.Overdue:
		return "OVERDUE since " + localDate(it.Due, site)
	case it.By == "months":
		return "due " + localDate(it.Due, site) + " by months"
	case it.Latest == "":
		return fmt.Sprintf("due %s by hours (%s at the earliest)", localDate(it.Due, site), localDate(it.Earliest, site))
	}
	return fmt.Sprintf("due %s by hours (%s to %s)", localDate(it.Due, site), localDate(it.Earliest, site), localDate(it.Latest, site))
}

func doneText(it *analysis.ServiceItem, site *sitefile.Site) string {
	if it.Done == "" {
		return ""
	}
	text := "done " + localDate(it.Done, site)
	if it.HoursSince != nil {
		least := ""
		if it.AtLeast {
			least = "at least "
		}
		text += fmt.Sprintf(", ran %s%.0f h since", least, *it.HoursSince)
	}
	return text
}

func localDate(stamp string, site *sitefile.Site) string {
	t, err := time.Parse(time.RFC3339Nano, stamp)
	if err != nil {
		return stamp
	}
	return t.In(site.Location).Format(time.DateOnly)
}
