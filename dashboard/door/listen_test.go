package door

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"
)

// fromConn is a connection from an address to an address.
type fromConn struct {
	net.Conn
	from, to net.Addr
}

func (c *fromConn) RemoteAddr() net.Addr { return c.from }
func (c *fromConn) LocalAddr() net.Addr  { return c.to }
func (c *fromConn) Close() error         { return nil }

func tcp(ip string) net.Addr { return &net.TCPAddr{IP: net.ParseIP(ip), Port: 1234} }

func TestConnectionsAreBounded(t *testing.T) {
	l := Listen(nil, Bounds{Network: 10, OneAddress: 4, Here: 3}, nil)
	var held []net.Conn
	count := func(from string, times int) (n int) {
		for range times {
			conn := &fromConn{from: tcp(from), to: tcp("192.0.2.7")}
			if leave, ok := l.enter(conn); ok {
				held = append(held, &countedConn{Conn: conn, leave: leave})
				n++
			}
		}
		return n
	}
	if n := count("192.0.2.1", 6); n != 4 {
		t.Errorf("%d from one address, want 4", n)
	}
	if n := count("192.0.2.2", 4) + count("192.0.2.3", 4); n != 6 {
		t.Errorf("%d from two others, want 6: ten in all", n)
	}
	if n := count("127.0.0.1", 1) + count("::1", 1) + count("192.0.2.7", 2); n != 3 {
		t.Errorf("%d of this computer, also by its own address, want 3", n)
	}
	for range 2 { // a second Close counts nothing
		held[0].Close()
	}
	if n := count("192.0.2.9", 2); n != 1 {
		t.Errorf("after one was closed %d get in, want 1", n)
	}
	for _, c := range held {
		c.Close()
	}
	if l.network != 0 || l.here != 0 || len(l.from) != 0 {
		t.Errorf("all are closed, and %d, %d, %v are counted", l.network, l.here, l.from)
	}
}

// A connection too many is closed at once, and the next that fits gets in.
func TestConnectionTooMany(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := Listen(inner, Bounds{Here: 1}, nil)
	refused := make(chan struct{}, 10)
	l.OnRefused(func() { refused <- struct{}{} })
	accepted := make(chan net.Conn, 10)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			accepted <- c
		}
	}()
	dial := func() net.Conn {
		c, err := net.Dial("tcp", inner.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	first := dial()
	defer first.Close()
	served := <-accepted
	second := dial()
	defer second.Close()
	<-refused
	second.SetReadDeadline(time.Now().Add(10 * time.Second))
	if _, err := second.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("the second: %v, want it closed", err)
	}
	served.Close()
	third := dial()
	defer third.Close()
	(<-accepted).Close()
	l.Close()
	<-done
}

// Who leaves out the s of https is told so, and nothing of the request is
// repeated.
func TestPlainHTTPIsHinted(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := openOwnTest(t, CertificateOptions{Dir: t.TempDir()})
	l := Listen(inner, OwnBounds(), c.TLS())
	defer l.Close()
	done := make(chan error, 1)
	go func() {
		conn, err := l.Accept()
		if err != nil {
			done <- err
			return
		}
		_, err = conn.Read(make([]byte, 1))
		conn.Close()
		done <- err
	}()
	conn, err := net.Dial("tcp", inner.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "GET /marker HTTP/1.1\r\nHost: <script>.example\r\n\r\n")
	answer, _ := io.ReadAll(conn) // what is left unread there may reset the end
	if text := string(answer); !strings.HasPrefix(text, "HTTP/1.1 400 ") || !strings.Contains(text, "https://") || strings.Contains(text, "script") || strings.Contains(text, "marker") {
		t.Errorf("answer %q", text)
	}
	if err := <-done; err == nil {
		t.Error("the handshake went well")
	}
}
