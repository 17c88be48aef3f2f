package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/awake"
	"loadscribe/agent/newsite"
	"loadscribe/agent/probe"
	"loadscribe/agent/sitefile"
	"loadscribe/configs"
	"loadscribe/dashboard"
)

type newCmd struct {
	Site   string `required:"" help:"The site file to make; it must not be there yet." placeholder:"FILE"`
	Listen string `default:"127.0.0.1:8477" help:"Address to serve on, of this computer only; default 127.0.0.1:8477." placeholder:"HOST:PORT"`
}

// Help is what --help says besides.
func (c *newCmd) Help() string {
	return "Open the address that is printed in a browser on this computer: the page asks what plates and manuals say, checks each answer " +
		"as \"check\" does, and writes the site file and its register maps. Then it records, as \"run\" does, or ends, where the button for that is pressed: " +
		"a site can be made at a desk before anything is connected. " +
		"Without a browser: write the file yourself (configs/joinery.toml is one with comments, docs/new-site.md tells more) and check it with \"check\"."
}

func (c *newCmd) Run(s *surroundings) error {
	if err := loopbackOnly(c.Listen); err != nil {
		return misuse{err}
	}
	listen := c.Listen
	if _, port, err := net.SplitHostPort(listen); err == nil && port == "0" {
		listen = "" // any port, of this once
	}
	maker, err := newsite.New(c.Site, newsite.Options{Listen: listen, Examples: configs.Maps, Warnings: func(site *sitefile.Site) ([]sitefile.Problem, error) {
		all, _, err := agent.SiteWarnings(site, time.Now())
		return all, err
	}})
	if errors.Is(err, newsite.ErrExists) {
		return misuse{fmt.Errorf("%w; start it with loadscribe run --site %s, or name another file", err, c.Site)}
	}
	if err != nil {
		return err
	}
	ended, err := c.serve(s, maker)
	if err == nil && errors.Is(ended, errWritten) {
		_, err = fmt.Fprintf(s.stdout, "written: %s and its maps. Nothing is recorded yet; loadscribe run --site %s records.\n", c.Site, c.Site)
	}
	if err != nil || !errors.Is(ended, errRecord) {
		return err
	}
	site, err := loadSite(c.Site, sitefile.Options{Listen: c.Listen})
	if err != nil {
		return err
	}
	return record(s, site, awake.New(true), func() (net.Listener, error) { return listenOrElse(s, site, c.Listen) }, nil)
}

// serve serves the page until the site file is written, or the context ends; ended
// tells which.
func (c *newCmd) serve(s *surroundings, maker *newsite.Maker) (ended, err error) {
	listener, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w; give another address with --listen", c.Listen, err)
	}
	c.Listen = listener.Addr().String() // recording goes on there
	done, cancel := context.WithCancelCause(s.ctx)
	defer cancel(nil)
	server, err := dashboard.NewSetup(dashboard.Setup{
		Maker: maker,
		Ports: func() ([]probe.Port, error) { return probe.Ports("/") },
		Written: func(record bool) {
			if record {
				cancel(errRecord)
			} else {
				cancel(errWritten)
			}
		},
	}, dashboard.Options{Log: s.logger(), Listen: c.Listen})
	if err != nil {
		return nil, errors.Join(err, listener.Close())
	}
	fmt.Fprintf(s.stdout, "loadscribe %s: a new site, %s, at http://%s\n", version, filepath.Clean(c.Site), c.Listen)
	err = server.Run(done, listener)
	return context.Cause(done), err
}

// Why the page is served no longer.
var (
	errRecord  = errors.New("the site file is written and is to be recorded")
	errWritten = errors.New("the site file is written, and that is all")
)

// loopbackOnly refuses an address that others on the network reach: whoever
// opens the page may write the first file.
func loopbackOnly(listen string) error {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return fmt.Errorf("--listen: %q is not host and port; write it like 127.0.0.1:8477", listen)
	}
	if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("--listen: %s can be reached from the network, and a site is made from this computer only; "+
		"write 127.0.0.1 here, and [agent] listen in the site file afterwards", listen)
}
