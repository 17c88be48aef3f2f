package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"syscall"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/dashboard"
)

type runCmd struct {
	Site   string `required:"" help:"The site file." placeholder:"FILE"`
	Data   string `help:"Data directory, instead of the site file's." placeholder:"DIR"`
	Listen string `help:"Address to serve on, instead of the site file's." placeholder:"HOST:PORT"`
}

func (c *runCmd) Run(s *surroundings) error {
	site, err := loadSite(s, c.Site, c.Data)
	if err != nil {
		return err
	}
	if c.Listen != "" {
		site.Agent.Listen = c.Listen
	}
	for _, w := range site.Warnings {
		fmt.Fprintln(s.stderr, "warning:", w.Error())
	}
	listener, err := listenOrElse(s, site.Agent.Listen)
	if err != nil {
		return err
	}
	return record(s, site, listener, nil)
}

// record runs the agent and its pages until the context ends. ready, if given,
// is called with the page's address once it is served.
func record(s *surroundings, site *sitefile.Site, listener net.Listener, ready func(url string)) error {
	a, err := agent.Open(site, agent.Options{Version: version, Log: s.logger()})
	if err != nil {
		listener.Close()
		return explainLocked(err, site.Agent.DataDir)
	}
	server, err := dashboard.New(a, dashboard.Options{Log: s.logger(), Metrics: a, Listen: site.Agent.Listen})
	if err != nil {
		listener.Close()
		return errors.Join(err, a.Close())
	}
	a.OnUpdate(server.Publish)
	url := "http://" + listener.Addr().String()
	return a.Run(s.ctx, listener.Addr().String(), func(ctx context.Context) error {
		fmt.Fprintf(s.stdout, "loadscribe %s: %s at %s\n", version, site.Name, url)
		if ready != nil {
			ready(url)
		}
		return server.Run(ctx, listener)
	})
}

// listenOrElse listens on address. When the port is taken, recording must not
// suffer: it listens on a free port of this computer and says so.
func listenOrElse(s *surroundings, address string) (net.Listener, error) {
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
	fmt.Fprintf(s.stderr, "port in use: another program listens on %s; recording goes on, the pages are at http://%s instead. "+
		"Give --listen or change [agent] listen for a fixed address.\n", address, listener.Addr())
	return listener, nil
}

// portTaken covers Windows, whose error for a taken port is a number of its
// own (WSAEADDRINUSE, 10048).
func portTaken(err error) bool {
	var number syscall.Errno
	return errors.As(err, &number) && uintptr(number) == 10048
}

// explainLocked says what to do when another agent has the data directory.
func explainLocked(err error, dir string) error {
	if !errors.Is(err, store.ErrLocked) {
		return err
	}
	if in, ok, _ := agent.ReadInstance(dir); ok {
		return fmt.Errorf("%w; process %d already records there, its pages are at http://%s: stop it first, or give this one another --data",
			err, in.PID, in.Address)
	}
	return fmt.Errorf("%w; stop the program that holds it, or give this one another --data", err)
}

// loopback reports whether address is reached from this computer only.
func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return strings.EqualFold(host, "localhost") || (ip != nil && ip.IsLoopback())
}
