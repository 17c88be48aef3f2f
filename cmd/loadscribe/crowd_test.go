package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/coder/websocket"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/testdata/peers"
)

// What is asked of the agent at once. The goals are the issue's: 200 pages, 50 that
// stopped reading, 50 scrapes a second.
const (
	crowdPages   = 200
	crowdStalled = 50
	crowdScrapes = 50 // a second
	crowdFor     = 12 * time.Second
)

// TestNoScanIsSkippedInACrowd runs the program as a process of its own beside a
// plant in another: 40 channels and more, once a second, a day of record
// behind it. While 200 pages are open, 50 clients have stopped reading, /metrics
// is scraped 50 times a second, reports are made and the record is exported,
// every poll that is due is stored, and nobody is cut off who reads.
func TestNoScanIsSkippedInACrowd(t *testing.T) {
	if testing.Short() {
		t.Skip("the program is built without the race detector here, and the crowd is the test's own")
	}
	c := startCrowd(t)
	before := time.Now()
	wait(t, 3*time.Second) // the grid of the polls, in peace
	ctx, stop := context.WithTimeout(t.Context(), 2*time.Minute)
	defer stop()
	var all sync.WaitGroup
	for range crowdPages {
		all.Go(func() { c.page(ctx) })
	}
	for range crowdStalled {
		c.stall(ctx)
	}
	eventually(t, "all pages in", time.Minute, func() bool { return c.pagesIn.Load() == crowdPages })
	all.Go(func() { c.scrape(ctx) })
	all.Go(func() { c.export(ctx) })
	all.Go(func() { c.report(ctx) })
	began := time.Now()
	eventually(t, "the load that is meant", 90*time.Second, func() bool {
		return time.Since(began) >= crowdFor && c.scrapes.Load() >= int64(crowdScrapes*crowdFor/time.Second) && c.reports.Load() > 0 && c.exports.Load() > 0
	})
	kicked, _ := scraped(t, c.address, "loadscribe_live_kicked_total")
	refused, _ := scraped(t, c.address, "loadscribe_live_refused_total")
	dropped, _ := scraped(t, c.address, "loadscribe_store_dropped_scans_total")
	if n := c.ended.Load(); n > 0 {
		t.Errorf("%d pages that read were cut off", n)
	}
	lasted := time.Since(began)
	c.leaving.Store(true)
	stop()
	all.Wait()
	wait(t, 3*time.Second)
	t.Logf("in %.0f s: %d live messages to %d pages, %d scrapes, %d exports, %d reports; kicked %s of %d stalled",
		lasted.Seconds(), c.messages.Load(), crowdPages, c.scrapes.Load(), c.exports.Load(), c.reports.Load(), kicked, crowdStalled)
	if refused != "0" || dropped != "0" {
		t.Errorf("%s live sockets were refused, %s scans dropped, want 0 of each", refused, dropped)
	}
	c.agent.signal(t, os.Interrupt)
	if code := c.agent.exit(t, 10*time.Second); code != exitFine {
		t.Errorf("the agent ended with %d: %s", code, c.agent.stderr)
	}
	c.wantEveryScan(t, before)
}

func wait(t *testing.T, d time.Duration) {
	t.Helper()
	select {
	case <-time.After(d):
	case <-t.Context().Done():
	}
}

// crowd is an agent and what is asked of it.
type crowd struct {
	t               *testing.T
	site            string
	address, secret string
	agent           *child
	client          *http.Client

	pagesIn, ended, messages, scrapes, exports, reports atomic.Int64
	leaving                                             atomic.Bool
}

func startCrowd(t *testing.T) *crowd {
	t.Helper()
	program := builtBinary(t)
	var lines []string
	for range 2 {
		plant := fmt.Sprintf("127.0.0.1:%d", peers.FreePort(t))
		startChild(t, program, "simulate", "--tcp", plant, "--warm-up", "1m")
		// What a slow plant takes is no skipped scan of the agent's.
		lines = append(lines, fmt.Sprintf("kind = \"modbus-tcp\"\naddress = %q\ntimeout = \"5s\"\n", plant))
	}
	dir := t.TempDir()
	site := writeSite(t, dir, lines[0])
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	more := strings.ReplaceAll(string(text), `every = "200ms"`, `every = "1s"`) + "[[line]]\nname = \"other\"\n" + lines[1]
	for unit, of := range []string{"screw-controller", "power-meter"} {
		more += fmt.Sprintf("[[device]]\nname = \"other-%s\"\nline = \"other\"\nunit = %d\nmap = \"maps/%s.toml\"\nevery = \"1s\"\n", of, unit+1, of)
	}
	writeFile(t, site, more)
	fillHours(t, site, 26)
	c := &crowd{t: t, site: site, agent: startChild(t, program, "run", "--site", site),
		client: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 64}}}
	t.Cleanup(c.client.CloseIdleConnections)
	c.address = agentAt(t, dir)
	in, _, err := agent.ReadInstance(filepath.Join(dir, "data"))
	if err != nil {
		t.Fatal(err)
	}
	c.secret = in.Secret
	eventually(t, "devices that answer", 20*time.Second, func() bool {
		st := stateAt(t, c.address)
		for _, d := range st.Devices {
			if !d.Up {
				return false
			}
		}
		return len(st.Channels) >= 40
	})
	return c
}

