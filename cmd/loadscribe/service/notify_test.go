package service

import (
	"errors"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"
)

// TestNotify: sd_notify(3)'s datagrams on a socket of the file system and on an abstract one.
func TestNotify(t *testing.T) {
	addresses := []string{filepath.Join(t.TempDir(), "notify")}
	switch runtime.GOOS {
	case "linux":
		addresses = append(addresses, "@loadscribe-test-"+strconv.Itoa(os.Getpid()))
	case "windows":
		t.Skip("there are no such sockets on Windows")
	}
	for _, address := range addresses {
		l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: address, Net: "unixgram"})
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		t.Setenv("NOTIFY_SOCKET", address)
		notify := FromEnvironment()
		if err := notify(Ready, StatusText("records\nMAINPID=1")); err != nil {
			t.Errorf("%s: %v", address, err)
		}
		got := make([]byte, 1000)
		if err := l.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := l.Read(got)
		if want := "READY=1\nSTATUS=records MAINPID=1"; err != nil || string(got[:n]) != want {
			t.Errorf("%s: %q, %v; want %q", address, got[:n], err, want)
		}
	}
}

func TestNotifyNobody(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	if err := FromEnvironment()(Ready); err != nil {
		t.Errorf("without a manager: %v", err)
	}
	t.Setenv("NOTIFY_SOCKET", "vsock:2:1234")
	if err := FromEnvironment()(Ready); !errors.Is(err, ErrNoSocket) {
		t.Errorf("an address of another kind: %v", err)
	}
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "gone"))
	if err := FromEnvironment()(Ready); err == nil {
		t.Error("a socket that is gone: no error")
	}
}

// TestWatchdogEvery: sd_watchdog_enabled(3).
func TestWatchdogEvery(t *testing.T) {
	for _, c := range []struct {
		usec, pid string
		want      time.Duration
	}{
		{"", "", 0}, {"60000000", "", 20 * time.Second}, {"60000000", strconv.Itoa(os.Getpid()), 20 * time.Second},
		{"60000000", "1", 0}, {"0", "", 0}, {"-5", "", 0}, {"often", "", 0},
	} {
		t.Setenv("WATCHDOG_USEC", c.usec)
		t.Setenv("WATCHDOG_PID", c.pid)
		if got := WatchdogEvery(); got != c.want {
			t.Errorf("WATCHDOG_USEC=%q WATCHDOG_PID=%q: %v, want %v", c.usec, c.pid, got, c.want)
		}
	}
}
