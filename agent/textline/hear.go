package textline

import (
	"context"
	"time"
)

// openingSilence: a byte that comes sooner after the opening may belong to a
// text that had begun before.
const openingSilence = 100 * time.Millisecond

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
// The first text after the opening is passed over where it may be torn and
// neither Begins nor Checksum would tell.
func (c *Client) Hear(ctx context.Context, f *Format, until time.Time) (Heard, error) {
	if err := c.Err(); err != nil {
		return Heard{}, err
	}
	for {
		torn := c.take()
		first, last := c.rx.times()
		if !c.heard && len(c.in) > 0 {
			c.heard = true
			c.skip = first.Sub(c.opened) < openingSilence && len(f.Begins) == 0 && f.Checksum.Kind == NoSum
		}
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
