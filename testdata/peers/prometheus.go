package peers

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

const (
	prometheusStart = 30 * time.Second // until it says that it listens and is ready
	prometheusStop  = 20 * time.Second // then it is killed
)

// ErrNoPrometheus is returned where it is not installed.
var ErrNoPrometheus = errors.New("prometheus is not installed")

// PrometheusServer is Debian's Prometheus on loopback, with a folder of its own. Not
// for several goroutines, but for Query.
type PrometheusServer struct {
	URL string // "http://127.0.0.1:PORT", the same after a Start anew
	Dir string // prometheus.yml and data/

	flags  []string
	cmd    *exec.Cmd
	cancel context.CancelFunc
	said   *tail
}

// Prometheus starts one for a test, and ends it with the test. Where it is not
// installed the test is skipped.
func Prometheus(t testing.TB, config string, flags ...string) *PrometheusServer {
	t.Helper()
	p, err := StartPrometheus(t.TempDir(), config, flags...)
	if errors.Is(err, ErrNoPrometheus) {
		Missing(t, "%v (see .ci/peers)", err)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Kill)
	return p
}

// StartPrometheus starts one in dir, which is there, and returns once it is ready.
// config is the text of its prometheus.yml: paths in it are relative to dir. The
// caller ends it by Stop or Kill.
func StartPrometheus(dir, config string, flags ...string) (*PrometheusServer, error) {
	if _, err := exec.LookPath("prometheus"); err != nil {
		return nil, ErrNoPrometheus
	}
	p := &PrometheusServer{Dir: dir, flags: flags}
	if err := os.WriteFile(filepath.Join(dir, "prometheus.yml"), []byte(config), 0o644); err != nil {
		return nil, err
	}
	if err := p.Start(); err != nil {
		return nil, err
	}
	return p, nil
}

// DataDir is where it keeps its blocks.
func (p *PrometheusServer) DataDir() string { return filepath.Join(p.Dir, "data") }

// Start starts it anew after Stop or Kill, at the same address with the same data.
func (p *PrometheusServer) Start() error {
	if p.URL == "" { // a port that nobody else is given while it is stopped
		port, err := freePort()
		if err != nil {
			return err
		}
		p.URL = fmt.Sprintf("http://127.0.0.1:%d", port)
	}
	ctx, cancel := context.WithCancel(context.Background())
	p.cmd = exec.CommandContext(ctx, "prometheus", append([]string{
		"--config.file=" + filepath.Join(p.Dir, "prometheus.yml"), "--storage.tsdb.path=" + p.DataDir(),
		"--web.listen-address=" + strings.TrimPrefix(p.URL, "http://"),
	}, p.flags...)...)
	p.cmd.Dir, p.cancel, p.said = p.Dir, cancel, &tail{listens: make(chan struct{}, 1)}
	p.cmd.Stderr = p.said
	if err := p.cmd.Start(); err != nil {
		cancel()
		return fmt.Errorf("start prometheus: %w", err)
	}
	deadline := time.NewTimer(prometheusStart)
	defer deadline.Stop()
	gone := make(chan error, 1)
	go func(cmd *exec.Cmd) { gone <- cmd.Wait() }(p.cmd)
	p.said.gone = gone
	select {
	case <-p.said.listens:
	case err := <-gone:
		gone <- err
		cancel()
		return fmt.Errorf("prometheus ended at once: %v\n%s", err, p.said)
	case <-deadline.C:
		p.Kill()
		return fmt.Errorf("prometheus does not listen after %v\n%s", prometheusStart, p.said)
	}
	for {
		if answer, err := http.Get(p.URL + "/-/ready"); err == nil {
			answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return nil
			}
		}
		select {
		case <-deadline.C:
			p.Kill()
			return fmt.Errorf("prometheus is not ready after %v\n%s", prometheusStart, p.said)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// PID is its process's.
func (p *PrometheusServer) PID() int { return p.cmd.Process.Pid }

// Stop ends it in order, or by force where that takes long.
func (p *PrometheusServer) Stop() error {
	if p.cmd == nil {
		return nil
	}
	timer := time.AfterFunc(prometheusStop, p.cancel)
	defer timer.Stop()
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		p.cancel()
	}
	err := <-p.said.gone
	p.cancel()
	p.cmd = nil
	return err
}

// Kill ends it at once, as a power cut would its process.
func (p *PrometheusServer) Kill() {
	if p.cmd == nil {
		return
	}
	p.cancel()
	<-p.said.gone
	p.cmd = nil
}

// Point is a value of an instant query's answer.
type Point struct {
	Labels map[string]string
	Value  float64
	At     time.Time
}

// Query asks for an expression at a time; zero: now. Points are in the order of the
// answer.
func (p *PrometheusServer) Query(ctx context.Context, expr string, at time.Time) ([]Point, error) {
	form := url.Values{"query": {expr}}
	if !at.IsZero() {
		form.Set("time", strconv.FormatFloat(float64(at.UnixMilli())/1000, 'f', 3, 64))
	}
	var found struct {
		Data struct {
			Result []struct {
				Metric map[string]string
				Value  [2]any
			}
		}
	}
	if err := p.Ask(ctx, "/api/v1/query", form, &found); err != nil {
		return nil, err
	}
	var points []Point
	for _, r := range found.Data.Result {
		text, _ := r.Value[1].(string)
		value, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return nil, fmt.Errorf("query %s: %w", expr, err)
		}
		seconds, _ := r.Value[0].(float64)
		points = append(points, Point{r.Metric, value, time.UnixMilli(int64(seconds*1000 + 0.5)).UTC()})
	}
	return points, nil
}

// Ask posts a form to a path of its API and reads the answer into a value.
func (p *PrometheusServer) Ask(ctx context.Context, path string, form url.Values, answer any) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, p.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		return err
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	got, err := http.DefaultClient.Do(request)
	if err != nil {
		return fmt.Errorf("ask prometheus %s: %w", path, err)
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	if err == nil && got.StatusCode != http.StatusOK {
		err = fmt.Errorf("ask prometheus %s: status %d: %s", path, got.StatusCode, text)
	}
	if err == nil && answer != nil {
		err = json.Unmarshal(text, answer)
	}
	return err
}

// tail keeps the end of what a process says, and tells when it listens.
type tail struct {
	mu      sync.Mutex
	line    []byte
	text    bytes.Buffer // guarded by mu, as is line
	listens chan struct{}
	gone    chan error
}

var listening = regexp.MustCompile(`msg="Listening on" address=`)

func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.line = append(t.line, b...)
	for {
		n, line, _ := bufio.ScanLines(t.line, false)
		if n == 0 {
			break
		}
		if len(t.listens) == 0 && listening.Match(line) {
			t.listens <- struct{}{}
		}
		t.text.Write(append(line, '\n'))
		if t.text.Len() > 64<<10 {
			t.text.Next(32 << 10)
		}
		t.line = append(t.line[:0], t.line[n:]...)
	}
	return len(b), nil
}

// String is the end of what was said.
func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.text.String()
}
