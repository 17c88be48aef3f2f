package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"loadscribe/agent"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

type reportCmd struct {
	siteFlags
	windowFlags
	Out        string `required:"" help:"Folder for the files: report.html, report.pdf, workbook.xlsx and report.json. It is made where it is not there." placeholder:"DIR"`
	Before     string `help:"An earlier period to compare the window with, FROM/TO." placeholder:"FROM/TO"`
	Changes    string `help:"A file of alternatives to replay (TOML), instead of those that suit the site; configs/replay/changes.toml is one." placeholder:"FILE"`
	Machines   string `help:"Your own list of machines that may take another's place in a replay (TOML), instead of the invented ones; configs/replay/machines.toml is one." placeholder:"FILE"`
	Checkpoint string `help:"A checkpoint to print, or an earlier report.json that has it: shown to be of this log first. Left out: the newest." placeholder:"FILE"`
	MadeAt     string `help:"Make the report as of this time: what was recorded, noted or learnt later is not in it. Left out: the present." placeholder:"TIME"`
	Force      bool   `help:"Let the files take the place of others of their names."`
	JSON       bool   `help:"Print what was written as JSON."`
}

func (c *reportCmd) Run(s *surroundings) error {
	asked, err := c.request()
	if err != nil {
		return err
	}
	site, err := c.load()
	if err != nil {
		return err
	}
	if err := c.mayMake(); err != nil {
		return err
	}
	for _, name := range agent.ReportFileNames() {
		if err := mayWrite(site, "--out", filepath.Join(c.Out, name), c.Force); err != nil {
			return err
		}
	}
	source, err := ask(s, site)
	if err != nil {
		return err
	}
	defer source.Close()
	told := newWorkLine(s.stderr, "report")
	made, err := source.Report(s.ctx, asked, func(done, total int) {
		told.share("gathering and writing", float64(done)/float64(max(total, 1)))
	})
	told.end()
	if err != nil {
		return c.wrong(err)
	}
	if err := c.write(made); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, made)
	}
	return c.print(s, made, site)
}

// mayMake refuses a folder that cannot be one, before the work is done for it.
func (c *reportCmd) mayMake() error {
	if c.Out == "" {
		return misuse{errors.New("--out is empty: give the folder for the files, . for this one")}
	}
	at, err := filepath.Abs(c.Out)
	if err != nil {
		return fmt.Errorf("--out %s: %w", c.Out, err)
	}
	for {
		if _, err := os.Lstat(at); err == nil || at == filepath.Dir(at) {
			break // the part of it that is there
		}
		at = filepath.Dir(at)
	}
	if info, err := os.Stat(at); err != nil || !info.IsDir() {
		return misuse{fmt.Errorf("--out %s: %s is there and is no folder: give another name", c.Out, at)}
	}
	return nil
}

// request is what the flags and the files ask for.
func (c *reportCmd) request() (agent.ReportRequest, error) {
	r := agent.ReportRequest{From: c.From, To: c.To, Before: c.Before, MadeAt: c.MadeAt}
	if c.Changes != "" {
		changes, err := replay.ReadChanges(c.Changes)
		if err != nil {
			return r, fmt.Errorf("--changes: %w", err)
		}
		r.Alternatives, r.Inputs.Changes = changes.Alternatives, filepath.Base(c.Changes)
	}
	if c.Machines != "" {
		machines, err := replay.ReadMachines(c.Machines)
		if err != nil {
			return r, fmt.Errorf("--machines: %w", err)
		}
		r.Machines, r.Inputs.Machines = machines, filepath.Base(c.Machines)
	}
	kept, err := readCheckpoint(c.Checkpoint)
	if err != nil {
		return r, err
	}
	r.Checkpoint = string(kept)
	return r, nil
}

// wrong says at which flag or file what was asked is wrong.
func (c *reportCmd) wrong(err error) error {
	field := (*agent.FieldError)(nil)
	switch {
	case !errors.As(err, &field):
		return err
	case slices.Contains([]string{"from", "to", "before", "made_at", "checkpoint"}, field.Field):
		return misuse{fmt.Errorf("--%s: %s", strings.ReplaceAll(field.Field, "_", "-"), field.Message)}
	case strings.HasPrefix(field.Field, "machines[") && c.Machines != "":
		return misuse{fmt.Errorf("--machines %s: %s: %s", c.Machines, field.Field, field.Message)}
	case c.Changes != "":
		return misuse{fmt.Errorf("--changes %s: %s: %s", c.Changes, field.Field, field.Message)}
	}
	return misuse{field}
}

// write writes the files, each whole or not at all.
func (c *reportCmd) write(made *agent.ReportMade) error {
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return fmt.Errorf("report: %w; give --out a folder in one that this user may write to", err)
	}
	for i := range made.Files {
		f := &made.Files[i]
		err := writeWhole("--out", filepath.Join(c.Out, f.Name), func(out *os.File) error {
			_, err := out.Write(f.Data)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// print says what was written and what the report finds first.
func (c *reportCmd) print(s *surroundings, made *agent.ReportMade, site *sitefile.Site) error {
	out := &wrapWriter{out: s.stdout}
	fmt.Fprintf(out, "%s, %s to %s\n", made.Title, localTime(made.From, site), localTime(made.To, site))
	if len(made.Findings) > 0 {
		fmt.Fprintln(out, "what matters most:")
	}
	for _, title := range made.Findings {
		fmt.Fprintf(out, "  %s\n", title)
	}
	if n := made.FindingCount - len(made.Findings); n > 0 {
		fmt.Fprintf(out, "  and %d more\n", n)
	}
	if made.Uncovered != "" {
		fmt.Fprintf(out, "note: %s\n", made.Uncovered)
	}
	fmt.Fprintf(out, "written to %s:\n", c.Out)
	for i := range made.Files {
		fmt.Fprintf(out, "  %s, %.0f kB\n", made.Files[i].Name, float64(made.Files[i].Bytes)/1000)
	}
	return out.Close()
}

func (a *stopped) Report(ctx context.Context, r agent.ReportRequest, progress func(done, total int)) (*agent.ReportMade, error) {
	return a.history.ReportFiles(ctx, r, progress)
}

// Report has the running agent make the report, and breaks that off when ctx ends.
func (r *running) Report(ctx context.Context, asked agent.ReportRequest, progress func(done, total int)) (*agent.ReportMade, error) {
	job, err := followJob[agent.ReportMade](ctx, r, "report", asked, progress)
	if err != nil {
		return nil, err
	}
	for i := range job.Answer.Files {
		f := &job.Answer.Files[i]
		body, err := r.get(ctx, "/api/v1/report/file", url.Values{"id": {job.ID}, "name": {f.Name}})
		if err != nil {
			return nil, fmt.Errorf("fetch %s: %w", f.Name, err)
		}
		f.Data, err = io.ReadAll(io.LimitReader(body, int64(f.Bytes)+1))
		if err = errors.Join(err, body.Close()); err != nil {
			return nil, fmt.Errorf("fetch %s: %w", f.Name, err)
		}
		if sum := sha256.Sum256(f.Data); hex.EncodeToString(sum[:]) != f.SHA256 {
			return nil, fmt.Errorf("fetch %s: what arrived is not what the agent made: try again", f.Name)
		}
	}
	return job.Answer, nil
}
