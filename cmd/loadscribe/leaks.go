package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"text/tabwriter"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

type leaksCmd struct {
	List     leaksListCmd     `cmd:"" default:"withargs" help:"List tagged leaks, and what they make of what is measured."`
	Add      leaksAddCmd      `cmd:"" help:"Tag a leak that was found."`
	Mended   leaksMendedCmd   `cmd:"" help:"Say that a tagged leak was mended."`
	Again    leaksAgainCmd    `cmd:"" help:"Say that a mended leak leaks again."`
	Correct  leaksCorrectCmd  `cmd:"" help:"Put right what a tag says; both stay."`
	Withdraw leaksWithdrawCmd `cmd:"" help:"Take a tag back that is none; it stays readable."`
}

type leaksListCmd struct {
	siteFlags
	windowFlags
	System string `help:"The system; may be left out where there is one." placeholder:"NAME"`
	JSON   bool   `help:"Print the JSON of /api/v1/leaks."`
}

// leakSaid is what each entry has.
type leakSaid struct {
	siteFlags
	Who  string `required:"" help:"Who says so." placeholder:"NAME"`
	What string `help:"What was seen or done." placeholder:"TEXT"`
	At   string `help:"When it was so: RFC 3339, a local date, or an age such as -2h; now if not given." placeholder:"TIME"`
}

type leakSize struct {
	Hole        string  `help:"A round hole that would hiss as loud, like \"1/8 in\" or \"3 mm\"." placeholder:"LENGTH"`
	Coefficient float64 `help:"The jet's area by the hole's: 0.65 for a sharp edge if not given, 0.97 well rounded." placeholder:"C"`
}

type leaksAddCmd struct {
	Place string `arg:"" help:"Where it is, so that another finds it."`
	leakSaid
	leakSize
	System string `help:"The system; may be left out where there is one." placeholder:"NAME"`
}

type leaksMendedCmd struct {
	Tag uint64 `arg:"" help:"The tag's number, as leaks shows it."`
	leakSaid
}

type leaksAgainCmd struct {
	Tag uint64 `arg:"" help:"The tag's number, as leaks shows it."`
	leakSaid
}

type leaksCorrectCmd struct {
	Tag uint64 `arg:"" help:"The tag's number, as leaks shows it."`
	leakSaid
	leakSize
	Place string `help:"Where it really is." placeholder:"TEXT"`
}

type leaksWithdrawCmd struct {
	Tag uint64 `arg:"" help:"The tag's number, as leaks shows it."`
	leakSaid
}

func (c *leakSaid) entry(action string, tag uint64) agent.LeakTagEntry {
	return agent.LeakTagEntry{Action: action, Tag: tag, Who: c.Who, What: c.What, Time: c.At}
}

// Run tags a leak.
func (c *leaksAddCmd) Run(s *surroundings) error {
	e := c.entry("found", 0)
	e.Place, e.System, e.Hole, e.Coefficient = c.Place, c.System, c.Hole, c.Coefficient
	return c.keep(s, e)
}

// Run marks a leak as mended.
func (c *leaksMendedCmd) Run(s *surroundings) error { return c.keep(s, c.entry("mended", c.Tag)) }

// Run opens a mended leak again.
func (c *leaksAgainCmd) Run(s *surroundings) error { return c.keep(s, c.entry("again", c.Tag)) }

// Run puts a tag right.
func (c *leaksCorrectCmd) Run(s *surroundings) error {
	e := c.entry("correct", c.Tag)
	e.Place, e.Hole, e.Coefficient = c.Place, c.Hole, c.Coefficient
	return c.keep(s, e)
}

// Run takes a tag back.
func (c *leaksWithdrawCmd) Run(s *surroundings) error { return c.keep(s, c.entry("withdraw", c.Tag)) }

