package door

import (
	"errors"
	"fmt"
	"math"
	"time"
)

var (
	// ErrWrongPair: name and password do not belong together. It is the same for
	// a name that does not exist.
	ErrWrongPair = errors.New("name and password do not belong together")
	// ErrBusy: as many passwords are being checked as may wait at once.
	ErrBusy = errors.New("too many passwords are being checked just now: try again in a few seconds")
	// ErrNobody: no person has that name.
	ErrNobody = errors.New("nobody of that name")
	// ErrLastOperator: somebody must remain who may operate.
	ErrLastOperator = errors.New("the last person with the role operate must stay: add another first")
	// ErrNoSession: there is no such session, or not for this person to end.
	ErrNoSession = errors.New("no such session: it may have ended already")
	// ErrDamaged: people.json cannot be read, so that nobody can sign in.
	ErrDamaged = errors.New("people.json cannot be used")
)

// FieldError is something wrong with one field of what a person sent. The
// message says how to mend it.
type FieldError struct{ Field, Message string }

// Error implements error.
func (e *FieldError) Error() string { return e.Field + ": " + e.Message }

func wrong(field, format string, args ...any) error {
	return &FieldError{field, fmt.Sprintf(format, args...)}
}

// LimitedError says that attempts must wait.
type LimitedError struct{ After time.Duration }

// Error implements error.
func (e *LimitedError) Error() string {
	s := int(max(1, math.Ceil(e.After.Seconds())))
	if s < 60 {
		return fmt.Sprintf("too many attempts: try again in %d s", s)
	}
	return fmt.Sprintf("too many attempts: try again in %d min", (s+59)/60)
}
