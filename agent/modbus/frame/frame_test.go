package frame

import (
	"bytes"
	"errors"
	"strings"
	"testing"
)

func TestReadRequestLimits(t *testing.T) {
	tests := []struct {
		name string
		req  ReadRequest
		want error
	}{
		{"one coil", ReadRequest{ReadCoils, 0, 1}, nil},
		{"most bits", ReadRequest{ReadDiscreteInputs, 0, 2000}, nil},
		{"a bit too many", ReadRequest{ReadDiscreteInputs, 0, 2001}, ErrRequest},
		{"most registers", ReadRequest{ReadHoldingRegisters, 0, 125}, nil},
		{"a register too many", ReadRequest{ReadInputRegisters, 0, 126}, ErrRequest},
		{"none", ReadRequest{ReadInputRegisters, 0, 0}, ErrRequest},
		{"last register", ReadRequest{ReadHoldingRegisters, 65535, 1}, nil},
		{"past the last", ReadRequest{ReadHoldingRegisters, 65535, 2}, ErrRequest},
		{"function 0", ReadRequest{0, 0, 1}, ErrFunction},
		{"write", ReadRequest{6, 0, 1}, ErrFunction},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if err := tt.req.Check(); !errors.Is(err, tt.want) {
				t.Errorf("Check = %v, want %v", err, tt.want)
			}
			got, err := ParseReadRequest(tt.req.AppendPDU(nil))
			if !errors.Is(err, tt.want) {
				t.Errorf("ParseReadRequest = %v, want %v", err, tt.want)
			}
			if !errors.Is(tt.want, ErrFunction) && got != tt.req {
				t.Errorf("ParseReadRequest = %+v, want %+v", got, tt.req)
			}
		})
	}
}

func TestReadRequestString(t *testing.T) {
	tests := []struct {
		req  ReadRequest
		want string
	}{
		{ReadRequest{ReadHoldingRegisters, 40, 8}, "holding registers 40-47"},
		{ReadRequest{ReadInputRegisters, 7, 1}, "input register 7"},
		{ReadRequest{ReadCoils, 65534, 2}, "coils 65534-65535"},
		{ReadRequest{ReadDiscreteInputs, 3, 1}, "discrete input 3"},
	}
	for _, tt := range tests {
		if got := tt.req.String(); got != tt.want {
			t.Errorf("%+v: %q, want %q", tt.req, got, tt.want)
		}
	}
}

func TestParseReadResponse(t *testing.T) {
	req := ReadRequest{ReadHoldingRegisters, 107, 3}
	bits := ReadRequest{ReadCoils, 19, 19}
	tests := []struct {
		name string
		req  ReadRequest
		pdu  []byte
		want []byte
		err  error
	}{
		{"registers", req, []byte{3, 6, 0xAE, 0x41, 0x56, 0x52, 0x43, 0x40}, []byte{0xAE, 0x41, 0x56, 0x52, 0x43, 0x40}, nil},
		{"bits", bits, []byte{1, 3, 0xCD, 0x6B, 0x05}, []byte{0xCD, 0x6B, 0x05}, nil},
		{"exception", req, []byte{0x83, 2}, nil, IllegalDataAddress},
		{"exception with a tail", req, []byte{0x83, 2, 0}, nil, ErrAnswer},
		{"other function's exception", req, []byte{0x84, 2}, nil, ErrAnswer},
		{"other function", req, []byte{4, 6, 1, 2, 3, 4, 5, 6}, nil, ErrAnswer},
		{"other byte count", req, []byte{3, 4, 1, 2, 3, 4}, nil, ErrAnswer},
		{"byte count lies", req, []byte{3, 6, 1, 2, 3, 4}, nil, ErrAnswer},
		{"tail", req, []byte{3, 6, 1, 2, 3, 4, 5, 6, 7}, nil, ErrAnswer},
		{"empty", req, nil, nil, ErrAnswer},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := ParseReadResponse(tt.req, tt.pdu)
			if !errors.Is(err, tt.err) || !bytes.Equal(got, tt.want) {
				t.Errorf("got % X, %v; want % X, %v", got, err, tt.want, tt.err)
			}
		})
	}
}

func TestResponses(t *testing.T) {
	if got := AppendReadResponse(nil, 3, []byte{2, 0x2B}); !bytes.Equal(got, []byte{3, 2, 2, 0x2B}) {
		t.Errorf("AppendReadResponse = % X", got)
	}
	if got := AppendReadResponse(nil, 3, make([]byte, 300)); len(got) != 252 || got[1] != 250 {
		t.Errorf("an overlong payload gave %d bytes with count %d", len(got), got[1])
	}
	if got := AppendException(nil, 6, 1); !bytes.Equal(got, []byte{0x86, 1}) {
		t.Errorf("AppendException = % X", got)
	}
	if got := IllegalDataAddress.Error(); got != "exception 02 (illegal data address)" {
		t.Errorf("Error = %q", got)
	}
	for _, e := range []Exception{1, 2, 3, 4, 5, 6, 8, 0x0A, 0x0B} {
		if strings.Contains(e.Text(), "not list") {
			t.Errorf("exception %02X has no text", byte(e))
		}
	}
}

