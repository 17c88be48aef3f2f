package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/hookup"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// hookupFlags are probe's flags for the hook-up check.
type hookupFlags struct {
	Hookup  bool   `help:"Walk through stopped, unloaded, loaded and name what is wired or mapped wrongly; needs --site."`
	Site    string `help:"The site file of the hook-up check." placeholder:"FILE"`
	Machine string `help:"Whose hook-up is checked; may be left out where the site has one machine." placeholder:"NAME"`
}

// walker is what the check is led through: a running agent over its API, or one
// that this command runs for as long as it takes.
type walker interface {
	Hookup(ctx context.Context) (hookup.Report, error)
	Start(ctx context.Context, machine string) (hookup.Report, error)
	Step(ctx context.Context, step hookup.Step, skip bool) (hookup.Report, error)
	Spot(ctx context.Context, s hookup.Spot) (agent.Event, error)
}

// runHookup leads a person through the hook-up check of a machine. keys brings
// what they type; nil is the terminal. An agent that runs on the site is asked;
// without one, an agent without pages records here until the check is over.
func runHookup(s *surroundings, f hookupFlags, keys io.Reader, asJSON bool) error {
	if f.Site == "" {
		return misuse{errors.New("--hookup needs --site FILE")}
	}
	site, err := loadSite(f.Site, sitefile.Options{})
	if err != nil {
		return err
	}
	if f.Machine == "" {
		if len(site.Machines) != 1 {
			return misuse{fmt.Errorf("--machine: the site has %d machines: say which", len(site.Machines))}
		}
		f.Machine = site.Machines[0].Name
	}
	if !slices.ContainsFunc(site.Machines, func(m sitefile.Machine) bool { return m.Name == f.Machine }) {
		return misuse{fmt.Errorf("--machine %q: %w in the site file", f.Machine, hookup.ErrNoMachine)}
	}
	w, stop, err := openWalker(s, site)
	if err != nil {
		return err
	}
	if keys == nil {
		keys = os.Stdin
	}
	c := newConversation(s, w, keys, asJSON)
	err = c.run(f.Machine)
	return errors.Join(err, stop())
}

// openWalker finds the agent that runs, or runs one.
func openWalker(s *surroundings, site *sitefile.Site) (w walker, stop func() error, err error) {
	quiet := slog.New(slog.NewTextHandler(s.stderr, &slog.HandlerOptions{Level: slog.LevelError}))
	a, err := agent.Open(site, agent.Options{Version: version, Log: quiet})
	if errors.Is(err, store.ErrLocked) {
		answers, err := ask(s, site)
		if err != nil {
			return nil, nil, err
		}
		if r, ok := answers.(*running); ok {
			return apiWalker{r}, r.Close, nil
		}
		return nil, nil, errors.Join(fmt.Errorf("%s: the agent has just stopped; try again", site.Agent.DataDir), answers.Close())
	}
	if err != nil {
		return nil, nil, err
	}
	ctx, cancel := context.WithCancel(s.ctx)
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx, "", nil) }()
	fmt.Fprintf(s.stderr, "no agent runs: recording into %s while the check lasts\n", site.Agent.DataDir)
	return localWalker{a}, func() error { cancel(); return <-ended }, nil
}

// localWalker is an agent in this process.
type localWalker struct{ agent *agent.Agent }

func (l localWalker) Hookup(context.Context) (hookup.Report, error) { return l.agent.Hookup(), nil }

func (l localWalker) Start(_ context.Context, machine string) (hookup.Report, error) {
	return l.agent.HookupStart(machine)
}

func (l localWalker) Step(_ context.Context, step hookup.Step, skip bool) (hookup.Report, error) {
	return l.agent.HookupStep(step, skip)
}

func (l localWalker) Spot(_ context.Context, s hookup.Spot) (agent.Event, error) {
	return l.agent.HookupSpot(s)
}

// apiWalker is a running agent.
type apiWalker struct{ *running }

// exchange sends what is given (nil: nothing) and reads the answer into out.
func (a apiWalker) exchange(ctx context.Context, method, path string, given, out any) error {
	var content []byte
	if given != nil {
		var err error
		if content, err = json.Marshal(given); err != nil {
			return fmt.Errorf("hook-up check: %w", err)
		}
	}
	body, err := a.send(ctx, method, "/api/v1/hookup"+path, content)
	if err != nil {
		return err
	}
	return decodeAnswer(body, out)
}

