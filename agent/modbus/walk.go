package modbus

import (
	"bytes"
	"fmt"

	"loadscribe/agent/modbus/frame"
)

// expected is the answer that an exchange waits for, and what has come instead.
type expected struct {
	unit byte
	req  frame.ReadRequest

	echo    bool   // an echo may still come
	echoed  bool   // it has come
	damaged bool   // the answer itself came damaged
	garbled bool   // bytes came that are no frame
	foreign string // a whole frame that does not fit, in words
}

// looksLikeEcho reports whether an answer to the request can equal the request
// byte for byte: eight bytes with the function, then the high byte of the
// address where the byte count is.
func (w *expected) looksLikeEcho() bool {
	return w.req.ByteCount() == 3 && w.req.Address>>8 == 3
}

// fits reports whether pdu from unit answers the request, exceptions included.
func (w *expected) fits(unit byte, pdu []byte) bool {
	if unit != w.unit {
		return false
	}
	_, err := frame.ParseReadResponse(w.req, pdu)
	_, exception := err.(frame.Exception) //nolint:errorlint // never wrapped, and this runs on every frame
	return err == nil || exception
}

// begins reports whether b starts with the head of an answer to the request.
func (w *expected) begins(b []byte) bool {
	if len(b) < 2 || b[0] != w.unit {
		return false
	}
	if b[1] == w.req.Function|0x80 {
		return true
	}
	return b[1] == w.req.Function && len(b) >= 3 && int(b[2]) == w.req.ByteCount()
}

// beginsEcho reports whether b may be the first part of the echo of sent.
func (w *expected) beginsEcho(b, sent []byte) bool {
	return w.echo && len(b) < len(sent) && bytes.HasPrefix(sent, b)
}

// walk looks through the input from pos on. It returns the PDU that answers
// want, an error where the answer has come damaged, or neither. Whole frames
// of others are handed to stale and stepped over. With final, it no longer
// waits for the rest of what looks like a beginning. Without want it only
// steps over whole frames.
func (c *Client) walk(want *expected, final bool) ([]byte, error) {
	if c.cfg.Framing == ASCII {
		return c.walkASCII(want, final)
	}
	return c.walkRTU(want, final)
}

func (c *Client) walkRTU(want *expected, final bool) (answer []byte, err error) {
	for o := c.pos; o < len(c.in); {
		rest := c.in[o:]
		if want != nil && want.echo {
			if bytes.HasPrefix(rest, c.out) {
				c.noteEcho(want, true)
				o += len(c.out)
				c.pos = o
				continue
			}
			if !final && want.beginsEcho(rest, c.out) {
				return answer, nil
			}
		}
		begins := want != nil && want.begins(rest)
		n, ok := frame.RTUResponseLength(rest)
		if !ok || n > len(rest) {
			if begins && !final {
				return answer, nil // the rest is under way
			}
			if want != nil && !begins && n == 0 {
				want.garbled = true
			}
			o++
			continue
		}
		if !frame.ValidRTU(rest[:n]) {
			if want != nil {
				want.garbled = true
				if begins && o == c.pos && !c.echoDue(want) && answer == nil {
					want.damaged = true
					c.pos = len(c.in)
					return nil, ErrBadChecksum
				}
			}
			o++
			continue
		}
		o += n
		c.pos = o
		unit, pdu := rest[0], rest[1:n-2]
		if want != nil && want.fits(unit, pdu) {
			answer = pdu // of two that fit, the later one: the first was late
			continue
		}
		c.stale(want, unit, pdu)
	}
	return c.answered(want, answer), nil
}

func (c *Client) walkASCII(want *expected, final bool) (answer []byte, err error) {
	for {
		at := bytes.IndexByte(c.in[c.pos:], ':')
		if at != 0 && want != nil && c.pos < len(c.in) {
			want.garbled = true
		}
		if at < 0 {
			c.pos = len(c.in)
			break
		}
		c.pos += at
		rest := c.in[c.pos:]
		end := bytes.Index(rest, []byte("\r\n"))
		if next := bytes.IndexByte(rest[1:], ':'); next >= 0 && (end < 0 || next+1 < end) {
			c.pos += next + 1 // a new colon begins a new frame
			if want != nil {
				want.garbled = true
			}
			continue
		}
		if end < 0 {
			break // the rest is under way
		}
		line := rest[:end+2]
		c.pos += len(line)
		if want != nil && want.echo && bytes.Equal(line, c.out) {
			c.noteEcho(want, true)
			continue
		}
		// A new array for each frame, since an answer found before may be
		// in the old one.
		unit, pdu, err := frame.DecodeASCII(make([]byte, 0, frame.MaxPDU+3), line)
		switch {
		case err != nil && want != nil:
			want.garbled = true
			if !c.echoDue(want) && answer == nil && !final {
				want.damaged = true
				return nil, ErrBadChecksum
			}
		case err != nil:
		case want != nil && want.fits(unit, pdu):
			answer = pdu
		default:
			c.stale(want, unit, pdu)
		}
	}
	return c.answered(want, answer), nil
}

// answered notes, where an answer came without its echo, that there is none.
func (c *Client) answered(want *expected, answer []byte) []byte {
	if answer != nil && want.echo {
		c.noteEcho(want, false)
	}
	return answer
}

// stale deals with a whole frame that nobody waits for.
func (c *Client) stale(want *expected, unit byte, pdu []byte) {
	if c.late(unit, pdu) || want == nil {
		return
	}
	want.foreign = fmt.Sprintf("unit %d answered function %02X with %d bytes", unit, pdu[0]&^0x80, max(len(pdu)-2, 0))
	if unit == want.unit && pdu[0] == want.req.Function {
		want.foreign += fmt.Sprintf(" where %d were asked for", want.req.ByteCount())
	}
}

// noteEcho keeps what the exchange has shown of the line's echo.
func (c *Client) noteEcho(want *expected, seen bool) {
	if seen {
		want.echo, want.echoed = false, true
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.echoing = seen
}

// echoDue reports whether a damaged frame may be the echo, with the answer
// still to come.
func (c *Client) echoDue(want *expected) bool {
	if !want.echo {
		return false
	}
	if c.cfg.Echo == EchoOn {
		return true
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.echoing
}
