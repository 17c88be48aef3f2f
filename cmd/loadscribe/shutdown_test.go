package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/coder/websocket"
	"go.uber.org/goleak"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// builtBinary builds the program as a user would.
func builtBinary(t *testing.T) string {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("there are no signals to send to a process on Windows")
	}
	path := filepath.Join(t.TempDir(), "loadscribe")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	return path
}

// child is a run of the program as a process of its own.
type child struct {
	cmd    *exec.Cmd
	stderr *syncBuffer
	ended  chan error
}

func startChild(t *testing.T, program string, args ...string) *child {
	t.Helper()
	c := &child{cmd: exec.Command(program, args...), stderr: &syncBuffer{}, ended: make(chan error, 1)}
	c.cmd.Stderr = c.stderr
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	gone := make(chan struct{})
	go func() { c.ended <- c.cmd.Wait(); close(gone) }()
	t.Cleanup(func() { c.cmd.Process.Kill(); <-gone })
	return c
}

func (c *child) signal(t *testing.T, s os.Signal) {
	t.Helper()
	if err := c.cmd.Process.Signal(s); err != nil {
		t.Fatal(err)
	}
}

// exit waits for the process and returns its exit code.
func (c *child) exit(t *testing.T, limit time.Duration) int {
	t.Helper()
	select {
	case err := <-c.ended:
		var failed *exec.ExitError
		if err != nil && !errors.As(err, &failed) {
			t.Fatal(err)
		}
		return c.cmd.ProcessState.ExitCode()
	case <-time.After(limit):
		t.Fatalf("the process did not end within %v; stderr:\n%s", limit, c.stderr)
		return -1
	}
}

// exportedScans counts the scans of an export: the rows of one channel of each
// poll group.
func exportedScans(t *testing.T, site string) uint64 {
	t.Helper()
	loaded, err := sitefile.Load(site, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	first := map[string]bool{}
	for _, g := range sitefile.Groups(loaded) {
		first[g.Channels[0].ID()] = true
	}
	n := uint64(0)
	for line := range strings.Lines(mustRun(t, "export", "--site", site, "--from", "-1h")) {
		if f := strings.Split(line, ","); first[f[1]+"."+f[2]] {
			n++
		}
	}
	return n
}

// durable waits until an agent has some scans safe on disk, and returns how
// many.
func durable(t *testing.T, address string) uint64 {
	t.Helper()
	var seq uint64
	eventually(t, "twenty scans safe on disk", 20*time.Second, func() bool {
		seq = stateAt(t, address).DurableSeq
		return seq >= 20
	})
	return seq
}

// speechless sends the head of a request and never its body, so that a shutdown
// in order waits for it.
func speechless(t *testing.T, address string) {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	// With "Expect" the server says when the handler has begun to read.
	fmt.Fprintf(conn, "POST /api/v1/hookup/start HTTP/1.1\r\nHost: %s\r\nOrigin: http://%s\r\n"+
		"Content-Type: application/json\r\nContent-Length: 20\r\nExpect: 100-continue\r\n\r\n", address, address)
	answer := make([]byte, len("HTTP/1.1 100"))
	if _, err := io.ReadFull(conn, answer); err != nil || string(answer) != "HTTP/1.1 100" {
		t.Fatalf("the request was not taken: %q, %v", answer, err)
	}
}

// TestSignals stops the program as the system does: in order on INT and TERM,
// at once on a second one, and what was acknowledged is in the export.
func TestSignals(t *testing.T) {
	program := builtBinary(t)
	plant := servePlant(t, "127.0.0.1:0", nil)
	for name, sig := range map[string]os.Signal{"INT": os.Interrupt, "TERM": syscall.SIGTERM} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			site := writeSite(t, dir, netLine(plant.address))
			c := startChild(t, program, "run", "--site", site)
			address := agentAt(t, dir)
			seq := durable(t, address)
			c.signal(t, sig)
			if code := c.exit(t, 5*time.Second); code != exitFine {
				t.Errorf("ended with %d; stderr:\n%s", code, c.stderr)
			}
			if _, err := os.Stat(filepath.Join(dir, "data", "agent.json")); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("agent.json is still there (%v)", err)
			}
			if n := exportedScans(t, site); n < seq {
				t.Errorf("%d scans were acknowledged, %d are in the export", seq, n)
			}
		})
	}
	t.Run("twice", func(t *testing.T) {
		t.Parallel()
		dir := t.TempDir()
		site := writeSite(t, dir, netLine(plant.address))
		c := startChild(t, program, "run", "--site", site)
		address := agentAt(t, dir)
		seq := durable(t, address)
		speechless(t, address) // in order it would wait for the request, and end well
		c.signal(t, syscall.SIGTERM)
		c.signal(t, os.Interrupt) // another one: two alike could become one on their way
		if code := c.exit(t, 5*time.Second); code != exitFailed {
			t.Errorf("a second signal ended it with %d, not with %d", code, exitFailed)
		}
		// The address it has left behind does not lead the commands astray.
		if n := exportedScans(t, site); n < seq {
			t.Errorf("%d scans were acknowledged, %d are in the export", seq, n)
		}
	})
}