func (a apiWalker) Hookup(ctx context.Context) (r hookup.Report, err error) {
	return r, a.exchange(ctx, http.MethodGet, "", nil, &r)
}

func (a apiWalker) Start(ctx context.Context, machine string) (r hookup.Report, err error) {
	err = a.exchange(ctx, http.MethodPost, "/start", map[string]string{"machine": machine}, &r)
	return r, err
}

func (a apiWalker) Step(ctx context.Context, step hookup.Step, skip bool) (r hookup.Report, err error) {
	err = a.exchange(ctx, http.MethodPost, "/step", map[string]any{"step": step, "skip": skip}, &r)
	return r, err
}

func (a apiWalker) Spot(ctx context.Context, s hookup.Spot) (e agent.Event, err error) {
	err = a.exchange(ctx, http.MethodPost, "/spot", s, &e)
	return e, err
}

// conversation leads the person and reads what they type.
type conversation struct {
	ctx    context.Context
	walker walker
	lines  <-chan string
	out    io.Writer // for people
	asJSON io.Writer // nil: not wanted
	look   time.Duration
	said   map[string]bool // cautions
}

var errGivenUp = errors.New("given up; nothing was judged")

func newConversation(s *surroundings, w walker, keys io.Reader, asJSON bool) *conversation {
	c := &conversation{ctx: s.ctx, walker: w, out: s.stdout, look: 500 * time.Millisecond, said: map[string]bool{}}
	if asJSON {
		c.out, c.asJSON = s.stderr, s.stdout
	}
	lines := make(chan string)
	c.lines = lines
	// A read from a terminal cannot be broken off: this goroutine ends with the
	// input or, when the check ends before it, with the process.
	go func() {
		defer close(lines)
		for in := bufio.NewScanner(keys); in.Scan(); {
			select {
			case lines <- in.Text():
			case <-s.ctx.Done():
				return
			}
		}
	}()
	return c
}

// prompt asks for a line.
func (c *conversation) prompt(format string, args ...any) (string, error) {
	fmt.Fprintf(c.out, format, args...)
	select {
	case line, ok := <-c.lines:
		if !ok {
			return "", errGivenUp
		}
		return strings.TrimSpace(line), nil
	case <-c.ctx.Done():
		return "", errGivenUp
	}
}

func (c *conversation) run(machine string) error {
	r, err := c.walker.Start(c.ctx, machine)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "Hook-up check of %s. You lead the machine; loadscribe only reads.\n", machine)
	for r.Phase != "done" {
		if r.Phase == "waiting" {
			r, err = c.begin(r)
		} else {
			r, err = c.collect(r)
		}
		if err != nil {
			return err
		}
	}
	c.conclude(r)
	if c.asJSON != nil {
		if err := printJSON(c.asJSON, r); err != nil {
			return err
		}
	}
	if err := c.spots(machine); err != nil && !errors.Is(err, errGivenUp) {
		return err
	}
	if r.Verdict == "wrong" {
		return fmt.Errorf("the hook-up of %s is wrong: mend it as said above, then check again", machine)
	}
	return nil
}

// begin lets the person say that the machine does what the next step wants.
func (c *conversation) begin(r hookup.Report) (hookup.Report, error) {
	if r.Detail != "" {
		fmt.Fprintf(c.out, "\n! %s\n", r.Detail)
	}
	fmt.Fprintf(c.out, "\n[%d/%d] %s\n", slices.Index(hookup.Steps(), r.Step)+1, len(hookup.Steps()), r.Instruction)
	c.caution(r.Cautions)
	answer, err := c.prompt("Enter when it does (s leaves this step out, q gives up): ")
	if err != nil {
		return r, err
	}
	if answer == "q" {
		return r, errGivenUp
	}
	next, err := c.walker.Step(c.ctx, r.Step, answer == "s")
	if err != nil {
		fmt.Fprintf(c.out, "! %v\n", err)
		if c.ctx.Err() != nil || answer != "s" {
			return r, err
		}
		return r, nil // unloaded and loaded cannot be left out: ask again
	}
	return next, nil
}

func (c *conversation) caution(list []string) {
	for _, text := range list {
		if !c.said[text] {
			c.said[text] = true
			fmt.Fprintf(c.out, "  caution: %s\n", text)
		}
	}
}