func TestLengths(t *testing.T) {
	tests := []struct {
		name   string
		length func([]byte) (int, bool)
		prefix []byte
		n      int
		ok     bool
	}{
		{"response, nothing yet", RTUResponseLength, nil, 2, false},
		{"response, count to come", RTUResponseLength, []byte{1, 3}, 3, false},
		{"response, exception", RTUResponseLength, []byte{1, 0x83}, 5, true},
		{"response, 125 registers", RTUResponseLength, []byte{1, 3, 250}, 255, true},
		{"response, no count", RTUResponseLength, []byte{1, 3, 0}, 0, false},
		{"response, count too great", RTUResponseLength, []byte{1, 3, 251}, 0, false},
		{"response, a write's echo", RTUResponseLength, []byte{1, 6, 0}, 0, false},
		{"request, write with count to come", RTURequestLength, []byte{1, 0x10, 0, 1, 0, 2}, 7, false},
		{"request, device identification", RTURequestLength, []byte{1, 0x2B}, 7, true},
		{"request, not known", RTURequestLength, []byte{1, 0x63}, 0, false},
		{"tcp, header to come", TCPLength, []byte{0, 1, 0, 0, 0}, 6, false},
		{"tcp, not protocol 0", TCPLength, []byte{0, 1, 1, 0, 0, 6}, 0, false},
		{"tcp, too long", TCPLength, []byte{0, 1, 0, 0, 0, 255}, 0, false},
		{"tcp, longest", TCPLength, []byte{0, 1, 0, 0, 0, 254}, 260, true},
		{"tcp, no function", TCPLength, []byte{0, 1, 0, 0, 0, 1}, 0, false},
	}
	for _, tt := range tests {
		if n, ok := tt.length(tt.prefix); n != tt.n || ok != tt.ok {
			t.Errorf("%s: %d, %v; want %d, %v", tt.name, n, ok, tt.n, tt.ok)
		}
	}
}

func TestDecodeASCIIRefuses(t *testing.T) {
	tests := []struct {
		name, adu string
		want      error
	}{
		{"lower case is taken", ":1103006b00037e\r\n", nil},
		{"no line feed", ":1103006B00037E\r\r", ErrFormat},
		{"no colon", ";1103006B00037E\r\n", ErrFormat},
		{"odd count", ":1103006B00037E0\r\n", ErrFormat},
		{"no digit", ":1103006G00037E\r\n", ErrFormat},
		{"bad check", ":1103006B00037F\r\n", ErrChecksum},
		{"short", ":1100\r\n", ErrShort},
		{"long", ":" + strings.Repeat("00", 256) + "\r\n", ErrFormat},
	}
	for _, tt := range tests {
		if _, _, err := DecodeASCII(nil, []byte(tt.adu)); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}
}

// TestFramingAllocates holds the promise that framing into a slice with room
// costs no allocation.
func TestFramingAllocates(t *testing.T) {
	var out, scratch [600]byte
	req := ReadRequest{ReadHoldingRegisters, 40, 60}
	answer := AppendReadResponse(nil, 3, make([]byte, 120))
	allocs := testing.AllocsPerRun(100, func() {
		pdu := req.AppendPDU(scratch[:0])
		AppendRTU(out[:0], 3, pdu)
		AppendTCP(out[:0], 7, 3, pdu)
		adu := AppendRTU(out[:0], 3, answer)
		_, got, err := DecodeRTU(adu)
		if err == nil {
			_, err = ParseReadResponse(req, got)
		}
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := DecodeASCII(scratch[:0], AppendASCII(out[:0], 3, answer)); err != nil {
			t.Fatal(err)
		}
	})
	if allocs != 0 {
		t.Errorf("%v allocations a frame", allocs)
	}
}

// FuzzDecode: no decoder panics on any bytes, and what decodes encodes to the
// same bytes again.
func FuzzDecode(f *testing.F) {
	pdu := []byte{3, 2, 0, 10}
	f.Add(AppendRTU(nil, 1, pdu))
	f.Add(AppendASCII(nil, 1, pdu))
	f.Add(AppendTCP(nil, 1, 1, pdu))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		if unit, pdu, err := DecodeRTU(b); err == nil && !bytes.Equal(AppendRTU(nil, unit, pdu), b) {
			t.Errorf("RTU % X does not come back", b)
		}
		if unit, pdu, err := DecodeASCII(nil, b); err == nil && !bytes.EqualFold(AppendASCII(nil, unit, pdu), b) {
			t.Errorf("ASCII %q does not come back", b)
		}
		if transaction, unit, pdu, err := DecodeTCP(b); err == nil && !bytes.Equal(AppendTCP(nil, transaction, unit, pdu), b) {
			t.Errorf("TCP % X does not come back", b)
		}
		if req, err := ParseReadRequest(b); err == nil {
			if !bytes.Equal(req.AppendPDU(nil), b) {
				t.Errorf("request % X does not come back", b)
			}
			if n := req.ByteCount(); n < 1 || n > 250 {
				t.Errorf("%v has %d bytes", req, n)
			}
		}
		for _, length := range []func([]byte) (int, bool){RTUResponseLength, RTURequestLength, TCPLength} {
			if n, ok := length(b); n < 0 || n > 264 || ok && n < 5 {
				t.Errorf("length of % X is %d, %v", b, n, ok)
			}
		}
	})
}

func BenchmarkRTU60(b *testing.B) {
	var out [MaxRTU]byte
	answer := AppendReadResponse(nil, 3, make([]byte, 120))
	req := ReadRequest{ReadHoldingRegisters, 40, 60}
	b.ReportAllocs()
	for b.Loop() {
		_, pdu, err := DecodeRTU(AppendRTU(out[:0], 3, answer))
		if err == nil {
			_, err = ParseReadResponse(req, pdu)
		}
		if err != nil {
			b.Fatal(err)
		}
	}
}
