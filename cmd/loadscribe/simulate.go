package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"golang.org/x/sync/errgroup"

	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
	"loadscribe/simulator/serve"
)

type simulateCmd struct {
	Scenario      string `default:"joinery" help:"A built-in scenario (see --list), or the path of a .toml file." placeholder:"NAME|FILE"`
	List          bool   `help:"List the built-in scenarios and end."`
	WriteScenario string `help:"Write the scenario's own file here, to be changed and given to --scenario, and end. It must not be there yet." placeholder:"FILE"`
	WriteSite     string `help:"Write a site file and register maps that fit the scenario here: run the agent with --site DIR/site.toml." placeholder:"DIR"`
	Record        string `help:"Serve nothing: record the whole story here in one go, with its site file, maps and truth.json, and end." placeholder:"DIR"`
	TCP           string `default:"127.0.0.1:1502" help:"Serve Modbus TCP here; an empty address turns it off." placeholder:"HOST:PORT"`
	Pty           bool   `help:"Serve Modbus RTU on a pseudo-terminal and print its path."`
	Port          string `help:"Serve Modbus RTU on this serial port." placeholder:"PORT"`
	ASCII         bool   `name:"ascii" help:"Speak Modbus ASCII instead of RTU on --pty and --port."`
	RTUTCP        string `name:"rtu-tcp" help:"Serve Modbus RTU over TCP here, as a serial device server does." placeholder:"HOST:PORT"`
	Baud          int    `default:"19200" help:"Speed of the serial line; answers are paced to it."`
	TextPty       bool   `help:"Serve the plain-text panel of the first controller on a pseudo-terminal and print its path."`
	TextTCP       string `help:"Serve that panel here, as behind a serial device server." placeholder:"HOST:PORT"`
	TextPrints    bool   `help:"The panel prints by itself each second instead of answering."`

	Speed  float64       `default:"1" help:"How many times faster than the clock the plant runs."`
	Start  string        `help:"When the plant's story begins, RFC 3339; the present if not given." placeholder:"TIME"`
	WarmUp time.Duration `default:"2h" help:"How long the plant has run before it is served."`
	Truth  string        `help:"At the end, write what really happened to this file: .json, .jsonl (JSON lines) or .csv (a row a minute)." placeholder:"FILE"`
	Fault  []string      `help:"Damage a share of the answers: silence=0.01,late=0.01 …" placeholder:"KIND=SHARE"`
	Seed   uint64        `default:"1" help:"Seed of the faults."`
}

func (c *simulateCmd) Run(s *surroundings) error {
	begin, err := c.begin()
	switch {
	case c.List:
		return listScenarios(s.stdout)
	case err != nil:
		return misuse{err}
	case !(c.Speed > 0):
		return misuse{fmt.Errorf("--speed %g: write how many times faster than the clock it runs, more than 0", c.Speed)}
	case c.WriteScenario != "":
		return c.writeScenario(s.stdout)
	case c.Record != "":
		return c.record(s, begin)
	}
	scenario, err := c.scenario()
	if err != nil {
		return err
	}
	if err := c.checkAddresses(); err != nil {
		return misuse{err}
	}
	injector, err := c.injector()
	if err != nil {
		return misuse{err}
	}
	if c.WriteSite != "" && c.TCP == "" {
		return misuse{errors.New("--write-site: the site reaches the plant over Modbus TCP: leave --tcp as it is, or give it an address")}
	}
	if begin.IsZero() {
		begin = time.Now()
	}
	world, err := simulator.New(scenario, begin.Add(-c.WarmUp))
	if err != nil {
		return err
	}
	world.Advance(begin)
	driver := serve.NewDriver(world)
	group, ctx := errgroup.WithContext(s.ctx)
	served, err := c.serveAll(ctx, group, s.stdout, driver, injector)
	if err != nil {
		return err
	}
	if served == 0 {
		return misuse{errors.New("nothing to serve: give --tcp, --rtu-tcp, --pty, --port, --text-pty or --text-tcp")}
	}
	fmt.Fprintln(s.stdout, plantClock(scenario, begin))
	fmt.Fprintf(s.stdout, "%s, %g times as fast as the clock; Ctrl-C stops it\n", scenario.Title, c.Speed)
	group.Go(func() error { return driver.Run(ctx, c.Speed) })
	return errors.Join(group.Wait(), c.writeTruth(driver))
}

// scenario loads what was named; a name that is none is misuse, a file with a
// mistake in it is not.
func (c *simulateCmd) scenario() (*simulator.Scenario, error) {
	scenario, err := simulator.LoadScenario(c.Scenario)
	if errors.Is(err, simulator.ErrUnknownScenario) {
		err = misuse{err}
	}
	return scenario, err
}

