package textline

import (
	"bytes"
	"context"
	"time"
)

// settling is how long after the opening what comes is passed over: a port may
// hold what was printed long before.
const settling = 100 * time.Millisecond

// Heard is one text that came by itself.
type Heard struct {
	// Text is without its end and checksum; empty when Damaged.
	Text string
	// Damaged: there was an end, but the checksum did not fit or the beginning
	// was missing.
	Damaged bool
}

// Hear returns the next text that comes. It sends nothing. The error is
// ErrTimeout when none came by until, wraps ErrLineLost, or is the context's.
// What comes within 100 ms of the opening is passed over, and the text that has
// begun by then, unless Begins or Checksum tell whether it is torn.
func (c *Client) Hear(ctx context.Context, f *Format, until time.Time) (Heard, error) {
	if err := c.Err(); err != nil {
		return Heard{}, err
	}
	if err := c.settle(ctx, f); err != nil {
		return Heard{}, err
	}
	for {
		torn := c.take()
		last := c.rx.lastByte()
		c.skip = c.skip || torn
		idle := c.quiet(f)
		for len(c.in) > 0 {
			text, n, what := f.cut(c.in, idle)
			heard := Heard{Text: characters(text), Damaged: what != whole} // text lies in c.in
			c.in = append(c.in[:0], c.in[n:]...)
			switch {
			case what == nothing:
			case c.skip:
				c.skip = false
				c.stats.Discarded += uint64(n)
				continue
			case what == whole && heard.Text == "":
				continue
			default:
				return heard, nil
			}
			break
		}
		if len(c.in) > maxText {
			c.stats.Overlong += uint64(len(c.in))
			c.in, c.skip = c.in[:0], true
		}
		wake := until
		if ended := last.Add(f.Quiet); f.Quiet > 0 && len(c.in) > 0 && ended.Before(until) {
			wake = ended
		}
		more, err := c.rx.wait(ctx, wake)
		if err != nil {
			return Heard{}, c.waitErr(ctx, err)
		}
		if !more && !time.Now().Before(until) {
			return Heard{}, ErrTimeout
		}
	}
}

// settle passes over what a port that was just opened still holds.
func (c *Client) settle(ctx context.Context, f *Format) error {
	until := c.opened.Add(settling)
	for !c.settled {
		c.take()
		if len(c.in) > 0 {
			c.skip = !f.endsWith(c.in) && len(f.Begins) == 0 && f.Checksum.Kind == NoSum
		}
		c.discard()
		if c.settled = !time.Now().Before(until); c.settled {
			break
		}
		if _, err := c.rx.wait(ctx, until); err != nil {
			return c.waitErr(ctx, err)
		}
	}
	return nil
}

// endsWith reports whether b ends where a text ends.
func (f *Format) endsWith(b []byte) bool {
	switch {
	case f.Quiet > 0:
		return false
	case len(f.Ends) > 0:
		return bytes.HasSuffix(b, f.Ends)
	}
	return isPadding(b[len(b)-1])
}