// TestStopLeavesNothing stops an agent with a live socket open and an export
// under way, and looks for goroutines that it left.
func TestStopLeavesNothing(t *testing.T) {
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	fillHours(t, site, 4)
	before := goleak.IgnoreCurrent()
	u := start(t, "run", "--site", site)
	address := agentAt(t, dir)

	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	client := &http.Client{Transport: &http.Transport{}}
	socket, _, err := websocket.Dial(ctx, "ws://"+address+"/api/v1/live", &websocket.DialOptions{HTTPClient: client})
	if err != nil {
		t.Fatal(err)
	}
	socket.SetReadLimit(1 << 20)
	for range 3 {
		if _, _, err := socket.Read(ctx); err != nil {
			t.Fatal(err)
		}
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/api/v1/export?from=-1d", nil)
	if err != nil {
		t.Fatal(err)
	}
	export, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	// Too large for the buffers between: the agent waits for its reader.
	if _, err := io.ReadFull(export.Body, make([]byte, 1000)); err != nil {
		t.Fatal(err)
	}

	goodbye := make(chan error, 1)
	go func() {
		for {
			if _, _, err := socket.Read(ctx); err != nil {
				goodbye <- err
				return
			}
		}
	}()
	began := time.Now()
	if code := u.stop(); code != exitFine {
		t.Errorf("ended with %d; stderr:\n%s", code, u.stderr)
	}
	if took := time.Since(began); took > 6*time.Second {
		t.Errorf("stopping took %v", took)
	}
	if err := <-goodbye; websocket.CloseStatus(err) != websocket.StatusGoingAway {
		t.Errorf("the live socket ended with %v, not with going away", err)
	}
	if _, err := io.Copy(io.Discard, export.Body); err == nil {
		t.Error("an export that was broken off looks whole")
	}
	export.Body.Close()
	client.CloseIdleConnections()
	goleak.VerifyNone(t, before)
}

// fillHours records hours of made-up scans of the controller, one a second, up
// to a minute ago.
func fillHours(t *testing.T, site string, hours int) {
	t.Helper()
	loaded, err := sitefile.Load(site, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := agent.OpenRecorder(loaded, agent.Options{Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	g := rec.Groups()[0]
	n := hours * 3600
	begin := time.Now().Add(-time.Minute - time.Duration(n)*time.Second).UnixMilli()
	batch := make([]scan.Scan, n)
	for i := range batch {
		values := make([]int64, len(g.Channels))
		for j := range values {
			values[j] = int64(i % 2)
		}
		batch[i] = scan.Scan{Group: g, MonoMS: int64(i) * 1000, WallMS: begin + int64(i)*1000, DurationMS: 10, Values: values}
	}
	if err := errors.Join(rec.Append(batch), rec.Close()); err != nil {
		t.Fatal(err)
	}
}
