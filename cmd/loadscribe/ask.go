package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"slices"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/bundle"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/agent/transfer"
	"loadscribe/dashboard/door"
)

// asked is where a command gets its answers: a running agent over its API, or
// the files of a stopped one. The user does not have to know which.
type asked interface {
	Figures(ctx context.Context, w window, machine string) (analysis.Report, error)
	// Demand is a system's demand for air by steps.
	Demand(ctx context.Context, w window, system, step string) (analysis.Demand, error)
	// Money tells where the electricity of a window went and what it cost.
	Money(ctx context.Context, w window, machine, system string) (analysis.Money, error)
	// Export writes CSV to out.
	Export(ctx context.Context, out io.Writer, w window, layout transfer.Layout, channels []string) error
	// Bundle writes an evidence bundle to an empty file.
	Bundle(ctx context.Context, out *os.File, w window, o bundle.Options) error
	// Levels tells from which levels the machines' states come.
	Levels(ctx context.Context) ([]analysis.HeldLevels, error)
	Events(ctx context.Context, w window, f eventFilter) (agent.EventPage, error)
	Faults(ctx context.Context, w window) ([]agent.Fault, error)
	// Service tells when each service item of each machine is due.
	Service(ctx context.Context) ([]analysis.MachineService, error)
	// ServiceEffect sets the days before a service beside those after it.
	ServiceEffect(ctx context.Context, r agent.ServiceEffectRequest) (analysis.ServiceEffect, error)
	// Compare tells what was saved between two periods.
	Compare(ctx context.Context, r agent.CompareRequest) (analysis.Comparison, error)
	// Replay tells what other settings or machines would have done; progress is told
	// of so many plays.
	Replay(ctx context.Context, r agent.ReplayRequest, progress func(done, total int)) (*replay.Answer, error)
	// Report makes the audit report and its files; progress is told of so many steps.
	Report(ctx context.Context, r agent.ReportRequest, progress func(done, total int)) (*agent.ReportMade, error)
	// Text is a version of a site file or map, by its hash.
	Text(ctx context.Context, hash string) ([]byte, error)
	// RawFrom is the time from which raw readings are kept; zero where none was
	// dropped.
	RawFrom(ctx context.Context) (time.Time, error)
	// Leaks lists a system's leak tags beside what is measured.
	Leaks(ctx context.Context, w window, system string) (agent.Leaks, error)
	// Tests lists the guided tests.
	Tests(ctx context.Context) (agent.Tests, error)
	Audit(ctx context.Context) (agent.Audit, error)
	// Alarms is what stands and what is watched.
	Alarms(ctx context.Context) (agent.Alarms, error)
	// RemoteWrites is how it stands with the receivers of samples.
	RemoteWrites(ctx context.Context) (agent.RemoteWrites, error)
	// Evidence is the newest checkpoint of the evidence log.
	Evidence(ctx context.Context) (agent.EvidenceHead, error)
	// Verify compares the record with its evidence log, and that with the text of
	// a checkpoint; progress is told by a stopped store alone.
	Verify(ctx context.Context, kept string, progress func(done, total int64)) (agent.EvidenceVerdict, error)
	Close() error
}

// eventFilter says which events are wanted; an empty list means all.
type eventFilter struct {
	kinds, subjects []string
	limit           int
}

// window is a span of time as the user wrote it.
type window struct{ from, to string }

// resolve turns the window into Unix milliseconds, half open.
func (w window) resolve(now time.Time, site *sitefile.Site) (fromMS, toMS int64, err error) {
	from, to, err := w.parse(now, site)
	if err != nil {
		return 0, 0, err
	}
	if !from.Before(to) {
		return 0, 0, misuse{fmt.Errorf("--from (%s) is not before --to (%s): name the earlier time in --from", from.In(site.Location).Format(time.RFC3339), to.In(site.Location).Format(time.RFC3339))}
	}
	return from.UnixMilli(), to.UnixMilli(), nil
}

func (w window) parse(now time.Time, site *sitefile.Site) (from, to time.Time, err error) {
	if from, err = sitefile.ParseTime(w.from, now, site.Location, false); err != nil {
		return from, to, misuse{fmt.Errorf("--from: %w", err)}
	}
	if to, err = sitefile.ParseTime(w.to, now, site.Location, true); err != nil {
		return from, to, misuse{fmt.Errorf("--to: %w", err)}
	}
	return from, to, nil
}

