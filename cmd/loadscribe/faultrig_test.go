package main

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"net"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator/serve"
)

// held is what register address of unit holds, for good: the bytes of each
// differ, and so do neighbours and units.
func held(unit byte, address uint16) uint16 {
	return (address+1)*40503 ^ uint16(unit)*9157
}

// image serves held. It implements serve.Target.
type image struct{}

func (image) Answer(unit byte, request []byte) ([]byte, bool) {
	req, err := frame.ParseReadRequest(request)
	if err != nil || req.Function != frame.ReadHoldingRegisters {
		return frame.AppendException(nil, request[0], 1), true
	}
	var data []byte
	for i := range req.Quantity {
		data = binary.BigEndian.AppendUint16(data, held(unit, req.Address+i))
	}
	return frame.AppendReadResponse(nil, req.Function, data), true
}

// faultSite has four devices on one line, of 1, 2, 40 and 100 registers, each
// read once a second in one request.
func faultSite(kind sitefile.LineKind, echo sitefile.Echo) *sitefile.Site {
	site := &sitefile.Site{Lines: []sitefile.Line{{Name: "bus", Kind: kind, Port: "COM10", Address: "",
		Timeout: 200 * time.Millisecond, Echo: echo,
		Serial: sitefile.Serial{Baud: 115200, DataBits: 8, Parity: 'E', StopBits: 1}}}}
	if kind == sitefile.ModbusTCP {
		site.Lines[0].Address, site.Lines[0].Port = "192.0.2.7:502", ""
	}
	for i, registers := range []int{1, 2, 40, 100} {
		m := &sitefile.RegisterMap{Protocol: "modbus", Bridge: 8}
		for a := range registers {
			m.Channels = append(m.Channels, sitefile.MapChannel{Name: fmt.Sprint("r", a), Table: sitefile.Holding,
				Address: uint16(a), Type: "u16", Bit: -1, Scale: 1, Every: time.Second})
		}
		site.Devices = append(site.Devices, sitefile.Device{Name: fmt.Sprint("u", i+1), Line: "bus", UnitID: byte(i + 1),
			MapPath: "maps/a.toml", Map: m, Every: time.Second})
	}
	return site
}

// judge is the sink: it holds every value against what was served.
type judge struct {
	mu            sync.Mutex // guards all below
	stored, wrong uint64
	outcomes      map[string][]scan.Reason
}

func (j *judge) Offer(s scan.Scan) {
	j.mu.Lock()
	defer j.mu.Unlock()
	unit := s.Group.Device[1] - '0'
	for a := range s.Values {
		if v, ok := s.Get(a); ok {
			j.stored++
			if v != int64(held(unit, uint16(a))) {
				j.wrong++
			}
		}
	}
	j.outcomes[s.Group.Device] = append(j.outcomes[s.Group.Device], s.Reason)
}

// faultRig is a real Poller with real Clients against the simulator's servers,
// over pipes, in the bubble of a synctest.
type faultRig struct {
	t        *testing.T
	injector *serve.Injector
	sink     *judge
	poller   *poll.Poller
	clients  []*modbus.Client
	stop     func()
}

// pipes is a listener whose connections are pipes.
type pipes chan net.Conn

func (p pipes) Accept() (net.Conn, error) {
	if conn, ok := <-p; ok {
		return conn, nil
	}
	return nil, net.ErrClosed
}

func (p pipes) Close() error { close(p); return nil }

func (p pipes) Addr() net.Addr { return &net.TCPAddr{} }

// newFaultRig starts polling; it must be stopped. echo is the line's setting,
// echoes whether it has an echo.
func newFaultRig(t *testing.T, kind sitefile.LineKind, echo sitefile.Echo, echoes bool, faults serve.Faults) *faultRig {
	t.Helper()
	injector, err := serve.NewInjector(faults)
	if err != nil {
		t.Fatal(err)
	}
	r := &faultRig{t: t, injector: injector, sink: &judge{outcomes: map[string][]scan.Reason{}}}
	ctx, cancel := context.WithCancel(t.Context())
	var wait sync.WaitGroup
	listener := make(pipes)
	if kind == sitefile.ModbusTCP {
		wait.Go(func() {
			if err := serve.ServeTCP(ctx, listener, image{}, injector); err != nil {
				t.Error(err)
			}
		})
	}
	dial := func(context.Context, *sitefile.Line) (poll.Client, error) {
		near, far := net.Pipe()
		cfg := modbus.Config{Framing: modbus.TCP}
		if kind == sitefile.ModbusTCP {
			listener <- far
		} else {
			cfg = modbus.Config{Framing: modbus.RTU, Baud: 115200}
			cfg.Echo = map[sitefile.Echo]modbus.Echo{sitefile.EchoOn: modbus.EchoOn, sitefile.EchoOff: modbus.EchoOff}[echo]
			line := serve.NewRTULine(image{}, 0, injector)
			if echoes {
				line.Echo()
			}
			wait.Go(func() { _ = line.Serve(ctx, far) }) // ends with an error where the client closes its end first
		}
		client := modbus.NewClient(near, cfg)
		r.clients = append(r.clients, client)
		return client, nil
	}
	site := faultSite(kind, echo)
	r.poller, err = poll.New(site, sitefile.Groups(site), r.sink, poll.Options{Dial: dial, Random: func() float64 { return 0 }})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	pollCtx, stopPolling := context.WithCancel(t.Context())
	go func() { done <- r.poller.Run(pollCtx) }()
	r.stop = func() {
		stopPolling()
		if err := <-done; err != nil {
			t.Error(err)
		}
		cancel()
		wait.Wait()
	}
	return r
}

// counted adds up what the clients saw of all units.
func (r *faultRig) counted() (sum modbus.UnitStats) {
	for _, c := range r.clients {
		for _, u := range c.Stats().Units {
			sum.Requests += u.Requests
			sum.Answers += u.Answers
			sum.Timeouts += u.Timeouts
			sum.BadChecksums += u.BadChecksums
			sum.Exceptions += u.Exceptions
			sum.WrongAnswers += u.WrongAnswers
			sum.LinesLost += u.LinesLost
			sum.Canceled += u.Canceled
			sum.Late += u.Late
		}
	}
	return sum
}

// scanned adds up what the Poller says of all devices.
func (r *faultRig) scanned() (good, damaged uint64, errors map[scan.Reason]uint64) {
	errors = map[scan.Reason]uint64{}
	for _, d := range r.poller.Status().Devices {
		good += d.Scans
		damaged += d.Damaged
		for reason, n := range d.Errors {
			errors[reason] += n
		}
	}
	return good, damaged, errors
}

// wantNoneWrong fails if more wrong values were stored than a CRC-16 lets
// through. The bound: one in 65,536 damaged frames, and four standard deviations
// of it; below some 4,000 damaged frames that is none. Wrong values are counted
// one by one, so that a single such frame may count for a hundred of them.
func (r *faultRig) wantNoneWrong(damaged uint64) {
	r.t.Helper()
	expected := float64(damaged) / 65536
	const mostValues = 100
	if most := mostValues * uint64(expected+4*math.Sqrt(expected)); r.sink.wrong > most {
		r.t.Errorf("%d of %d stored values are wrong, at most %d of %d damaged frames can pass a CRC-16", r.sink.wrong, r.sink.stored, most, damaged)
	}
}
