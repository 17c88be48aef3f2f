package modbus

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/modbus/frame"
)

// maxInput is how much may come in one exchange before it is given up: a few
// longest ASCII frames.
const maxInput = 4 * frame.MaxASCII

// askSerial sends one request as RTU or ASCII and returns the PDU that answers
// it and the time the answer took.
func (c *Client) askSerial(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) ([]byte, time.Duration, error) {
	want := &expected{unit: unit, req: req, echo: c.cfg.Echo != EchoOff}
	if err := c.prepare(ctx, want); err != nil {
		return nil, 0, err
	}
	c.frameOut(unit, req)
	sent := time.Now()
	if err := c.send(); err != nil {
		return nil, 0, err
	}
	written := time.Now()
	c.sentEnd = latest(written, sent.Add(frame.TransmitTime(c.cfg.Baud, len(c.out))))
	pdu, err := c.receive(ctx, want, timeout)
	reply := time.Since(c.sentEnd)
	if reply < 0 { // a line without a speed of its own: a pseudo-terminal
		reply = time.Since(written)
	}
	if err == nil && c.mayBeLate(want) {
		pdu, err = c.confirm(ctx, want, pdu, timeout)
	}
	if err == nil {
		c.settled(unit)
		return pdu, reply, nil
	}
	if !want.damaged && !errors.Is(err, ErrLineLost) {
		c.remember(want, timeout)
	}
	return nil, 0, err
}

func (c *Client) frameOut(unit byte, req frame.ReadRequest) {
	var pdu [5]byte
	if c.cfg.Framing == ASCII {
		c.out = frame.AppendASCII(c.out[:0], unit, req.AppendPDU(pdu[:0]))
		return
	}
	c.out = frame.AppendRTU(c.out[:0], unit, req.AppendPDU(pdu[:0]))
}

// receive reads until the answer has come or the time is up. The timeout holds
// until something other than an echo has come; from then on the time the
// answer needs on the wire is added once.
func (c *Client) receive(ctx context.Context, want *expected, timeout time.Duration) ([]byte, error) {
	deadline := c.sentEnd.Add(timeout)
	begun := false
	for {
		c.in = c.rx.take(c.in)
		if pdu, err := c.walk(want, false); pdu != nil || err != nil {
			return pdu, err
		}
		if len(c.in) > maxInput {
			return nil, fmt.Errorf("%w: %d bytes without an answer among them", ErrWrongAnswer, len(c.in))
		}
		if !begun && len(c.in) > c.pos && !want.beginsEcho(c.in[c.pos:], c.out) {
			begun = true
			deadline = deadline.Add(c.answerTime(want.req))
		}
		err := c.rx.wait(ctx, c.timer, deadline)
		switch {
		case err == nil:
		case errors.Is(err, deadlineError{}):
			return c.outcome(want, timeout)
		default:
			return nil, c.waitErr(ctx, err)
		}
	}
}

// answerTime returns how long the longest answer to req is on the wire.
func (c *Client) answerTime(req frame.ReadRequest) time.Duration {
	n := 5 + req.ByteCount()
	if c.cfg.Framing == ASCII {
		n = 2*n + 1 // colon, CR LF and LRC against a CRC
	}
	return frame.TransmitTime(c.cfg.Baud, n)
}

// outcome looks a last time at what has come and says why it is no answer.
func (c *Client) outcome(want *expected, timeout time.Duration) ([]byte, error) {
	torn := 0
	if want.begins(c.in[c.pos:]) || c.cfg.Framing == ASCII && !want.garbled {
		torn = len(c.in) - c.pos
	}
	if pdu, err := c.walk(want, true); pdu != nil || err != nil {
		return pdu, err
	}
	switch {
	case want.echoed && c.cfg.Echo == EchoAuto && want.looksLikeEcho():
		return nil, fmt.Errorf("%w: an answer to this request can look like the echo of it; set the line's echo to \"on\" or \"off\"", ErrWrongAnswer)
	case c.cfg.Echo == EchoOff && bytes.Contains(c.in, c.out):
		return nil, fmt.Errorf("%w: the request itself came back; set the line's echo to \"auto\"", ErrWrongAnswer)
	case want.foreign != "":
		return nil, fmt.Errorf("%w: %s", ErrWrongAnswer, want.foreign)
	case torn > 0:
		return nil, fmt.Errorf("%w: it broke off after %d bytes", ErrTimeout, torn)
	case want.garbled:
		return nil, ErrBadChecksum
	}
	return nil, fmt.Errorf("%w: none within %v", ErrTimeout, timeout)
}
