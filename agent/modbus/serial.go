package modbus

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"go.bug.st/serial"

	"loadscribe/agent/modbus/frame"
)

// Serial is a port's setting; "19200 8E1" is {19200, 8, 'E', 1}.
type Serial struct {
	Baud     int
	DataBits int  // 7 or 8
	Parity   byte // 'N', 'E' or 'O'
	StopBits int  // 1 or 2
}

// String writes the setting as in a site file.
func (s Serial) String() string {
	return fmt.Sprintf("%d %d%c%d", s.Baud, s.DataBits, s.Parity, s.StopBits)
}

// mode turns the setting into the library's words.
func (s Serial) mode() (*serial.Mode, error) {
	m := &serial.Mode{BaudRate: s.Baud, DataBits: s.DataBits}
	switch s.Parity {
	case 'N':
		m.Parity = serial.NoParity
	case 'E':
		m.Parity = serial.EvenParity
	case 'O':
		m.Parity = serial.OddParity
	default:
		return nil, fmt.Errorf("%w: parity %q is not N, E or O", ErrSettings, s.Parity)
	}
	switch s.StopBits {
	case 1:
		m.StopBits = serial.OneStopBit
	case 2:
		m.StopBits = serial.TwoStopBits
	default:
		return nil, fmt.Errorf("%w: %d stop bits are not 1 or 2", ErrSettings, s.StopBits)
	}
	if s.Baud <= 0 {
		return nil, fmt.Errorf("%w: %d baud", ErrSettings, s.Baud)
	}
	if s.DataBits != 7 && s.DataBits != 8 {
		return nil, fmt.Errorf("%w: %d data bits are not 7 or 8", ErrSettings, s.DataBits)
	}
	return m, nil
}

// Budgets of a serial port, beyond which a call is left behind.
const (
	openBudget      = 10 * time.Second
	writeSlack      = 2 * time.Second        // beside the bytes' own time on the wire
	portReadTimeout = 100 * time.Millisecond // how soon a closing port lets go of a Read
	portCloseBudget = time.Second            // once for the Read and once for the port's own closing
)

// OpenSerial opens a serial port for one Client. The name is the system's own
// (COM3, COM10, /dev/ttyUSB0, a link under /dev/serial/by-id) and is resolved
// anew with each call. The error wraps ErrPortBusy, ErrPortMissing,
// os.ErrPermission, ErrSettings, the context's error or the system's.
//
// The Link poisons itself on any error; a silence is none. Where a driver hangs
// in a call, the call is left behind after a budget and the Link fails.
func OpenSerial(ctx context.Context, name string, settings Serial) (Link, error) {
	mode, err := settings.mode()
	if err != nil {
		return nil, fmt.Errorf("open serial port %s: %w; write it as in \"19200 8E1\"", name, err)
	}
	open := func() (port, error) {
		p, err := serial.Open(name, mode)
		if err != nil {
			return nil, err
		}
		return p, nil
	}
	l, err := openPort(ctx, open, settings.Baud)
	if err != nil {
		return nil, fmt.Errorf("open serial port %s at %s: %w", name, settings, explainOpen(err))
	}
	return l, nil
}

// explainOpen turns the library's error codes into ours, with what to do.
func explainOpen(err error) error {
	var portErr *serial.PortError
	if !errors.As(err, &portErr) {
		if errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("%w; plug the adapter in or put the right name under port", ErrPortMissing)
		}
		return err
	}
	switch portErr.Code() {
	case serial.PortBusy:
		return fmt.Errorf("%w; close that program or use another port", ErrPortBusy)
	case serial.PortNotFound:
		return fmt.Errorf("%w; plug the adapter in or put the right name under port", ErrPortMissing)
	case serial.PermissionDenied:
		return fmt.Errorf("%w; let the user the agent runs as use the port (on many Linux systems: the group dialout)", os.ErrPermission)
	case serial.InvalidSpeed, serial.InvalidDataBits, serial.InvalidParity, serial.InvalidStopBits:
		return fmt.Errorf("%w: %w; the port does not offer them", ErrSettings, portErr)
	}
	return portErr
}

// port is what the adapter needs of the library's port; tests bring their own.
type port interface {
	Read(p []byte) (int, error) // 0, nil is a timeout
	Write(p []byte) (int, error)
	SetReadTimeout(time.Duration) error
	Close() error
}

