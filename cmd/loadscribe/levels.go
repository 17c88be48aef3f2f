package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"text/tabwriter"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

type levelsCmd struct {
	siteFlags
	Machine string `help:"Whose levels; may be left out where the site has one machine." placeholder:"NAME"`
	Learn   bool   `help:"Learn the levels from the machine's own data and fold the whole record with them."`
	From    string `help:"Begin of the data to learn from; left out: three days before the end." placeholder:"TIME"`
	To      string `help:"End of the data to learn from; left out: the last reading." placeholder:"TIME"`
	RunFrom string `name:"run" help:"Set by hand: running from so much up, such as \"5 kW\" or \"12 A\"." placeholder:"QUANTITY"`
	LoadOn  string `name:"load" help:"Set by hand: loaded from so much up." placeholder:"QUANTITY"`
	Forget  bool   `help:"Take learnt or set levels back: shares of the rated value hold again."`
	JSON    bool   `help:"Print JSON."`
}

func (c *levelsCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	if _, ok := site.MachineByName(c.Machine); c.Machine != "" && !ok {
		return unknownMachine(c.Machine, site)
	}
	changes := c.Learn || c.RunFrom != "" || c.LoadOn != "" || c.Forget
	if !changes {
		if c.From != "" || c.To != "" {
			return misuse{errors.New("--from and --to say what to learn from: add --learn")}
		}
		return c.list(s, site)
	}
	if c.Machine == "" {
		if len(site.Machines) != 1 {
			return misuse{fmt.Errorf("--machine: the site has %d machines: say which", len(site.Machines))}
		}
		c.Machine = site.Machines[0].Name
	}
	change := agent.LevelsChange{Machine: c.Machine, Learn: c.Learn, Run: c.RunFrom, Load: c.LoadOn, Forget: c.Forget}
	held, err := c.change(s, site, change)
	if errors.Is(err, analysis.ErrLevels) {
		return misuse{err}
	}
	if err != nil {
		return err
	}
	if c.JSON {
		err = printJSON(s.stdout, held)
	} else {
		err = printLevels(s.stdout, []analysis.HeldLevels{held})
	}
	if err == nil && held.Missing != "" {
		return fmt.Errorf("nothing was learnt for %s: %s", held.Machine, held.Missing)
	}
	return err
}

func (c *levelsCmd) list(s *surroundings, site *sitefile.Site) error {
	source, err := ask(s, site)
	if err != nil {
		return err
	}
	defer source.Close()
	all, err := source.Levels(s.ctx)
	if err != nil {
		return err
	}
	if c.Machine != "" {
		for i := range all {
			if all[i].Machine == c.Machine {
				all = all[i : i+1]
				break
			}
		}
	}
	if c.JSON {
		return printJSON(s.stdout, map[string]any{"machines": all})
	}
	return printLevels(s.stdout, all)
}

// change asks the agent that runs, or opens the store of a stopped one.
func (c *levelsCmd) change(s *surroundings, site *sitefile.Site, change agent.LevelsChange) (analysis.HeldLevels, error) {
	quiet := slog.New(slog.NewTextHandler(s.stderr, &slog.HandlerOptions{Level: slog.LevelError}))
	a, err := agent.Open(site, agent.Options{Version: version, Log: quiet})
	if errors.Is(err, store.ErrLocked) {
		return c.changeRunning(s, site, change)
	}
	if err != nil {
		return analysis.HeldLevels{}, err
	}
	// A stopped store's present is its last reading.
	if err = c.window(&change, a.History.Now(), site); err != nil {
		return analysis.HeldLevels{}, errors.Join(err, a.Close())
	}
	held, err := a.ChangeLevels(s.ctx, change)
	return held, errors.Join(err, a.Close())
}

func (c *levelsCmd) changeRunning(s *surroundings, site *sitefile.Site, change agent.LevelsChange) (held analysis.HeldLevels, err error) {
	answers, err := ask(s, site)
	if err != nil {
		return held, err
	}
	defer answers.Close()
	r, ok := answers.(*running)
	if !ok {
		return held, fmt.Errorf("%s: the agent has just stopped; try again", site.Agent.DataDir)
	}
	if err := c.window(&change, time.Now(), site); err != nil {
		return held, err
	}
	content, err := json.Marshal(change)
	if err != nil {
		return held, err
	}
	body, err := r.send(s.ctx, http.MethodPost, "/api/v1/levels/change", content)
	if err != nil {
		return held, err
	}
	return held, decodeAnswer(body, &held)
}

// window reads --from and --to.
func (c *levelsCmd) window(change *agent.LevelsChange, now time.Time, site *sitefile.Site) error {
	if c.From == "" && c.To == "" {
		return nil
	}
	w := window{c.From, c.To}
	if w.to == "" {
		w.to = "now"
	}
	if w.from == "" {
		w.from = "-3d"
	}
	from, to, err := w.resolve(now, site)
	change.From, change.To = agent.Stamp(from), agent.Stamp(to)
	return err
}

func (a *stopped) Levels(context.Context) ([]analysis.HeldLevels, error) { return a.history.Levels() }

func (r *running) Levels(ctx context.Context) ([]analysis.HeldLevels, error) {
	var answer struct {
		Machines []analysis.HeldLevels `json:"machines"`
	}
	err := r.read(ctx, "/api/v1/levels", nil, &answer)
	return answer.Machines, err
}

func printLevels(out io.Writer, all []analysis.HeldLevels) error {
	if len(all) == 0 {
		fmt.Fprintln(out, "the site file has no [[machine]]")
	}
	for i := range all {
		h := &all[i]
		fmt.Fprintf(out, "machine %s: states %s\n", h.Machine, h.Method)
		if h.Channel == "" {
			fmt.Fprintln(out, "  neither power nor motor current is read: there is nothing to set a level on")
			continue
		}
		fmt.Fprintf(out, "  levels of %s: %s\n", h.Channel, sourceText(h))
		table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		row := func(name string, on, off *float64) {
			if on != nil && off != nil {
				fmt.Fprintf(table, "    %s\tfrom %.4g %s up\tuntil below %.4g %s\n", name, *on, h.Unit, *off, h.Unit)
			}
		}
		row("running", h.RunOn, h.RunOff)
		row("loaded", h.LoadOn, h.LoadOff)
		for _, m := range h.Modes {
			fmt.Fprintf(table, "    seen %s\t%.4g %s\t%.4g to %.4g %s\t%s in %d visits\n", m.Name, m.Median, h.Unit, m.P05, m.P95, h.Unit,
				display.Duration(m.Seconds), m.Visits)
		}
		if err := table.Flush(); err != nil {
			return err
		}
	}
	return nil
}

func sourceText(h *analysis.HeldLevels) string {
	var text string
	switch h.Source {
	case "learnt":
		text = fmt.Sprintf("learnt from its own data (calibration %d)", h.Calibration)
	case "set":
		text = fmt.Sprintf("set by hand (calibration %d)", h.Calibration)
	case "assumed":
		text = "assumed shares of the rated value"
	default:
		text = "none: no rated value to assume them from"
	}
	if !h.Needed {
		text += "; not needed, signals tell the states"
	}
	return strings.TrimSpace(text)
}
