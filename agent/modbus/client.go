package modbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"loadscribe/agent/modbus/frame"
)

// Framing is how PDUs are wrapped on a link.
type Framing uint8

// The framings. RTU over TCP is RTU on a TCP link.
const (
	RTU Framing = iota + 1
	ASCII
	TCP
)

// String returns the framing's usual name.
func (f Framing) String() string {
	switch f {
	case RTU:
		return "RTU"
	case ASCII:
		return "ASCII"
	case TCP:
		return "TCP"
	}
	return "unknown framing"
}

// Echo says whether what is sent comes back on the line. It matters to RTU and
// ASCII only.
type Echo uint8

// The echo settings.
const (
	EchoAuto Echo = iota // taken out where it comes
	EchoOn               // the first frame that equals the sent one is an echo
	EchoOff              // a frame that equals the sent one is an answer
)

// DefaultTimeout is the time an answer may take to begin where none is given.
const DefaultTimeout = time.Second

// closeBudget bounds how long Close waits for a link that does not let go.
const closeBudget = 2 * time.Second

// gatewayBaud stands for the unknown speed of the line behind a gateway that
// carries RTU over TCP: its silence is the shortest there is. It is kept so
// that what follows an answer unasked is seen before the next request.
const gatewayBaud = 115200

// Config is what a Client must know of its link.
type Config struct {
	Framing Framing
	// Baud is the serial speed in bits per second, from which the silent
	// times follow; 0 on TCP links.
	Baud int
	// Turnaround is waited before each request in addition to t3.5.
	Turnaround time.Duration
	Echo       Echo
}

// Client reads from the devices of one link. Its methods may be called from
// several goroutines; requests wait for each other.
type Client struct {
	link Link
	cfg  Config
	rx   *receiver

	gap      time.Duration // t3.5; not kept on Modbus TCP
	maxFrame time.Duration // one longest frame on the wire

	// turn holds one token; who has it owns all fields up to mu.
	turn        chan struct{}
	timer       *time.Timer
	out         []byte    // the frame sent last
	in          []byte    // what came since, or since the last answer
	pos         int       // in[:pos] has been dealt with
	sentEnd     time.Time // when the last frame sent has left the wire
	quietUntil  time.Time // nobody is asked before
	unanswered  []unanswered
	transaction uint16

	mu        sync.Mutex // protects all below
	broken    error      // why the link is of no use any more
	units     map[byte]*UnitStats
	discarded uint64
	echoing   bool // as Stats.Echo
}

// NewClient starts to receive from link, which it owns from then on: Close
// closes it.
func NewClient(link Link, cfg Config) *Client {
	longest := frame.MaxRTU
	if cfg.Framing == ASCII {
		longest = frame.MaxASCII
	}
	gap := frame.Gap(cfg.Baud)
	if cfg.Baud == 0 {
		gap = frame.Gap(gatewayBaud)
	}
	c := &Client{
		link:     link,
		cfg:      cfg,
		rx:       newReceiver(link),
		gap:      gap,
		maxFrame: frame.TransmitTime(cfg.Baud, longest),
		turn:     make(chan struct{}, 1),
		sentEnd:  time.Now(), // the line's first silence counts from here
		timer:    time.NewTimer(time.Hour),
		units:    map[byte]*UnitStats{},
	}
	c.timer.Stop()
	return c
}

// Read asks unit for req and returns the answer's data bytes, which are the
// caller's: two a register, high byte first, or eight bits a byte, lowest
// first. The answer may take timeout (0: DefaultTimeout) to begin.
//
// The error is a *ReadError around ErrTimeout, ErrBadChecksum, ErrWrongAnswer,
// *ExceptionError, ErrLineLost, ErrUnit, frame.ErrRequest, frame.ErrFunction or
// the context's error.
func (c *Client) Read(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) ([]byte, error) {
	payload, err := c.read(ctx, unit, req, timeout)
	if err != nil {
		return nil, &ReadError{Unit: unit, Request: req, Err: err}
	}
	return payload, nil
}

func (c *Client) read(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) ([]byte, error) {
	if err := req.Check(); err != nil {
		return nil, err
	}
	if unit == 0 && c.cfg.Framing != TCP {
		return nil, fmt.Errorf("%w: 0 is the broadcast address, which nobody answers", ErrUnit)
	}
	if timeout <= 0 {
		timeout = DefaultTimeout
	}
	select {
	case c.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-c.turn }()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := c.Err(); err != nil {
		return nil, err
	}
	ask := c.askSerial
	if c.cfg.Framing == TCP {
		ask = c.askTCP
	}
	pdu, reply, err := ask(ctx, unit, req, timeout)
	var payload []byte
	if err == nil {
		payload, err = frame.ParseReadResponse(req, pdu)
	}
	if err != nil {
		err = named(unit, req, err)
	}
	c.count(unit, reply, err)
	if err != nil {
		return nil, err
	}
	return append([]byte(nil), payload...), nil
}

// named turns an exception code into an error that says whose it is.
func named(unit byte, req frame.ReadRequest, err error) error {
	var code frame.Exception
	if !errors.As(err, &code) {
		return err
	}
	return &ExceptionError{Unit: unit, Function: req.Function, Code: byte(code), Address: req.Address, Quantity: req.Quantity}
}

// Err returns nil while the Client can be used, and an error that wraps
// ErrLineLost after the link has failed or Close was called. After a timeout
// over TCP the connection is closed, and Err says so: look at it after each
// failed Read.
func (c *Client) Err() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.broken
}

// lose marks the link as of no use; the first cause stays.
func (c *Client) lose(cause error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.broken == nil {
		c.broken = fmt.Errorf("%w: %w", ErrLineLost, cause)
	}
	return c.broken
}

// Close closes the link and ends a Read that waits, which returns ErrLineLost.
// It returns within a bound even where the link does not let go. A second
// Close does nothing.
func (c *Client) Close() error {
	c.mu.Lock()
	again := errors.Is(c.broken, errClosed)
	c.broken = fmt.Errorf("%w: %w", ErrLineLost, errClosed)
	c.mu.Unlock()
	if again {
		return nil
	}
	c.rx.fail(errClosed)
	err := c.link.Close()
	if errors.Is(err, net.ErrClosed) {
		err = nil // closed after a timeout over TCP
	}
	timer := time.NewTimer(closeBudget)
	defer timer.Stop()
	select {
	case <-c.rx.done:
	case <-timer.C:
		err = errors.Join(err, fmt.Errorf("close: the port has not let go within %v and is left behind", closeBudget))
	}
	return err
}

// errClosed is the cause of ErrLineLost after Close.
var errClosed = errors.New("closed")

// waitErr turns an error of receiver.wait into one that Read may return.
func (c *Client) waitErr(ctx context.Context, err error) error {
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return err
	}
	return c.lose(err)
}

// send writes the frame in out.
func (c *Client) send() error {
	n, err := c.link.Write(c.out)
	if err == nil && n < len(c.out) {
		err = fmt.Errorf("only %d of %d bytes were sent", n, len(c.out))
	}
	if err != nil {
		return c.lose(err)
	}
	return nil
}

// forget drops what has been dealt with from the input.
func (c *Client) forget() {
	c.in = append(c.in[:0], c.in[c.pos:]...)
	c.pos = 0
}
