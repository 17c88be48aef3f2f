package remote

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"loadscribe/agent/outward"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// point is a sample of a series by name; a test's whole truth is a set of them.
type point struct {
	series string
	ms     int64
	bits   uint64
}

func pointsOf(all []Series) (points []point) {
	for _, s := range all {
		for _, v := range s.Samples {
			points = append(points, point{nameOf(s.Labels), v.TimeMS, math.Float64bits(v.Value)})
		}
	}
	return points
}

func nameOf(labels []Label) string {
	var b strings.Builder
	for _, l := range labels {
		fmt.Fprintf(&b, "%s=%s ", l.Name, l.Value)
	}
	return strings.TrimSpace(b.String())
}

// scans is a Source of numbered scans, each a sample of some series, that one can add
// to. A position is the number of the next scan.
type scans struct {
	mu     sync.Mutex
	series int
	scans  int
	kept   int // the first that retention has not dropped
	asked  int
	err    error
}

const firstMS = 1_700_000_000_000

// at is what scan i gives: every series, but for some that rest now and then.
func (s *scans) at(i int) (all []Series) {
	for n := range s.series {
		if (i+n)%7 == 3 && n > 0 {
			continue
		}
		v := float64(i*1000 + n)
		if (i+n)%11 == 5 {
			v = math.Float64frombits(StaleBits)
		}
		all = append(all, Series{[]Label{{NameLabel, fmt.Sprintf("loadscribe_reading_%03d", n)}, {"site", "harrow-lane"}}, []Sample{{firstMS + int64(i)*1000, v}}})
	}
	return all
}

func (s *scans) add(n int) {
	s.mu.Lock()
	s.scans += n
	s.mu.Unlock()
}

func (s *scans) drop(before int) {
	s.mu.Lock()
	s.kept = before
	s.mu.Unlock()
}

// points are all that the source gives from the first scan on.
func (s *scans) points(from int) map[point]bool {
	all := map[point]bool{}
	for i := from; i < s.scans; i++ {
		for _, p := range pointsOf(s.at(i)) {
			all[p] = true
		}
	}
	return all
}

func (s *scans) Next(_ context.Context, after, until Position, most int) (b Batch, more bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked++
	if s.err != nil {
		return b, false, s.err
	}
	from, end := 0, s.scans
	for p, n := range map[*Position]*int{&after: &from, &until: &end} {
		if *p == nil {
			continue
		}
		if *n, err = strconv.Atoi(string(*p)); err != nil {
			return b, false, err
		}
	}
	if from < s.kept {
		b.Missed = int64(s.kept - from)
		from = s.kept
	}
	byName := map[string]int{}
	samples, i := 0, from
	for ; i < end && (samples < most || until != nil); i++ {
		for _, one := range s.at(i) {
			n, found := byName[nameOf(one.Labels)]
			if !found {
				n = len(b.Series)
				byName[nameOf(one.Labels)] = n
				b.Series = append(b.Series, Series{Labels: one.Labels})
			}
			b.Series[n].Samples = append(b.Series[n].Samples, one.Samples...)
			samples++
		}
	}
	slices.SortFunc(b.Series, func(x, y Series) int { return strings.Compare(nameOf(x.Labels), nameOf(y.Labels)) })
	if i > from || b.Missed > 0 {
		b.Next = Position(strconv.Itoa(max(i, from)))
	}
	return b, i < s.scans, nil
}

// Steps of a receiver's script.
const (
	stepOK       = "ok"
	stepLost     = "lost"     // taken, but the answer does not come
	stepUnsent   = "unsent"   // nothing came
	stepHalf     = "taken500" // taken, but says 500
	step500      = "500"
	step503      = "503"
	step429      = "429"
	step401      = "401"
	step404      = "404"
	stepRedirect = "302"
	stepHang     = "hang"
	stepKill     = "kill"     // nothing came, and the sender's process ends here
	stepKillLate = "killlate" // taken, and the sender's process ends here
)

// receiver is one in memory that follows a script and then takes what it gets. It
// stores a request whole or not at all, as Prometheus does.
type receiver struct {
	strict    bool                 // about order, as Prometheus is
	badSeries func(string) bool    // nil: none
	badPoint  func(point) bool     // nil: none
	bound     func() int64         // older ones are out of bounds; nil: none are
	always    func() (int, string) // what it always answers; nil: it does not
	kill      func()

	mu       sync.Mutex
	script   []string
	points   map[point]int
	last     map[string]point
	arrivals map[string][]int64 // first arrivals of each series
	requests int
	times    []time.Time
	sizes    []int
}

