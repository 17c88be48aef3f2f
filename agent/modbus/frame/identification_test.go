package frame

import (
	"bytes"
	"errors"
	"testing"
)

// The example of Modbus Application Protocol V1.1b3, 6.21 (from memory, not
// read again; the lengths are those of the texts): the basic objects of a
// device, in one answer.
const (
	exampleRequest = "2B 0E 01 00"
	exampleAnswer  = "2B 0E 01 01 00 00 03" +
		" 00 16 43 6F 6D 70 61 6E 79 20 69 64 65 6E 74 69 66 69 63 61 74 69 6F 6E" +
		" 01 0F 50 72 6F 64 75 63 74 20 63 6F 64 65 20 58 58" +
		" 02 05 56 32 2E 31 31"
)

func TestIdentificationExample(t *testing.T) {
	if got, want := AppendIdentificationRequest(nil, 0), unhex(t, exampleRequest); !bytes.Equal(got, want) {
		t.Errorf("request % X, want % X", got, want)
	}
	pdu := unhex(t, exampleAnswer)
	id, err := ParseIdentification(pdu)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		id    byte
		value string
	}{{VendorName, "Company identification"}, {ProductCode, "Product code XX"}, {MajorMinorRevision, "V2.11"}}
	if len(id.Objects) != len(want) || id.More || id.Conformity != 1 {
		t.Fatalf("got %+v", id)
	}
	for i, w := range want {
		if o := id.Objects[i]; o.ID != w.id || string(o.Value) != w.value {
			t.Errorf("object %d is %d %q, want %d %q", i, o.ID, o.Value, w.id, w.value)
		}
	}
	if got := id.AppendPDU(nil); !bytes.Equal(got, pdu) {
		t.Errorf("encoded again: % X, want % X", got, pdu)
	}
	adu := AppendRTU(nil, 1, pdu)
	for n := range len(adu) {
		length, ok := RTUIdentificationLength(adu[:n])
		if ok && length != len(adu) || !ok && (length <= n || length > len(adu)) {
			t.Errorf("length from %d bytes is %d, %v; the frame has %d", n, length, ok, len(adu))
		}
	}
	if n, ok := RTUIdentificationLength(adu); !ok || n != len(adu) {
		t.Errorf("length of the whole is %d, %v", n, ok)
	}
}

func TestIdentificationRefuses(t *testing.T) {
	good := unhex(t, exampleAnswer)
	tests := []struct {
		name string
		pdu  []byte
		want error
	}{
		{"exception 01", []byte{0xAB, 1}, IllegalFunction},
		{"torn", good[:20], ErrAnswer},
		{"tail", append(bytes.Clone(good), 0), ErrAnswer},
		{"other MEI type", []byte{0x2B, 0x0D, 1, 1, 0, 0, 0}, ErrAnswer},
		{"a read's answer", []byte{3, 2, 0, 0}, ErrAnswer},
		{"nothing", nil, ErrAnswer},
	}
	for _, tt := range tests {
		if _, err := ParseIdentification(tt.pdu); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}
	if n, ok := RTUIdentificationLength([]byte{1, 3, 2}); n != 0 || ok {
		t.Errorf("a read's answer passes for an identification: %d, %v", n, ok)
	}
}

// FuzzIdentification: no bytes make it panic, and what is read is written to
// the same bytes again.
func FuzzIdentification(f *testing.F) {
	f.Add([]byte{0x2B, 0x0E, 1, 1, 0, 0, 1, 0, 1, 'A'})
	f.Add([]byte{0xAB, 1})
	f.Fuzz(func(t *testing.T, pdu []byte) {
		RTUIdentificationLength(pdu)
		id, err := ParseIdentification(pdu)
		if err != nil || len(pdu) > MaxPDU || pdu[2] != 1 || pdu[4] != 0 && pdu[4] != 0xFF {
			return
		}
		if got := id.AppendPDU(nil); !bytes.Equal(got, pdu) {
			t.Errorf("% X comes back as % X", pdu, got)
		}
		adu := AppendRTU(nil, 1, pdu)
		if n, ok := RTUIdentificationLength(adu); len(adu) <= MaxRTU && (!ok || n != len(adu)) {
			t.Errorf("length of % X is %d, %v", adu, n, ok)
		}
	})
}
