package modbus

import (
	"errors"
	"strings"
	"testing"
)

// TestPortNames: whatever a system calls its ports, the name reaches it whole
// and comes back in the error with the mend; none of these exists here.
func TestPortNames(t *testing.T) {
	for _, name := range []string{
		"COM250",
		"/dev/serial/by-id/usb-no_such_adapter-if00-port0",
		"/dev/serial/by-path/pci-0000:00:14.0-usb-0:99:1.0-port0",
		"/dev/ttyUSB250",
	} {
		link, err := OpenSerial(t.Context(), name, Serial{19200, 8, 'N', 1})
		if err == nil {
			link.Close()
			t.Fatalf("%s opened", name)
		}
		if !errors.Is(err, ErrPortMissing) || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "plug the adapter in") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
