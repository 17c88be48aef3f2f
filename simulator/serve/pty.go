//go:build linux || darwin

package serve

import (
	"fmt"
	"os"

	"github.com/creack/pty"
)

// Pty is a pseudo-terminal: a serial line without a wire. The server's end is
// the Pty itself; the other end is opened by its Path.
type Pty struct {
	*os.File
	other *os.File // kept open: without it a client's close would break our end
}

// OpenPty opens a pseudo-terminal in raw mode.
func OpenPty() (*Pty, error) {
	ours, other, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("simulate: open a pseudo-terminal: %w", err)
	}
	if err := makeRaw(other); err != nil {
		ours.Close()
		other.Close()
		return nil, fmt.Errorf("simulate: set %s raw: %w", other.Name(), err)
	}
	return &Pty{File: ours, other: other}, nil
}

// Path is what a client opens as its serial port.
func (p *Pty) Path() string { return p.other.Name() }

// Close closes both ends.
func (p *Pty) Close() error {
	err := p.File.Close()
	if errOther := p.other.Close(); err == nil {
		err = errOther
	}
	return err
}
