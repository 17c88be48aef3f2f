package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"net/http"
	"os"
	"strings"

	"loadscribe/agent/bundle"
	"loadscribe/agent/evidence"
)

const formatEvidence = "evidence"

// keptCheckpoint reads the checkpoint that an evidence bundle is to continue;
// nil: none.
func (c *exportCmd) keptCheckpoint() ([]byte, error) {
	switch {
	case c.Format != formatEvidence && c.Checkpoint != "":
		return nil, misuse{errors.New("--checkpoint belongs to --format evidence")}
	case c.Format != formatEvidence:
		return nil, nil
	case c.Out == "":
		return nil, misuse{errors.New("--out is missing: an evidence bundle is a file, not a stream; give --out FILE.zip")}
	}
	return readCheckpoint(c.Checkpoint)
}

// maxReportJSON is how much of a file is read to find a report.json in it: a year's
// has some 60 MB.
const maxReportJSON = 256 << 20

// readCheckpoint reads the file of a kept checkpoint, or a report.json or report.html
// that has one; nil for an empty path. A slip with files is not to look like a forged log.
func readCheckpoint(path string) ([]byte, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, misuse{fmt.Errorf("--checkpoint: %w; give the file in which a checkpoint was kept, or an earlier report.json", err)}
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxReportJSON+1))
	if err != nil {
		return nil, fmt.Errorf("--checkpoint: %w", err)
	}
	var earlier struct {
		Made struct {
			Checkpoint string `json:"checkpoint"`
		} `json:"made"`
	}
	if json.Unmarshal(text, &earlier) == nil { // a report.json
		if earlier.Made.Checkpoint == "" {
			return nil, misuse{fmt.Errorf("--checkpoint: %s has no checkpoint: that report was made before the record had one; leave --checkpoint out, or give another", path)}
		}
		text = []byte(earlier.Made.Checkpoint)
	} else if bytes.HasPrefix(text, []byte("<!DOCTYPE html>")) {
		text = fromPage(text)
	}
	if len(text) > evidence.MaxMail { // what holds none must not be sent to an agent as one
		return nil, misuse{fmt.Errorf("--checkpoint: %s is no checkpoint: it is longer than %d bytes, and no report.json; give the file as it was kept", path, evidence.MaxMail)}
	}
	if len(bytes.TrimSpace(text)) == 0 {
		return nil, misuse{fmt.Errorf("--checkpoint: %s is empty: give the file as it was kept", path)}
	}
	text = evidence.FromMail(text)
	if _, err := evidence.ParseCheckpoint(text); err != nil {
		return nil, misuse{fmt.Errorf("--checkpoint: %s: %w: give the file as it was kept, all lines, or the report.json", path, err)}
	}
	return text, nil
}

// fromPage is the text of the checkpoint that a report.html shows; one without shows none.
func fromPage(page []byte) []byte {
	_, after, _ := bytes.Cut(page, []byte("<pre>loadscribe/"))
	shown, _, _ := bytes.Cut(after, []byte("</pre>"))
	return []byte(html.UnescapeString("loadscribe/" + strings.ReplaceAll(string(shown), "<wbr/>", "")))
}

// evidence writes a bundle, reads it again as a stranger would, and says what
// is in it.
func (c *exportCmd) evidence(s *surroundings, source asked, told *workLine, o bundle.Options) error {
	o.Progress = func(share float64) { told.share("making", share) }
	var d *bundle.Verdict
	err := writeWhole("--out", c.Out, func(f *os.File) error {
		if err := source.Bundle(s.ctx, f, c.window(), o); err != nil {
			return err
		}
		info, err := f.Stat()
		if err != nil {
			return err
		}
		d, err = bundle.Verify(s.ctx, f, info.Size(), bundle.VerifyOptions{Kept: o.Kept,
			Progress: func(done, total int64) { told.share("checking", float64(done)/float64(max(total, 1))) }})
		return err
	})
	told.end()
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "%s: %.1f MB, read again and checked.\n", c.Out, float64(d.Bytes)/1e6)
	printVerdict(s.stdout, d)
	return nil
}

func (a *stopped) Bundle(ctx context.Context, out *os.File, w window, o bundle.Options) (err error) {
	if o.FromMS, o.ToMS, err = w.resolve(a.history.Now(), a.history.Site()); err != nil {
		return err
	}
	if err := knownChannels(a.history.Groups(), o.Channels); err != nil {
		return err
	}
	_, err = a.history.WriteBundle(ctx, out, o)
	if errors.Is(err, bundle.ErrEmpty) || errors.Is(err, bundle.ErrKept) {
		return misuse{err}
	}
	return err
}

func (r *running) Bundle(ctx context.Context, out *os.File, w window, o bundle.Options) error {
	query := w.query()
	query.Set("format", formatEvidence)
	query.Set("layout", string(o.Layout))
	query["channel"] = o.Channels
	if o.Kept != nil {
		query.Set("checkpoint", string(o.Kept))
	}
	o.Progress(0) // the agent makes it whole before it sends
	body, err := r.send(ctx, http.MethodGet, "/api/v1/export?"+query.Encode(), nil)
	if err != nil {
		return err
	}
	defer body.Close()
	if _, err := io.Copy(out, body); err != nil {
		return fmt.Errorf("export broken off by the running agent: %w", err)
	}
	return nil
}