// keep keeps an entry, through the running agent where there is one.
func (c *leakSaid) keep(s *surroundings, t agent.LeakTagEntry) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	e, err := keepLeak(s, site, t)
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		return misuse{fmt.Errorf("%s: %s", leakFlag(field.Field), field.Message)}
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "%s, event %d of %s\n", e.Text, e.Seq, time.UnixMilli(int64(e.Time)).In(site.Location).Format("Mon 2006-01-02 15:04 MST"))
	if e.NotSafe {
		fmt.Fprintln(s.stderr, "leaks: the disk takes nothing just now: the agent keeps it in memory and writes it when it can; do not write it again")
	}
	return nil
}

func keepLeak(s *surroundings, site *sitefile.Site, t agent.LeakTagEntry) (e agent.Event, err error) {
	e, err = agent.TagLeakStopped(site, agent.Options{Version: version, Log: s.logger()}, t)
	if !errors.Is(err, store.ErrLocked) {
		return e, err
	}
	r, err := reach(s, site)
	if err != nil {
		return e, err
	}
	defer r.Close()
	content, err := json.Marshal(t)
	if err != nil {
		return e, err
	}
	body, err := r.send(s.ctx, http.MethodPost, "/api/v1/leaks", content)
	if err != nil {
		return e, err
	}
	err = decodeAnswer(body, &e)
	return e, err
}

// leakFlag is what the user calls a field of an entry.
func leakFlag(field string) string {
	switch field {
	case "tag":
		return "the number"
	case "place":
		return "the place"
	case "time":
		return "--at"
	}
	return "--" + field
}

func (a *stopped) Leaks(_ context.Context, w window, system string) (agent.Leaks, error) {
	fromMS, toMS, err := w.resolve(a.history.Now(), a.history.Site())
	if err != nil {
		return agent.Leaks{}, err
	}
	return a.history.Leaks(system, fromMS, toMS)
}

func (r *running) Leaks(ctx context.Context, w window, system string) (l agent.Leaks, err error) {
	err = r.read(ctx, "/api/v1/leaks", url.Values{"from": {w.from}, "to": {w.to}, "system": {system}}, &l)
	return l, err
}

// Run lists the tags.
func (c *leaksListCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	system, err := oneSystem(site, c.System)
	if err != nil {
		return err
	}
	w := c.window()
	source, err := askFor(s, site, w)
	if err != nil {
		return err
	}
	defer source.Close()
	l, err := source.Leaks(s.ctx, w, system)
	switch {
	case err != nil:
		return err
	case c.JSON:
		return printJSON(s.stdout, l)
	}
	return printLeaks(s.stdout, &l, site)
}

// holeText is a hole's diameter in the site's units.
func holeText(units quantity.System, diameterM float64) string {
	if units == quantity.US {
		return fmt.Sprintf("%.3g in", diameterM/0.0254)
	}
	return fmt.Sprintf("%.3g mm", diameterM*1000)
}

func printLeaks(out io.Writer, l *agent.Leaks, site *sitefile.Site) error {
	fmt.Fprintln(out, l.Sentence)
	if len(l.Tags) == 0 {
		return nil
	}
	unit := site.Units.Unit(quantity.Flow)
	day := func(at agent.Stamp) string {
		return time.UnixMilli(int64(at)).In(site.Location).Format("2006-01-02")
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "\ntag\tstate\t%s\thole\tfound\tby\tmended\tby\tplace\n", unit.Symbol)
	for i := range l.Tags {
		t := &l.Tags[i]
		flow, hole, mended := "–", "–", "–"
		if t.FlowM3S != nil {
			flow = fmt.Sprintf("%.3g", unit.FromSI(*t.FlowM3S))
		}
		if t.HoleM != nil {
			hole = holeText(site.Units, *t.HoleM)
		}
		if t.State == "mended" {
			mended = day(t.Mended)
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", t.Tag, t.State, flow, hole, day(t.Found), oneLine(t.FoundBy), mended, oneLine(t.MendedBy), oneLine(t.Place))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out, "\n%s\n", wrapped(l.Method, 100))
	return err
}
