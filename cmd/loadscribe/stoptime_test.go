package main

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/coder/websocket"
	"github.com/creack/pty"

	"loadscribe/agent"
)

// stopWithin is what the issue asks of a stop: less than five seconds.
const stopWithin = 5 * time.Second

// TestStopUnderLoad stops the program while a browser stalls, an export is not read, a
// request is never finished, a serial line is silent, and a report and a replay are being
// made. It is in order all the same, within five seconds.
func TestStopUnderLoad(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("a pseudo-terminal stands for the serial line")
	}
	program := builtBinary(t)
	plant := servePlant(t, "127.0.0.1:0", nil)
	master, silent, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { master.Close(); silent.Close() })
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, site, string(text)+"\n[[line]]\nname = \"bus\"\nkind = \"modbus-rtu\"\nport = \""+silent.Name()+
		"\"\nserial = \"9600 8N1\"\ntimeout = \"10s\"\nlisten_first = \"0s\"\n[[device]]\nname = \"mute\"\nline = \"bus\"\nunit = 1\nmap = \"maps/power-meter.toml\"\nevery = \"1s\"\n")
	fillHours(t, site, 4)
	c := startChild(t, program, "run", "--site", site)
	address := agentAt(t, dir)
	stallAll(t, address)
	eventually(t, "that the silent line is asked", 10*time.Second, func() bool {
		one := make([]byte, 1)
		n, err := master.Read(one)
		return err == nil && n == 1
	})
	began := time.Now()
	c.signal(t, syscall.SIGTERM)
	if code := c.exit(t, 4*stopWithin); code != exitFine {
		t.Errorf("ended with %d; stderr:\n%s", code, c.stderr)
	}
	took := time.Since(began)
	t.Logf("stopping took %.2f s", took.Seconds())
	if took > stopWithin {
		t.Errorf("stopping took %v, want less than %v; stderr:\n%s", took, stopWithin, c.stderr)
	}
	if _, err := os.Stat(filepath.Join(dir, "data", "agent.json")); err == nil {
		t.Error("agent.json is still there")
	}
	if strings.Contains(c.stderr.String(), agent.ErrLeftBehind.Error()) {
		t.Errorf("something was left behind:\n%s", c.stderr)
	}
}

// stallAll keeps an agent busy with those who do not read, do not finish, and ask much.
func stallAll(t *testing.T, address string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	for range 3 {
		socket, _, err := websocket.Dial(ctx, "ws://"+address+"/api/v1/live", nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = socket.CloseNow() }) // the agent has ended before
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/api/v1/export?from=-1d", nil)
	if err != nil {
		t.Fatal(err)
	}
	export, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { export.Body.Close() })
	if _, err := io.ReadFull(export.Body, make([]byte, 1000)); err != nil {
		t.Fatal(err)
	}
	speechless(t, address)
	for _, job := range []struct{ route, body string }{
		{"/api/v1/report", `{"from":"-4h","to":"now"}`},
		{"/api/v1/replay", `{"from":"-4h","to":"now","alternatives":[{"name":"a"}]}`},
	} {
		post, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+address+job.route, bytes.NewReader([]byte(job.body)))
		if err != nil {
			t.Fatal(err)
		}
		post.Header.Set("Content-Type", "application/json")
		post.Header.Set("Origin", "http://"+address)
		answer, err := http.DefaultClient.Do(post)
		if err != nil {
			t.Fatal(err)
		}
		said, _ := io.ReadAll(answer.Body)
		answer.Body.Close()
		if answer.StatusCode >= 300 && job.route == "/api/v1/report" {
			t.Fatalf("%s: %s: %s", job.route, answer.Status, said)
		}
	}
}
