package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"runtime/debug"
	"strconv"
	"sync"
	"syscall"

	"loadscribe/agent"
	"loadscribe/agent/awake"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/service"
	"loadscribe/dashboard"
)

type runCmd struct {
	siteFlags
	Listen string `help:"Address to serve on, instead of the site file's." placeholder:"HOST:PORT"`
	Log    string `help:"File to log to besides standard error, instead of the site file's; five of 5 MB are kept." placeholder:"FILE" type:"path"`
}

func (c *runCmd) Run(s *surroundings) error {
	site, err := loadSite(c.Site, sitefile.Options{Data: c.Data, Listen: c.Listen})
	if _, gone := os.Lstat(c.Site); err != nil && errors.Is(gone, fs.ErrNotExist) {
		return fmt.Errorf("%w; or make one with the help of a page: loadscribe new --site %s", err, c.Site)
	}
	if err != nil {
		return err
	}
	if c.Log != "" {
		site.Agent.Log = c.Log
	}
	return record(s, site, awake.New(true), func() (net.Listener, error) { return listenOrElse(s, site, site.Agent.Listen) }, nil)
}

// record runs the agent and its pages until the context ends. listen is called
// once the data directory is held; keeper holds the computer awake meanwhile. ready, if given, is called with the page's
// address once it is served.
func record(s *surroundings, site *sitefile.Site, keeper *awake.Keeper, listen func() (net.Listener, error), ready func(url string)) error {
	for _, w := range site.Warnings {
		fmt.Fprintln(s.stderr, "warning:", w.Error())
	}
	log, shut, err := s.openLog(site.Agent.Log)
	if err != nil {
		return err
	}
	defer func() {
		if err := shut(); err != nil {
			fmt.Fprintln(s.stderr, "loadscribe:", err)
		}
	}()
	return recordLogged(s, site, log, keeper, listen, ready)
}

// collectAt is how much garbage, in per cent of what is in use, an agent lets lie
// that records for years beside other programs: half of what Go does by itself.
const collectAt = 50

// recordLogged is record once there is a log.
func recordLogged(s *surroundings, site *sitefile.Site, log *slog.Logger, keeper *awake.Keeper, listen func() (net.Listener, error), ready func(url string)) error {
	ctx, end := context.WithCancel(s.ctx)
	heart := beat(ctx, s.notify, service.WatchdogEvery(), log)
	defer heart.wait()
	defer end()
	if os.Getenv("GOGC") == "" {
		defer debug.SetGCPercent(debug.SetGCPercent(collectAt))
	}
	refuge := &agent.Refuge{}
	o := agent.Options{Version: version, Log: log, Clock: scan.NewSystemClock(), Refuge: refuge, Awake: keeper}
	for {
		a, err := agent.Open(site, o)
		if agent.DiskTakesNothing(site.Agent.DataDir, err) {
			fmt.Fprintf(s.stderr, "%v\n%s: its disk takes nothing; readings are kept in memory until it does, and are lost if this program ends before. "+
				"Free space there, or make it writable.\n", err, site.Agent.DataDir)
			a, err = refuge.Open(site, o, err)
		}
		if err != nil {
			return explainOpen(errors.Join(err, refuge.Remove()), site.Agent.DataDir)
		}
		heart.watch(a.Turning)
		err = recordWith(s, a, site, log, listen, func(url string) {
			heart.serves(site.Name, url)
			if ready != nil {
				ready(url)
			}
		})
		heart.watch(nil)
		if !errors.Is(err, agent.ErrDiskBack) {
			return errors.Join(err, bringToDisk(site, o, refuge))
		}
		ready = nil // said once
	}
}

// bringToDisk is the last attempt to keep what waits in memory.
func bringToDisk(site *sitefile.Site, o agent.Options, refuge *agent.Refuge) error {
	if !refuge.InUse() {
		return nil
	}
	a, err := agent.Open(site, o)
	if err == nil {
		return a.Close()
	}
	return errors.Join(fmt.Errorf("the readings that waited in memory are lost: %w", err), refuge.Remove())
}

