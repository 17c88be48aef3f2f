package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"loadscribe/agent"
	"loadscribe/agent/replay"
)

type replayCmd struct {
	siteFlags
	windowFlags
	System   string   `help:"Which system, where the site has several." placeholder:"NAME"`
	Set      []string `sep:"none" help:"One setting of an alternative, such as comp1.cut_out=112psi, comp1.no_load_stop=2min, volume_add=400gal, leaks_mended=50% or comp1.replace=drive-50hp; all that are given are tried together. docs/replay.md has the keys." placeholder:"KEY=VALUE"`
	Changes  string   `help:"A file of alternatives, and what a search may change (TOML); configs/replay/changes.toml is one." placeholder:"FILE"`
	Machines string   `help:"Your own list of machines that may take another's place (TOML), instead of the invented ones, which are built in and stand in configs/replay/machines.toml: copy that." placeholder:"FILE"`
	Search   bool     `help:"Try every combination that the table [search] of the changes file allows, and show the best."`
	Trace    string   `help:"Write the pressure and the states at each event to this file, as CSV." placeholder:"FILE"`
	Force    bool     `help:"Let --trace take the place of a file that is there."`
	JSON     bool     `help:"Print the answer of /api/v1/replay as JSON."`
}

func (c *replayCmd) Run(s *surroundings) error {
	asked, err := c.request()
	if err != nil {
		return err
	}
	site, source, err := c.open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	if err := mayWrite(site, "--trace", c.Trace, c.Force); err != nil {
		return err
	}
	told := newWorkLine(s.stderr, "replay")
	answer, err := source.Replay(s.ctx, asked, func(done, total int) {
		if total == 0 {
			told.tell("reading the record")
			return
		}
		told.share(fmt.Sprintf("%d of %d plays", done, total), float64(done)/float64(total))
	})
	told.end()
	if err != nil {
		return c.wrong(err)
	}
	if c.Trace != "" {
		err := writeWhole("--trace", c.Trace, func(out *os.File) error { return writeReplayTrace(out, answer, site) })
		if err != nil {
			return err
		}
	}
	if c.JSON {
		return printJSON(s.stdout, answer)
	}
	return printReplay(s.stdout, answer, site)
}

// request is what the flags and the files ask for.
func (c *replayCmd) request() (agent.ReplayRequest, error) {
	r := agent.ReplayRequest{System: c.System, From: c.From, To: c.To, Trace: c.Trace != ""}
	if c.Changes != "" {
		changes, err := replay.ReadChanges(c.Changes)
		if err != nil {
			return r, fmt.Errorf("--changes: %w", err)
		}
		r.Alternatives = changes.Alternatives
		if c.Search {
			r.Search = changes.Search
		}
	}
	if c.Search && r.Search == nil {
		return r, misuse{errors.New("--search: what may change is not known: name with --changes a file that has a table [search.vary]; configs/replay/changes.toml is an example")}
	}
	if c.Machines != "" {
		machines, err := replay.ReadMachines(c.Machines)
		if err != nil {
			return r, fmt.Errorf("--machines: %w", err)
		}
		r.Machines = machines
	}
	if len(c.Set) == 0 {
		return r, nil
	}
	alt := replay.Alternative{Name: "as the flags have it"}
	for _, text := range c.Set {
		key, value, ok := strings.Cut(text, "=")
		if !ok {
			return r, misuse{fmt.Errorf("--set %q: write KEY=VALUE, like %q", text, "comp1.cut_out=112 psi")}
		}
		alt.Set = append(alt.Set, replay.Setting{Key: strings.TrimSpace(key), Value: strings.TrimSpace(value)})
	}
	r.Alternatives = slices.Insert(r.Alternatives, 0, alt)
	return r, nil
}

// wrong says where what was asked is wrong: at a flag, or at a setting.
func (c *replayCmd) wrong(err error) error {
	field := (*agent.FieldError)(nil)
	switch {
	case !errors.As(err, &field):
		return err
	case slices.Contains([]string{"system", "from", "to", "trace"}, field.Field):
		return misuse{fmt.Errorf("--%s: %s", field.Field, field.Message)}
	case slices.ContainsFunc(c.Set, func(text string) bool {
		key, _, _ := strings.Cut(text, "=")
		return strings.TrimSpace(key) == field.Field
	}):
		return misuse{fmt.Errorf("--set %s: %s", field.Field, field.Message)}
	case strings.HasPrefix(field.Field, "machines[") && c.Machines != "":
		return misuse{fmt.Errorf("--machines %s: %s: %s", c.Machines, field.Field, field.Message)}
	case c.Changes != "":
		return misuse{fmt.Errorf("%s: %s: %s", c.Changes, field.Field, field.Message)}
	}
	return misuse{field}
}

func (a *stopped) Replay(ctx context.Context, r agent.ReplayRequest, progress func(done, total int)) (*replay.Answer, error) {
	return a.history.Replay(ctx, r, progress)
}

// Replay has the running agent replay, and breaks that off when ctx ends.
func (r *running) Replay(ctx context.Context, asked agent.ReplayRequest, progress func(done, total int)) (*replay.Answer, error) {
	job, err := followJob[replay.Answer](ctx, r, "replay", asked, progress)
	return job.Answer, err
}
