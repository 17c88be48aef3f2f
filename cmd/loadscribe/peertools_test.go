package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/testdata/peers"
)

// pymodbusPython is Debian's Python, which has its pymodbus; another one
// earlier in PATH would not.
func pymodbusPython(t *testing.T) string {
	t.Helper()
	python := peers.Path(t, "/usr/bin/python3")
	if out, err := exec.Command(python, "-c", "import pymodbus, serial_asyncio").CombinedOutput(); err != nil {
		peers.Missing(t, "pymodbus with serial support is not installed (see .ci/peers): %s", out)
	}
	return python
}

// background starts a program and ends it, by its own handle, with the test.
// ready, if given, is a line to wait for on its output.
func background(t *testing.T, ready string, name string, args ...string) (output *syncBuffer) {
	t.Helper()
	cmd := exec.Command(name, args...)
	output = &syncBuffer{}
	cmd.Stderr = output
	pipe, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("start %s: %v", name, err)
	}
	seen := make(chan struct{})
	drained := make(chan struct{})
	go func() {
		defer close(drained)
		lines := bufio.NewScanner(pipe)
		found := false
		for lines.Scan() {
			fmt.Fprintln(output, lines.Text())
			if !found && ready != "" && strings.Contains(lines.Text(), ready) {
				found = true
				close(seen)
			}
		}
	}()
	t.Cleanup(func() {
		cmd.Process.Signal(os.Interrupt)
		ended := make(chan struct{})
		go func() { <-drained; cmd.Wait(); close(ended) }()
		select {
		case <-ended:
		case <-time.After(10 * time.Second):
			cmd.Process.Kill()
			<-ended
		}
	})
	if ready != "" {
		select {
		case <-seen:
		case <-time.After(20 * time.Second):
			t.Fatalf("%s did not say %q in 20 s; it said:\n%s", name, ready, output)
		}
	}
	return output
}

// syncBuffer collects a program's output while the test reads it.
type syncBuffer struct {
	mu  sync.Mutex // protects buf
	buf bytes.Buffer
}

func (b *syncBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *syncBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

// eventually polls ok until it holds; it fails with what it waited for.
func eventually(t *testing.T, what string, limit time.Duration, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("not within %v: %s", limit, what)
}

// running is a command under test that runs in this process until stopped.
type underTest struct {
	stop   func() int // stops it in order and returns its exit code
	stdout *syncBuffer
	stderr *syncBuffer
}

func start(t *testing.T, args ...string) *underTest {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	u := &underTest{stdout: &syncBuffer{}, stderr: &syncBuffer{}}
	code := make(chan int, 1)
	go func() { code <- execute(ctx, args, u.stdout, u.stderr) }()
	u.stop = sync.OnceValue(func() int {
		cancel()
		select {
		case c := <-code:
			return c
		case <-time.After(15 * time.Second):
			t.Errorf("%v did not stop within 15 s; stderr:\n%s", args, u.stderr)
			return -1
		}
	})
	t.Cleanup(func() { u.stop() })
	return u
}
