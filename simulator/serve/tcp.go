package serve

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"loadscribe/agent/modbus/frame"
)

const (
	// mostConnections bounds what one TCP server holds open; one more is closed
	// as soon as it is accepted.
	mostConnections = 32
	// writeTimeout ends a connection whose peer does not read.
	writeTimeout = 5 * time.Second

	gatewayTarget = 0x0B // exception: no such unit behind this address
)

// ServeTCP answers Modbus TCP on listener until ctx ends, then closes listener
// and every connection, waits for them and returns nil. It returns an error
// only if accepting fails before that. injector may be nil.
func ServeTCP(ctx context.Context, listener net.Listener, target Target, injector *Injector) error {
	return serveAll(ctx, listener, func(ctx context.Context, conn net.Conn) { serveConn(ctx, conn, target, injector) })
}

// serveAll serves each connection of listener in a goroutine of its own.
func serveAll(ctx context.Context, listener net.Listener, serve func(context.Context, net.Conn)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stop := context.AfterFunc(ctx, func() { listener.Close() })
	defer stop()

	var wait sync.WaitGroup
	defer wait.Wait()
	defer cancel()
	room := make(chan struct{}, mostConnections)
	for {
		conn, err := listener.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			var temporary net.Error
			if errors.As(err, &temporary) && temporary.Timeout() {
				continue
			}
			listener.Close()
			return fmt.Errorf("simulate: accept on %s: %w", listener.Addr(), err)
		}
		select {
		case room <- struct{}{}:
		default:
			conn.Close()
			continue
		}
		wait.Go(func() {
			defer func() { <-room }()
			serve(ctx, conn)
		})
	}
}

// serveConn answers one connection until it breaks or ctx ends. A header that
// cannot be one ends it: nothing in the stream marks where a frame begins.
func serveConn(ctx context.Context, conn net.Conn, target Target, injector *Injector) {
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	request := make([]byte, 0, 6+frame.MaxPDU+1)
	for {
		request = request[:6]
		if _, err := io.ReadFull(conn, request); err != nil {
			return
		}
		length, ok := frame.TCPLength(request)
		if !ok {
			return
		}
		request = request[:length]
		if _, err := io.ReadFull(conn, request[6:]); err != nil {
			return
		}
		transaction, unit, pdu, err := frame.DecodeTCP(request)
		if err != nil {
			return
		}
		answer, ok := target.Answer(unit, pdu)
		if !ok {
			answer = []byte{pdu[0] | 0x80, gatewayTarget}
		}
		mbap := func(unit byte, pdu []byte) []byte { return frame.AppendTCP(nil, transaction, unit, pdu) }
		if !sendTCP(ctx, conn, injector.damage(unit, answer, mbap, medium{socket: true}, 6*8)) {
			return
		}
	}
}

// sendTCP reports whether the connection is still good.
func sendTCP(ctx context.Context, conn net.Conn, r reply) bool {
	if r.closeSocket {
		return false
	}
	if r.silentForever {
		return true
	}
	write := func(b []byte) bool {
		if err := conn.SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil {
			return false
		}
		_, err := conn.Write(b)
		return err == nil
	}
	if !pause(ctx, r.before) || !write(r.first) {
		return false
	}
	return len(r.second) == 0 || pause(ctx, r.between) && write(r.second)
}
