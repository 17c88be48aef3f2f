package agent

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"loadscribe/agent/evidence"
	"loadscribe/agent/report"
	"loadscribe/agent/store"
)

// made tells who makes the report, of what, and when.
func (g *reportMaker) made() (report.Made, error) {
	d := &g.data
	m := report.Made{Version: g.h.version, At: StampOf(g.at).String(), From: Stamp(d.FromMS).String(), To: Stamp(d.ToMS).String(),
		Site: d.Site.Name, Hash: d.Site.Hash, Files: []report.FileHash{}}
	for i := range d.Site.Files {
		m.Files = append(m.Files, report.FileHash{Name: d.Site.Files[i].Name, Hash: d.Site.Files[i].Hash})
	}
	text, c, why, err := g.checkpoint()
	if err != nil {
		return m, err
	}
	if c == nil {
		m.Why, m.Command = why, g.command(&m)
		return m, nil
	}
	head, err := headOf(text, c)
	if err != nil {
		return m, err
	}
	m.Checkpoint, m.Log, m.Size, m.Root, m.Key, m.CoversTo = head.Checkpoint, head.Log, head.Size, head.Root, head.Key, head.To.String()
	m.Uncovered, m.Command = g.uncovered(c), g.command(&m)
	return m, nil
}

// uncovered says what of the window is not under a checkpoint; empty: nothing.
func (g *reportMaker) uncovered(c *evidence.Checkpoint) string {
	local := func(ms int64) string {
		return time.UnixMilli(ms).In(g.data.Site.Location).Format("Mon 2006-01-02 15:04:05 MST")
	}
	last := min(g.data.ToMS, g.h.past.newestMS+1)
	switch {
	case c.ToMS == 0:
		return "the checkpoint holds no reading: nothing of the window is under it"
	case last > c.ToMS+1 && g.data.FromMS > c.ToMS:
		return fmt.Sprintf("the checkpoint ends with the reading of %s: nothing of the window is under it", local(c.ToMS))
	case last > c.ToMS+1:
		return fmt.Sprintf("the checkpoint ends with the reading of %s: what the window has after it is not under the checkpoint", local(c.ToMS))
	}
	return ""
}

// checkpoint is the one given, once it is shown to be of this log, else the newest;
// why says why there is none.
func (g *reportMaker) checkpoint() (text []byte, c *evidence.Checkpoint, why string, err error) {
	head, err := g.h.store.Evidence()
	none := errors.Is(err, store.ErrNoEvidence)
	if err != nil && !none {
		return nil, nil, "", err
	}
	if g.r.Checkpoint != "" {
		text = evidence.FromMail([]byte(g.r.Checkpoint))
		given, err := evidence.ParseCheckpoint(text)
		switch {
		case err != nil:
			return nil, nil, "", wrongField("checkpoint", "%v: give the file as it was kept, all lines", err)
		case none:
			return nil, nil, "", wrongField("checkpoint", "the record has no evidence log yet, so that the checkpoint is of another one")
		case given.MadeMS > g.h.past.at:
			return nil, nil, "", wrongField("checkpoint", "it is of %s, after the time of the report, %s: give the same made_at as then, or a later one", Stamp(given.MadeMS), Stamp(g.h.past.at))
		}
		return text, &given, "", g.prefix(&given)
	}
	switch {
	case none:
		return nil, nil, "the record has no evidence log yet: its first entry is made when the first hour is sealed, or the agent stops", nil
	case head.Checkpoint.MadeMS > g.h.past.at:
		return nil, nil, fmt.Sprintf("the newest checkpoint is of %s, later than this report: one of then must be given to be named here", Stamp(head.Checkpoint.MadeMS)), nil
	}
	return head.Text, &head.Checkpoint, "", nil
}

// prefix shows that the log begins with the one of an older checkpoint.
func (g *reportMaker) prefix(given *evidence.Checkpoint) error {
	err := g.h.store.ReadLog(g.ctx, func(log *store.LogReader) error {
		now, err := evidence.ParseCheckpoint(log.Checkpoint())
		if err != nil {
			return fmt.Errorf("newest checkpoint: %w", err)
		}
		switch {
		case given.Origin != now.Origin:
			return wrongField("checkpoint", "it is of the log %s, this record's is %s", given.Origin, now.Origin)
		case given.Size > now.Size:
			return wrongField("checkpoint", "it names %d leaves, the log has %d: the log was cut off or begun anew; loadscribe verify --checkpoint says more", given.Size, now.Size)
		}
		proof, err := log.ProveSince(given.Size)
		if err != nil {
			return err
		}
		if err := evidence.CheckTree(now.Size, now.Root, given.Size, given.Root, proof); err != nil {
			return wrongField("checkpoint", "this record's log does not begin with it (%v): what was recorded before it was altered; loadscribe verify --checkpoint says more", err)
		}
		return nil
	})
	if errors.Is(err, context.Canceled) {
		return err
	}
	if err != nil {
		if wrong := (*FieldError)(nil); !errors.As(err, &wrong) {
			return fmt.Errorf("hold the log to the checkpoint: %w", err)
		}
	}
	return err
}

// command is the one that makes the report again, from the folder that holds the site
// file and report.json.
func (g *reportMaker) command(m *report.Made) string {
	parts := []string{"loadscribe report --site", shellWord(m.Files[0].Name), "--from", m.From, "--to", m.To}
	if g.before != "" {
		parts = append(parts, "--before", g.before)
	}
	if len(g.r.Alternatives) > 0 { // over the API they may come from no file: a person is to write one
		parts = append(parts, "--changes", shellWord(cmp.Or(g.r.Inputs.Changes, "changes.toml")))
	}
	if len(g.r.Machines) > 0 {
		parts = append(parts, "--machines", shellWord(cmp.Or(g.r.Inputs.Machines, "machines.toml")))
	}
	parts = append(parts, "--made-at", m.At)
	if m.Checkpoint != "" {
		parts = append(parts, "--checkpoint report.json")
	}
	return strings.Join(append(parts, "--out again"), " ")
}

// shellWord is a name as a shell takes it for one word.
func shellWord(name string) string {
	if strings.IndexFunc(name, func(r rune) bool {
		return !strings.ContainsRune("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-/", r)
	}) < 0 && name != "" {
		return name
	}
	return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
}
