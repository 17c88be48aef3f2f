package main

import (
	"context"
	"fmt"
	"io"
	"net"

	"golang.org/x/sync/errgroup"

	"loadscribe/agent/modbus"
	"loadscribe/simulator/serve"
)

// serveLines starts the serial servers, and RTU over TCP, that were asked for
// and returns how many.
func (c *simulateCmd) serveLines(ctx context.Context, group *errgroup.Group, out io.Writer, driver *serve.Driver,
	injector *serve.Injector) (served int, err error) {
	if c.RTUTCP != "" {
		listener, err := net.Listen("tcp", c.RTUTCP)
		if err != nil {
			return served, fmt.Errorf("simulate: listen on %s: %w; give --rtu-tcp another address", c.RTUTCP, err)
		}
		fmt.Fprintf(out, "modbus-rtu-over-tcp %s\n", listener.Addr())
		group.Go(func() error { return serve.ServeRTUOverTCP(ctx, listener, driver, injector) })
		served++
	}
	kind, serveLine := "modbus-rtu", serve.ServeRTU
	settings := modbus.Serial{Baud: c.Baud, DataBits: 8, Parity: 'E', StopBits: 1}
	if c.ASCII {
		kind, serveLine, settings.DataBits = "modbus-ascii", serve.ServeASCII, 7
	}
	if c.Pty {
		pty, err := serve.OpenPty()
		if err != nil {
			return served, err
		}
		fmt.Fprintf(out, "%s %s at %d baud\n", kind, pty.Path(), c.Baud)
		group.Go(func() error { return serveLine(ctx, pty, c.Baud, driver, injector) })
		served++
	}
	if c.Port != "" {
		link, err := modbus.OpenSerial(ctx, c.Port, settings)
		if err != nil {
			return served, err
		}
		fmt.Fprintf(out, "%s %s at %s\n", kind, c.Port, settings)
		group.Go(func() error { return serveLine(ctx, link, c.Baud, driver, injector) })
		served++
	}
	return served, nil
}
