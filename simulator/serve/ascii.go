package serve

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"time"

	"loadscribe/agent/modbus/frame"
)

// asciiSilence ends a broken request in ASCII, whose characters may be up to a
// second apart (Modbus over Serial Line V1.02, 2.5.2.1).
const asciiSilence = time.Second

// errHungUp ends a connection on purpose.
var errHungUp = errors.New("the socket is dropped")

// ServeASCII is ServeRTU for Modbus ASCII.
func ServeASCII(ctx context.Context, rw io.ReadWriteCloser, baud int, target Target, injector *Injector) error {
	return NewASCIILine(target, baud, injector).Serve(ctx, rw)
}

// NewASCIILine is NewRTULine for Modbus ASCII.
func NewASCIILine(target Target, baud int, injector *Injector) *RTULine {
	l := NewRTULine(target, baud, injector)
	l.ascii = true
	return l
}

// ServeRTUOverTCP answers Modbus RTU on the connections of listener, as a
// serial device server does; all else is as in ServeTCP. Each connection is a
// line of its own. A unit that is not there is silent.
func ServeRTUOverTCP(ctx context.Context, listener net.Listener, target Target, injector *Injector) error {
	return serveAll(ctx, listener, func(ctx context.Context, conn net.Conn) {
		l := NewRTULine(target, 0, injector)
		l.socket = true
		_ = l.Serve(ctx, conn) // that the peer has gone ends a connection well
	})
}

// takeASCII is take for Modbus ASCII: a request is what stands between a colon
// and CR LF, and a colon begins anew.
func (l *RTULine) takeASCII(ctx context.Context, w io.Writer, pending []byte) ([]byte, error) {
	var decoded [frame.MaxASCII / 2]byte
	for {
		end := bytes.IndexByte(pending, '\n') + 1
		if end == 0 {
			return pending[:min(len(pending), frame.MaxASCII)], nil
		}
		unit, pdu, err := frame.DecodeASCII(decoded[:0], pending[max(bytes.LastIndexByte(pending[:end], ':'), 0):end])
		if err != nil {
			l.count(func(c *RTUCounts) { c.BadRequests++ })
		} else if err := l.reply(ctx, w, unit, pdu, end, asciiFrame); err != nil {
			return nil, err
		}
		pending = append(pending[:0], pending[end:]...)
	}
}

func asciiFrame(unit byte, pdu []byte) []byte { return frame.AppendASCII(nil, unit, pdu) }
