package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/transfer"
)

// writeReplayTrace writes the pressure and the machines' states at each event of
// each run, one after the other, as CSV (RFC 4180). gap is 1 in the first row after
// time that was not observed. A machine that a run has not is empty in its rows. The
// names are a person's, or of a file that came from somewhere: none becomes a formula.
func writeReplayTrace(out io.Writer, a *replay.Answer, site *sitefile.Site) error {
	type run struct {
		name string
		of   *replay.Outcome
	}
	runs := []run{{"present settings", &a.Present}}
	for i := range a.Results {
		runs = append(runs, run{a.Results[i].Name, &a.Results[i].Outcome})
	}
	unit := site.Units.Unit(quantity.Pressure)
	head := []string{"run", "time", "pressure [" + unit.Symbol + "]", "gap"}
	first := len(head) // column of the first machine
	var machines []string
	for _, r := range runs {
		for i := range r.of.Machines {
			if name := r.of.Machines[i].Machine; !slices.Contains(machines, name) {
				machines = append(machines, name)
			}
		}
	}
	w := csv.NewWriter(out)
	w.UseCRLF = true
	for _, name := range machines {
		head = append(head, transfer.Text(name))
	}
	if err := w.Write(head); err != nil {
		return fmt.Errorf("write the trace: %w", err)
	}
	for _, r := range runs {
		columns := make([]int, len(r.of.Machines))
		for i := range r.of.Machines {
			columns[i] = first + slices.Index(machines, r.of.Machines[i].Machine)
		}
		for i := range r.of.Trace {
			t := &r.of.Trace[i]
			row := make([]string, len(head))
			row[0] = transfer.Text(r.name)
			row[1] = time.UnixMilli(t.AtMS).UTC().Format("2006-01-02T15:04:05.000Z")
			row[2] = strconv.FormatFloat(unit.FromSI(t.Pa), 'f', 3, 64)
			row[3] = map[bool]string{true: "1", false: "0"}[t.Gap]
			for m, column := range columns {
				if m < len(t.States) {
					row[column] = t.States[m]
				}
			}
			if err := w.Write(row); err != nil {
				return fmt.Errorf("write the trace: %w", err)
			}
		}
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return fmt.Errorf("write the trace: %w", err)
	}
	return nil
}
