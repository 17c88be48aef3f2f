package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/sitefile"
)

// maxFindings is how many findings of the data of a machine the summary names.
const maxFindings = 30

// printFindings says what is wrong with the data themselves.
func printFindings(out io.Writer, all []analysis.Finding, site *sitefile.Site) {
	findings := outagesOnce(all)
	if len(findings) == 0 {
		fmt.Fprintln(out, "  what the data themselves show: nothing missing for long, stuck, contradictory or impossible")
		return
	}
	fmt.Fprintln(out, "  what the data themselves show:")
	for i := range findings {
		f := &findings[i]
		if i == maxFindings {
			fmt.Fprintf(out, "    and %d more: --json lists all\n", len(findings)-i)
			return
		}
		fmt.Fprintf(out, "    %s, %s to %s: %s\n", f.Kind, localTime(f.From, site), localTime(f.To, site), f.Sentence)
	}
}

// sameOutage is by how much the ends of one outage may lie apart by what was asked
// when.
const sameOutage = time.Minute

// outagesOnce names what was missing at the same time once, with all it is of.
func outagesOnce(findings []analysis.Finding) (all []analysis.Finding) {
	near := func(a, z string) bool {
		at, errA := time.Parse(time.RFC3339Nano, a)
		other, errZ := time.Parse(time.RFC3339Nano, z)
		return errA == nil && errZ == nil && at.Sub(other).Abs() < sameOutage
	}
	for _, f := range findings {
		one := slices.IndexFunc(all, func(a analysis.Finding) bool {
			return f.Kind == "missing" && a.Kind == f.Kind && near(a.From, f.From) && near(a.To, f.To)
		})
		if one < 0 {
			all = append(all, f)
			continue
		}
		all[one].Sentence = strings.TrimSuffix(all[one].Sentence, ".") + "; likewise " + f.Subject + "."
	}
	return all
}
