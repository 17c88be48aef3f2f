package frame

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// The function codes that read (Modbus Application Protocol V1.1b3, 6.1-6.4).
const (
	ReadCoils            byte = 1
	ReadDiscreteInputs   byte = 2
	ReadHoldingRegisters byte = 3
	ReadInputRegisters   byte = 4
)

// Limits of one request (Modbus Application Protocol V1.1b3, 4.1, 6.1-6.4).
const (
	MaxBits      = 2000 // bits in one read of coils or discrete inputs
	MaxRegisters = 125  // registers in one read
	MaxPDU       = 253  // bytes
)

// exceptionBit marks the function code of an exception answer.
const exceptionBit byte = 0x80

// Errors of requests and answers.
var (
	// ErrRequest says that a read request breaks the protocol's limits.
	ErrRequest = errors.New("not a legal read request")
	// ErrFunction says that a PDU's function code is not a read (1 to 4).
	ErrFunction = errors.New("not a read function")
	// ErrAnswer says that a PDU does not answer the request it is held to.
	ErrAnswer = errors.New("answer does not fit the request")
)

// ReadRequest asks for Quantity bits or registers from Address on, counted
// from zero as on the wire.
type ReadRequest struct {
	Function          byte
	Address, Quantity uint16
}

// IsBits reports whether r reads single bits (functions 1 and 2).
func (r ReadRequest) IsBits() bool {
	return r.Function == ReadCoils || r.Function == ReadDiscreteInputs
}

// Check returns an error that wraps ErrFunction or ErrRequest where r is not
// what the protocol allows.
func (r ReadRequest) Check() error {
	limit := MaxRegisters
	switch r.Function {
	case ReadCoils, ReadDiscreteInputs:
		limit = MaxBits
	case ReadHoldingRegisters, ReadInputRegisters:
	default:
		return fmt.Errorf("function %#02x: %w", r.Function, ErrFunction)
	}
	if r.Quantity < 1 || int(r.Quantity) > limit {
		return fmt.Errorf("quantity %d is not within 1-%d: %w", r.Quantity, limit, ErrRequest)
	}
	if int(r.Address)+int(r.Quantity) > 1<<16 {
		return fmt.Errorf("address %d and quantity %d reach past 65535: %w", r.Address, r.Quantity, ErrRequest)
	}
	return nil
}

// ByteCount returns the number of data bytes of r's answer.
func (r ReadRequest) ByteCount() int {
	if r.IsBits() {
		return (int(r.Quantity) + 7) / 8
	}
	return 2 * int(r.Quantity)
}

// String names the table and the range: "holding registers 40-47".
func (r ReadRequest) String() string {
	one, many := "register", "registers"
	switch r.Function {
	case ReadCoils:
		one, many = "coil", "coils"
	case ReadDiscreteInputs:
		one, many = "discrete input", "discrete inputs"
	case ReadHoldingRegisters:
		one, many = "holding register", "holding registers"
	case ReadInputRegisters:
		one, many = "input register", "input registers"
	}
	if r.Quantity <= 1 {
		return fmt.Sprintf("%s %d", one, r.Address)
	}
	return fmt.Sprintf("%s %d-%d", many, r.Address, int(r.Address)+int(r.Quantity)-1)
}

// AppendPDU appends r's five bytes to dst. It does not check r.
func (r ReadRequest) AppendPDU(dst []byte) []byte {
	dst = append(dst, r.Function)
	dst = binary.BigEndian.AppendUint16(dst, r.Address)
	return binary.BigEndian.AppendUint16(dst, r.Quantity)
}

// ParseReadRequest is the inverse of AppendPDU. The request is returned even
// where it is not legal, so that a server can say what was asked; the error
// wraps ErrFunction (exception 01), or ErrRequest (exceptions 02 and 03).
func ParseReadRequest(pdu []byte) (ReadRequest, error) {
	if len(pdu) == 0 {
		return ReadRequest{}, fmt.Errorf("empty: %w", ErrRequest)
	}
	r := ReadRequest{Function: pdu[0]}
	if r.Function < ReadCoils || r.Function > ReadInputRegisters {
		return r, fmt.Errorf("function %#02x: %w", r.Function, ErrFunction)
	}
	if len(pdu) != 5 {
		return r, fmt.Errorf("%d bytes instead of 5: %w", len(pdu), ErrRequest)
	}
	r.Address = binary.BigEndian.Uint16(pdu[1:])
	r.Quantity = binary.BigEndian.Uint16(pdu[3:])
	return r, r.Check()
}

// AppendReadResponse appends the answer's PDU: function, byte count, payload.
// A payload longer than 250 bytes does not fit; it is cut.
func AppendReadResponse(dst []byte, function byte, payload []byte) []byte {
	if len(payload) > 2*MaxRegisters {
		payload = payload[:2*MaxRegisters]
	}
	dst = append(dst, function, byte(len(payload)))
	return append(dst, payload...)
}

// AppendException appends an exception answer's PDU to the given function.
func AppendException(dst []byte, function, code byte) []byte {
	return append(dst, function|exceptionBit, code)
}

// ParseReadResponse returns the data bytes of pdu, as a part of it. An
// exception answer to req's function is returned as an Exception; anything
// that does not fit req wraps ErrAnswer.
func ParseReadResponse(req ReadRequest, pdu []byte) (payload []byte, err error) {
	if len(pdu) < 2 {
		return nil, fmt.Errorf("%d bytes are no answer: %w", len(pdu), ErrAnswer)
	}
	if pdu[0] == req.Function|exceptionBit {
		if len(pdu) != 2 {
			return nil, fmt.Errorf("exception of %d bytes instead of 2: %w", len(pdu), ErrAnswer)
		}
		return nil, Exception(pdu[1])
	}
	if pdu[0] != req.Function {
		return nil, fmt.Errorf("function %#02x answers function %#02x: %w", pdu[0], req.Function, ErrAnswer)
	}
	want := req.ByteCount()
	if int(pdu[1]) != want || len(pdu) != 2+want {
		return nil, fmt.Errorf("byte count %d with %d bytes instead of %d: %w", pdu[1], len(pdu)-2, want, ErrAnswer)
	}
	return pdu[2:], nil
}

// Exception is an exception code as an error.
type Exception byte

// Error gives code and meaning: "exception 02 (illegal data address)".
func (e Exception) Error() string {
	return fmt.Sprintf("exception %02X (%s)", byte(e), e.Text())
}

// The exception codes (Modbus Application Protocol V1.1b3, 7).
const (
	IllegalFunction      Exception = 0x01
	IllegalDataAddress   Exception = 0x02
	IllegalDataValue     Exception = 0x03
	ServerDeviceFailure  Exception = 0x04
	Acknowledge          Exception = 0x05
	ServerDeviceBusy     Exception = 0x06
	MemoryParityError    Exception = 0x08
	GatewayPathMissing   Exception = 0x0A
	GatewayTargetFailure Exception = 0x0B
)

// Text returns the specification's name of the code, in lower case.
func (e Exception) Text() string {
	switch e {
	case IllegalFunction:
		return "illegal function"
	case IllegalDataAddress:
		return "illegal data address"
	case IllegalDataValue:
		return "illegal data value"
	case ServerDeviceFailure:
		return "server device failure"
	case Acknowledge:
		return "acknowledge, the device is still working on it"
	case ServerDeviceBusy:
		return "server device busy"
	case MemoryParityError:
		return "memory parity error"
	case GatewayPathMissing:
		return "gateway path unavailable"
	case GatewayTargetFailure:
		return "gateway target device failed to respond"
	}
	return "a code the specification does not list"
}