func newReceiver(script ...string) *receiver {
	return &receiver{script: script, strict: true, points: map[point]int{}, last: map[string]point{}, arrivals: map[string][]int64{}}
}

var errLost = errors.New("connection reset")

// RoundTrip implements http.RoundTripper.
func (r *receiver) RoundTrip(req *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	req.Body.Close()
	all, err := decodePayload(body)
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	unlock := sync.OnceFunc(r.mu.Unlock)
	defer unlock()
	r.requests++
	r.times, r.sizes = append(r.times, time.Now()), append(r.sizes, count(all))
	if r.always != nil {
		code, text := r.always()
		return reply(code, text), nil
	}
	step := stepOK
	if len(r.script) > 0 {
		step, r.script = r.script[0], r.script[1:]
	}
	switch step {
	case stepUnsent:
		return nil, errLost
	case stepHang:
		unlock()
		<-req.Context().Done()
		return nil, req.Context().Err()
	case step500, step503, step401, step404, step429, stepRedirect:
		code, err := strconv.Atoi(step)
		if err != nil {
			return nil, err
		}
		return reply(code, "not now"), nil
	case stepKill:
		r.kill()
		return nil, errLost
	}
	code, text := r.take(all)
	switch step {
	case stepLost:
		return nil, errLost
	case stepHalf:
		return reply(500, "half way"), nil
	case stepKillLate:
		r.kill()
		return nil, errLost
	}
	return reply(code, text), nil
}

func reply(code int, text string) *http.Response {
	return &http.Response{StatusCode: code, Status: fmt.Sprintf("%d %s", code, http.StatusText(code)), Header: http.Header{}, Body: io.NopCloser(strings.NewReader(text))}
}

// take stores a request, or says why not. The words are Prometheus'.
func (r *receiver) take(all []Series) (int, string) {
	for _, p := range pointsOf(all) {
		last, found := r.last[p.series]
		switch {
		case r.badSeries != nil && r.badSeries(p.series):
			return 400, "label value not allowed"
		case r.badPoint != nil && r.badPoint(p):
			return 400, "value not allowed"
		case r.bound != nil && p.ms < r.bound():
			return 400, "out of bounds"
		case r.strict && found && p.ms < last.ms:
			return 400, "out of order sample"
		case r.strict && found && p.ms == last.ms && p.bits != last.bits:
			return 400, "duplicate sample for timestamp"
		}
	}
	for _, p := range pointsOf(all) {
		if r.points[p]++; r.points[p] == 1 {
			r.arrivals[p.series] = append(r.arrivals[p.series], p.ms)
		}
		r.last[p.series] = p
	}
	return 204, ""
}

// checker is what of a test a rig needs.
type checker interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

// rig is a sender with its source, its receiver and its folder.
type rig struct {
	t        checker
	dir      string
	source   *scans
	receiver *receiver
	options  Options
	disk     *disk
	sender   *Sender
	stop     func() // ends the sender and waits for it
}

func newRig(t *testing.T, series int, r *receiver) *rig {
	return rigIn(t, t.TempDir(), series, r)
}

func rigIn(t checker, dir string, series int, r *receiver) *rig {
	return &rig{t: t, dir: dir, source: &scans{series: series}, receiver: r, options: Options{Transport: r, MostSamples: 200}, stop: func() {}}
}

func (g *rig) config() Config {
	return Config{Name: "head office", URL: "https://metrics.example/write"}
}

// start starts a sender as a new process would.
func (g *rig) start() {
	g.t.Helper()
	s, err := Open(g.dir, g.config(), g.source, g.options)
	if err != nil {
		g.t.Fatalf("%v", err)
	}
	disk := &disk{full: g.disk != nil && g.disk.isFull()}
	g.disk, s.keeper.files = disk, disk
	ctx, cancel := context.WithCancel(context.Background())
	g.sender = s
	g.receiver.mu.Lock()
	g.receiver.kill = func() {
		disk.die()
		cancel()
	}
	g.receiver.mu.Unlock()
	wait := running(ctx, g.t, s)
	g.stop = func() {
		cancel()
		wait()
		g.stop = func() {}
	}
}

// running runs a sender; the returned function waits for its end.
func running(ctx context.Context, t checker, s *Sender) (wait func()) {
	done := make(chan error)
	go func() { done <- s.Run(ctx) }()
	return func() {
		t.Helper()
		if err := <-done; err != nil {
			t.Errorf("%v", err)
		}
	}
}

