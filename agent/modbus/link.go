package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"
)

// Link is an open serial port or connection.
//
// Read blocks until at least one byte has come or the link has failed; it never
// returns 0 bytes without an error for long. Write returns within a bound of
// its own. Close frees a blocked Read, may be called from another goroutine and
// returns within a bound of its own. One reader and one writer at a time.
type Link interface {
	io.ReadWriteCloser
}

// tcpWriteBudget is how long a request of a few bytes may wait for room in the
// send buffer of a connection.
const tcpWriteBudget = 2 * time.Second

// DialTCP connects to a Modbus TCP server, or to a gateway that carries RTU
// over TCP. The address is host:port. The wait ends with ctx.
func DialTCP(ctx context.Context, address string) (Link, error) {
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("connect to %s: %w; check the address, the network and that the device serves Modbus there", address, bare(err))
	}
	return &tcpLink{Conn: conn}, nil
}

// bare is what a system call says, without the call and the address that Go puts
// before it: people read it.
func bare(err error) error {
	var op *net.OpError
	if errors.As(err, &op) {
		err = op.Err
	}
	var call *os.SyscallError
	if errors.As(err, &call) {
		err = call.Err
	}
	return err
}

// tcpLink bounds writes.
type tcpLink struct{ net.Conn }

func (l *tcpLink) Write(p []byte) (int, error) {
	if err := l.SetWriteDeadline(time.Now().Add(tcpWriteBudget)); err != nil {
		return 0, err
	}
	return l.Conn.Write(p)
}
