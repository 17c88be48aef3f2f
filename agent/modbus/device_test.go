package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"net"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"loadscribe/agent/modbus/frame"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// step is bytes that the device sends some time after the step before (the
// first one: after the request came).
type step struct {
	after time.Duration
	bytes []byte
}

// device is a scripted server over one end of a pipe. It answers in order, as
// real ones do. Every answer's payload depends on the number of the request,
// so that the answer to any other request, even to the same registers, is
// noticed.
type device struct {
	framing Framing
	// script makes of the n-th request's proper answer (a frame) what is sent.
	// Nil sends the answer at once. Scripts are run one at a time.
	script func(n int, ask ask, answer []byte) []step

	mu   sync.Mutex
	asks []ask
	wg   sync.WaitGroup
}

// ask is a request that has come.
type ask struct {
	sent        []byte // as on the wire
	transaction uint16
	unit        byte
	req         frame.ReadRequest
}

// start serves a new connection and returns the client's end.
func (d *device) start() Link {
	near, far := net.Pipe()
	steps := make(chan step, 1024)
	d.wg.Go(func() { d.listen(far, steps) })
	d.wg.Go(func() {
		for s := range steps {
			time.Sleep(s.after)
			if _, err := far.Write(s.bytes); err != nil {
				break
			}
		}
		far.Close()
		for range steps { // whoever fills it must not block
		}
	})
	return near
}

func (d *device) listen(conn net.Conn, steps chan<- step) {
	defer close(steps)
	var in []byte
	var chunk [600]byte
	for {
		n, err := conn.Read(chunk[:])
		if err != nil {
			return
		}
		in = append(in, chunk[:n]...)
		for {
			a, size := d.parse(in)
			if size == 0 {
				break
			}
			in = in[size:]
			d.mu.Lock()
			d.asks = append(d.asks, a)
			nth := len(d.asks)
			answer := d.frame(a, frame.AppendReadResponse(nil, a.req.Function, payloadOf(nth, a.req)))
			send := []step{{0, answer}}
			if d.script != nil {
				send = d.script(nth, a, answer)
			}
			d.mu.Unlock()
			for _, s := range send {
				steps <- s
			}
		}
	}
}

func (d *device) parse(in []byte) (a ask, size int) {
	var pdu []byte
	var err error
	switch d.framing {
	case RTU:
		if len(in) < 8 {
			return a, 0
		}
		size = 8
		a.unit, pdu, err = frame.DecodeRTU(in[:size])
	case ASCII:
		if size = bytes.IndexByte(in, '\n') + 1; size == 0 {
			return a, 0
		}
		a.unit, pdu, err = frame.DecodeASCII(nil, in[:size])
	case TCP:
		if len(in) < 12 {
			return a, 0
		}
		size = 12
		a.transaction, a.unit, pdu, err = frame.DecodeTCP(in[:size])
	}
	if err == nil {
		a.req, err = frame.ParseReadRequest(pdu)
	}
	if err != nil {
		panic(err) // the client under test sent no proper request
	}
	a.sent = bytes.Clone(in[:size])
	return a, size
}

// frame wraps a PDU as the answer to a.
func (d *device) frame(a ask, pdu []byte) []byte {
	switch d.framing {
	case RTU:
		return frame.AppendRTU(nil, a.unit, pdu)
	case ASCII:
		return frame.AppendASCII(nil, a.unit, pdu)
	}
	return frame.AppendTCP(nil, a.transaction, a.unit, pdu)
}

// asked returns how many requests have come.
func (d *device) asked() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.asks)
}

// payloadOf is what the device means by its answer to the n-th request.
func payloadOf(n int, req frame.ReadRequest) []byte {
	p := make([]byte, req.ByteCount())
	for i := range p {
		p[i] = byte(n*31 + i*7 + int(req.Address))
	}
	if len(p) >= 2 {
		binary.BigEndian.PutUint16(p, uint16(n))
	}
	return p
}

// setup is one of the ways a client can be connected.
type setup struct {
	name string
	cfg  Config
}

func setups() []setup {
	return []setup{
		{"RTU", Config{Framing: RTU, Baud: 19200}},
		{"RTU over TCP", Config{Framing: RTU}},
		{"ASCII", Config{Framing: ASCII, Baud: 19200}},
		{"TCP", Config{Framing: TCP}},
	}
}

// rig is a client and its device. Its reads fail the test when they return a
// value that was not meant for them.
type rig struct {
	t      *testing.T
	dev    *device
	cfg    Config
	client *Client
}

const rigTimeout = 200 * time.Millisecond

// run makes a rig inside a bubble of fake time.
func run(t *testing.T, cfg Config, script func(n int, a ask, answer []byte) []step, test func(*rig)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		r := &rig{t: t, cfg: cfg, dev: &device{framing: cfg.Framing, script: script}}
		r.open()
		defer r.dev.wg.Wait()
		defer func() { r.client.Close() }()
		test(r)
	})
}

func (r *rig) open() { r.client = NewClient(r.dev.start(), r.cfg) }

// read reads, and opens anew where the link is lost, as poll does.
func (r *rig) read(unit byte, req frame.ReadRequest) error {
	r.t.Helper()
	before := r.dev.asked()
	got, err := r.client.Read(r.t.Context(), unit, req, rigTimeout)
	if err == nil {
		n := r.dev.asked()
		if n != before+1 {
			r.t.Fatalf("%d requests were sent for one read", n-before)
		}
		if want := payloadOf(n, req); !bytes.Equal(got, want) {
			r.t.Fatalf("WRONG VALUE: read %d of unit %d %v gave % X, want % X", n, unit, req, got, want)
		}
	}
	if r.client.Err() != nil {
		r.client.Close()
		r.open()
	}
	return err
}

// expect reads and compares the error's kind; nil means a right value.
func (r *rig) expect(what string, req frame.ReadRequest, kinds ...error) {
	r.t.Helper()
	err := r.read(3, req)
	if !slices.ContainsFunc(kinds, func(kind error) bool { return errors.Is(err, kind) }) {
		r.t.Fatalf("%s: %v, want one of %v", what, err, kinds)
	}
}

func register(address uint16) frame.ReadRequest {
	return frame.ReadRequest{Function: frame.ReadHoldingRegisters, Address: address, Quantity: 1}
}

func registers(address, n uint16) frame.ReadRequest {
	return frame.ReadRequest{Function: frame.ReadHoldingRegisters, Address: address, Quantity: n}
}

// background is a context of this bubble that a test may cancel.
func background(t *testing.T) (context.Context, context.CancelFunc) {
	return context.WithCancel(t.Context())
}
