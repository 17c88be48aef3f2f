package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/probe"
	"loadscribe/agent/sitefile"
)

type probeCmd struct {
	Port       string        `help:"Serial port to probe; without --port and --address the ports are listed." placeholder:"PORT"`
	Address    string        `help:"Modbus TCP server or serial gateway to probe." placeholder:"HOST:PORT"`
	RTUOverTCP bool          `name:"rtu-over-tcp" help:"The address is a gateway that carries RTU frames."`
	ASCII      bool          `help:"Modbus ASCII instead of RTU."`
	Serial     []string      `help:"Serial settings to try before all others, like \"19200 8E1\"." placeholder:"SETTING"`
	Baud       []int         `help:"Speeds to try before others." placeholder:"BAUD"`
	Unit       string        `help:"Unit ids to ask before others: 3, or 3,7, or 1-20." placeholder:"IDS"`
	Listen     time.Duration `default:"2s" help:"How long to listen before anybody is asked; at least 1s."`
	For        time.Duration `default:"2m" help:"The longest that the search may take; 0 for no limit."`
	Timeout    time.Duration `default:"300ms" help:"How long an answer may take to begin while searching."`
	Table      []string      `help:"Tables to look at: coil, discrete, input, holding." placeholder:"TABLE"`
	From       uint16        `default:"0" help:"First address of the range, counted from zero."`
	Count      int           `default:"40" help:"How many addresses."`
	Watch      time.Duration `default:"20s" help:"How long to watch which of them move."`
	Name       []string      `sep:"none" help:"Name what you recognise: 0=discharge_pressure:u16:0.1:psi, 20.1=loaded, holding:20.1=loaded." placeholder:"ADDRESS=NAME"`
	WriteMap   string        `help:"Write the names as a register map to this new file." placeholder:"FILE"`
	Title      string        `default:"Controller (found by probe)" help:"Name of the register map."`
	Measure    int           `default:"20" help:"How many questions to measure the line with; 0 for none."`
	JSON       bool          `help:"Print JSON; progress still goes to stderr."`

	hookupFlags

	keys io.Reader // tests bring what a person would type
}

// leastListen: a master that polls once a second must be heard.
const leastListen = time.Second

// watchEvery is the period of the live table.
const watchEvery = 500 * time.Millisecond

// probeReport is what --json prints.
type probeReport struct {
	Ports    []probe.Port  `json:"ports,omitempty"`
	Line     string        `json:"line,omitempty"`
	Heard    *probe.Heard  `json:"heard,omitempty"`
	Refused  string        `json:"refused,omitempty"`
	Bound    *probeBound   `json:"bound,omitempty"`
	Sweep    *probe.Swept  `json:"sweep,omitempty"`
	Device   *probe.Found  `json:"device,omitempty"`
	Tables   []probeTable  `json:"tables,omitempty"`
	Health   *probe.Health `json:"health,omitempty"`
	Cautions []string      `json:"cautions,omitempty"`
	Map      string        `json:"map,omitempty"`
	Site     string        `json:"site_file_part,omitempty"`
}

type probeBound struct {
	Tries     int     `json:"tries"`
	Settings  int     `json:"settings"`
	Likely    int     `json:"likely_tries"`
	LikelyS   float64 `json:"likely_longest_s"`
	AllS      float64 `json:"longest_s"`
	LimitS    float64 `json:"limit_s"`
	Fit       int     `json:"tries_within_limit"`
	TimeoutMS int64   `json:"timeout_ms"`
}

type probeTable struct {
	Table sitefile.Table `json:"table"`
	From  uint16         `json:"from"`
	Count int            `json:"count"`
	Here  int            `json:"readable"`
	Holes []probe.Hole   `json:"holes"`
	Seen  int            `json:"times_read"`
	Rows  []probe.Row    `json:"rows"`
}

// probing is one run of the command.
type probing struct {
	*probeCmd
	s      *surroundings
	out    io.Writer // for people; nothing where JSON is wanted
	line   probe.Line
	wish   probe.Wish
	tables []sitefile.Table
	names  []probe.Name
	report probeReport
	looks  []probe.Look
}

func (c *probeCmd) Run(s *surroundings) error {
	if c.Hookup {
		return runHookup(s, c.hookupFlags, c.keys, c.JSON)
	}
	p := &probing{probeCmd: c, s: s, out: s.stdout}
	if c.JSON {
		p.out = io.Discard
	}
	if err := p.understand(); err != nil {
		return misuse{err}
	}
	err := p.run(s.ctx)
	if c.JSON {
		err = errors.Join(err, printJSON(s.stdout, &p.report))
	}
	return err
}

