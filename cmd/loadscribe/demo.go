package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"time"

	"loadscribe/agent/awake"
	"loadscribe/cmd/loadscribe/demo"
)

type demoCmd struct {
	Data   string `default:"./loadscribe-demo" help:"Directory of the demo." placeholder:"DIR"`
	Listen string `default:"127.0.0.1:8477" help:"Address to serve on." placeholder:"HOST:PORT"`
	Fresh  bool   `help:"Throw away the demo that is there and make a new week."`
}

func (c *demoCmd) Run(s *surroundings) error {
	listener, err := net.Listen("tcp", c.Listen)
	var malformed *net.AddrError
	if errors.As(err, &malformed) {
		return misuse{fmt.Errorf("--listen: %w; write host and port, like \"127.0.0.1:8477\"", err)}
	}
	if err != nil {
		return fmt.Errorf("the demo cannot listen on %s: %w; stop what listens there, or give --listen another address such as 127.0.0.1:8478",
			c.Listen, err)
	}
	defer listener.Close()
	shop, err := demo.Open(demo.Options{Dir: c.Data, Listen: c.Listen, Fresh: c.Fresh})
	if err != nil {
		return explainOpen(err, filepath.Join(c.Data, demo.DataDir))
	}
	fmt.Fprintf(s.stdout, "An invented shop in %s: one simulated 37 kW screw compressor.\n", c.Data)
	fmt.Fprintf(s.stdout, "It keeps the time of %s and works %s 07:00-16:00: it was at work when the demo was made.\n", shop.Site.Location, shop.Week())
	began := time.Now()
	told := -1
	err = shop.Fill(s.ctx, version, s.logger(), func(share float64, what string) {
		if percent := int(share * 100); percent/10 != told/10 || told < 0 {
			told = percent
			fmt.Fprintf(s.stdout, "%s: %d %%\n", what, percent)
		}
	})
	if err != nil || s.ctx.Err() != nil {
		shop.Close()
		return explainOpen(err, shop.Site.Agent.DataDir)
	}
	fmt.Fprintf(s.stdout, "ready after %.1f s\n", time.Since(began).Seconds())

	plant, stop := context.WithCancel(context.WithoutCancel(s.ctx))
	done := make(chan error, 1)
	go func() { done <- shop.Serve(plant) }()
	err = record(s, shop.Site, awake.New(false), func() (net.Listener, error) { return listener, nil }, func(url string) {
		fmt.Fprintf(s.stdout, "\n  Open %s in a browser. Ctrl-C stops it; the data stays in %s.\n\n", url, c.Data)
	})
	stop()
	return errors.Join(err, <-done)
}