// open loads the site and finds who answers for it, which the caller closes.
func (f *siteFlags) open(s *surroundings) (*sitefile.Site, asked, error) {
	site, err := f.load()
	if err != nil {
		return nil, nil, err
	}
	source, err := ask(s, site)
	return site, source, err
}

// askFor is ask for a window, whose mistakes are said before the store is opened,
// which may take a while.
func askFor(s *surroundings, site *sitefile.Site, w window) (asked, error) {
	if _, _, err := w.parse(time.Now(), site); err != nil {
		return nil, err
	}
	return ask(s, site)
}

// ask finds who answers for a site. The lock of the data directory decides: an
// address in it may be left over from an agent that was killed, and lead to
// another site's.
func ask(s *surroundings, site *sitefile.Site) (asked, error) {
	h, err := agent.OpenHistory(site, version, s.logger())
	if err == nil {
		return &stopped{h}, nil
	}
	if !errors.Is(err, store.ErrLocked) {
		return nil, err
	}
	return reach(s, site)
}

// reach finds the running agent that holds a site's data directory.
func reach(s *surroundings, site *sitefile.Site) (*running, error) {
	dir := site.Agent.DataDir
	in, left, err := agent.ReadInstance(dir)
	if err != nil {
		return nil, err
	}
	if !left {
		return nil, fmt.Errorf("%s: %w by another program, which has left no address there (agent.json): an agent that is still opening it, which takes a while after damage, or a command; wait for it or stop it, then try again",
			dir, store.ErrLocked)
	}
	if pid, known := store.Holder(dir); known && pid != in.PID {
		return nil, fmt.Errorf("%s: %w by process %d, which is not ready to answer: it is starting, and may be mending the store; try again in a minute",
			dir, store.ErrLocked, pid)
	}
	r := &running{in: in, client: pinned(in)}
	if err := r.alive(s.ctx); err != nil {
		return nil, fmt.Errorf("%s: %w: process %d holds it but does not answer at %s (%w); stop that process, then try again",
			dir, store.ErrLocked, in.PID, in.Address, err)
	}
	return r, nil
}

// stopped answers from the files.
type stopped struct{ history *agent.History }

func (a *stopped) Close() error { return a.history.Close() }

func (a *stopped) RawFrom(context.Context) (time.Time, error) {
	t, ok := a.history.RawFrom()
	if !ok {
		return time.Time{}, nil
	}
	return t, nil
}

func (a *stopped) Figures(_ context.Context, w window, machine string) (analysis.Report, error) {
	fromMS, toMS, err := w.resolve(a.history.Now(), a.history.Site())
	if err != nil {
		return analysis.Report{}, err
	}
	return a.history.Figures(fromMS, toMS, machine)
}

func (a *stopped) Export(ctx context.Context, out io.Writer, w window, layout transfer.Layout, channels []string) error {
	fromMS, toMS, err := w.resolve(a.history.Now(), a.history.Site())
	if err != nil {
		return err
	}
	groups := a.history.Groups()
	if err := knownChannels(groups, channels); err != nil {
		return err
	}
	source := func(fn func(*scan.Scan) error) error { return a.history.Scans(fromMS, toMS, nil, fn) }
	return transfer.ExportCSV(ctx, out, source, groups, transfer.CSVOptions{Layout: layout, Channels: channels})
}

func knownChannels(groups []*scan.Group, ids []string) error {
	var known []string
	for _, g := range groups {
		for i := range g.Channels {
			known = append(known, g.Channels[i].ID())
		}
	}
	for _, id := range ids {
		if slices.Contains(known, id) {
			continue
		}
		mend := `write it as "device.channel", as in the head of an export with --layout wide`
		if near := quantity.Nearest(id, known); near != "" {
			mend = fmt.Sprintf("did you mean %q?", near)
		}
		return misuse{fmt.Errorf("--channel %q: nothing of that name is stored; %s", id, mend)}
	}
	return nil
}

// running answers over the API of a running agent.
type running struct {
	in     agent.Instance
	client *http.Client
}

// pinned is a client that speaks to the agent that left agent.json, and to no
// other: its certificate is not known to any authority, but its fingerprint is in
// that file, which only its owner can read.
func pinned(in agent.Instance) *http.Client {
	if in.Scheme != "https" {
		return &http.Client{}
	}
	return &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{
		MinVersion: tls.VersionTLS12,
		// The check below takes the place of authorities and names.
		InsecureSkipVerify: true,
		VerifyConnection: func(c tls.ConnectionState) error {
			if got := door.Fingerprint(c.PeerCertificates[0].Raw); got != in.Fingerprint {
				return fmt.Errorf("the certificate there has the fingerprint %s, and agent.json says %s: that is another program, or the certificate has just changed", got, in.Fingerprint)
			}
			return nil
		},
	}}}
}

