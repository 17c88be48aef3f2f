package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
)

type auditCmd struct {
	Status auditStatusCmd `cmd:"" default:"withargs" help:"Each step: done, or what is still missing and where to do it (what audit alone does)."`
	Begin  auditBeginCmd  `cmd:"" help:"Begin an audit: the checks in between are counted from now."`
	Mark   auditMarkCmd   `cmd:"" help:"Say of a step that it was looked at, or why what is missing is accepted."`
}

type auditStatusCmd struct {
	siteFlags
	JSON bool `help:"Print the JSON of /api/v1/audit."`
}

type auditBeginCmd struct {
	siteFlags
	Who  string `required:"" help:"Who does the audit." placeholder:"NAME"`
	Ends string `help:"Planned end: a local date, which is in it, or RFC 3339; seven days on if not given." placeholder:"TIME"`
}

type auditMarkCmd struct {
	Words []string `arg:"" name:"text" help:"What was seen, or why it is accepted as it is."`
	siteFlags
	Step string `required:"" help:"Which step, as audit names it in brackets." placeholder:"STEP"`
	Who  string `required:"" help:"Who says so." placeholder:"NAME"`
}

func (a *stopped) Audit(context.Context) (agent.Audit, error) { return a.history.Audit() }

func (r *running) Audit(ctx context.Context) (a agent.Audit, err error) {
	err = r.read(ctx, "/api/v1/audit", nil, &a)
	return a, err
}

// Run tells how it stands, from the running agent or the files of a stopped one.
func (c *auditStatusCmd) Run(s *surroundings) error {
	site, source, err := c.open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	a, err := source.Audit(s.ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, a)
	}
	printAudit(s.stdout, &a, site, c.Site)
	return nil
}

func printAudit(out io.Writer, a *agent.Audit, site *sitefile.Site, file string) {
	at := func(t agent.Stamp) string {
		return time.UnixMilli(int64(t)).In(site.Location).Format("Mon 2006-01-02 15:04")
	}
	if strings.ContainsAny(file, " \t") {
		file = `"` + file + `"` // the shell takes it as one
	}
	fmt.Fprintln(out, a.Sentence)
	if a.Begun != nil {
		fmt.Fprintf(out, "begun %s by %s, planned until %s\n", at(a.Begun.Time), oneLine(a.Begun.Who), at(a.Begun.Ends))
	}
	for i := range a.Steps {
		st := &a.Steps[i]
		fmt.Fprintf(out, "\n%s [%s]: %s\n", st.Title, st.Step, st.State)
		if st.Sentence != "" {
			fmt.Fprintln(out, "  "+oneLine(st.Sentence))
		}
		if st.State == "missing" || st.State == "unseen" {
			for _, m := range st.Missing {
				fmt.Fprintln(out, "  - "+oneLine(m))
			}
			fmt.Fprintln(out, "  do it: "+strings.ReplaceAll(st.Command, "FILE", file))
			for _, c := range st.Cautions {
				fmt.Fprintln(out, "  caution: "+c)
			}
		}
		for _, m := range st.Marks {
			fmt.Fprintf(out, "  %s, %s: %s\n", at(m.Time), oneLine(m.Who), oneLine(m.Text))
		}
	}
}

// Run begins an audit of the running agent.
func (c *auditBeginCmd) Run(s *surroundings) error {
	return tellAudit(s, &c.siteFlags, "/api/v1/audit/begin", agent.AuditBegin{Who: c.Who, Ends: c.Ends})
}

// Run keeps what a person says of a step.
func (c *auditMarkCmd) Run(s *surroundings) error {
	return tellAudit(s, &c.siteFlags, "/api/v1/audit/mark", agent.AuditMark{Step: c.Step, Who: c.Who, Text: strings.Join(c.Words, " ")})
}

func tellAudit(s *surroundings, f *siteFlags, path string, body any) error {
	site, err := f.load()
	if err != nil {
		return err
	}
	r, err := needRunning(s, site, "it keeps what is said of an audit")
	if err != nil {
		return err
	}
	defer r.Close()
	var e agent.Event
	if err := r.post(s.ctx, path, body, &e); err != nil {
		return flagged(err)
	}
	fmt.Fprintf(s.stdout, "kept as event %d: %s\n", e.Seq, e.Text)
	return nil
}
