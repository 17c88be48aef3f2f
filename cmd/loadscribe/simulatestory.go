package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
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

// writeScenario writes the scenario's file, never over one that is there.
func (c *simulateCmd) writeScenario(out io.Writer) error {
	if _, err := c.scenario(); err != nil {
		return err
	}
	text, err := simulator.ScenarioText(c.Scenario)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(c.WriteScenario, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, fs.ErrExist) {
		return misuse{fmt.Errorf("--write-scenario %s: there is a file already: give another name", c.WriteScenario)}
	}
	if err != nil {
		return fmt.Errorf("--write-scenario: %w; give a file in a folder that is there and that this user may write to", err)
	}
	_, err = f.Write(text)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("--write-scenario: %w", err)
	}
	_, err = fmt.Fprintf(out, "change it, then: loadscribe simulate --scenario %s\n", c.pathOf(c.WriteScenario))
	return err
}

// pathOf writes a file's name as --scenario takes it for one: a name without a folder
// and ".toml" would be a built-in scenario's.
func (c *simulateCmd) pathOf(name string) string {
	if strings.ContainsAny(name, `/\`) || strings.HasSuffix(name, ".toml") {
		return name
	}
	return "." + string(filepath.Separator) + name
}

// plantClock says what time it is in the plant and, where nobody works then, with
// which --start somebody does: the plant's own time zone decides, not this computer's.
func plantClock(s *simulator.Scenario, begin time.Time) string {
	said := fmt.Sprintf("in the plant it is %s (%s)", begin.In(s.Location).Format("Mon 15:04"), s.Location)
	if len(s.Shifts) == 0 || s.InShift(begin) {
		return said
	}
	const step = 15 * time.Minute
	at := begin.Truncate(step)
	for end := at.Add(8 * 24 * time.Hour); !s.InShift(at) && at.Before(end); {
		at = at.Add(step)
	}
	return said + ", out of its shifts; to see it at work: --start " + at.Add(time.Hour).In(s.Location).Format(time.RFC3339)
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
