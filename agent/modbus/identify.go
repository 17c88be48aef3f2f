package modbus

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/modbus/frame"
)

// maxIdentifications bounds how many answers one identification may be spread
// over; the basic objects fit into one or two.
const maxIdentifications = 8

// Identify asks unit who it is (function 2B/0E, basic objects) and returns the
// objects, which are the caller's. Many devices do not know the function: an
// *ExceptionError with code 01, or no answer, says no more than that. Over TCP
// a timeout closes the connection, as after Read. The errors are Read's,
// without the *ReadError.
func (c *Client) Identify(ctx context.Context, unit byte, timeout time.Duration) ([]frame.Object, error) {
	if unit == 0 && c.cfg.Framing != TCP {
		return nil, fmt.Errorf("%w: 0 is the broadcast address, which nobody answers", ErrUnit)
	}
	if timeout <= 0 {
		timeout = DefaultTimeout
	}
	select {
	case c.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-c.turn }()
	var objects []frame.Object
	var from byte
	for range maxIdentifications {
		if err := errors.Join(ctx.Err(), c.Err()); err != nil {
			return nil, err
		}
		id, err := c.identifyFrom(ctx, unit, from, timeout)
		if err != nil {
			return nil, fmt.Errorf("identify unit %d: %w", unit, err)
		}
		for _, o := range id.Objects {
			objects = append(objects, frame.Object{ID: o.ID, Value: bytes.Clone(o.Value)})
		}
		if !id.More || id.Next <= from {
			break
		}
		from = id.Next
	}
	return objects, nil
}

// identifyFrom is one exchange; it counts like a read.
func (c *Client) identifyFrom(ctx context.Context, unit, from byte, timeout time.Duration) (frame.Identification, error) {
	// The request stands in for the shape by which late answers are told; its
	// function is one that no read has.
	want := &expected{unit: unit, req: frame.ReadRequest{Function: frame.EncapsulatedInterface}, echo: c.cfg.Echo != EchoOff}
	pdu := frame.AppendIdentificationRequest(nil, from)
	if err := c.sendIdentify(ctx, want, pdu); err != nil {
		return frame.Identification{}, err
	}
	deadline := c.sentEnd.Add(timeout)
	answerDeadline := deadline.Add(c.maxFrame)
	for {
		c.in = c.rx.take(c.in)
		answer, begun, err := c.identification(want)
		if answer != nil || err != nil {
			return c.identified(want, answer, err)
		}
		until := deadline
		if begun {
			until = answerDeadline
		}
		if err := c.rx.wait(ctx, c.timer, until); err != nil {
			return c.identified(want, nil, c.endIdentify(ctx, want, err, begun, timeout))
		}
	}
}

func (c *Client) sendIdentify(ctx context.Context, want *expected, pdu []byte) error {
	if c.cfg.Framing == TCP {
		if err := c.pause(ctx); err != nil {
			return err
		}
		c.forget()
		c.transaction++
		c.out = frame.AppendTCP(c.out[:0], c.transaction, want.unit, pdu)
	} else {
		if err := c.prepare(ctx, want); err != nil {
			return err
		}
		if c.cfg.Framing == ASCII {
			c.out = frame.AppendASCII(c.out[:0], want.unit, pdu)
		} else {
			c.out = frame.AppendRTU(c.out[:0], want.unit, pdu)
		}
	}
	sent := time.Now()
	if err := c.send(); err != nil {
		return err
	}
	c.sentEnd = latest(sent.Add(frame.TransmitTime(c.cfg.Baud, len(c.out))), time.Now())
	return nil
}

// identification looks for the answer's PDU in the input. begun says that the
// head of an answer is there and its rest is still under way.
func (c *Client) identification(want *expected) (pdu []byte, begun bool, err error) {
	if c.cfg.Framing == TCP {
		pdu, err = c.identificationTCP(want.unit)
		return pdu, len(c.in) > 0, err
	}
	if bytes.HasPrefix(c.in[c.pos:], c.out) {
		c.noteEcho(want, true)
		c.pos += len(c.out)
	}
	rest := c.in[c.pos:]
	if c.cfg.Framing == ASCII {
		return c.identificationASCII(want, rest)
	}
	// Noise before the answer is stepped over.
	for at := range rest {
		if rest[at] != want.unit {
			continue
		}
		n, ok := frame.RTUIdentificationLength(rest[at:])
		switch {
		case n == 0:
		case !ok || n > len(rest)-at:
			return nil, true, nil
		case frame.ValidRTU(rest[at : at+n]):
			c.pos += at + n
			return rest[at+1 : at+n-2], false, nil
		default:
			return nil, false, ErrBadChecksum
		}
	}
	return nil, false, nil
}

func (c *Client) identificationASCII(want *expected, rest []byte) (pdu []byte, begun bool, err error) {
	at := bytes.IndexByte(rest, ':')
	end := bytes.Index(rest, []byte("\r\n"))
	if at < 0 || end < at {
		return nil, at >= 0, nil
	}
	c.pos += end + 2
	unit, pdu, err := frame.DecodeASCII(nil, rest[at:end+2])
	switch {
	case err != nil:
		return nil, false, ErrBadChecksum
	case unit != want.unit:
		return nil, false, fmt.Errorf("%w: unit %d answered", ErrWrongAnswer, unit)
	}
	return pdu, false, nil
}

func (c *Client) identificationTCP(unit byte) ([]byte, error) {
	for {
		c.forget()
		n, ok := frame.TCPLength(c.in)
		switch {
		case !ok && n == 0:
			c.drop()
			_ = c.lose(errors.New("what came is not Modbus TCP"))
			return nil, fmt.Errorf("%w: what came is not Modbus TCP", ErrWrongAnswer)
		case !ok || n > len(c.in):
			return nil, nil
		}
		c.pos = n
		transaction, from, pdu, err := frame.DecodeTCP(c.in[:n])
		switch {
		case err != nil:
			return nil, fmt.Errorf("%w: %w", ErrWrongAnswer, err)
		case transaction != c.transaction:
			c.countStale(from)
		case from != unit:
			return nil, fmt.Errorf("%w: unit %d answered", ErrWrongAnswer, from)
		default:
			return pdu, nil
		}
	}
}

// identified ends the exchange: it reads the answer and counts what came.
func (c *Client) identified(want *expected, pdu []byte, err error) (id frame.Identification, _ error) {
	reply := max(time.Since(c.sentEnd), 0)
	if err == nil {
		if id, err = frame.ParseIdentification(pdu); errors.Is(err, frame.ErrAnswer) {
			err = fmt.Errorf("%w: %w", ErrWrongAnswer, err)
		}
		err = named(want.unit, want.req, err)
	}
	c.count(want.unit, reply, err)
	if err == nil && c.cfg.Framing != TCP {
		c.settled(want.unit)
	}
	return id, err
}

func (c *Client) endIdentify(ctx context.Context, want *expected, err error, begun bool, timeout time.Duration) error {
	switch {
	case !errors.Is(err, deadlineError{}):
		return c.waitErr(ctx, err)
	case c.cfg.Framing == TCP:
		return c.endTCP(ctx, err, timeout)
	}
	c.remember(want, timeout)
	if begun {
		return fmt.Errorf("%w: it broke off", ErrTimeout)
	}
	return fmt.Errorf("%w: none within %v", ErrTimeout, timeout)
}