// openPort opens within a budget. A port that opens too late is closed again.
func openPort(ctx context.Context, open func() (port, error), baud int) (*serialLink, error) {
	ctx, cancel := context.WithTimeout(ctx, openBudget)
	defer cancel()
	type opened struct {
		port port
		err  error
	}
	result := make(chan opened)
	go func() {
		p, err := open()
		select {
		case result <- opened{p, err}:
		case <-ctx.Done():
			if err == nil {
				_ = p.Close() // nobody is left to tell
			}
		}
	}()
	select {
	case <-ctx.Done():
		return nil, fmt.Errorf("the port does not open: %w", ctx.Err())
	case r := <-result:
		if r.err != nil {
			return nil, r.err
		}
		if err := r.port.SetReadTimeout(portReadTimeout); err != nil {
			return nil, errors.Join(err, r.port.Close())
		}
		return &serialLink{port: r.port, baud: baud, closing: make(chan struct{}),
			reading: make(chan struct{}, 1), writing: make(chan struct{}, 1)}, nil
	}
}

// serialLink owns a port: nothing else touches it.
type serialLink struct {
	port    port
	baud    int
	closing chan struct{} // closed by the first Close
	once    sync.Once
	reading chan struct{} // holds a token while a Read is in the port
	writing chan struct{} // and while a Write is

	mu    sync.Mutex // protects stuck
	stuck error      // a call was left behind in the port
}

// Read blocks until a byte has come. The port's timeouts are not passed on;
// they only let Read see that the link is being closed.
func (l *serialLink) Read(p []byte) (int, error) {
	for {
		n, err := l.readOnce(p)
		if n > 0 || err != nil {
			return n, err
		}
	}
}

func (l *serialLink) readOnce(p []byte) (int, error) {
	if err := l.enter(l.reading); err != nil {
		return 0, err
	}
	defer func() { <-l.reading }()
	return l.port.Read(p)
}

// enter takes the token of a kind of call, or fails where the link is closing.
func (l *serialLink) enter(token chan struct{}) error {
	select {
	case <-l.closing:
		return os.ErrClosed
	default:
	}
	select {
	case token <- struct{}{}:
		return nil
	case <-l.closing:
		return os.ErrClosed
	}
}

// Write sends all of p or fails within the time p needs on the wire and
// writeSlack. After it was left behind in the port once, it fails at once.
func (l *serialLink) Write(p []byte) (int, error) {
	l.mu.Lock()
	stuck := l.stuck
	l.mu.Unlock()
	if stuck != nil {
		return 0, stuck
	}
	type written struct {
		n   int
		err error
	}
	result := make(chan written, 1)
	own := append([]byte(nil), p...) // p is the caller's again once we are gone
	go func() {
		n, err := l.writeAll(own)
		result <- written{n, err}
	}()
	timer := time.NewTimer(frame.TransmitTime(l.baud, len(p)) + writeSlack)
	defer timer.Stop()
	select {
	case r := <-result:
		return r.n, r.err
	case <-l.closing:
		return 0, os.ErrClosed
	case <-timer.C:
		err := errors.New("the port takes no bytes")
		l.mu.Lock()
		l.stuck = err
		l.mu.Unlock()
		return 0, err
	}
}

func (l *serialLink) writeAll(p []byte) (int, error) {
	if err := l.enter(l.writing); err != nil {
		return 0, err
	}
	defer func() { <-l.writing }()
	for sent := 0; sent < len(p); {
		n, err := l.port.Write(p[sent:])
		sent += n
		switch {
		case err != nil:
			return sent, err
		case n == 0:
			return sent, errors.New("the port takes no bytes")
		}
	}
	return len(p), nil
}

// Close lets calls in the port end before it closes the port, since a system
// may give the port's handle to another file at once. It waits for neither the
// calls nor the closing longer than portCloseBudget. A second Close does nothing.
func (l *serialLink) Close() error {
	var err error
	l.once.Do(func() {
		close(l.closing)
		timer := time.NewTimer(portCloseBudget)
		defer timer.Stop()
		for _, token := range []chan struct{}{l.reading, l.writing} {
			select {
			case token <- struct{}{}:
			case <-timer.C: // the call in the port hangs; closing may free it
				timer.Reset(0)
			}
		}
		closed := make(chan error, 1)
		go func() { closed <- l.port.Close() }()
		timer.Reset(portCloseBudget)
		select {
		case err = <-closed:
		case <-timer.C:
			err = errors.New("the port does not close and is left behind")
		}
	})
	return err
}
