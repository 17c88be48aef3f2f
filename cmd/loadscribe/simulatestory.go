package main

import (
	"errors"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"text/tabwriter"
	"time"

	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
	"loadscribe/simulator/serve"
)

// listScenarios prints the built-in scenarios' names and titles.
func listScenarios(out io.Writer) error {
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, name := range simulator.Scenarios() {
		s, err := simulator.LoadScenario(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(table, "%s\t%s\n", name, s.Title)
	}
	return table.Flush()
}

// record records the scenario's whole story. It ends at the present, or begins
// at --start.
func (c *simulateCmd) record(s *surroundings, begin time.Time) error {
	if c.WriteSite != "" {
		return misuse{errors.New("--record writes a site file of its own: leave --write-site out")}
	}
	scenario, err := c.scenario()
	if err != nil {
		return err
	}
	if begin.IsZero() {
		begin = time.Now().Add(-scenario.Length)
	}
	story, err := stage.Open(c.Record, stage.Options{Scenario: c.Scenario, Start: begin.Truncate(time.Second), WarmUp: c.WarmUp})
	if err != nil {
		return err
	}
	tenths := 0
	story.Told = func(share float64) {
		if now := int(share * 10); now > tenths {
			tenths = now
			fmt.Fprintf(s.stderr, "recorded %d %%\n", 10*tenths)
		}
	}
	if err := story.Record(s.ctx, version); err != nil {
		return err
	}
	if c.Truth != "" {
		if err := stage.WriteTruth(c.Truth, story.World.Truth()); err != nil {
			return err
		}
	}
	fmt.Fprintf(s.stdout, "%s, recorded from %s to %s\nloadscribe summary --site %s --from %s --to %s\n", scenario.Title,
		story.From.Format(time.RFC3339), story.To.Format(time.RFC3339), filepath.Join(c.Record, stage.SiteFile),
		story.From.Format(time.RFC3339), story.To.Format(time.RFC3339))
	return nil
}

// writeSite lays out a site file for the plant that is served at an address.
func (c *simulateCmd) writeSite(out io.Writer, driver *serve.Driver, at net.Addr) (err error) {
	if c.WriteSite == "" {
		return nil
	}
	address := at.String()
	if tcp, ok := at.(*net.TCPAddr); ok && tcp.IP.IsUnspecified() {
		address = fmt.Sprintf("127.0.0.1:%d", tcp.Port)
	}
	driver.Do(func(w *simulator.World) {
		err = stage.WriteSite(c.WriteSite, w.Scenario(), stage.SiteOptions{Address: address, Begin: w.Now()})
	})
	if err == nil {
		fmt.Fprintf(out, "loadscribe run --site %s\n", filepath.Join(c.WriteSite, stage.SiteFile))
	}
	return err
}
