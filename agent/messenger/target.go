package messenger

import (
	"context"
	"errors"
	"time"

	"loadscribe/agent/outward"
)

// Target is somebody to send to. Its Deliver is called by one goroutine at a
// time, but for a test message, which may come meanwhile.
type Target interface {
	Name() string // unique among the targets
	Kind() string // "mail" or "webhook"
	To() string   // for people; no secret
	// Deliver sends one message and returns what the other side said. It ends soon
	// after ctx. late is how long the message has waited. The error is *Refused,
	// *Held, *Later or *Partly where the other side or the set-up says what is to
	// come of it; any other is a failure that may be over by itself.
	Deliver(ctx context.Context, m *Message, late time.Duration) (answer string, err error)
}

// Errors of Send, Test and Open.
var (
	// ErrNotSafe: the disk does not take the message. It waits in memory and will
	// be sent; it is not to be given to Send again.
	ErrNotSafe = errors.New("the message waits in memory only: the disk does not take it")
	// ErrNoTarget: there is no target of that name.
	ErrNoTarget = errors.New("no such target")
	// ErrBusy: a test message to that target is under way.
	ErrBusy = errors.New("a test message is under way to that target: wait for its answer")
)

// Refused is the answer of a target that will never take this message, though it
// may take others.
type Refused struct{ Why string }

// Error implements error.
func (e *Refused) Error() string { return "refused: " + e.Why }

// Held is a fault of the set-up: a person must mend it; the messages wait.
type Held = outward.Fault

// Later is the answer of a target that asks to be tried again.
type Later struct {
	After time.Duration // from now; 0: not said
	Why   string
	// OfMessage is whether it may be this message alone that does not go: after some
	// tries it holds up no other.
	OfMessage bool
}

// Error implements error.
func (e *Later) Error() string { return e.Why }

// Partly is the answer of a target that gave the message to some and not to others,
// who refused it for now or for good. Those who have it do not get it again.
type Partly struct {
	Why   string
	Took  []string // who has it now and had it not before
	Again bool     // somebody may take it later
}

// Error implements error.
func (e *Partly) Error() string { return "not everybody got it: " + e.Why }

// LateAfter is the waiting from which on a message says that it is late.
const LateAfter = 2 * time.Minute