// collect waits until the step is done or broken off.
func (c *conversation) collect(r hookup.Report) (hookup.Report, error) {
	step, told := r.Step, ""
	timer := time.NewTimer(0)
	defer timer.Stop()
	for r.Phase == "collecting" && r.Step == step {
		text := fmt.Sprintf("  %.0f of %.0f s", float64(int(r.CollectedS/5))*5, r.NeededS)
		if r.Detail != "" && r.Detail != "collecting" {
			text += ": " + r.Detail
		}
		if text != told {
			told = text
			fmt.Fprintln(c.out, text)
		}
		timer.Reset(c.look)
		select {
		case <-timer.C:
		case <-c.ctx.Done():
			return r, errGivenUp
		}
		var err error
		if r, err = c.walker.Hookup(c.ctx); err != nil {
			return r, err
		}
		if r.Phase == "idle" {
			return r, errors.New("the agent knows of no check any more: it was started anew; begin again")
		}
	}
	return r, nil
}

func (c *conversation) conclude(r hookup.Report) {
	fmt.Fprintln(c.out)
	for _, check := range r.Checks {
		fmt.Fprintf(c.out, "%-13s %-10s %s\n", strings.ReplaceAll(check.Name, "_", " "), check.Result, check.Text)
	}
	for _, f := range r.Findings {
		fmt.Fprintf(c.out, "\n%s (%s): %s\n  because: %s\n  mend: %s\n", strings.ReplaceAll(f.Code, "_", " "), f.Severity, f.Text, f.Basis, f.Mend)
	}
	switch r.Verdict {
	case "well":
		fmt.Fprintln(c.out, "\nAll well: bits, current, power, power factor and pressure move rightly, as far as they were judged.")
	case "hint":
		fmt.Fprintln(c.out, "\nNothing is plainly wrong, but look at the hint above.")
	}
	c.caution(r.Cautions)
}

// spots takes spot readings until an empty answer.
func (c *conversation) spots(machine string) error {
	for {
		answer, err := c.prompt("\nSpot readings with your own instrument: f as found, l as left, Enter ends: ")
		if err != nil || answer == "" {
			return err
		}
		when := map[string]string{"f": "as_found", "l": "as_left"}[answer]
		if when == "" {
			continue
		}
		spot := hookup.Spot{Machine: machine, When: when}
		if spot.Who, err = c.prompt("  read by: "); err != nil {
			return err
		}
		if spot.Instrument, err = c.prompt("  with (instrument, its number): "); err != nil {
			return err
		}
		for _, spot.Step = range []hookup.Step{hookup.Unloaded, hookup.Loaded} {
			if err := c.spot(spot); err != nil {
				return err
			}
		}
	}
}

// spot takes one reading; empty values are left out, three empty ones give
// none.
func (c *conversation) spot(s hookup.Spot) error {
	fmt.Fprintf(c.out, "  Let it run %s and read:\n", s.Step)
	var powerKW []float64
	for _, ask := range []struct {
		what string
		into *[]float64
	}{{"current, A (one, or three)", &s.CurrentA}, {"voltage, V (one, or three)", &s.VoltageV}, {"power, kW", &powerKW}} {
		for {
			line, err := c.prompt("    %s: ", ask.what)
			if err != nil {
				return err
			}
			if *ask.into, err = numbers(line); err == nil {
				break
			}
			fmt.Fprintf(c.out, "    ! %v\n", err)
		}
	}
	if len(powerKW) > 0 {
		watts := powerKW[0] * 1e3
		s.PowerW = &watts
	}
	if len(s.CurrentA) == 0 && len(s.VoltageV) == 0 && s.PowerW == nil {
		return nil
	}
	event, err := c.walker.Spot(c.ctx, s)
	if err != nil {
		var wrong misuse
		if errors.Is(err, hookup.ErrRefused) || errors.As(err, &wrong) {
			fmt.Fprintf(c.out, "  ! not kept: %v\n", err)
			return nil
		}
		return err
	}
	fmt.Fprintf(c.out, "  kept: %s\n", event.Text)
	return nil
}

// numbers reads numbers parted by spaces; none are fine.
func numbers(line string) ([]float64, error) {
	list := []float64{}
	for _, field := range strings.Fields(line) {
		v, err := strconv.ParseFloat(field, 64)
		if err != nil {
			return nil, fmt.Errorf("%q is not a number like 44.5; part several by spaces", field)
		}
		list = append(list, v)
	}
	return list, nil
}
