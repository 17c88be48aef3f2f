package modbus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"loadscribe/agent/modbus/frame"
)

// Bounds of what is remembered about requests without an answer.
const (
	maxUnanswered = 32
	maxLateness   = 10 * time.Second      // later answers are neither learnt from nor waited for
	minHold       = 50 * time.Millisecond // for the adapters that deliver every 16 ms
)

// LongestRead is the longest that a Read of a Client, or an Ask of a text line, takes by its
// own rules with that timeout on a line of that speed (0: a network): it waits out what may
// come late, sends, waits for the answer, and where that may be an older one, for the next.
// What takes longer hangs.
func LongestRead(timeout, turnaround time.Duration, baud int) time.Duration {
	if timeout <= 0 {
		timeout = DefaultTimeout
	}
	late := maxLateness*3/2 + turnaround
	wire := 4 * frame.TransmitTime(baud, frame.MaxASCII) // quiet line, request, answer, late answer
	return late + wire + writeSlack + (maxUnanswered+2)*timeout
}

// unanswered is a request whose answer may still come.
type unanswered struct {
	unit, function byte
	byteCount      int
	due            time.Time // when its answer should have begun
	until          time.Time // no request of the same shape before
}

// prepare waits until the line may be used for want, then drops what has come
// unasked. Late answers that come in that time are recognised; they shorten the
// wait.
func (c *Client) prepare(ctx context.Context, want *expected) error {
	c.forget()
	// A line that never falls silent is not waited for longer than this.
	busyUntil := time.Now().Add(c.maxFrame + c.gap + c.cfg.Turnaround)
	for {
		c.in = c.rx.take(c.in)
		if _, err := c.walk(nil, false); err != nil {
			return err
		}
		if len(c.in) > maxInput {
			c.countDiscarded(c.pos)
			c.forget()
			if len(c.in) > maxInput { // no frame in all of it
				c.countDiscarded(len(c.in))
				c.in = c.in[:0]
			}
		}
		ready := latest(c.sentEnd, c.rx.lastByte()).Add(c.gap + c.cfg.Turnaround)
		if ready.After(busyUntil) {
			ready = busyUntil
		}
		ready = latest(ready, latest(c.quietUntil, c.blockedUntil(want)))
		if time.Until(ready) <= 0 {
			break
		}
		err := c.rx.wait(ctx, c.timer, ready)
		if err != nil && !errors.Is(err, deadlineError{}) {
			return c.waitErr(ctx, err)
		}
	}
	c.countDiscarded(len(c.in))
	c.in, c.pos = c.in[:0], 0
	return nil
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// blockedUntil returns the time before which want's answer could be mixed up
// with that of an older request.
func (c *Client) blockedUntil(want *expected) time.Time {
	var until time.Time
	for _, u := range c.unanswered {
		if u.unit == want.unit && u.function == want.req.Function && u.byteCount == want.req.ByteCount() {
			until = latest(until, u.until)
		}
	}
	return until
}

// mayBeLate reports whether an older request of want's shape has not been
// answered, so that what has come may be the answer to that one.
func (c *Client) mayBeLate(want *expected) bool { return !c.blockedUntil(want).IsZero() }

// confirm holds an answer back for a moment after requests of the same shape
// were lost: a device that was held up answers them one after the other, and
// then only the last answer is the one asked for.
func (c *Client) confirm(ctx context.Context, want *expected, pdu []byte, timeout time.Duration) ([]byte, error) {
	u := c.UnitStats(want.unit)
	hold := min(max(minHold, u.MaxReply, 2*c.answerTime(want.req)), timeout)
	until := time.Now().Add(hold)
	answer := slices.Clone(pdu)
	for range maxUnanswered {
		err := c.rx.wait(ctx, c.timer, until)
		if errors.Is(err, deadlineError{}) {
			break
		}
		if err != nil {
			return nil, c.waitErr(ctx, err)
		}
		c.in = c.rx.take(c.in)
		next, err := c.walk(want, false)
		if err != nil {
			return nil, err
		}
		if next != nil {
			answer = slices.Clone(next)
			until = time.Now().Add(hold)
		}
	}
	if len(c.in) > c.pos { // what came last is neither whole nor known
		return nil, fmt.Errorf("%w: a late answer, then a damaged one", ErrBadChecksum)
	}
	return answer, nil
}

// remember keeps a request that has ended without an answer.
func (c *Client) remember(want *expected, timeout time.Duration) {
	now := time.Now()
	c.quietUntil = now.Add(c.maxFrame)
	due := c.sentEnd.Add(timeout)
	wait := max(timeout, c.maxFrame, c.worstLate(want.unit)*3/2)
	c.unanswered = slices.DeleteFunc(c.unanswered, func(u unanswered) bool {
		return now.After(u.until) && now.Sub(u.due) > maxLateness
	})
	if len(c.unanswered) == maxUnanswered {
		c.unanswered = slices.Delete(c.unanswered, 0, 1)
	}
	c.unanswered = append(c.unanswered, unanswered{
		unit:      want.unit,
		function:  want.req.Function,
		byteCount: want.req.ByteCount(),
		due:       due,
		until:     due.Add(wait),
	})
}

// settled forgets what unit has left unanswered: a device answers in order, so
// that after a later answer the older one will not come.
func (c *Client) settled(unit byte) {
	c.unanswered = slices.DeleteFunc(c.unanswered, func(u unanswered) bool { return u.unit == unit })
}

// late reports whether the frame answers an older request, and learns from it
// how late that unit can be.
func (c *Client) late(unit byte, pdu []byte) bool {
	i := slices.IndexFunc(c.unanswered, func(u unanswered) bool {
		if unit != u.unit || len(pdu) < 2 {
			return false
		}
		exception := pdu[0] == u.function|0x80 && len(pdu) == 2
		data := pdu[0] == u.function && len(pdu) == 2+u.byteCount
		return exception || data
	})
	if i < 0 {
		return false
	}
	lateness := min(max(c.rx.lastByte().Sub(c.unanswered[i].due), 0), maxLateness)
	c.countLate(unit, lateness)
	c.unanswered = slices.Delete(c.unanswered, i, i+1)
	if len(c.unanswered) == 0 {
		c.quietUntil = time.Time{}
	}
	return true
}