// aliveWait is how long a running agent may take to say that it is there.
const aliveWait = 3 * time.Second

func (r *running) alive(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, aliveWait)
	defer cancel()
	body, err := r.get(ctx, "/healthz", nil)
	if err != nil {
		return err
	}
	return body.Close()
}

func (r *running) Close() error {
	r.client.CloseIdleConnections()
	return nil
}

// get returns the body of a good answer; the caller closes it.
func (r *running) get(ctx context.Context, path string, query url.Values) (io.ReadCloser, error) {
	return r.send(ctx, http.MethodGet, path+"?"+query.Encode(), nil)
}

// send asks with a body, which is JSON where there is one.
func (r *running) send(ctx context.Context, method, path string, content []byte) (io.ReadCloser, error) {
	request, err := http.NewRequestWithContext(ctx, method, r.in.URL()+path, bytes.NewReader(content))
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w", r.in.Address, err)
	}
	if content != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	request.Header.Set("Authorization", "Bearer "+r.in.Secret)
	answer, err := r.client.Do(request)
	if err != nil {
		return nil, fmt.Errorf("ask the running agent: %w", err)
	}
	if answer.StatusCode == http.StatusOK || answer.StatusCode == http.StatusAccepted {
		return answer.Body, nil
	}
	defer answer.Body.Close()
	var refusal struct {
		Error struct {
			Message string `json:"message"`
			Field   string `json:"field"`
		} `json:"error"`
	}
	if json.NewDecoder(io.LimitReader(answer.Body, 64<<10)).Decode(&refusal) != nil || refusal.Error.Message == "" {
		return nil, fmt.Errorf("the running agent at %s answers %s to %s: is that a loadscribe of this version?", r.in.Address, answer.Status, path)
	}
	err = errors.New(refusal.Error.Message)
	if refusal.Error.Field != "" && method == http.MethodPost {
		err = &agent.FieldError{Field: refusal.Error.Field, Message: refusal.Error.Message}
	} else if refusal.Error.Field != "" {
		flag := refusal.Error.Field
		if flag == "hash" { // as the command calls it
			flag = "text"
		}
		err = fmt.Errorf("--%s: %w", flag, err)
	}
	if answer.StatusCode == http.StatusBadRequest || answer.StatusCode == http.StatusNotFound {
		return nil, misuse{err}
	}
	return nil, err
}

func (w window) query() url.Values { return url.Values{"from": {w.from}, "to": {w.to}} }

func (r *running) RawFrom(ctx context.Context) (time.Time, error) {
	var state agent.State
	if err := r.read(ctx, "/api/v1/state", nil, &state); err != nil {
		return time.Time{}, err
	}
	if state.Store.RawFrom == 0 {
		return time.Time{}, nil
	}
	return time.UnixMilli(int64(state.Store.RawFrom)), nil
}

func (r *running) Figures(ctx context.Context, w window, machine string) (report analysis.Report, err error) {
	query := w.query()
	if machine != "" {
		query.Set("machine", machine)
	}
	err = r.read(ctx, "/api/v1/figures", query, &report)
	return report, err
}

// read decodes the JSON of an answer.
func (r *running) read(ctx context.Context, path string, query url.Values, into any) error {
	body, err := r.get(ctx, path, query)
	if err != nil {
		return err
	}
	return decodeAnswer(body, into)
}

func decodeAnswer(body io.ReadCloser, into any) error {
	defer body.Close()
	if err := json.NewDecoder(body).Decode(into); err != nil {
		return fmt.Errorf("read the running agent's answer: %w", err)
	}
	return nil
}

func (r *running) Export(ctx context.Context, out io.Writer, w window, layout transfer.Layout, channels []string) error {
	query := w.query()
	query.Set("format", "csv")
	query.Set("layout", string(layout))
	query["channel"] = channels
	body, err := r.get(ctx, "/api/v1/export", query)
	if err != nil {
		return err
	}
	defer body.Close()
	if _, err := io.Copy(out, body); err != nil {
		return fmt.Errorf("export broken off by the running agent: %w", err)
	}
	return nil
}

// printJSON prints what --json promises.
func printJSON(out io.Writer, v any) error {
	e := json.NewEncoder(out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
