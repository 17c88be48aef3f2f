package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/guided"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

type testCmd struct {
	Leak     leakCmd         `cmd:"" help:"How much air flows while nobody uses any: after hours, over whole load cycles."`
	PumpUp   pumpUpCmd       `cmd:"" name:"pump-up" help:"What a machine really delivers: the plant valve shut, the rise of a known volume timed."`
	List     testListCmd     `cmd:"" help:"List the results."`
	Cancel   testCancelCmd   `cmd:"" help:"Break off a test that runs, as one whose command was killed. Nothing is filed."`
	Withdraw testWithdrawCmd `cmd:"" help:"Take a result back. It stays, and counts no longer."`
}

// guideFlags are those of every guided test.
type guideFlags struct {
	Site   string `required:"" help:"The site file." placeholder:"FILE"`
	Data   string `help:"Data directory, instead of the site file's." placeholder:"DIR"`
	Who    string `required:"" help:"Who does the test; it stands beside the result." placeholder:"NAME"`
	Volume string `help:"The known volume, with what it may be off by: \"240 gal\" or \"240 gal ± 2 %\"; from the site file if not given." placeholder:"VOLUME"`
	Yes    bool   `help:"The cautions were read and those told who use air: do not ask."`
}

type leakCmd struct {
	guideFlags
	System string `help:"Which system; may be left out where the site has one." placeholder:"NAME"`
}

type pumpUpCmd struct {
	guideFlags
	Machine string `help:"Which machine; may be left out where the site has one." placeholder:"NAME"`
	Package string `help:"The air space inside the machine (separator above the oil, cooler, pipes); assumed from its rated flow if not given." placeholder:"VOLUME"`
	Rises   int    `default:"3" help:"How many rises, 2 to 6." placeholder:"N"`
}

// Run leads through a leak test.
func (c *leakCmd) Run(s *surroundings) error {
	return c.lead(s, agent.TestAsk{Test: guided.Leak, System: c.System})
}

// Run leads through a pump-up test.
func (c *pumpUpCmd) Run(s *surroundings) error {
	q := agent.TestAsk{Test: guided.PumpUp, Machine: c.Machine, Rises: c.Rises}
	if c.Package != "" {
		v, share, err := volumeOf("--package", c.Package)
		if err != nil {
			return err
		}
		if share != 0 {
			return misuse{fmt.Errorf("--package %q: leave ± out: it is taken within 10 %%", c.Package)}
		}
		q.PackageM3 = v
	}
	return c.lead(s, q)
}

// volumeOf reads a volume with what it may be off by.
func volumeOf(flag, text string) (m3, share float64, err error) {
	value, limit, hasLimit := strings.Cut(strings.ReplaceAll(text, "+-", "±"), "±")
	q, err := quantity.ParseDim(strings.TrimSpace(value), quantity.Volume)
	if err != nil || q.SI() <= 0 {
		return 0, 0, misuse{fmt.Errorf("%s %q: write a volume with its unit, like \"240 gal\" or \"0.9 m3 ± 2 %%\"", flag, text)}
	}
	if !hasLimit {
		return q.SI(), 0, nil
	}
	l, err := quantity.ParseDim(strings.TrimSpace(limit), quantity.Ratio)
	if err != nil {
		var by quantity.Quantity
		if by, err = quantity.ParseDim(strings.TrimSpace(limit), quantity.Volume); err == nil {
			return q.SI(), by.SI() / q.SI(), nil
		}
		return 0, 0, misuse{fmt.Errorf("%s %q: write what it may be off by as a share or a volume, like ± 2 %%", flag, text)}
	}
	return q.SI(), l.SI(), nil
}

// lead begins a test at the running agent and follows it to its end.
func (f *guideFlags) lead(s *surroundings, q agent.TestAsk) error {
	site, err := loadSite(f.Site, sitefile.Options{Data: f.Data})
	if err != nil {
		return err
	}
	q.Who = f.Who
	if f.Volume != "" {
		if q.VolumeM3, q.VolumeShare, err = volumeOf("--volume", f.Volume); err != nil {
			return err
		}
	}
	r, err := needRunning(s, site, "a guided test is fed by its live readings")
	if err != nil {
		return err
	}
	defer r.Close()
	q.Confirmed = true
	if err := q.Check(site); err != nil {
		return flagged(err)
	}
	fmt.Fprintf(s.stdout, "Before a %s test:\n", q.Test)
	tests, err := r.Tests(s.ctx)
	if err != nil {
		return err
	}
	for _, text := range tests.Cautions.Of(q.Test) {
		fmt.Fprintf(s.stdout, "  caution: %s\n", text)
	}
	fmt.Fprintln(s.stdout, "loadscribe only reads: every valve and button is yours.")
	if !f.Yes {
		if err := confirm(s); err != nil {
			return err
		}
	}
	var status agent.TestStatus
	if err := r.post(s.ctx, "/api/v1/tests/start", q, &status); err != nil {
		return flagged(err)
	}
	return follow(s, r, status)
}

// needRunning finds the running agent.
func needRunning(s *surroundings, site *sitefile.Site, why string) (*running, error) {
	answers, err := ask(s, site)
	if err != nil {
		return nil, err
	}
	r, ok := answers.(*running)
	if !ok {
		return nil, errors.Join(fmt.Errorf("no agent runs on this site, and %s: start it with loadscribe run --site %s", why, site.Path), answers.Close())
	}
	return r, nil
}

