package awake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/godbus/dbus/v5"

	"loadscribe/testdata/peers"
)

// loginManager is a login manager in small, as org.freedesktop.login1(5) describes
// Inhibit, on a real message bus: s what, s who, s why, s mode; h pipe_fd.
type loginManager struct {
	mu      sync.Mutex // protects the rest
	refuses bool
	asked   []string // what was asked for
	held    int      // locks whose file is open
}

// Inhibit is called over the bus.
func (l *loginManager) Inhibit(what, who, why, mode string) (dbus.UnixFD, *dbus.Error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.asked = append(l.asked, strings.Join([]string{what, who, mode}, " "))
	if l.refuses || why == "" {
		return 0, dbus.NewError("org.freedesktop.DBus.Error.AccessDenied", []any{"Permission denied"})
	}
	r, w, err := os.Pipe()
	if err != nil {
		return 0, dbus.MakeFailedError(err)
	}
	l.held++
	go func() {
		_, _ = io.Copy(io.Discard, r) // until who asked has closed it
		r.Close()
		l.mu.Lock()
		l.held--
		l.mu.Unlock()
	}()
	fd := dbus.UnixFD(w.Fd())
	go func() {
		defer w.Close() // ours; who asked, in this process too, has another by then, or had it
		for end := time.Now().Add(2 * time.Second); endsOf(w) < 3 && time.Now().Before(end); {
			time.Sleep(5 * time.Millisecond)
		}
	}()
	return fd, nil
}

// endsOf counts this process's files that are ends of one pipe.
func endsOf(pipe *os.File) (n int) {
	is := func(name string) string {
		text, _ := os.Readlink("/proc/self/fd/" + name) // "": closed meanwhile
		return text
	}
	all, _ := os.ReadDir("/proc/self/fd")
	for _, f := range all {
		if is(f.Name()) == is(fmt.Sprint(pipe.Fd())) {
			n++
		}
	}
	return n
}

func (l *loginManager) now() (asked []string, held int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]string(nil), l.asked...), l.held
}

func (l *loginManager) refuse(yes bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.refuses = yes
}

// startBus starts Debian's dbus-daemon at a path and returns what ends it.
func startBus(t *testing.T, path string) (stop func()) {
	t.Helper()
	program, err := exec.LookPath("dbus-daemon")
	if err != nil {
		peers.Missing(t, "independent peer dbus-daemon is not installed (see .ci/peers)")
	}
	config := path + ".conf"
	text := fmt.Sprintf(`<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN" "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>system</type><listen>unix:path=%s</listen><auth>EXTERNAL</auth>
<policy context="default"><allow user="*"/><allow own="*"/><allow send_destination="*"/><allow receive_type="signal"/>
<allow receive_type="method_call"/><allow receive_type="method_return"/><allow receive_type="error"/></policy></busconfig>`, path)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	os.Remove(path)
	daemon := exec.Command(program, "--config-file="+config, "--nofork", "--nopidfile", "--nosyslog")
	daemon.Stderr = os.Stderr
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	stop = sync.OnceFunc(func() {
		_ = daemon.Process.Kill()
		_ = daemon.Wait() // it was killed
	})
	t.Cleanup(stop)
	soon(t, "a message bus", func() bool { // its file is there before anybody listens
		conn, err := net.Dial("unix", path)
		if err == nil {
			conn.Close()
		}
		return err == nil
	})
	return stop
}

// serve puts the login manager on the bus.
func (l *loginManager) serve(t *testing.T) (stop func()) {
	t.Helper()
	conn, err := dbus.ConnectSystemBus()
	if err != nil {
		t.Fatal(err)
	}
	if err := conn.Export(l, loginPath, "org.freedesktop.login1.Manager"); err != nil {
		t.Fatal(err)
	}
	if reply, err := conn.RequestName(loginName, dbus.NameFlagDoNotQueue); err != nil || reply != dbus.RequestNameReplyPrimaryOwner {
		t.Fatalf("the name is not ours: %v, %v", reply, err)
	}
	stop = sync.OnceFunc(func() { conn.Close() })
	t.Cleanup(stop)
	return stop
}

func soon(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within 20 s: %s", what)
		}
	}
}

// TestInhibit takes the lock from a login manager on Debian's dbus-daemon, through a
// refusal, a new login manager and a new bus, and gives it up at the end.
func TestInhibit(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bus")
	t.Setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path="+path)
	k := New(true)
	k.root = files(t, map[string]string{"sys/power/state": "freeze mem disk\n", "run/systemd/system/x": "", "etc/systemd/logind.conf": "IdleAction=suspend\n"})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- k.Run(ctx, func(State) {}) }()
	is := func(sleep Sleep, why string) func() bool {
		return func() bool { s := k.State(); return s.Sleep == sleep && strings.Contains(s.Why, why) }
	}
	soon(t, "that there is no bus", is(May, "message bus"))

	login := &loginManager{refuses: true}
	stopBus := startBus(t, path)
	stopLogin := login.serve(t)
	soon(t, "a refusal", is(May, "in vain (ask systemd's login manager: Permission denied)"))
	login.refuse(false)
	soon(t, "the lock", is(Held, "by itself"))
	asked, _ := login.now()
	for _, a := range asked {
		if a != "sleep:idle loadscribe block" {
			t.Errorf("asked for %q", a)
		}
	}
	one := func() bool { _, held := login.now(); return held == 1 }
	soon(t, "that one lock is held", one)
	time.Sleep(300 * time.Millisecond) // the manager's own end of the pipe is closed
	if !one() {
		t.Error("the lock is not held on")
	}

	before := len(asked)
	stopLogin()
	stopLogin = login.serve(t)
	soon(t, "that the new manager is asked", func() bool { asked, _ := login.now(); return len(asked) > before })
	soon(t, "that one lock is held after the manager's start", one)

	asked, _ = login.now()
	before = len(asked)
	stopLogin()
	stopBus()
	startBus(t, path)
	login.serve(t)
	soon(t, "that it is asked on the new bus", func() bool { asked, _ := login.now(); return len(asked) > before })
	soon(t, "the lock again", func() bool { return is(Held, "by itself")() && one() })

	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	soon(t, "that the lock is given up", func() bool { _, held := login.now(); return held == 0 })
}

// TestSilentBus: something listens where the bus should be and never answers. Asking ends.
func TestSilentBus(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bus")
	t.Setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path="+path)
	silent, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	began := time.Now()
	if _, err := ask(ctx); err == nil || time.Since(began) > askLimit {
		t.Errorf("got %v after %v", err, time.Since(began))
	}
}

// TestHeld says what a lock does not keep off: by logind.conf(5) a lid overrides it.
func TestHeld(t *testing.T) {
	systemd := map[string]string{"sys/power/state": "mem\n", "run/systemd/system/x": ""}
	if s := linuxState(files(t, systemd), request{asked: true}); s.Sleep != Held || strings.Contains(s.Why, "lid") {
		t.Errorf("without a lid: %+v", s)
	}
	systemd["proc/acpi/button/lid/LID0/state"] = "state: open\n"
	if s := linuxState(files(t, systemd), request{asked: true}); s.Sleep != Held || !strings.Contains(s.Why, "HandleLidSwitch=suspend") {
		t.Errorf("with a lid: %+v", s)
	}
	if s := linuxState(files(t, systemd), request{asked: true, err: errors.New("no")}); s.Sleep != May || !strings.Contains(s.Why, "in vain (no)") {
		t.Errorf("refused: %+v", s)
	}
	if s := linuxState(files(t, nil), request{asked: true}); s.Sleep != Never {
		t.Errorf("no sleep at all: %+v", s)
	}
}