// checkAddresses refuses what is no address before anything listens.
func (c *simulateCmd) checkAddresses() error {
	for _, one := range []struct{ flag, address string }{{"tcp", c.TCP}, {"rtu-tcp", c.RTUTCP}, {"text-tcp", c.TextTCP}} {
		if one.address == "" {
			continue
		}
		if _, _, err := net.SplitHostPort(one.address); err != nil {
			return fmt.Errorf("--%s %q: write host and port, like 127.0.0.1:1502", one.flag, one.address)
		}
	}
	return nil
}

// begin is --start; the zero time where it is not given.
func (c *simulateCmd) begin() (time.Time, error) {
	if c.Start == "" {
		return time.Time{}, nil
	}
	at, err := time.Parse(time.RFC3339, c.Start)
	if err != nil {
		return at, fmt.Errorf("--start %q: write a time with its zone, like 2026-03-02T00:00:00-06:00", c.Start)
	}
	return at, nil
}

func (c *simulateCmd) injector() (*serve.Injector, error) {
	faults := serve.Faults{Seed: c.Seed}
	for _, text := range c.Fault {
		var share float64
		found := false
		for f := serve.NoFault + 1; f < serve.NumFaults; f++ {
			if n, err := fmt.Sscanf(text, f.String()+"=%g", &share); err == nil && n == 1 {
				faults.Share[f], found = share, true
			}
		}
		if !found {
			return nil, fmt.Errorf("--fault %q: write KIND=SHARE with one of silence, late, wrong unit, garbage, torn, flipped, refused, dropped, inside, after, truncated, lost", text)
		}
	}
	return serve.NewInjector(faults)
}

// serveAll starts the servers that were asked for and returns how many.
func (c *simulateCmd) serveAll(ctx context.Context, group *errgroup.Group, out io.Writer, driver *serve.Driver,
	injector *serve.Injector) (served int, err error) {
	if c.TCP != "" {
		listener, err := net.Listen("tcp", c.TCP)
		if err != nil {
			return served, fmt.Errorf("simulate: listen on %s: %w; give --tcp another address", c.TCP, err)
		}
		if err := c.writeSite(out, driver, listener.Addr()); err != nil {
			listener.Close()
			return served, err
		}
		fmt.Fprintf(out, "modbus-tcp %s\n", listener.Addr())
		group.Go(func() error { return serve.ServeTCP(ctx, listener, driver, injector) })
		served++
	}
	lines, err := c.serveLines(ctx, group, out, driver, injector)
	if served += lines; err != nil {
		return served, err
	}
	texts, err := c.serveText(ctx, group, out, driver, injector)
	return served + texts, err
}

// serveText starts the servers of the plain-text panel.
func (c *simulateCmd) serveText(ctx context.Context, group *errgroup.Group, out io.Writer, driver *serve.Driver,
	injector *serve.Injector) (served int, err error) {
	if !c.TextPty && c.TextTCP == "" {
		return 0, nil
	}
	var unit byte
	driver.Do(func(w *simulator.World) {
		for _, d := range w.Devices() {
			if unit == 0 && d.Layout() == serve.PanelLayout {
				unit = d.Unit()
			}
		}
	})
	if unit == 0 {
		return 0, errors.New("simulate: the scenario has no controller, so there is no plain-text panel: add one, or leave --text-pty and --text-tcp out")
	}
	serving := func(baud int) func(context.Context, io.ReadWriteCloser) error {
		panel := serve.NewTextPanel(driver, unit, baud, injector)
		if c.TextPrints {
			return func(ctx context.Context, rw io.ReadWriteCloser) error { return panel.Print(ctx, rw, time.Second) }
		}
		return panel.Answer
	}
	if c.TextTCP != "" {
		listener, err := net.Listen("tcp", c.TextTCP)
		if err != nil {
			return served, fmt.Errorf("simulate: listen on %s: %w; give --text-tcp another address", c.TextTCP, err)
		}
		fmt.Fprintf(out, "text %s\n", listener.Addr())
		group.Go(func() error { return serve.ServeTextTCP(ctx, listener, serving(0)) })
		served++
	}
	if c.TextPty {
		pty, err := serve.OpenPty()
		if err != nil {
			return served, err
		}
		fmt.Fprintf(out, "text %s at %d baud\n", pty.Path(), c.Baud)
		group.Go(func() error { return serving(c.Baud)(ctx, pty) })
		served++
	}
	return served, nil
}

func (c *simulateCmd) writeTruth(driver *serve.Driver) (err error) {
	if c.Truth == "" {
		return nil
	}
	driver.Do(func(w *simulator.World) { err = stage.WriteTruth(c.Truth, w.Truth()) })
	return err
}
