package poll

import (
	"errors"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/sitefile"
)

// TestDialFraming looks at the first bytes that each kind of TCP line sends.
func TestDialFraming(t *testing.T) {
	for kind, want := range map[sitefile.LineKind]int{
		sitefile.ModbusTCP:        12, // header of 7, PDU of 5
		sitefile.ModbusRTUOverTCP: 8,  // unit, PDU of 5, CRC
	} {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		got := make(chan int, 1)
		go func() {
			defer close(got)
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			defer conn.Close()
			buf := make([]byte, 64)
			n, _ := conn.Read(buf)
			got <- n
		}()
		client, err := Dial(t.Context(), &sitefile.Line{Name: "bus", Kind: kind, Address: listener.Addr().String()})
		if err != nil {
			t.Fatal(err)
		}
		_, err = client.Read(t.Context(), 1, frame.ReadRequest{Function: 4, Address: 4, Quantity: 1}, 5*time.Second)
		if !errors.Is(err, modbus.ErrLineLost) {
			t.Errorf("%s: the server hung up: got %v, want %v", kind, err, modbus.ErrLineLost)
		}
		if n := <-got; n != want {
			t.Errorf("%s: sent %d bytes, want %d", kind, n, want)
		}
		_ = client.Close()
		_ = listener.Close()
	}
}

func TestDialErrors(t *testing.T) {
	const closed = "127.0.0.1:1" // tcpmux, which nobody serves
	missing := filepath.Join(t.TempDir(), "no-port")
	setting := sitefile.Serial{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}
	tests := []struct {
		name string
		line sitefile.Line
		want []string
	}{
		{"nobody listens", sitefile.Line{Kind: sitefile.ModbusTCP, Address: closed}, []string{closed, "check"}},
		{"no such port", sitefile.Line{Kind: sitefile.ModbusRTU, Port: missing, Serial: setting}, []string{missing, modbus.ErrPortMissing.Error()}},
		{"ASCII, no such port", sitefile.Line{Kind: sitefile.ModbusASCII, Port: missing, Serial: setting}, []string{missing}},
		{"another kind", sitefile.Line{Kind: sitefile.Text}, []string{`kind "text" cannot be polled: use modbus-rtu`}},
	}
	for _, tt := range tests {
		_, err := Dial(t.Context(), &tt.line)
		for _, want := range tt.want {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: got %v, want %q in it", tt.name, err, want)
			}
		}
	}
}
