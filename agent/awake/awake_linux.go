package awake

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/godbus/dbus/v5"
)

// The login manager on the system's message bus (org.freedesktop.login1(5)).
const (
	loginName = "org.freedesktop.login1"
	loginPath = "/org/freedesktop/login1"
	inhibit   = "org.freedesktop.login1.Manager.Inhibit"
	ownerNews = "org.freedesktop.DBus.NameOwnerChanged"
)

// askLimit bounds what connecting and asking take together.
const askLimit = 5 * time.Second

// holder holds a lock of systemd's login manager against sleep and idleness: the open
// file that Inhibit gives is the lock (systemd's description of inhibitor locks). It is
// for one goroutine.
type holder struct {
	lost chan struct{} // closed when the lock is to be asked for again; nil: nobody watches
	conn *dbus.Conn    // its end tells that the bus was started anew
	lock *os.File      // nil: none
	end  chan struct{} // closed when the watch over conn has ended
}

// take asks for the lock unless it is held.
func (h *holder) take(ctx context.Context, root string) request {
	if linuxState(root, request{}).Sleep == Never {
		return request{}
	}
	if h.lock != nil && h.lost != nil {
		return request{asked: true}
	}
	next, err := ask(ctx)
	if err != nil {
		return request{asked: true, err: err} // an old lock stays: the login manager may still know it
	}
	h.release()
	*h = next
	return request{asked: true}
}

// release gives the lock up.
func (h *holder) release() {
	if h.lock == nil {
		return
	}
	_ = h.lock.Close()
	_ = h.conn.Close() // whatever it says, it is not used again
	<-h.end
	h.lock = nil
}

// ask connects to the bus and asks for a lock.
func ask(ctx context.Context) (h holder, err error) {
	life, cancel := context.WithCancel(context.WithoutCancel(ctx))
	limit, stopped := time.AfterFunc(askLimit, cancel), context.AfterFunc(ctx, cancel)
	defer stopped()
	conn, err := dbus.ConnectSystemBus(dbus.WithContext(life))
	if err != nil {
		cancel()
		return h, fmt.Errorf("reach the system's message bus: %w", err)
	}
	var lock dbus.UnixFD
	signals := make(chan *dbus.Signal, 16)
	conn.Signal(signals)
	err = conn.AddMatchSignalContext(life, dbus.WithMatchInterface("org.freedesktop.DBus"), dbus.WithMatchMember("NameOwnerChanged"), dbus.WithMatchArg(0, loginName))
	if err == nil {
		err = conn.Object(loginName, loginPath).CallWithContext(life, inhibit, 0, "sleep:idle", "loadscribe",
			"readings are recorded; a computer asleep reads nothing", "block").Store(&lock)
	}
	if !limit.Stop() {
		err = errors.Join(err, fmt.Errorf("no answer within %v", askLimit))
	}
	if err != nil {
		cancel()
		return h, fmt.Errorf("ask systemd's login manager: %w", errors.Join(err, conn.Close()))
	}
	h = holder{lost: make(chan struct{}), conn: conn, lock: os.NewFile(uintptr(lock), "inhibitor lock"), end: make(chan struct{})}
	go h.watch(signals, cancel)
	return h, nil
}

// watch closes lost when the connection ends or another login manager takes over.
func (h holder) watch(signals <-chan *dbus.Signal, cancel context.CancelFunc) {
	defer close(h.end)
	defer cancel()
	for s := range signals {
		if s.Name == ownerNews && len(s.Body) == 3 && s.Body[2] != "" {
			break
		}
	}
	close(h.lost)
}

func look(root string, r request) State { return linuxState(root, r) }