// confirm waits for the word yes.
func confirm(s *surroundings) error {
	fmt.Fprint(s.stdout, "Type yes when all of this is so: ")
	answer := make(chan string, 1)
	// A read from a terminal cannot be broken off: this goroutine ends with the
	// input or the process.
	go func() {
		in := bufio.NewScanner(os.Stdin)
		in.Scan()
		answer <- strings.TrimSpace(in.Text())
	}()
	select {
	case word := <-answer:
		if word == "yes" {
			return nil
		}
	case <-s.ctx.Done():
	}
	return errors.New("not confirmed: nothing was begun (--yes confirms beforehand)")
}

// flagged names the flag for a field of the API.
func flagged(err error) error {
	flags := map[string]string{"machine": "--machine", "system": "--system", "who": "--who", "volume_m3": "--volume", "volume_share": "--volume",
		"package_m3": "--package", "rises": "--rises", "seq": "the number", "why": "the reason", "ends": "--ends", "step": "--step", "text": "the text"}
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		if flag := flags[field.Field]; flag != "" {
			return misuse{fmt.Errorf("%s: %s", flag, field.Message)}
		}
		return misuse{errors.New(field.Message)}
	}
	return err
}

// How often a running test is looked at, and how often at least a line is shown.
const (
	testLook  = 500 * time.Millisecond
	testShown = 15 * time.Second
)

// follow shows a test until it is over. The end of the context breaks it off.
func follow(s *surroundings, r *running, status agent.TestStatus) error {
	fmt.Fprintf(s.stdout, "\n%s test on system %s, by %s, going by %s\n", status.Test, status.System, status.Who, status.Tap)
	shown := progress{out: s.stdout}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for !guided.Phase(status.Phase).Over() {
		shown.show(&status, time.Now())
		timer.Reset(testLook)
		select {
		case <-timer.C:
		case <-s.ctx.Done():
			return breakOff(s, r, status.Test, status.System)
		}
		var t agent.Tests
		if err := r.read(s.ctx, "/api/v1/tests", nil, &t); err != nil {
			if s.ctx.Err() != nil {
				return breakOff(s, r, status.Test, status.System)
			}
			fmt.Fprintf(s.stdout, "\n  The agent answers no longer. If the test is over: %s\n", guided.Afterwards(status.Test))
			return err
		}
		i := 0
		for i < len(t.Running) && t.Running[i].System != status.System {
			i++
		}
		if i == len(t.Running) {
			fmt.Fprintf(s.stdout, "\n  %s\n", guided.Afterwards(status.Test))
			return errors.New("the agent knows of no test any more: it was started anew, and the test is lost; begin again")
		}
		status = t.Running[i]
	}
	if status.Phase == string(guided.GivenUp) {
		fmt.Fprintf(s.stdout, "  %s\n", status.Instruction)
		return fmt.Errorf("the test was given up: %s", status.Why)
	}
	fmt.Fprintf(s.stdout, "\nDone: %s\n  %s\nIt is filed (loadscribe test list), and the figures use it.\n", status.SoFar, status.Instruction)
	return nil
}

// breakOff cancels the test of a person who leaves.
func breakOff(s *surroundings, r *running, test, system string) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(s.ctx), aliveWait)
	defer cancel()
	var status agent.TestStatus
	if err := r.post(ctx, "/api/v1/tests/cancel", map[string]string{"system": system}, &status); err != nil {
		fmt.Fprintf(s.stdout, "\n  %s\n", guided.Afterwards(test))
		return fmt.Errorf("the test could not be cancelled: %w", err)
	}
	fmt.Fprintf(s.stdout, "\n  %s\n", status.Instruction)
	return errors.New("the test was cancelled; nothing is filed")
}

// progress prints what has changed.
type progress struct {
	out    io.Writer
	last   agent.TestStatus
	lastAt time.Time
}

func (p *progress) show(t *agent.TestStatus, now time.Time) {
	turned := t.Instruction != p.last.Instruction
	if turned {
		fmt.Fprintf(p.out, "\n[%s] %s\n", t.Phase, t.Instruction)
	}
	if t.Detail != p.last.Detail && t.Detail != "" {
		fmt.Fprintf(p.out, "  ! %s\n", t.Detail)
	}
	if t.SoFar != p.last.SoFar && t.SoFar != "" {
		fmt.Fprintf(p.out, "  so far: %s\n", t.SoFar)
	}
	if turned || t.Done != p.last.Done || now.Sub(p.lastAt) >= testShown && t.Needs != p.last.Needs {
		fmt.Fprintf(p.out, "  %d of %d: needs %s\n", t.Done, t.Needed, t.Needs)
		p.lastAt, p.last = now, *t
		return
	}
	needs := p.last.Needs
	p.last = *t
	p.last.Needs = needs
}

// post sends JSON and reads the answer into out.
func (r *running) post(ctx context.Context, path string, given, out any) error {
	content, err := json.Marshal(given)
	if err != nil {
		return fmt.Errorf("ask the running agent: %w", err)
	}
	body, err := r.send(ctx, http.MethodPost, path, content)
	if err != nil {
		return err
	}
	return decodeAnswer(body, out)
}
