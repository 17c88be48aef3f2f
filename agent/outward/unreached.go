package outward

import (
	"errors"
	"fmt"
	"net"
)

// Unreached says in a person's words why no connection came about; empty: the error is
// of another kind. There is nothing in it but the host's name or address.
func Unreached(err error) string {
	var name *net.DNSError
	if errors.As(err, &name) {
		if name.IsNotFound {
			return "no such host name: " + Line(name.Name)
		}
		return fmt.Sprintf("the host name %s cannot be looked up now", Line(name.Name))
	}
	var op *net.OpError
	if !errors.As(err, &op) || op.Op != "dial" || op.Addr == nil {
		return ""
	}
	switch {
	case errors.Is(err, errRefused):
		return fmt.Sprintf("nobody answers at %s: connection refused", op.Addr)
	case errors.Is(err, errNoHost), errors.Is(err, errNoNetwork):
		return fmt.Sprintf("no route to %s", op.Addr)
	case op.Timeout():
		return fmt.Sprintf("nobody answers at %s", op.Addr)
	}
	return ""
}
