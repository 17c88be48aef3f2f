package modbus

import (
	"context"
	"errors"
	"fmt"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
)

// Errors of Client.Read, always inside a *ReadError; beside them there are
// *ExceptionError, the context's errors and frame.ErrRequest.
var (
	// ErrTimeout: no answer, or only its beginning, came in time.
	ErrTimeout = errors.New("no answer in time")
	// ErrBadChecksum: something came, but damaged.
	ErrBadChecksum = errors.New("bad checksum")
	// ErrWrongAnswer: whole frames came, none of which answers the request.
	ErrWrongAnswer = errors.New("wrong answer")
	// ErrLineLost: the link has failed or was closed. The Client is of no use
	// any more: Close it and open anew.
	ErrLineLost = errors.New("line lost")
	// ErrUnit: the unit id cannot be asked with this framing.
	ErrUnit = errors.New("not a unit that can be asked")
)

// Errors of OpenSerial.
var (
	// ErrPortBusy: another program has the port.
	ErrPortBusy = errors.New("another program has it")
	// ErrPortMissing: there is no such port.
	ErrPortMissing = errors.New("there is no such port")
	// ErrSettings: the port cannot be set to this speed or format.
	ErrSettings = errors.New("serial settings are not possible")
)

// ReadError says which read failed. It wraps the cause.
type ReadError struct {
	Unit    byte
	Request frame.ReadRequest
	Err     error
}

// Error names unit, table, range, cause and what to look at.
func (e *ReadError) Error() string {
	s := fmt.Sprintf("read unit %d %s: %v", e.Unit, e.Request, e.Err)
	if m := mend(e.Err); m != "" {
		s += "; " + m
	}
	return s
}

// Unwrap returns the cause.
func (e *ReadError) Unwrap() error { return e.Err }

// ExceptionError is a device's refusal.
type ExceptionError struct {
	Unit              byte
	Function          byte // as asked, without the high bit
	Code              byte
	Address, Quantity uint16
}

// Error gives code and meaning.
func (e *ExceptionError) Error() string {
	return "device " + frame.Exception(e.Code).Error()
}

// mend says what the operator can look at.
func mend(err error) string {
	var exception *ExceptionError
	switch {
	case errors.As(err, &exception):
		return mendException(frame.Exception(exception.Code))
	case errors.Is(err, ErrTimeout):
		return "check the device's power, unit id, wiring and line settings, or give the line a longer timeout"
	case errors.Is(err, ErrBadChecksum):
		return "check serial settings, wiring, shield and termination, and that no second master is on the line"
	case errors.Is(err, ErrWrongAnswer):
		return "check that every unit id is used once and that no second master is on the line"
	case errors.Is(err, ErrLineLost):
		return "the line will have to be opened anew"
	}
	return ""
}

func mendException(code frame.Exception) string {
	switch code {
	case frame.IllegalFunction:
		return "the device does not offer this table: check the channel's table in the register map"
	case frame.IllegalDataAddress, frame.IllegalDataValue:
		return "check the addresses and the addressing key in the register map; the device may lack some of this range"
	case frame.GatewayPathMissing, frame.GatewayTargetFailure:
		return "the gateway is reached, the device behind it is not: check its power, unit id and wiring"
	}
	return "the device refuses for now; if it stays so, look at the device"
}

// ReasonOf returns the reason that a scan without values is stored with after
// err of Client.Read, OpenSerial or DialTCP. Of a nil error it is scan.Good.
func ReasonOf(err error) scan.Reason {
	var (
		exception *ExceptionError
		read      *ReadError
	)
	switch {
	case err == nil:
		return scan.Good
	case errors.Is(err, ErrTimeout), errors.As(err, &read) && errors.Is(err, context.DeadlineExceeded):
		return scan.Timeout
	case errors.Is(err, ErrBadChecksum):
		return scan.BadChecksum
	case errors.As(err, &exception):
		return scan.Exception
	case errors.Is(err, ErrWrongAnswer), errors.Is(err, ErrUnit),
		errors.Is(err, frame.ErrRequest), errors.Is(err, frame.ErrFunction):
		return scan.WrongAnswer
	case errors.Is(err, context.Canceled):
		return scan.AgentStopped
	}
	return scan.PortGone
}
