package poll

import (
	"context"
	"io"
	"net"
	"testing"
	"time"

	"github.com/simonvetter/modbus"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// serveTCP answers reads of up to 125 registers, all zero, on loopback.
func serveTCP(b *testing.B) string {
	b.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		conn, err := listener.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		var in [12]byte
		var out []byte
		zeros := make([]byte, 2*frame.MaxRegisters)
		for {
			if _, err := io.ReadFull(conn, in[:]); err != nil {
				return
			}
			transaction, unit, pdu, err := frame.DecodeTCP(in[:])
			if err != nil {
				return
			}
			req, err := frame.ParseReadRequest(pdu)
			if err != nil {
				return
			}
			var answer [2 + 2*frame.MaxRegisters]byte
			out = frame.AppendTCP(out[:0], transaction, unit, frame.AppendReadResponse(answer[:0], req.Function, zeros[:req.ByteCount()]))
			if _, err := conn.Write(out); err != nil {
				return
			}
		}
	}()
	b.Cleanup(func() {
		_ = listener.Close()
		<-done
	})
	return listener.Addr().String()
}

// clientReader gives a Client the fixed timeout of a line.
type clientReader struct{ client Client }

func (r clientReader) Read(ctx context.Context, unit byte, req frame.ReadRequest) ([]byte, error) {
	return r.client.Read(ctx, unit, req, time.Second)
}

// BenchmarkPoll40RegistersTCP is one scan of 40 registers over loopback TCP,
// decoding included. Its reference is BenchmarkReference40RegistersTCP.
func BenchmarkPoll40RegistersTCP(b *testing.B) {
	address := serveTCP(b)
	client, err := Dial(b.Context(), &sitefile.Line{Name: "bus", Kind: sitefile.ModbusTCP, Address: address})
	if err != nil {
		b.Fatal(err)
	}
	defer client.Close()
	var channels []sitefile.MapChannel
	for i := range 40 {
		channels = append(channels, ch(string(rune('a'+i)), sitefile.Holding, i, "u16"))
	}
	d, g := mapOf(8, time.Second, channels...)
	p, err := NewGroupPoller(d, g, nil)
	if err != nil {
		b.Fatal(err)
	}
	clock := scan.NewSystemClock()
	b.ReportAllocs()
	for b.Loop() {
		if s := p.Poll(b.Context(), clientReader{client}, clock); s.Reason != scan.Good {
			b.Fatal(s.Reason)
		}
	}
}

// BenchmarkReference40RegistersTCP is the identical read with an independent
// client, without decoding to channels.
func BenchmarkReference40RegistersTCP(b *testing.B) {
	client, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + serveTCP(b), Timeout: time.Second})
	if err != nil {
		b.Fatal(err)
	}
	if err := client.Open(); err != nil {
		b.Fatal(err)
	}
	defer client.Close()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := client.ReadRegisters(0, 40, modbus.HOLDING_REGISTER); err != nil {
			b.Fatal(err)
		}
	}
}
