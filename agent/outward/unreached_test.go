package outward

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"testing"

	"loadscribe/testdata/peers"
)

// TestUnreached: what keeps a connection from coming about is told without Go's words.
func TestUnreached(t *testing.T) {
	at := &net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 502} // RFC 5737
	dial := func(err error) error { return &net.OpError{Op: "dial", Net: "tcp", Addr: at, Err: err} }
	for _, c := range []struct {
		err  error
		want string
	}{
		{dial(os.NewSyscallError("connect", errRefused)), "nobody answers at 192.0.2.7:502: connection refused"},
		{dial(os.NewSyscallError("connect", errNoHost)), "no route to 192.0.2.7:502"},
		{dial(os.NewSyscallError("connect", errNoNetwork)), "no route to 192.0.2.7:502"},
		{dial(os.ErrDeadlineExceeded), "nobody answers at 192.0.2.7:502"},
		{dial(&net.DNSError{Name: "metrics.example", IsNotFound: true}), "no such host name: metrics.example"},
		{dial(&net.DNSError{Name: "metrics.example", IsTemporary: true}), "the host name metrics.example cannot be looked up now"},
		{&url.Error{Op: "Post", URL: "https://metrics.example/hush", Err: dial(os.NewSyscallError("connect", errRefused))}, "nobody answers at 192.0.2.7:502: connection refused"},
		{&net.OpError{Op: "read", Net: "tcp", Addr: at, Err: os.NewSyscallError("read", errRefused)}, ""},
		{dial(errors.New("something else")), ""},
		{errors.New("EOF"), ""},
	} {
		if got := Unreached(c.err); got != c.want {
			t.Errorf("%v: got %q, want %q", c.err, got, c.want)
		}
	}
	port := peers.FreePort(t)
	_, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port))
	if want := fmt.Sprintf("nobody answers at 127.0.0.1:%d: connection refused", port); Unreached(err) != want {
		t.Errorf("%v: got %q, want %q", err, Unreached(err), want)
	}
}
