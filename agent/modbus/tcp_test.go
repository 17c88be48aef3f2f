package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	peer "github.com/simonvetter/modbus"

	"loadscribe/agent/modbus/frame"
)

// peerRegisters serves value = address·3 + table from an independent server.
type peerRegisters struct{}

func (peerRegisters) HandleCoils(r *peer.CoilsRequest) ([]bool, error) {
	return peerBits(r.Addr, r.Quantity), nil
}

func (peerRegisters) HandleDiscreteInputs(r *peer.DiscreteInputsRequest) ([]bool, error) {
	return peerBits(r.Addr+1, r.Quantity), nil
}

func (peerRegisters) HandleHoldingRegisters(r *peer.HoldingRegistersRequest) ([]uint16, error) {
	if r.Addr >= 1000 {
		return nil, peer.ErrIllegalDataAddress
	}
	return peerWords(3, r.Addr, r.Quantity), nil
}

func (peerRegisters) HandleInputRegisters(r *peer.InputRegistersRequest) ([]uint16, error) {
	return peerWords(4, r.Addr, r.Quantity), nil
}

func peerBits(address, n uint16) (bits []bool) {
	for i := range n {
		bits = append(bits, (address+i)%3 == 0)
	}
	return bits
}

func peerWords(table, address, n uint16) (words []uint16) {
	for i := range n {
		words = append(words, (address+i)*3+table)
	}
	return words
}

// freeAddress returns a loopback address that nobody listens on.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// TestAgainstPeer reads all four tables from an independent implementation's
// TCP server.
func TestAgainstPeer(t *testing.T) {
	address := freeAddress(t)
	server, err := peer.NewServer(&peer.ServerConfiguration{URL: "tcp://" + address, MaxClients: 2}, peerRegisters{})
	if err != nil {
		t.Fatal(err)
	}
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	defer server.Stop()
	link, err := DialTCP(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	client := NewClient(link, Config{Framing: TCP})
	defer client.Close()
	for _, function := range []byte{frame.ReadHoldingRegisters, frame.ReadInputRegisters} {
		for _, n := range []uint16{1, 2, 125} {
			got, err := client.Read(t.Context(), 1, frame.ReadRequest{Function: function, Address: 40, Quantity: n}, 10*time.Second)
			if err != nil {
				t.Fatal(err)
			}
			for i, want := range peerWords(uint16(function), 40, n) {
				if v := binary.BigEndian.Uint16(got[2*i:]); v != want {
					t.Errorf("function %d register %d = %d, want %d", function, 40+i, v, want)
				}
			}
		}
	}
	for function, shift := range map[byte]uint16{frame.ReadCoils: 0, frame.ReadDiscreteInputs: 1} {
		for _, n := range []uint16{1, 9, 2000} {
			got, err := client.Read(t.Context(), 1, frame.ReadRequest{Function: function, Address: 7, Quantity: n}, 10*time.Second)
			if err != nil {
				t.Fatal(err)
			}
			for i, want := range peerBits(7+shift, n) {
				if v := got[i/8]>>(i%8)&1 == 1; v != want {
					t.Errorf("function %d bit %d = %v, want %v", function, 7+i, v, want)
				}
			}
		}
	}
	_, err = client.Read(t.Context(), 1, registers(1000, 2), 10*time.Second)
	var exception *ExceptionError
	if !errors.As(err, &exception) || exception.Code != 2 {
		t.Errorf("past the end: %v", err)
	}
}

func TestDialTCPRefused(t *testing.T) {
	address := freeAddress(t)
	_, err := DialTCP(t.Context(), address)
	if err == nil || !strings.HasPrefix(err.Error(), "connect to "+address+": ") || strings.Contains(err.Error(), "dial tcp") ||
		strings.Count(err.Error(), address) != 1 {
		t.Error(err)
	}
}

// TestTCPTimeoutCloses: after a timeout the server sees the connection end, the
// client says that the line is lost, and Close has nothing to complain of.
func TestTCPTimeoutCloses(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	ended := make(chan error, 1)
	go func() {
		conn, err := listener.Accept()
		if err == nil {
			_, err = io.Copy(io.Discard, conn)
			conn.Close()
		}
		ended <- err
	}()
	link, err := DialTCP(t.Context(), listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	client := NewClient(link, Config{Framing: TCP})
	if _, err := client.Read(t.Context(), 1, register(0), 30*time.Millisecond); !errors.Is(err, ErrTimeout) {
		t.Error(err)
	}
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if !errors.Is(client.Err(), ErrLineLost) {
		t.Errorf("Err = %v", client.Err())
	}
	if err := client.Close(); err != nil {
		t.Error(err)
	}
}

// TestNotModbusTCP: another protocol at the address is named as such, and the
// connection is not used again.
func TestNotModbusTCP(t *testing.T) {
	near, far := net.Pipe()
	go func() {
		io.ReadFull(far, make([]byte, 12))
		io.WriteString(far, "HTTP/1.1 400 Bad Request\r\n\r\n")
	}()
	client := NewClient(near, Config{Framing: TCP})
	defer client.Close()
	defer far.Close()
	_, err := client.Read(t.Context(), 1, register(0), time.Second)
	if !errors.Is(err, ErrWrongAnswer) || !strings.Contains(err.Error(), "not Modbus TCP") || client.Err() == nil {
		t.Error(err)
	}
}

// BenchmarkReadTCP60 reads 60 registers over loopback TCP from a server that
// does next to nothing.
func BenchmarkReadTCP60(b *testing.B) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer listener.Close()
	go serve60(listener)
	link, err := DialTCP(b.Context(), listener.Addr().String())
	if err != nil {
		b.Fatal(err)
	}
	client := NewClient(link, Config{Framing: TCP})
	defer client.Close()
	req := registers(40, 60)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := client.Read(b.Context(), 1, req, time.Second); err != nil {
			b.Fatal(err)
		}
	}
}

func serve60(listener net.Listener) {
	conn, err := listener.Accept()
	if err != nil {
		return
	}
	defer conn.Close()
	var in [12]byte
	answer := frame.AppendReadResponse(nil, frame.ReadHoldingRegisters, make([]byte, 120))
	var out []byte
	for {
		if _, err := io.ReadFull(conn, in[:]); err != nil {
			return
		}
		out = frame.AppendTCP(out[:0], binary.BigEndian.Uint16(in[:]), in[6], answer)
		if _, err := conn.Write(out); err != nil {
			return
		}
	}
}

func ExampleReadError() {
	err := &ReadError{Unit: 3, Request: registers(40, 8), Err: ErrBadChecksum}
	fmt.Println(err)
	// Output:
	// read unit 3 holding registers 40-47: bad checksum; check serial settings, wiring, shield and termination, and that no second master is on the line
}
