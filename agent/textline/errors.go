package textline

import (
	"context"
	"errors"

	"loadscribe/agent/scan"
)

// Errors of Client.Ask and Client.Hear; beside them there are the context's.
var (
	// ErrTimeout: nothing, or only a beginning, came in time.
	ErrTimeout = errors.New("no answer in time")
	// ErrBadChecksum: a text came whose checksum does not fit.
	ErrBadChecksum = errors.New("bad checksum")
	// ErrWrongAnswer: texts came, none of which the pattern matches.
	ErrWrongAnswer = errors.New("wrong answer")
	// ErrLineLost: the link has failed or was closed. The Client is of no use
	// any more: Close it and open anew.
	ErrLineLost = errors.New("line lost")
)

// ReasonOf returns the reason that a scan without values is stored with after
// err of a Client. Of a nil error it is scan.Good.
func ReasonOf(err error) scan.Reason {
	switch {
	case err == nil:
		return scan.Good
	case errors.Is(err, ErrTimeout), errors.Is(err, context.DeadlineExceeded):
		return scan.Timeout
	case errors.Is(err, ErrBadChecksum):
		return scan.BadChecksum
	case errors.Is(err, ErrWrongAnswer):
		return scan.WrongAnswer
	case errors.Is(err, context.Canceled):
		return scan.AgentStopped
	}
	return scan.PortGone
}
