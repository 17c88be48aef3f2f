package textline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

const (
	// maxText is the longest text; what runs on is dropped and counted.
	maxText = 4096
	// minHold is how long the answer after a loss is held back at least, for
	// the adapters that deliver every 16 ms.
	minHold = 50 * time.Millisecond
	// maxHold bounds how long a late answer is waited for.
	maxHold = 10 * time.Second
	// busyLimit is how long a line that never falls silent is waited for.
	busyLimit = 100 * time.Millisecond
	// answerCharacters is the length of an answer whose time on the wire is
	// allowed for beside the timeout, once it has begun.
	answerCharacters = 256
	// assumedBaud stands for the unknown speed behind a connection.
	assumedBaud = 9600
	closeBudget = 2 * time.Second // for a link that does not let go
)

// Echo says whether what is sent comes back on the line.
type Echo uint8

// The echo settings.
const (
	EchoAuto Echo = iota // taken out where the answer is then the better one
	EchoOn               // taken out where it comes
	EchoOff              // nothing is taken out
)

// Config is what a Client must know of its link.
type Config struct {
	// Baud is the serial speed in bits per second; 0 on connections.
	Baud int
	// Turnaround is waited before each question.
	Turnaround time.Duration
	Echo       Echo
}

// Ask is a question and what its answer looks like.
type Ask struct {
	// Name stands in errors.
	Name string
	// Send are the bytes of the question, checksum and end included.
	Send    []byte
	Format  Format
	Pattern *Pattern
}

// Stats counts what a Client has passed over.
type Stats struct {
	// Discarded counts bytes that came unasked between two questions, Overlong
	// those of texts that never ended and those for which there was no room.
	Discarded, Overlong uint64
	// Late counts answers that came after their question was given up;
	// WorstLate is how long after they should have come.
	Late      uint64
	WorstLate time.Duration
	// Echo is true when the last answer came behind an echo.
	Echo bool
}

// Client asks or listens on one link. It is for one goroutine; Err and Close
// may be called from any.
type Client struct {
	link   io.ReadWriteCloser
	cfg    Config
	rx     *receiver
	opened time.Time

	in      []byte    // what has come and is not dealt with
	skip    bool      // in begins inside a text that is not to be used
	settled bool      // Hear has passed over what came at the opening
	sentEnd time.Time // when the last question had left the wire
	lost    *loss     // the last question, if it had no answer
	doubt   bool      // a lost question's answer may still come
	slowest time.Duration
	stats   Stats

	mu     sync.Mutex // protects broken
	broken error      // why the link is of no use any more
}

// loss is a question that has ended without an answer.
type loss struct {
	exchange *exchange
	due      time.Time // when its answer should have come
	until    time.Time // nothing is asked before
}

// New starts to receive from link, which it owns from then on: Close closes
// it. A Read of link must block until a byte has come or the link has failed.
func New(link io.ReadWriteCloser, cfg Config) *Client {
	now := time.Now()
	return &Client{link: link, cfg: cfg, rx: newReceiver(link), opened: now, sentEnd: now}
}

// Stats returns the counts.
func (c *Client) Stats() Stats {
	s := c.stats
	s.Overlong += c.rx.drops()
	return s
}

// Err returns nil while the Client can be used, and an error that wraps
// ErrLineLost after the link has failed or Close was called.
func (c *Client) Err() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.broken
}

// lose marks the link as of no use; the first cause stays.
func (c *Client) lose(cause error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.broken == nil {
		c.broken = fmt.Errorf("%w: %w", ErrLineLost, cause)
	}
	return c.broken
}

var errClosed = errors.New("closed")

// Close closes the link and ends a wait. It returns within a bound even where
// the link does not let go. A second Close does nothing.
func (c *Client) Close() error {
	c.mu.Lock()
	again := errors.Is(c.broken, errClosed)
	c.broken = fmt.Errorf("%w: %w", ErrLineLost, errClosed)
	c.mu.Unlock()
	if again {
		return nil
	}
	c.rx.fail(errClosed)
	err := c.link.Close()
	timer := time.NewTimer(closeBudget)
	defer timer.Stop()
	select {
	case <-c.rx.done:
	case <-timer.C:
		err = errors.Join(err, fmt.Errorf("close: the port has not let go within %v and is left behind", closeBudget))
	}
	return err
}

// waitErr turns an error of receiver.wait into one for the caller.
func (c *Client) waitErr(ctx context.Context, err error) error {
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return err
	}
	return c.lose(err)
}

// wireTime is how long n characters of eleven bits take.
func (c *Client) wireTime(n int) time.Duration {
	baud := c.cfg.Baud
	if baud <= 0 {
		baud = assumedBaud
	}
	return time.Duration(int64(n) * 11 * int64(time.Second) / int64(baud))
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
