package fleet

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/binary"
	"net"
	"net/http"
	"sync/atomic"
	"time"
)

// Wire is a connection to a receiver that counts. It is made as those of package
// remote are: one connection that is kept, HTTP/1.1, nothing asked for packed. For
// several goroutines.
type Wire struct {
	transport            *http.Transport
	requests, failed     atomic.Int64
	out, in, connections atomic.Int64
	payload, plain       atomic.Int64
}

// Traffic is what passed a Wire: bytes in both directions as the socket had them, with
// heads of requests and answers, and under TLS its records and handshakes.
type Traffic struct {
	Requests, Failed int64 // Failed: without an answer, or with one that is not 2xx
	Out, In          int64
	Connections      int64
	Payload, Plain   int64 // of the bodies that were sent: as packed, and before
}

// Add is both together.
func (t Traffic) Add(o Traffic) Traffic { return t.Less(Traffic{}.Less(o)) }

// Less is what passed since an earlier time.
func (t Traffic) Less(before Traffic) Traffic {
	return Traffic{t.Requests - before.Requests, t.Failed - before.Failed, t.Out - before.Out, t.In - before.In,
		t.Connections - before.Connections, t.Payload - before.Payload, t.Plain - before.Plain}
}

// NewWire makes one; config is of TLS, nil: the system's.
func NewWire(config *tls.Config) *Wire {
	w := &Wire{}
	dialer := &net.Dialer{}
	w.transport = &http.Transport{
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			c, err := dialer.DialContext(ctx, network, address)
			if err != nil {
				return nil, err
			}
			w.connections.Add(1)
			return countedConn{c, w}, nil
		},
		TLSClientConfig:    config,
		MaxIdleConns:       1,
		IdleConnTimeout:    90 * time.Second,
		DisableCompression: true,
	}
	return w
}

// RoundTrip implements http.RoundTripper.
func (w *Wire) RoundTrip(r *http.Request) (*http.Response, error) {
	w.requests.Add(1)
	w.payload.Add(max(r.ContentLength, 0))
	w.plain.Add(plainLength(r))
	answer, err := w.transport.RoundTrip(r)
	if err != nil || answer.StatusCode < 200 || answer.StatusCode > 299 {
		w.failed.Add(1)
	}
	return answer, err
}

// Traffic is what passed so far.
func (w *Wire) Traffic() Traffic {
	return Traffic{w.requests.Load(), w.failed.Load(), w.out.Load(), w.in.Load(), w.connections.Load(), w.payload.Load(), w.plain.Load()}
}

// plainLength is what a body has unpacked: a block of Snappy begins with that, as a
// varint.
func plainLength(r *http.Request) int64 {
	if r.GetBody == nil {
		return 0
	}
	body, err := r.GetBody()
	if err != nil {
		return 0
	}
	defer body.Close()
	n, err := binary.ReadUvarint(bufio.NewReaderSize(body, 16))
	if err != nil {
		return 0
	}
	return int64(n)
}

// Close ends the connection that is kept.
func (w *Wire) Close() { w.transport.CloseIdleConnections() }

// countedConn counts what passes it.
type countedConn struct {
	net.Conn
	wire *Wire
}

func (c countedConn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.wire.in.Add(int64(n))
	return n, err
}

func (c countedConn) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	c.wire.out.Add(int64(n))
	return n, err
}
