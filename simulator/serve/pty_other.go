//go:build !linux && !darwin

package serve

import (
	"errors"
	"os"
	"runtime"
)

// ErrNoPty says that this system has no pseudo-terminals.
var ErrNoPty = errors.New("simulate: no pseudo-terminals on " + runtime.GOOS + ": use Modbus TCP, or a real port or virtual port pair")

// Pty is a pseudo-terminal; there are none here.
type Pty struct{ *os.File }

// OpenPty returns ErrNoPty.
func OpenPty() (*Pty, error) { return nil, ErrNoPty }

// Path is empty.
func (p *Pty) Path() string { return "" }