// page is a browser with the first page open: it reads all it is sent.
func (c *crowd) page(ctx context.Context) {
	conn, _, err := websocket.Dial(ctx, "ws://"+c.address+"/api/v1/live", nil)
	if err != nil {
		c.t.Errorf("a page: %v", err)
		return
	}
	defer conn.CloseNow()
	conn.SetReadLimit(4 << 20)
	for first := true; ; first = false {
		if _, _, err := conn.Read(ctx); err != nil {
			if !c.leaving.Load() {
				c.ended.Add(1)
				c.t.Logf("a page was cut off: %v", err)
			}
			return
		}
		if first {
			c.pagesIn.Add(1)
		}
		c.messages.Add(1)
	}
}

// stall opens a live socket and never reads.
func (c *crowd) stall(ctx context.Context) {
	c.t.Helper()
	conn, err := net.Dial("tcp", c.address)
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { conn.Close() })
	if err := conn.(*net.TCPConn).SetReadBuffer(4096); err != nil {
		c.t.Fatal(err)
	}
	fmt.Fprintf(conn, "GET /api/v1/live HTTP/1.1\r\nHost: %s\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"+
		"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n", c.address)
	answer, err := http.ReadResponse(bufio.NewReaderSize(conn, 512), nil)
	if err != nil || answer.StatusCode != http.StatusSwitchingProtocols {
		c.t.Fatalf("a stalled page: %v, %v", answer, err)
	}
}

// ask sends a request and throws the answer away; body may be empty.
func (c *crowd) ask(ctx context.Context, method, path, body string, into any) error {
	request, err := http.NewRequestWithContext(ctx, method, "http://"+c.address+path, strings.NewReader(body))
	if err != nil {
		return err
	}
	if body != "" {
		request.Header.Set("Content-Type", "application/json")
		request.Header.Set("Authorization", "Bearer "+c.secret)
	}
	answer, err := c.client.Do(request)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if into != nil {
		err = json.NewDecoder(answer.Body).Decode(into)
	}
	_, rest := io.Copy(io.Discard, answer.Body)
	if answer.StatusCode >= 300 {
		return fmt.Errorf("%s %s answers %s", method, path, answer.Status)
	}
	return errors.Join(err, rest)
}

// done counts what came whole; an error before the end is the test's.
func (c *crowd) done(n *atomic.Int64, err error) {
	switch {
	case err == nil:
		n.Add(1)
	case !c.leaving.Load():
		c.t.Error(err)
	}
}

// scrape reads /metrics 50 times a second, more at once where answers take longer.
func (c *crowd) scrape(ctx context.Context) {
	tick := time.NewTicker(time.Second / crowdScrapes)
	defer tick.Stop()
	var under sync.WaitGroup
	defer under.Wait()
	room := make(chan struct{}, 32)
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		select {
		case room <- struct{}{}:
			under.Go(func() { c.done(&c.scrapes, c.ask(ctx, http.MethodGet, "/metrics", "", nil)); <-room })
		default: // as many as that are under way
		}
	}
}

func (c *crowd) export(ctx context.Context) {
	for ctx.Err() == nil {
		c.done(&c.exports, c.ask(ctx, http.MethodGet, "/api/v1/export?from=-6h", "", nil))
	}
}

// report makes one report after the other.
func (c *crowd) report(ctx context.Context) {
	for ctx.Err() == nil {
		var job struct{ ID, State, Error string }
		err := c.ask(ctx, http.MethodPost, "/api/v1/report", `{"from":"-1d","to":"now"}`, &job)
		for err == nil && (job.State == "queued" || job.State == "running") {
			wait(c.t, 200*time.Millisecond)
			err = c.ask(ctx, http.MethodGet, "/api/v1/report?id="+job.ID, "", &job)
		}
		if err == nil && job.State != "done" {
			err = fmt.Errorf("the report is %s: %s", job.State, job.Error)
		}
		c.done(&c.reports, err)
	}
}

// wantEveryScan reads the record: of each group that is read once a second as many
// scans as seconds went by since, all with values.
func (c *crowd) wantEveryScan(t *testing.T, since time.Time) {
	t.Helper()
	kept, err := store.OpenReadOnly(filepath.Join(filepath.Dir(c.site), "data"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	type seen struct {
		n           int
		first, last float64 // s, when the question was asked
		worst       float64 // s between two
	}
	groups := map[string]*seen{}
	err = kept.Scans(store.ScanQuery{FromMS: since.UnixMilli()}, func(s *scan.Scan) error {
		if s.Group.PeriodMS != 1000 {
			return nil
		}
		if s.Reason != scan.Good {
			return fmt.Errorf("a scan of %s has no values: %v", s.Group.Device, s.Reason)
		}
		asked := float64(s.MonoMS-int64(s.DurationMS)/2) / 1000
		g := groups[s.Group.Device]
		if g == nil {
			g = &seen{first: asked}
			groups[s.Group.Device] = g
		} else {
			g.worst = max(g.worst, asked-g.last)
		}
		g.n, g.last = g.n+1, asked
		return nil
	})
	if err := errors.Join(err, kept.Close()); err != nil {
		t.Error(err)
	}
	if len(groups) != 4 {
		t.Errorf("%d groups are read once a second, want 4", len(groups))
	}
	for device, g := range groups {
		// At its first and last scan there was no crowd: each is within half a period of
		// its grid, hence the number of periods between them is certain.
		due := int(math.Round(g.last-g.first)) + 1
		t.Logf("%s: %d scans of %d due, at most %.3f s between two", device, g.n, due, g.worst)
		if g.n != due || due < int(crowdFor/time.Second) {
			t.Errorf("%s: %d scans are stored, %d were due", device, g.n, due)
		}
	}
}