func (p *probing) run(ctx context.Context) error {
	if p.Port == "" && p.Address == "" {
		return p.listPorts()
	}
	p.report.Line = p.line.Name
	p.report.Cautions = probe.Cautions()
	for _, caution := range p.report.Cautions {
		fmt.Fprintln(p.s.stderr, "caution:", caution)
	}
	if err := p.listen(ctx); err != nil {
		return err
	}
	found, err := p.sweep(ctx)
	if err != nil {
		return err
	}
	session, err := probe.Connect(ctx, p.line, found.Serial)
	if err != nil {
		return err
	}
	return errors.Join(p.study(ctx, session, found), session.Close())
}

func (p *probing) listPorts() error {
	root := ""
	if runtime.GOOS == "linux" {
		root = "/"
	}
	ports, err := probe.Ports(root)
	if err != nil {
		return err
	}
	p.report.Ports = ports
	if len(ports) == 0 {
		fmt.Fprintln(p.out, "no serial port is there: plug the adapter in, wait a moment, and look again")
	}
	for _, port := range ports {
		fmt.Fprintln(p.out, port.Name)
		if port.Known != "" {
			fmt.Fprintln(p.out, "    "+port.Known)
		}
		if port.Stable != "" {
			fmt.Fprintln(p.out, "    stays the same when replugged: "+port.Stable)
		}
	}
	if len(ports) > 0 {
		fmt.Fprintf(p.out, "\nnext: loadscribe probe --port %s\n", ports[0].Name)
	}
	return nil
}

// listen refuses a line on which somebody else speaks. Over Modbus TCP nobody
// else could be heard.
func (p *probing) listen(ctx context.Context) error {
	if p.line.Framing == modbus.TCP {
		return nil
	}
	settings := probe.NewPlan(p.wish).Settings
	fmt.Fprintf(p.s.stderr, "listening on %s for %v; nothing is sent\n", p.line.Name, p.Listen)
	heard, err := probe.Listen(ctx, p.line, settings[0], p.Listen)
	if err != nil {
		return err
	}
	if !heard.Quiet() && heard.Count == 0 && heard.Text == "" && p.line.Serial {
		fmt.Fprintf(p.s.stderr, "%s; listening for its speed, still sending nothing\n", "something speaks on this line")
		limited, stop := p.limited(ctx)
		setting, more, ok, err := probe.Eavesdrop(limited, p.line, settings, p.Listen, func(s modbus.Serial) {
			fmt.Fprintf(p.s.stderr, "  listening at %s\n", s)
		})
		stop()
		if err != nil && !errors.Is(err, context.DeadlineExceeded) {
			return err
		}
		if ok {
			heard = more
			fmt.Fprintf(p.out, "its settings are %s\n", setting)
		}
	}
	p.report.Heard = &heard
	if !heard.Quiet() {
		p.report.Refused = heard.Explain()
		return fmt.Errorf("nobody was asked: %s", p.report.Refused)
	}
	return nil
}

func (p *probing) limited(ctx context.Context) (context.Context, context.CancelFunc) {
	if p.For <= 0 {
		return context.WithCancel(ctx)
	}
	return context.WithTimeout(ctx, p.For)
}

// sweep searches and returns the device to look at.
func (p *probing) sweep(ctx context.Context) (probe.Found, error) {
	plan := probe.NewPlan(p.wish)
	p.announce(plan)
	var at modbus.Serial
	swept, err := probe.Sweep(ctx, p.line, plan, p.For, func(step probe.Step) {
		switch {
		case step.Found != nil:
			fmt.Fprintf(p.s.stderr, "  found: unit %d %s %s\n", step.Found.Unit, step.Found.Answer, step.Found.Setting)
		case step.Done == 0 || step.Try.Serial != at:
			at = step.Try.Serial
			if p.line.Serial {
				fmt.Fprintf(p.s.stderr, "  %d of %d asked; now at %s\n", step.Done, step.Of, at)
			}
		}
	})
	p.report.Sweep = &swept
	if err != nil {
		return probe.Found{}, err
	}
	if len(swept.Found) == 0 {
		return probe.Found{}, p.nothing(swept)
	}
	if err := p.introduce(ctx, swept.Found); err != nil {
		return probe.Found{}, err
	}
	chosen := swept.Found[0]
	for _, unit := range p.wish.Units {
		for _, f := range swept.Found {
			if f.Unit == unit {
				p.report.Device = &f
				return f, nil
			}
		}
	}
	p.report.Device = &chosen
	return chosen, nil
}

