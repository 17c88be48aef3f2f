package door

import (
	"crypto/tls"
	"net"
	"net/netip"
	"strconv"
	"sync"
)

// Bounds are how many connections may be open at once. Those from this computer
// count apart, so that its own page and commands get in whatever others do.
type Bounds struct {
	Network    int // from other computers
	OneAddress int // from one of them
	Here       int // from this computer
}

// OwnBounds: a browser holds six connections and a live socket for each page it
// shows. Each costs some 30 kB over TLS.
func OwnBounds() Bounds { return Bounds{Network: 400, OneAddress: 64, Here: 600} }

// Listener bounds connections and speaks TLS. Accept is for one goroutine.
type Listener struct {
	net.Listener
	bounds  Bounds
	tls     *tls.Config // nil: none
	refused func()      // told of each connection that was one too many; may be nil

	mu      sync.Mutex // protects what follows
	here    int
	network int
	from    map[netip.Addr]int
}

// Listen bounds what ln accepts. config, where not nil, is what TLS is spoken by;
// who speaks HTTP to it is told so.
func Listen(ln net.Listener, b Bounds, config *tls.Config) *Listener {
	return &Listener{Listener: ln, bounds: b, tls: config, from: map[netip.Addr]int{}}
}

// OnRefused sets what is called for each connection that was one too many, before
// the first is accepted.
func (l *Listener) OnRefused(fn func()) { l.refused = fn }

// Accept implements net.Listener. A connection too many is closed at once.
func (l *Listener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		leave, ok := l.enter(conn)
		if !ok {
			conn.Close()
			if l.refused != nil {
				l.refused()
			}
			continue
		}
		counted := &countedConn{Conn: conn, leave: leave}
		if l.tls == nil {
			return counted, nil
		}
		return tls.Server(&hintingConn{countedConn: counted}, l.tls), nil
	}
}

// enter counts a connection, or refuses it.
func (l *Listener) enter(conn net.Conn) (leave func(), ok bool) {
	address, ours := FromOurs(conn.RemoteAddr(), conn.LocalAddr())
	l.mu.Lock()
	defer l.mu.Unlock()
	if ours {
		if l.here >= l.bounds.Here {
			return nil, false
		}
		l.here++
		return func() {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.here--
		}, true
	}
	if l.network >= l.bounds.Network || l.from[address] >= l.bounds.OneAddress {
		return nil, false
	}
	l.network++
	l.from[address]++
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.network--
		if l.from[address]--; l.from[address] <= 0 {
			delete(l.from, address)
		}
	}, true
}

// FromOurs returns the address that a connection comes from, and whether it is
// of this computer: loopback, or the same as our end's.
func FromOurs(remote, local net.Addr) (address netip.Addr, ours bool) {
	address = addressOf(remote)
	return address, address.IsLoopback() || address.IsValid() && address == addressOf(local)
}

func addressOf(a net.Addr) netip.Addr {
	tcp, ok := a.(*net.TCPAddr)
	if !ok {
		return netip.Addr{}
	}
	ip, _ := netip.AddrFromSlice(tcp.IP)
	return ip.Unmap()
}

// countedConn leaves the count once.
type countedConn struct {
	net.Conn
	leave func()
	once  sync.Once
}

// Close implements net.Conn.
func (c *countedConn) Close() error {
	c.once.Do(c.leave)
	return c.Conn.Close()
}

// CloseWrite says that nothing more is sent; net/http does so before it leaves
// who sends too much, lest the answer be lost in a reset.
func (c *countedConn) CloseWrite() error {
	if half, ok := c.Conn.(interface{ CloseWrite() error }); ok {
		return half.CloseWrite()
	}
	return nil
}

// hint is what a browser shows to who left out the s of https.
const hint = "This address speaks HTTPS: write https:// in front of it.\n" +
	"The browser then warns of a certificate that it does not know: compare its SHA-256 fingerprint with the one that loadscribe prints when it starts.\n"

// hintingConn tells who speaks HTTP where TLS is expected what to do. It is used
// by the handshake alone, before its first byte by one goroutine.
type hintingConn struct {
	*countedConn
	read bool
}

// Read implements net.Conn.
func (c *hintingConn) Read(p []byte) (int, error) {
	n, err := c.countedConn.Read(p)
	if c.read || n == 0 {
		return n, err
	}
	c.read = true
	if p[0] >= 'A' && p[0] <= 'Z' { // a method; a handshake begins with byte 22
		// An error means that nobody is left to tell; the handshake's deadline holds.
		_, _ = c.Conn.Write([]byte("HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain; charset=utf-8\r\nConnection: close\r\nContent-Length: " +
			strconv.Itoa(len(hint)) + "\r\n\r\n" + hint))
		c.Close()
		return 0, net.ErrClosed
	}
	return n, err
}
