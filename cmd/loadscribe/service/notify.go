package service

import (
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"
)

// States that Notify takes, those of sd_notify(3).
const (
	Ready    = "READY=1"
	Stopping = "STOPPING=1"
	Alive    = "WATCHDOG=1"
	statusIs = "STATUS="
)

// ErrNoSocket is returned where the address that systemd gave is none that can be used.
var ErrNoSocket = errors.New("NOTIFY_SOCKET is no address of a socket")

// Notify tells whoever manages this process how it stands. It may be called from several
// goroutines.
type Notify func(states ...string) error

// Nobody is the Notify of a process that nobody manages.
func Nobody(...string) error { return nil }

// FromEnvironment is the Notify for systemd's socket in this process's environment;
// Nobody where there is none. See sd_notify(3).
func FromEnvironment() Notify {
	address := os.Getenv("NOTIFY_SOCKET")
	if address == "" {
		return Nobody
	}
	return func(states ...string) error { return sendTo(address, strings.Join(states, "\n")) }
}

// notifyWait bounds a datagram to a manager that takes none: systemd's queue may be full.
const notifyWait = 2 * time.Second

// sendTo sends one datagram. An address that begins with @ is an abstract one: net puts
// the zero byte there.
func sendTo(address, text string) error {
	if address[0] != '/' && address[0] != '@' { // vsock: is only of virtual machines' managers
		return fmt.Errorf("%w: %q", ErrNoSocket, address)
	}
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: address, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("tell systemd: %w", err)
	}
	_ = c.SetWriteDeadline(time.Now().Add(notifyWait)) // else the write waits, as it would without
	_, err = c.Write([]byte(text))
	return errors.Join(err, c.Close())
}

// WatchdogEvery is how often systemd wants to hear Alive: a third of WATCHDOG_USEC, so
// that one lost datagram kills nothing; 0: it does not. See sd_watchdog_enabled(3).
func WatchdogEvery() time.Duration {
	if pid := os.Getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0 // it is another's
	}
	usec, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || usec <= 0 {
		return 0
	}
	return time.Duration(usec) * time.Microsecond / 3
}

// StatusText is the state with a text for people. A line break would begin another state.
func StatusText(text string) string {
	return statusIs + strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, text)
}