// recordWith runs one agent and its pages.
func recordWith(s *surroundings, a *agent.Agent, site *sitefile.Site, log *slog.Logger, listen func() (net.Listener, error), ready func(url string)) error {
	listener, err := listen()
	if err != nil {
		return errors.Join(err, a.Close())
	}
	out, err := openDoor(a, site, log, listener.Addr())
	if err != nil {
		listener.Close()
		return errors.Join(err, a.Close())
	}
	server, err := dashboard.New(a, out.options)
	if err != nil {
		listener.Close()
		return errors.Join(err, a.Close())
	}
	a.OnUpdate(server.Publish)
	address := reachedAt(listener.Addr())
	err = a.Run(s.ctx, address, func(ctx context.Context) error {
		url := out.scheme() + "://" + address
		fmt.Fprintf(s.stdout, "loadscribe %s: %s at %s\n", version, site.Name, url)
		out.say(s.stdout)
		ready(url)
		keeping := sync.WaitGroup{}
		defer keeping.Wait()
		keep, stop := context.WithCancel(ctx)
		defer stop()
		keeping.Go(func() { out.keep(keep) })
		return server.Run(ctx, listener)
	})
	listener.Close() // closed already, unless Run failed before it served
	return err
}

// ownNames are the names, beside addresses, under which others on the network
// reach this computer; none while only this computer can.
func ownNames(listening net.Addr) []string {
	if a, ok := listening.(*net.TCPAddr); ok && a.IP.IsLoopback() {
		return nil
	}
	name, err := os.Hostname()
	if err != nil {
		return nil // then the address must do
	}
	return []string{name}
}

// reachedAt is where this computer reaches what listens at an address: one that
// stands for all addresses is none that everything can connect to.
func reachedAt(listening net.Addr) string {
	if a, ok := listening.(*net.TCPAddr); ok && a.IP.IsUnspecified() {
		return net.JoinHostPort("127.0.0.1", strconv.Itoa(a.Port))
	}
	return listening.String()
}

// listenOrElse listens on address. When the port is taken, recording must not
// suffer: it listens on a free port of this computer and says so.
func listenOrElse(s *surroundings, site *sitefile.Site, address string) (net.Listener, error) {
	listener, err := net.Listen("tcp", address)
	if err == nil {
		return listener, nil
	}
	if !errors.Is(err, syscall.EADDRINUSE) && !portTaken(err) {
		return nil, fmt.Errorf("listen on %s: %w; change [agent] listen in the site file or give --listen", address, err)
	}
	listener, other := net.Listen("tcp", "127.0.0.1:0")
	if other != nil {
		return nil, fmt.Errorf("listen: %w", errors.Join(err, other))
	}
	fmt.Fprintf(s.stderr, "port in use: another program listens on %s; recording goes on, the pages are at %s://%s instead, "+
		"for this computer alone. Give --listen or change [agent] listen for a fixed address.\n", address, loopbackScheme(site), listener.Addr())
	return listener, nil
}

// portTaken covers Windows, whose error for a taken port is a number of its
// own (WSAEADDRINUSE, 10048).
func portTaken(err error) bool {
	var number syscall.Errno
	return errors.As(err, &number) && uintptr(number) == 10048
}

// explainOpen says what to do when the data directory cannot be opened: another
// agent has it, or it is no place to write to.
func explainOpen(err error, dir string) error {
	if err == nil {
		return nil
	}
	if !errors.Is(err, store.ErrLocked) {
		var path *fs.PathError
		if errors.As(err, &path) {
			return fmt.Errorf("%w; give a folder this user may write to, with --data or [agent] data in the site file", err)
		}
		return err
	}
	pid, known := store.Holder(dir)
	if in, ok, _ := agent.ReadInstance(dir); ok && (!known || pid == in.PID) {
		return fmt.Errorf("%s: %w: process %d records there, its pages are at %s; stop it first, or give this one another --data",
			dir, store.ErrLocked, in.PID, in.URL())
	}
	return err // it has left no address yet, or is a command; its process is named
}