// announce says beforehand how long the search can take.
func (p *probing) announce(plan probe.Plan) {
	b := &probeBound{Tries: len(plan.Tries), Settings: len(plan.Settings), Likely: plan.Likely,
		LikelyS: plan.Longest(plan.Likely).Seconds(), AllS: plan.Longest(len(plan.Tries)).Seconds(),
		LimitS: p.For.Seconds(), Fit: plan.Within(p.For), TimeoutMS: plan.Timeout.Milliseconds()}
	p.report.Bound = b
	if p.line.Serial {
		fmt.Fprintf(p.s.stderr, "asking: %d likely tries (of %d settings) take at most %s, all %d at most %s",
			b.Likely, b.Settings, rough(b.LikelyS), b.Tries, rough(b.AllS))
	} else {
		fmt.Fprintf(p.s.stderr, "asking: %d likely tries take at most %s, all %d at most %s", b.Likely, rough(b.LikelyS), b.Tries, rough(b.AllS))
	}
	if b.Fit < b.Tries {
		fmt.Fprintf(p.s.stderr, "; it ends after %v (at least %d tries; --for changes that)", p.For, b.Fit)
	}
	fmt.Fprintln(p.s.stderr)
}

func rough(seconds float64) string {
	return time.Duration(seconds * float64(time.Second)).Round(time.Second).String()
}

// nothing says what to look at when nobody has answered.
func (p *probing) nothing(swept probe.Swept) error {
	text := fmt.Sprintf("nobody answers on %s after %d tries", p.line.Name, swept.Tried)
	if swept.Ended != "" {
		text += " (" + swept.Ended + "; --for makes it longer)"
	}
	switch {
	case len(swept.Near) > 0:
		return fmt.Errorf("%s, but damaged bytes came at %s: a device is there; look at A and B (swapped?), termination and bias, "+
			"or name other settings with --serial", text, strings.Join(swept.Near, ", "))
	case !p.line.Serial:
		return fmt.Errorf("%s: check the unit id (--unit), and whether a gateway there carries RTU (--rtu-over-tcp)", text)
	}
	return fmt.Errorf("%s: look at the device's power, at A and B (swapping them does no harm), at its Modbus menu (is it switched on, which unit id); "+
		"then --ascii, a longer --timeout 1s, or --serial and --unit if you know them; "+
		"an old controller may speak plain text on RS-232", text)
}

func (p *probing) introduce(ctx context.Context, found []probe.Found) error {
	session, err := probe.Connect(ctx, p.line, found[0].Serial)
	if err != nil {
		return err
	}
	for i := range found {
		f := &found[i]
		probe.Introduce(ctx, session, f)
		fmt.Fprintf(p.out, "unit %d %s", f.Unit, f.Answer)
		if f.Setting != "" {
			fmt.Fprintf(p.out, ", at %s", f.Setting)
		}
		fmt.Fprintf(p.out, ", after %.1f ms", f.ReplyMS)
		if f.Slow {
			fmt.Fprint(p.out, " (slow: give its line a timeout of 3s)")
		}
		fmt.Fprintln(p.out)
		for _, text := range f.Identity {
			fmt.Fprintln(p.out, "    "+text)
		}
		if f.WhyNot != "" {
			fmt.Fprintln(p.out, "    "+f.WhyNot)
		}
	}
	if p.line.Serial && found[0].Serial.Parity == 'N' {
		fmt.Fprintln(p.out, "    (8N1 and 8N2 mostly understand each other: write what the device's menu says)")
	}
	return errors.Join(ctx.Err(), session.Close())
}

// study looks at the registers, measures the line and writes the map.
func (p *probing) study(ctx context.Context, session *probe.Session, device probe.Found) error {
	wait := modbus.DefaultTimeout
	if device.Slow {
		wait *= 3
	}
	question := frame.ReadRequest{Function: frame.ReadHoldingRegisters, Quantity: 1}
	for _, table := range p.tables {
		r, err := p.look(ctx, session, device.Unit, table, wait)
		if err != nil {
			return err
		}
		if first, ok := r.Question(); ok {
			question = first
		}
	}
	if p.Measure > 0 {
		health, err := probe.Measure(ctx, session, device.Unit, question, p.Measure, wait, nil)
		if err != nil {
			return err
		}
		p.report.Health = &health
		printHealth(p.out, &health)
	}
	if err := p.prompt(ctx); err != nil {
		return err
	}
	return p.write(device)
}
