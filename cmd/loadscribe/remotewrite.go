package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
)

type remoteWriteCmd struct {
	siteFlags
	JSON bool `help:"Print the JSON of /api/v1/remote-write."`
}

// Run tells how it stands with each receiver.
func (c *remoteWriteCmd) Run(s *surroundings) error {
	site, source, err := c.open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	all, err := source.RemoteWrites(s.ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, all)
	}
	return printRemoteWrites(s.stdout, &all, site)
}

func (a *stopped) RemoteWrites(context.Context) (agent.RemoteWrites, error) {
	return a.history.RemoteWrites()
}

func (r *running) RemoteWrites(ctx context.Context) (all agent.RemoteWrites, err error) {
	err = r.read(ctx, "/api/v1/remote-write", nil, &all)
	return all, err
}

func printRemoteWrites(w io.Writer, all *agent.RemoteWrites, site *sitefile.Site) error {
	wrap := &wrapWriter{out: w}
	out := tabwriter.NewWriter(wrap, 0, 0, 2, ' ', 0)
	if len(all.Receivers) == 0 {
		fmt.Fprintln(out, "the site file has no [[remote_write]]: nothing is sent on; docs/remote-write.md shows how")
	}
	for i := range all.Receivers {
		printReceiver(out, &all.Receivers[i], site)
	}
	return errors.Join(out.Flush(), wrap.Close())
}

func printReceiver(out io.Writer, r *agent.RemoteWrite, site *sitefile.Site) {
	at := func(t agent.Stamp) string {
		return time.UnixMilli(int64(t)).In(site.Location).Format("Mon 2006-01-02 15:04:05")
	}
	row := func(what, format string, args ...any) {
		fmt.Fprintf(out, "  %s\t%s\n", what, fmt.Sprintf(format, args...))
	}
	fmt.Fprintf(out, "%s, %s, as site %q: %s\n", r.Name, r.To, r.Site, r.State)
	if r.Why != "" {
		row("why", "%s", oneLine(r.Why))
	}
	if r.Since != 0 {
		row("since", "%s", at(r.Since))
	}
	if r.Mend != "" {
		row("what to do", "%s", oneLine(r.Mend))
	}
	if r.BehindScans > 0 {
		row("behind", "%d scans, %s", r.BehindScans, (time.Duration(r.BehindS) * time.Second).String())
	}
	if r.Newest != 0 {
		row("delivered", "up to %s, last at %s", at(r.Newest), at(r.Delivered))
	}
	row("sent", "%d samples, %d bytes in %d requests, %d of them again", r.Samples, r.Bytes, r.Requests, r.Retried)
	if r.There > 0 {
		row("there already", "%d samples", r.There)
	}
	if len(r.Refused) > 0 {
		row("refused", "%s", counts(r.Refused))
		if r.Aside != "" {
			row("", "%d of them were written to %s", r.SetAside, r.Aside)
		}
	}
	if len(r.LeftOut) > 0 {
		row("left out", "%s", counts(r.LeftOut))
	}
	if r.MissedScans > 0 {
		row("no longer kept", "%d scans when it was their turn", r.MissedScans)
	}
	if r.CursorFault != "" {
		row("place not kept", "%s", oneLine(r.CursorFault))
	}
	if r.Note != "" {
		row("note", "%s", oneLine(r.Note))
	}
}

// counts writes numbers by reason.
func counts(by map[string]int64) string {
	var all []string
	for _, reason := range slices.Sorted(maps.Keys(by)) {
		all = append(all, fmt.Sprintf("%d %s", by[reason], strings.ReplaceAll(reason, "_", " ")))
	}
	return strings.Join(all, ", ")
}
