package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
)

type testListCmd struct {
	siteFlags
	JSON bool `help:"Print the JSON of /api/v1/tests."`
}

type testCancelCmd struct {
	siteFlags
	System string `help:"On which system; may be left out where the site has one." placeholder:"NAME"`
}

type testWithdrawCmd struct {
	Seq   uint64   `arg:"" name:"number" help:"The result's number, as test list shows it."`
	Words []string `arg:"" name:"reason" help:"Why it counts no longer."`
	Site  string   `required:"" help:"The site file." placeholder:"FILE"`
	Data  string   `help:"Data directory, instead of the site file's." placeholder:"DIR"`
	Who   string   `required:"" help:"Who takes it back." placeholder:"NAME"`
}

func (a *stopped) Tests(context.Context) (agent.Tests, error) { return a.history.Tests() }

func (r *running) Tests(ctx context.Context) (t agent.Tests, err error) {
	err = r.read(ctx, "/api/v1/tests", nil, &t)
	return t, err
}

// Run lists the results, from the running agent or the files of a stopped one.
func (c *testListCmd) Run(s *surroundings) error {
	site, source, err := c.open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	t, err := source.Tests(s.ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, t)
	}
	for i := range t.Running {
		r := &t.Running[i]
		fmt.Fprintf(s.stdout, "%s test on system %s by %s: %s\n", r.Test, r.System, r.Who, strings.ReplaceAll(r.Phase, "_", " "))
	}
	for i := range t.Results {
		r := &t.Results[i]
		fmt.Fprintf(s.stdout, "%d  %s  %s\n", r.Seq, time.UnixMilli(int64(r.To)).In(site.Location).Format("2006-01-02 15:04"), r.Text)
		if r.WithdrawnBy != 0 {
			fmt.Fprintf(s.stdout, "    taken back by event %d: %s\n", r.WithdrawnBy, r.WithdrawnWhy)
		}
	}
	if len(t.Results) == 0 {
		fmt.Fprintln(s.stdout, "no guided test has a result yet: loadscribe test leak, loadscribe test pump-up")
	}
	return nil
}

// Run breaks off a test of the running agent.
func (c *testCancelCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	r, err := needRunning(s, site, "only a running agent has a test at work")
	if err != nil {
		return err
	}
	defer r.Close()
	var status agent.TestStatus
	if err := r.post(s.ctx, "/api/v1/tests/cancel", map[string]string{"system": c.System}, &status); err != nil {
		return flagged(err)
	}
	_, err = fmt.Fprintf(s.stdout, "the %s test on system %s by %s was cancelled; nothing is filed\n%s\n", status.Test, status.System, status.Who, status.Instruction)
	return err
}

// Run takes a result back.
func (c *testWithdrawCmd) Run(s *surroundings) error {
	site, err := loadSite(c.Site, sitefile.Options{Data: c.Data})
	if err != nil {
		return err
	}
	r, err := needRunning(s, site, "it files what is taken back")
	if err != nil {
		return err
	}
	defer r.Close()
	var e agent.Event
	if err := r.post(s.ctx, "/api/v1/tests/withdraw", agent.TestWithdrawal{Seq: c.Seq, Who: c.Who, Why: strings.Join(c.Words, " ")}, &e); err != nil {
		return flagged(err)
	}
	fmt.Fprintf(s.stdout, "test %d counts no longer (event %d); figures that rested on it fall back on what was known before\n", c.Seq, e.Seq)
	return nil
}
