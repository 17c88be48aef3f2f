package modbus

import (
	"bytes"
	"context"
	"errors"
	"net"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
)

// nameplate answers device identification, a part an answer, and one register.
type nameplate struct {
	framing Framing
	parts   []frame.Identification // by the number of the request
	refuse  bool                   // exception 01
	silent  bool
	noise   []byte // before each answer
	echo    bool
	damage  bool
}

func (n *nameplate) serve(conn net.Conn, wg *sync.WaitGroup) {
	defer wg.Done()
	var chunk [600]byte
	asked := 0
	for {
		count, err := conn.Read(chunk[:]) // a pipe hands over what was written at once
		if err != nil {
			return
		}
		request := chunk[:count]
		var unit byte
		var pdu []byte
		var transaction uint16
		switch n.framing {
		case RTU:
			unit, pdu, err = frame.DecodeRTU(request)
		case ASCII:
			unit, pdu, err = frame.DecodeASCII(nil, request)
		case TCP:
			transaction, unit, pdu, err = frame.DecodeTCP(request)
		}
		if err != nil {
			panic(err)
		}
		answer := frame.AppendReadResponse(nil, pdu[0], []byte{0x12, 0x34})
		if pdu[0] == frame.EncapsulatedInterface {
			if !bytes.Equal(pdu[:3], []byte{0x2B, 0x0E, 1}) {
				panic("not a request for basic identification")
			}
			switch {
			case n.silent:
				continue
			case n.refuse:
				answer = frame.AppendException(nil, pdu[0], 1)
			default:
				answer = n.parts[asked].AppendPDU(nil)
				asked++
			}
		}
		var adu []byte
		switch n.framing {
		case RTU:
			adu = frame.AppendRTU(nil, unit, answer)
		case ASCII:
			adu = frame.AppendASCII(nil, unit, answer)
		case TCP:
			adu = frame.AppendTCP(nil, transaction, unit, answer)
		}
		if n.damage && pdu[0] == frame.EncapsulatedInterface {
			adu[len(adu)-4] ^= 1
		}
		out := append([]byte{}, n.noise...)
		if n.echo {
			out = append(out, request...)
		}
		out = append(out, adu...)
		half := len(out) / 2
		for _, piece := range [][]byte{out[:half], out[half:]} {
			if _, err := conn.Write(piece); err != nil {
				return
			}
		}
	}
}

func TestIdentify(t *testing.T) {
	objects := []frame.Object{{ID: 0, Value: []byte("Harrow Lane")}, {ID: 1, Value: []byte("HL-1")}, {ID: 2, Value: []byte("V2.11")}}
	whole := []frame.Identification{{Conformity: 1, Objects: objects}}
	split := []frame.Identification{
		{Conformity: 1, More: true, Next: 2, Objects: objects[:2]},
		{Conformity: 1, Objects: objects[2:]},
	}
	tests := []struct {
		name   string
		device nameplate
		want   error // nil: the objects
	}{
		{"rtu", nameplate{framing: RTU, parts: whole}, nil},
		{"ascii", nameplate{framing: ASCII, parts: whole}, nil},
		{"tcp", nameplate{framing: TCP, parts: whole}, nil},
		{"rtu in two answers", nameplate{framing: RTU, parts: split}, nil},
		{"tcp in two answers", nameplate{framing: TCP, parts: split}, nil},
		{"rtu behind noise", nameplate{framing: RTU, parts: whole, noise: []byte{0xFF, 0, 0x7E}}, nil},
		{"rtu behind an echo", nameplate{framing: RTU, parts: whole, echo: true}, nil},
		{"rtu damaged", nameplate{framing: RTU, parts: whole, damage: true}, ErrBadChecksum},
		{"ascii damaged", nameplate{framing: ASCII, parts: whole, damage: true}, ErrBadChecksum},
		{"rtu silent", nameplate{framing: RTU, silent: true}, ErrTimeout},
		{"tcp silent", nameplate{framing: TCP, silent: true}, ErrTimeout},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			client := identifying(t, &tt.device)
			got, err := client.Identify(context.Background(), 7, 100*time.Millisecond)
			if !errors.Is(err, tt.want) {
				t.Fatalf("error %v, want %v", err, tt.want)
			}
			if tt.want != nil {
				return
			}
			if len(got) != len(objects) {
				t.Fatalf("got %v", got)
			}
			for i := range got {
				if got[i].ID != objects[i].ID || !bytes.Equal(got[i].Value, objects[i].Value) {
					t.Errorf("object %d is %d %q, want %d %q", i, got[i].ID, got[i].Value, objects[i].ID, objects[i].Value)
				}
			}
		})
	}
}

func identifying(t *testing.T, device *nameplate) *Client {
	t.Helper()
	near, far := net.Pipe()
	var wg sync.WaitGroup
	wg.Add(1)
	go device.serve(far, &wg)
	client := NewClient(near, Config{Framing: device.framing, Baud: 115200})
	t.Cleanup(func() {
		client.Close()
		far.Close()
		wg.Wait()
	})
	return client
}

// TestIdentifyThenRead: neither a refusal nor a silence spoils the read behind it.
func TestIdentifyThenRead(t *testing.T) {
	for name, device := range map[string]nameplate{
		"refused": {framing: RTU, refuse: true},
		"silent":  {framing: RTU, silent: true},
	} {
		t.Run(name, func(t *testing.T) {
			client := identifying(t, &device)
			_, err := client.Identify(context.Background(), 7, 50*time.Millisecond)
			var refusal *ExceptionError
			switch {
			case device.refuse && (!errors.As(err, &refusal) || refusal.Code != 1 || refusal.Function != 0x2B):
				t.Errorf("error %v, want exception 01 to function 2B", err)
			case device.silent && !errors.Is(err, ErrTimeout):
				t.Errorf("error %v, want a timeout", err)
			}
			got, err := client.Read(context.Background(), 7, frame.ReadRequest{Function: 3, Quantity: 1}, time.Second)
			if err != nil || !bytes.Equal(got, []byte{0x12, 0x34}) {
				t.Errorf("read % X, %v", got, err)
			}
			if s := client.UnitStats(7); s.Requests != 2 || s.Answers != 1 || s.Exceptions+s.Timeouts != 1 {
				t.Errorf("counts %+v", s)
			}
		})
	}
}
