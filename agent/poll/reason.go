package poll

import (
	"context"
	"errors"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
)

// reasonOf turns an error of a Reader into the reason of a gap. A gateway's "the
// target did not answer" is a timeout: the device said nothing.
func reasonOf(ctx context.Context, err error) scan.Reason {
	switch code, isException := exceptionOf(err); {
	case err == nil:
		return scan.Good
	case ctx.Err() != nil:
		return scan.AgentStopped
	case code == frame.GatewayTargetFailure:
		return scan.Timeout
	case isException:
		return scan.Exception
	case errors.Is(err, frame.ErrAnswer), errors.Is(err, errShort):
		return scan.WrongAnswer
	}
	return modbus.ReasonOf(err)
}

// exceptionOf returns the exception code that err carries, if any.
func exceptionOf(err error) (frame.Exception, bool) {
	var typed *modbus.ExceptionError
	if errors.As(err, &typed) {
		return frame.Exception(typed.Code), true
	}
	var bare frame.Exception // from a Reader that is no modbus.Client
	if errors.As(err, &bare) {
		return bare, true
	}
	return 0, false
}

// refused reports whether the device will not read some register of a request.
func refused(err error) bool {
	code, _ := exceptionOf(err)
	return code == frame.IllegalDataAddress || code == frame.IllegalDataValue
}

// ends reports whether a reason makes it pointless to ask for the rest of a
// scan: a silent device costs one timeout, not one for each request, and an
// answer that does not fit was waited for as long.
func ends(r scan.Reason) bool {
	switch r {
	case scan.Timeout, scan.WrongAnswer, scan.PortGone, scan.AgentStopped:
		return true
	}
	return false
}
