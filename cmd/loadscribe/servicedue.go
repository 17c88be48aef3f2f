package main

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/sitefile"
)

type serviceDueCmd struct {
	siteFlags
	JSON bool `help:"Print the JSON of /api/v1/service."`
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
		if it := &m.Items[i]; it.Absent != "" {
			fmt.Fprintf(out, "  %s: %s\n", it.Item, it.Absent)
			if it.Done == "" {
				fmt.Fprintf(out, "    loadscribe note --machine %s --service %q --at DATE --hour-meter HOURS TEXT\n", m.Machine, it.Item)
			}
		}
	}
	return nil
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
