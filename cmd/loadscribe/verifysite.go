package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"

	"loadscribe/agent"
)

// site verifies the evidence log of a site's record.
func (c *verifyCmd) site(s *surroundings) error {
	kept, err := readCheckpoint(c.Checkpoint)
	if err != nil {
		return err
	}
	site, source, err := (&siteFlags{c.Site, c.Data}).open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	told := newWorkLine(s.stderr, "verify")
	v, err := source.Verify(s.ctx, string(kept), func(done, total int64) {
		told.share("comparing the record with its log", float64(done)/float64(max(total, 1)))
	})
	told.end()
	if err != nil {
		return err
	}
	if c.JSON {
		err = printJSON(s.stdout, v)
	} else {
		printSiteVerdict(s.stdout, &v, kept != nil)
	}
	if err == nil && !v.Sound {
		err = fmt.Errorf("%s: the record is not as it was logged: %s", site.Agent.DataDir, v.Breaks[0].Text)
	}
	return err
}

// printSiteVerdict says what was found, the first break first.
func printSiteVerdict(out io.Writer, v *agent.EvidenceVerdict, kept bool) {
	if v.Sound {
		fmt.Fprintln(out, "The record is as it was logged.")
	} else {
		fmt.Fprintf(out, "The record is NOT as it was logged, breaks: %d, the first by time first.\n", v.BreakCount)
		for _, b := range v.Breaks {
			fmt.Fprintf(out, "  break     %s\n", b.Text)
		}
		if n := v.BreakCount - int64(len(v.Breaks)); n > 0 {
			fmt.Fprintf(out, "  break     and %d more\n", n)
		}
	}
	if h := v.Head; h != nil {
		fmt.Fprintf(out, "  log       %s, %d leaves, checkpoint of %s\n", h.Log, h.Size, h.Made)
		fmt.Fprintf(out, "  key       %s\n", h.Key)
		if h.From != 0 || h.To != 0 {
			fmt.Fprintf(out, "  window    %s to %s\n", h.From, h.To)
		}
	}
	fmt.Fprintf(out, "  checked   %d scans in %d blocks, %d events; of %d more blocks the hashes alone are kept (keep_raw, or an import undone)\n",
		v.Readings, v.Blocks, v.Events, v.Dropped)
	if n := len(v.Keys); n > 1 {
		fmt.Fprintf(out, "  note      %d keys have signed, one after the other; the events evidence_key say when and why\n", n)
		for _, k := range v.Keys {
			fmt.Fprintf(out, "            from leaf %d on  %s\n", k.Leaf, k.Key)
		}
	}
	if v.AdoptedBlocks+v.AdoptedEvents > 0 {
		fmt.Fprintf(out, "  note      the log began on %s with %d blocks and %d events that were there: nothing shows whether they had been altered by then\n",
			v.Began, v.AdoptedBlocks, v.AdoptedEvents)
	}
	if v.Unsealed > 0 {
		fmt.Fprintf(out, "  note      %d scans and events are not sealed yet, and nothing is shown of them: the turn of the hour in a running agent seals them, its stop, or a backup from it\n", v.Unsealed)
	}
	if v.Kept != nil && v.Kept.Holds {
		fmt.Fprintf(out, "  kept      %s\n", v.Kept.Text)
	}
	if !kept {
		fmt.Fprintln(out, "  note      without a checkpoint kept elsewhere (--checkpoint) this shows that the record fits its log, not that the log is the first one: whoever owns the machine can make another")
	}
}

type checkpointCmd struct {
	siteFlags
	Out   string `help:"Write it to this file, on another computer's disk or a stick, instead of printing it." placeholder:"FILE"`
	Force bool   `help:"Let --out take the place of a file that is there."`
	JSON  bool   `name:"json" help:"Print it with its fields as JSON."`
}

func (c *checkpointCmd) Run(s *surroundings) error {
	site, source, err := c.open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	head, err := source.Evidence(s.ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, head)
	}
	advice := signedUpTo(&head) + "Keep it outside this machine: mail it, print it, copy it. Nothing before it can then be altered unseen (loadscribe verify --checkpoint).\n"
	if c.Out == "" {
		fmt.Fprint(s.stdout, head.Checkpoint)
		fmt.Fprintf(s.stderr, "%sThe key's fingerprint is %s.\n", advice, head.Key)
		return nil
	}
	if err := mayWrite(site, "--out", c.Out, c.Force); err != nil {
		return err
	}
	err = writeWhole("--out", c.Out, func(out *os.File) error {
		_, err := io.WriteString(out, head.Checkpoint)
		return err
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "%s: the checkpoint of %s, %d leaves, signed by the key %s.\n%s", c.Out, head.Made, head.Size, head.Key, advice)
	return nil
}

// signedUpTo says which readings a checkpoint stands for: a log begins without any,
// and its newest hour is not sealed.
func signedUpTo(head *agent.EvidenceHead) string {
	if head.To == 0 {
		return "It stands for no reading yet: they are sealed at the turn of the hour by a running agent, at its stop, and by a backup. Take another one then.\n"
	}
	return fmt.Sprintf("It stands for the readings up to %s.\n", head.To)
}

func (a *stopped) Evidence(context.Context) (agent.EvidenceHead, error) { return a.history.Evidence() }

func (r *running) Evidence(ctx context.Context) (head agent.EvidenceHead, err error) {
	err = r.read(ctx, "/api/v1/evidence", nil, &head)
	return head, err
}

func (a *stopped) Verify(ctx context.Context, kept string, progress func(done, total int64)) (agent.EvidenceVerdict, error) {
	v, err := a.history.VerifyEvidence(ctx, kept, progress)
	return v, noCheckpoint(err)
}

// noCheckpoint is the error of a file that is none.
func noCheckpoint(err error) error {
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		return misuse{fmt.Errorf("--%s: %s", field.Field, field.Message)}
	}
	return err
}

func (r *running) Verify(ctx context.Context, kept string, _ func(done, total int64)) (v agent.EvidenceVerdict, err error) {
	body, err := json.Marshal(map[string]string{"checkpoint": kept})
	if err != nil {
		return v, err
	}
	answer, err := r.send(ctx, http.MethodPost, "/api/v1/verify", body)
	if err != nil {
		return v, noCheckpoint(err)
	}
	return v, decodeAnswer(answer, &v)
}
