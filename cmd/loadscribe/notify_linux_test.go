package main

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestRunNotifies runs the program as systemd's Type=notify does, with a watchdog of three
// seconds: it says that it is ready once its pages answer, gives signs of life, and says
// that it stops.
func TestRunNotifies(t *testing.T) {
	program := builtBinary(t)
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	socket := filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	told := func(want string, within time.Duration) string {
		t.Helper()
		end := time.Now().Add(within)
		if err := manager.SetReadDeadline(end); err != nil {
			t.Fatal(err)
		}
		message := make([]byte, 4096)
		for {
			n, err := manager.Read(message)
			if err != nil {
				t.Fatalf("not told %s within %v: %v", want, within, err)
			}
			if strings.Contains(string(message[:n]), want) {
				return string(message[:n])
			}
		}
	}
	run := exec.Command(program, "run", "--site", site)
	run.Env = append(os.Environ(), "NOTIFY_SOCKET="+socket, "WATCHDOG_USEC=3000000")
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { run.Process.Kill(); run.Wait() })
	ready := told("READY=1", 20*time.Second)
	address := agentAt(t, dir)
	if !strings.Contains(ready, "STATUS=records Harrow Lane Joinery") || !strings.Contains(ready, address) {
		t.Errorf("ready: %q", ready)
	}
	if status, _ := tryGet("http://" + address + "/healthz"); status != 200 {
		t.Errorf("it is ready, and its pages answer %d", status)
	}
	for range 3 {
		told("WATCHDOG=1", 10*time.Second) // how often: TestHeart
	}
	if err := run.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	told("STOPPING=1", 5*time.Second)
	if err := run.Wait(); err != nil {
		t.Error(err)
	}
}
