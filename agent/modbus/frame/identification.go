package frame

import "fmt"

// Device identification (Modbus Application Protocol V1.1b3, 6.21): function
// 2B with the MEI type 0E. It reads; the interface transport of CANopen, the
// other MEI type of this function, is not known here.
const (
	EncapsulatedInterface    byte = 0x2B
	ReadDeviceIdentification byte = 0x0E
)

// The objects that every device with identification has ("basic").
const (
	VendorName         byte = 0
	ProductCode        byte = 1
	MajorMinorRevision byte = 2
)

const (
	basicIdentification = 1 // read device id code: stream of the basic objects
	identificationHead  = 7 // function, MEI type, code, conformity, more, next, count
)

// AppendIdentificationRequest appends the PDU that asks for the basic objects
// from the given one on.
func AppendIdentificationRequest(dst []byte, from byte) []byte {
	return append(dst, EncapsulatedInterface, ReadDeviceIdentification, basicIdentification, from)
}

// Object is one entry of a device's identification. Value is what the device
// sent, which need not be text.
type Object struct {
	ID    byte
	Value []byte
}

// Identification is one answer to a request for device identification.
type Identification struct {
	Conformity byte // 01-03: basic, regular, extended; with the high bit: single objects too
	More       bool // more objects follow from Next on
	Next       byte
	Objects    []Object // their values are parts of the PDU they were read from
}

// AppendPDU appends the answer's PDU. Values longer than the PDU has room for
// are left out with all that follow.
func (id Identification) AppendPDU(dst []byte) []byte {
	start := len(dst)
	more := byte(0)
	if id.More {
		more = 0xFF
	}
	dst = append(dst, EncapsulatedInterface, ReadDeviceIdentification, basicIdentification, id.Conformity, more, id.Next, 0)
	for _, o := range id.Objects {
		if len(dst)-start+2+len(o.Value) > MaxPDU {
			break
		}
		dst = append(dst, o.ID, byte(len(o.Value)))
		dst = append(dst, o.Value...)
		dst[start+identificationHead-1]++
	}
	return dst
}

// ParseIdentification reads an answer's PDU. An exception answer is returned as
// an Exception; anything else that is no identification wraps ErrAnswer.
func ParseIdentification(pdu []byte) (id Identification, err error) {
	if len(pdu) == 2 && pdu[0] == EncapsulatedInterface|exceptionBit {
		return id, Exception(pdu[1])
	}
	if len(pdu) < identificationHead || pdu[0] != EncapsulatedInterface || pdu[1] != ReadDeviceIdentification {
		return id, fmt.Errorf("no device identification: %w", ErrAnswer)
	}
	id = Identification{Conformity: pdu[3], More: pdu[4] == 0xFF, Next: pdu[5]}
	rest := pdu[identificationHead:]
	for range pdu[6] {
		if len(rest) < 2 || len(rest) < 2+int(rest[1]) {
			return id, fmt.Errorf("device identification breaks off after %d of %d objects: %w", len(id.Objects), pdu[6], ErrAnswer)
		}
		n := 2 + int(rest[1])
		id.Objects = append(id.Objects, Object{ID: rest[0], Value: rest[2:n]})
		rest = rest[n:]
	}
	if len(rest) > 0 {
		return id, fmt.Errorf("%d bytes after the last object of a device identification: %w", len(rest), ErrAnswer)
	}
	return id, nil
}

// RTUIdentificationLength tells from its first bytes how long an RTU frame with
// an answer to device identification is. If ok is false, n is the number of
// bytes needed to tell more, or 0 where prefix is no such answer.
func RTUIdentificationLength(prefix []byte) (n int, ok bool) {
	const crc = 2
	if len(prefix) < 2 {
		return 2, false
	}
	switch prefix[1] {
	case EncapsulatedInterface | exceptionBit:
		return 5, true
	case EncapsulatedInterface:
	default:
		return 0, false
	}
	if len(prefix) >= 3 && prefix[2] != ReadDeviceIdentification {
		return 0, false
	}
	if len(prefix) < 1+identificationHead {
		return 1 + identificationHead, false
	}
	n = 1 + identificationHead
	for range prefix[identificationHead] {
		if len(prefix) < n+2 {
			return n + 2, false
		}
		n += 2 + int(prefix[n+1])
		if n+crc > MaxRTU {
			return 0, false
		}
	}
	return n + crc, true
}
