package textline

import (
	"bytes"
	"context"
	"fmt"
	"time"
)

// Ask sends a question and returns the text that answers it, which the
// question's Pattern matches. The answer may take timeout to begin; a failure
// is told when all the time has passed, but for a lost line. The error wraps
// ErrTimeout, ErrBadChecksum, ErrWrongAnswer, ErrLineLost or the context's
// error.
func (c *Client) Ask(ctx context.Context, a *Ask, timeout time.Duration) (string, error) {
	text, err := c.ask(ctx, a, timeout)
	if err != nil {
		return "", fmt.Errorf("ask %q: %w", a.Name, err)
	}
	return text, nil
}

func (c *Client) ask(ctx context.Context, a *Ask, timeout time.Duration) (string, error) {
	if err := c.Err(); err != nil {
		return "", err
	}
	if err := c.prepare(ctx); err != nil {
		return "", err
	}
	sent := time.Now()
	n, err := c.link.Write(a.Send)
	if err == nil && n < len(a.Send) {
		err = fmt.Errorf("only %d of %d bytes were sent", n, len(a.Send))
	}
	if err != nil {
		return "", c.lose(err)
	}
	c.sentEnd = latest(time.Now(), sent)
	if c.cfg.Baud > 0 {
		c.sentEnd = latest(c.sentEnd, sent.Add(c.wireTime(len(a.Send))))
	}
	x := &exchange{ask: a, echo: c.cfg.Echo}
	text, err := c.receive(ctx, x, timeout)
	if err != nil {
		if c.Err() == nil && x.damaged() == 0 {
			wait := min(max(timeout, c.stats.WorstLate*3/2), maxHold)
			c.lost = &loss{exchange: x, due: c.sentEnd.Add(timeout), until: c.sentEnd.Add(timeout + wait)}
		}
		return "", err
	}
	c.slowest = max(c.slowest, time.Since(c.sentEnd))
	if c.doubt {
		if text, err = c.confirm(ctx, x, text, timeout); err != nil {
			return "", err
		}
		c.doubt = false
	}
	c.stats.Echo = x.behindEcho
	return text, nil
}

// prepare waits until something may be asked, then drops what has come unasked.
// A late answer that comes in that time is recognised and shortens the wait.
func (c *Client) prepare(ctx context.Context) error {
	limit := time.Now().Add(c.cfg.Turnaround + busyLimit)
	for {
		c.takeLate()
		last := c.rx.lastByte()
		ready := latest(c.sentEnd, last).Add(c.cfg.Turnaround)
		if ready.After(limit) {
			ready = limit
		}
		if c.lost != nil {
			ready = latest(ready, c.lost.until)
		}
		if !time.Now().Before(ready) {
			break
		}
		if _, err := c.rx.wait(ctx, ready); err != nil {
			return c.waitErr(ctx, err)
		}
	}
	c.doubt = c.doubt || c.lost != nil
	c.lost = nil
	c.discard()
	return nil
}

// takeLate takes what has come and looks in it for the answer to the question
// that was lost.
func (c *Client) takeLate() {
	torn := c.take()
	if c.lost == nil {
		c.discard()
		return
	}
	x := c.lost.exchange
	if torn || len(c.in) > maxText {
		c.discard()
		x.forget()
	}
	if _, ok := x.walk(c.in, c.quiet(&x.ask.Format)); !ok {
		return
	}
	last := c.rx.lastByte()
	c.stats.Late++
	c.stats.WorstLate = max(c.stats.WorstLate, last.Sub(c.lost.due))
	c.lost = nil
	c.discard()
}

// take moves what has come into in; torn means that bytes before it were lost
// for want of room.
func (c *Client) take() (torn bool) {
	before := len(c.in)
	if c.in, torn = c.rx.take(c.in); torn {
		c.stats.Overlong += uint64(before)
	}
	return torn
}

func (c *Client) discard() {
	c.stats.Discarded += uint64(len(c.in))
	c.in = c.in[:0]
}

// quiet reports whether a text that ends by silence has ended.
func (c *Client) quiet(f *Format) bool {
	last := c.rx.lastByte()
	return f.Quiet > 0 && time.Since(last) >= f.Quiet
}

// receive reads until the answer has come or the time is up.
func (c *Client) receive(ctx context.Context, x *exchange, timeout time.Duration) (string, error) {
	f := &x.ask.Format
	deadline := c.sentEnd.Add(timeout)
	begun := false
	for {
		torn := c.take()
		idle := c.quiet(f)
		if !torn { // else a match may be the rest of a longer text
			if text, ok := x.walk(c.in, idle); ok {
				return text, nil
			}
		}
		if torn || len(c.in) > maxText {
			c.stats.Overlong += uint64(len(c.in))
			c.in = c.in[:0]
			x.forget()
			return "", fmt.Errorf("%w: more than %d bytes came and no answer among them", ErrWrongAnswer, maxText)
		}
		if !begun && x.pending(c.in) > 0 && !bytes.HasPrefix(x.ask.Send, c.in) {
			begun = true
			deadline = deadline.Add(c.wireTime(answerCharacters))
		}
		until := deadline
		if f.Quiet > 0 && !idle && x.pending(c.in) > 0 {
			if last := c.rx.lastByte(); last.Add(f.Quiet).Before(deadline) {
				until = last.Add(f.Quiet)
			}
		}
		more, err := c.rx.wait(ctx, until)
		if err != nil {
			return "", c.waitErr(ctx, err)
		}
		if !more && !time.Now().Before(deadline) {
			return x.outcome(c.in)
		}
	}
}

// confirm holds an answer back for a moment after a loss, and takes the last
// of those that come.
func (c *Client) confirm(ctx context.Context, x *exchange, text string, timeout time.Duration) (string, error) {
	hold := min(max(minHold, c.slowest, x.ask.Format.Quiet+minHold), timeout)
	until := time.Now().Add(hold)
	for len(c.in) <= maxText {
		if next, ok := x.walk(c.in, c.quiet(&x.ask.Format)); ok {
			c.stats.Late++
			text, until = next, time.Now().Add(hold)
			continue
		}
		more, err := c.rx.wait(ctx, until)
		if err != nil {
			return "", c.waitErr(ctx, err)
		}
		if !more {
			break
		}
		c.take()
	}
	return text, nil
}
