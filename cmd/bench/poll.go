package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"runtime/debug"
	"time"

	peer "github.com/simonvetter/modbus"
	"golang.org/x/sync/errgroup"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator/serve"
)

const (
	peerModule = "github.com/simonvetter/modbus"
	// bankUnit is the unit id of the bank.
	bankUnit = 1
	// bankRegisters is what one request of the poll figures reads.
	bankRegisters = 40
	pollTimeout   = time.Second
)

// bank is a device with bankRegisters holding registers that never change. It
// implements serve.Target.
type bank struct{ data []byte }

func newBank() bank {
	b := bank{make([]byte, 2*bankRegisters)}
	for i := range b.data {
		b.data[i] = byte(31*i + 7)
	}
	return b
}

// Answer implements serve.Target.
func (b bank) Answer(unit byte, request []byte) ([]byte, bool) {
	if unit != bankUnit || len(request) == 0 {
		return nil, false
	}
	req, err := frame.ParseReadRequest(request)
	from, to := 2*int(req.Address), 2*(int(req.Address)+int(req.Quantity))
	switch {
	case errors.Is(err, frame.ErrFunction) || err == nil && req.Function != frame.ReadHoldingRegisters:
		return frame.AppendException(nil, request[0], 1), true
	case err != nil || to > len(b.data):
		return frame.AppendException(nil, request[0], 2), true
	}
	return frame.AppendReadResponse(nil, req.Function, b.data[from:to]), true
}

// serveBank serves the bank on loopback until ctx ends.
func serveBank(ctx context.Context, group *errgroup.Group) (address string, err error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", fmt.Errorf("listen for the simulated device: %w", err)
	}
	group.Go(func() error { return serve.ServeTCP(ctx, listener, newBank(), nil) })
	return listener.Addr().String(), nil
}

// pollRows reads the bank over loopback TCP with our client and with the
// independent one in turns, and polls it with our decoder.
func pollRows(ctx context.Context, b *bench) (rows []row, err error) {
	ctx, cancel := context.WithCancel(ctx)
	group, ctx := errgroup.WithContext(ctx)
	defer func() {
		cancel()
		if waitErr := group.Wait(); err == nil {
			err = waitErr
		}
	}()
	address, err := serveBank(ctx, group)
	if err != nil {
		return nil, err
	}
	p, err := newPolling(ctx, b.dir, address)
	if err != nil {
		return nil, err
	}
	defer p.close()
	var ours, theirs, scans []float64
	for round := 0; round <= b.pollRounds; round++ {
		for _, turn := range []struct {
			read func() error
			into *[]float64
		}{{p.readOurs, &ours}, {p.readTheirs, &theirs}, {p.scan, &scans}} {
			r, err := rate(b.pollWindow, turn.read)
			if err != nil {
				return nil, err
			}
			if round > 0 { // the first only warms up
				*turn.into = append(*turn.into, r)
			}
		}
	}
	return []row{
		{figure: "poll_cycles_tcp", value: median(ours), unit: "reads/s",
			reference: peerModule + " " + moduleVersion(peerModule), referenceValue: median(theirs),
			note: fmt.Sprintf("%d registers as bytes, without decoding, both clients in turns on one server", bankRegisters)},
		{figure: "poll_scans_tcp", value: median(scans), unit: "scans/s",
			note: fmt.Sprintf("the same read with decoding into %d channels", bankRegisters)},
	}, nil
}

// polling is both clients, connected.
type polling struct {
	ctx    context.Context
	client poll.Client
	peer   *peer.ModbusClient
	group  *poll.GroupPoller
	clock  scan.Clock
	want   []byte
}

func newPolling(ctx context.Context, dir, address string) (*polling, error) {
	site, err := bankSite(dir, address)
	if err != nil {
		return nil, err
	}
	p := &polling{ctx: ctx, clock: scan.NewSystemClock(), want: newBank().data}
	groups := sitefile.Groups(site)
	if len(groups) != 1 || len(groups[0].Channels) != bankRegisters {
		return nil, fmt.Errorf("the bench site has %d poll groups, not one of %d channels", len(groups), bankRegisters)
	}
	if p.group, err = poll.NewGroupPoller(&site.Devices[0], groups[0], nil); err != nil {
		return nil, err
	}
	if p.client, err = poll.Dial(ctx, &site.Lines[0]); err != nil {
		return nil, err
	}
	p.peer, err = peer.NewClient(&peer.ClientConfiguration{URL: "tcp://" + address, Timeout: pollTimeout,
		Logger: log.New(io.Discard, "", 0)})
	if err == nil {
		err = errors.Join(p.peer.SetUnitId(bankUnit), p.peer.Open())
	}
	if err != nil {
		p.client.Close()
		return nil, fmt.Errorf("connect with %s: %w", peerModule, err)
	}
	return p, nil
}

func (p *polling) close() {
	p.client.Close()
	p.peer.Close()
}

func (p *polling) request() frame.ReadRequest {
	return frame.ReadRequest{Function: frame.ReadHoldingRegisters, Quantity: bankRegisters}
}

func (p *polling) readOurs() error {
	got, err := p.client.Read(p.ctx, bankUnit, p.request(), pollTimeout)
	return p.check(got, err)
}

func (p *polling) readTheirs() error {
	got, err := p.peer.ReadRawBytes(0, 2*bankRegisters, peer.HOLDING_REGISTER)
	return p.check(got, err)
}

func (p *polling) check(got []byte, err error) error {
	if err == nil && !bytes.Equal(got, p.want) {
		err = fmt.Errorf("% X was read where % X is served", got, p.want)
	}
	return err
}

func (p *polling) scan() error {
	s := p.group.Poll(p.ctx, p, p.clock)
	for i := range p.want[:bankRegisters] {
		want := int64(p.want[2*i])<<8 | int64(p.want[2*i+1])
		if got, ok := s.Get(i); !ok || got != want {
			return fmt.Errorf("channel %d reads %d (%v) where %d is served", i, got, s.ReasonOf(i), want)
		}
	}
	return nil
}

// Read implements poll.Reader.
func (p *polling) Read(ctx context.Context, unit byte, req frame.ReadRequest) ([]byte, error) {
	return p.client.Read(ctx, unit, req, pollTimeout)
}

// moduleVersion is the version of a module that this program was built with.
func moduleVersion(path string) string {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, m := range info.Deps {
			if m.Path == path {
				return m.Version
			}
		}
	}
	return "(version not known)"
}