// settle waits until all is sent, for as long as that may take by the sender's clock.
func (g *rig) settle(most time.Duration) {
	g.t.Helper()
	for end := time.Now().Add(most); time.Now().Before(end); {
		time.Sleep(time.Second)
		synctest.Wait()
		if at, _, _ := g.sender.position(); string(at) == strconv.Itoa(g.source.scans) {
			return
		}
	}
	g.t.Fatalf("not all is sent after %v: %+v", most, g.sender.State())
}

// aside are the samples that were set aside.
func (g *rig) aside() map[point]bool {
	g.t.Helper()
	all := map[point]bool{}
	for _, name := range []string{asideOlder, asideFile} {
		for _, line := range asideLines(g.t, filepath.Join(g.dir, outward.FolderOf("head office"), name)) {
			for _, v := range line.Samples {
				at, err := time.Parse(time.RFC3339, v[0])
				if err != nil {
					g.t.Fatalf("%v", err)
				}
				bits := StaleBits
				if v[1] != "stale" {
					value, err := strconv.ParseFloat(v[1], 64)
					if err != nil {
						g.t.Fatalf("%v", err)
					}
					bits = math.Float64bits(value)
				}
				labels := []string{}
				for _, k := range slices.Sorted(maps.Keys(line.Labels)) {
					labels = append(labels, k+"="+line.Labels[k])
				}
				all[point{strings.Join(labels, " "), at.UnixMilli(), bits}] = true
			}
		}
	}
	return all
}

// account holds the receiver to the source: what it has and what was set aside is all
// that there was from a scan on, and nothing else is there, and each series came in its order.
func (g *rig) account(from int) (aside map[point]bool) {
	g.t.Helper()
	want, given, aside := g.source.points(from), g.source.points(0), g.aside()
	missing, extra := 0, 0
	for p := range want {
		if g.receiver.points[p] == 0 && !aside[p] {
			missing++
		}
	}
	for p := range g.receiver.points {
		if !given[p] {
			extra++
		}
	}
	if missing > 0 || extra > 0 {
		g.t.Errorf("%d of %d samples are neither with the receiver nor set aside; %d were never given; %d set aside", missing, len(want), extra, len(aside))
	}
	for name, times := range g.receiver.arrivals {
		if !slices.IsSorted(times) {
			g.t.Errorf("%s did not come in its order", name)
		}
	}
	return aside
}

func asideLines(t checker, path string) (lines []asideLine) {
	t.Helper()
	data, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		t.Fatalf("%v", err)
	}
	for line := range bytes.Lines(data) {
		var l asideLine
		if err := jsonStrict(line, &l); err != nil {
			t.Fatalf("%s: %q: %v", path, line, err)
		}
		lines = append(lines, l)
	}
	return lines
}

// retryAfter answers 429 once, with that header.
type retryAfter struct {
	r    *receiver
	said string
}

func (a retryAfter) RoundTrip(req *http.Request) (*http.Response, error) {
	a.r.mu.Lock()
	first := a.r.requests == 0
	if first {
		a.r.script = []string{step429}
	}
	a.r.mu.Unlock()
	resp, err := a.r.RoundTrip(req)
	if err == nil && first {
		resp.Header.Set("Retry-After", a.said)
	}
	return resp, err
}

// atMost refuses requests of more samples than that.
type atMost struct {
	r    *receiver
	most int
}

func (a atMost) RoundTrip(req *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	all, err := decodePayload(body)
	if err != nil {
		return nil, err
	}
	req.Body = io.NopCloser(bytes.NewReader(body))
	if count(all) > a.most {
		a.r.mu.Lock()
		a.r.requests++
		a.r.mu.Unlock()
		return reply(413, "too large"), nil
	}
	return a.r.RoundTrip(req)
}

// disk is one that can be full, and that does nothing any more after a kill. It syncs
// nothing: no power is cut here.
type disk struct {
	outward.Disk
	mu         sync.Mutex
	full, dead bool
}

func (d *disk) isFull() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.full
}

func (d *disk) fill(full bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.full = full
}

func (d *disk) die() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.dead = true
}

var errDead = errors.New("no such process")

func (d *disk) WriteSynced(path string, data []byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.dead:
		return errDead
	case d.full:
		return errors.Join(syscall.ENOSPC, os.WriteFile(path, data[:len(data)/2], 0o600))
	}
	return os.WriteFile(path, data, 0o600)
}

func (d *disk) SyncDir(string) error { return nil }

func (d *disk) Rename(from, to string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return errDead
	}
	return d.Disk.Rename(from, to)
}
