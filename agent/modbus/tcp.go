package modbus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/modbus/frame"
)

// askTCP sends one request over a TCP connection and returns the PDU that
// answers it (a part of c.in) and the time the answer took.
func (c *Client) askTCP(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) ([]byte, time.Duration, error) {
	if err := c.pause(ctx); err != nil {
		return nil, 0, err
	}
	c.forget()
	c.transaction++
	var pdu [5]byte
	c.out = frame.AppendTCP(c.out[:0], c.transaction, unit, req.AppendPDU(pdu[:0]))
	if err := c.send(); err != nil {
		return nil, 0, err
	}
	c.sentEnd = time.Now()
	deadline := c.sentEnd.Add(timeout)
	for {
		c.in = c.rx.take(c.in)
		answer, err := c.nextTCP(unit, req)
		if answer != nil || err != nil {
			return answer, time.Since(c.sentEnd), err
		}
		if err := c.rx.wait(ctx, c.timer, deadline); err != nil {
			return nil, 0, c.endTCP(ctx, err, timeout)
		}
	}
}

// pause keeps the line's turnaround, where one is set for a gateway's sake.
func (c *Client) pause(ctx context.Context) error {
	ready := c.sentEnd
	if last := c.rx.lastByte(); last.After(ready) {
		ready = last
	}
	ready = ready.Add(c.cfg.Turnaround)
	for time.Until(ready) > 0 {
		c.in = c.rx.take(c.in)
		if err := c.rx.wait(ctx, c.timer, ready); err != nil && !errors.Is(err, deadlineError{}) {
			return c.waitErr(ctx, err)
		}
	}
	return nil
}

// nextTCP steps over answers to older requests. It returns nil, nil while the
// answer has not come whole.
func (c *Client) nextTCP(unit byte, req frame.ReadRequest) ([]byte, error) {
	if c.rx.drops() > 0 {
		c.drop()
		return nil, c.lose(errors.New("the server sends more than was asked for"))
	}
	for {
		c.forget()
		n, ok := frame.TCPLength(c.in)
		switch {
		case !ok && n == 0:
			head := append([]byte(nil), c.in[:6]...)
			c.drop()
			_ = c.lose(errors.New("what came is not Modbus TCP"))
			return nil, fmt.Errorf("%w: header % X is not Modbus TCP (RTU over TCP is a line kind of its own)", ErrWrongAnswer, head)
		case !ok || n > len(c.in):
			return nil, nil
		}
		c.pos = n
		transaction, from, pdu, err := frame.DecodeTCP(c.in[:n])
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrWrongAnswer, err)
		}
		if transaction != c.transaction {
			c.countStale(from)
			continue
		}
		if from != unit {
			return nil, fmt.Errorf("%w: unit %d answered", ErrWrongAnswer, from)
		}
		if _, err := frame.ParseReadResponse(req, pdu); errors.Is(err, frame.ErrAnswer) {
			return nil, fmt.Errorf("%w: %w", ErrWrongAnswer, err)
		}
		return pdu, nil
	}
}

// endTCP ends an exchange that brought no answer. After a timeout the
// connection is closed: whatever is under way in the server dies with it.
func (c *Client) endTCP(ctx context.Context, err error, timeout time.Duration) error {
	if !errors.Is(err, deadlineError{}) {
		return c.waitErr(ctx, err)
	}
	c.drop()
	_ = c.lose(errors.New("the connection was closed after a timeout"))
	return fmt.Errorf("%w: none within %v", ErrTimeout, timeout)
}

// drop closes the connection at once. Its error says nothing that the failed
// read does not.
func (c *Client) drop() { _ = c.link.Close() }
