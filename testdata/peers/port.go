package peers

import (
	"fmt"
	"math/rand/v2"
	"net"
	"testing"
)

// Ports below those that systems hand out by themselves: Linux from 32768 on
// (ip_local_port_range in its ip-sysctl), others from 49152 on (RFC 6335, section 6).
const firstPort, ports = 20_000, 10_000

// FreePort is a port of 127.0.0.1 that nobody listens at. No program that leaves the
// choice of a port to the system gets it before it is used, or between two uses.
func FreePort(t testing.TB) int {
	t.Helper()
	port, err := freePort()
	if err != nil {
		t.Fatal(err)
	}
	return port
}

func freePort() (int, error) {
	var err error
	for range 100 {
		port := firstPort + rand.IntN(ports)
		var l net.Listener
		if l, err = net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port)); err == nil {
			return port, l.Close()
		}
	}
	return 0, fmt.Errorf("find a free port: %w", err)
}
