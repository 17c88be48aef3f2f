package textline

import (
	"bytes"
	"fmt"
)

// exchange is a question and what has come since it was sent. What has come is
// looked at in two ways: all of it, and what stands behind an echo.
type exchange struct {
	ask  *Ask
	echo Echo

	decided    bool // whether there is an echo at the front
	echoed     bool
	plain      view
	behind     view
	behindEcho bool // the answer was found in behind
}

// view is one way to look at what has come.
type view struct {
	pos            int // what has been dealt with
	damaged, wrong int // texts
	last           string
}

// walk looks for the answer in b, which has grown since the last call.
func (x *exchange) walk(b []byte, idle bool) (string, bool) {
	x.decide(b)
	if x.echoed {
		if text, ok := x.search(&x.behind, b, idle); ok {
			x.behindEcho = true
			return text, true
		}
	}
	if x.echo == EchoOn && (x.echoed || !x.decided) {
		return "", false
	}
	return x.search(&x.plain, b, idle)
}

// decide finds out whether b begins with an echo.
func (x *exchange) decide(b []byte) {
	if x.decided {
		return
	}
	sent := x.ask.Send
	switch {
	case x.echo == EchoOff, !bytes.HasPrefix(sent, b[:min(len(b), len(sent))]):
		x.decided = true
	case len(b) >= len(sent):
		x.decided, x.echoed = true, true
		x.behind.pos = len(sent)
	}
}

// search goes on through b for a text that the pattern matches.
func (x *exchange) search(v *view, b []byte, idle bool) (string, bool) {
	for v.pos < len(b) {
		text, n, what := x.ask.Format.cut(b[v.pos:], idle)
		piece := b[v.pos : v.pos+n]
		v.pos += n
		switch {
		case what == nothing:
			return "", false
		case x.echo != EchoOff && bytes.Equal(bytes.TrimFunc(piece, padding), bytes.TrimFunc(x.ask.Send, padding)):
			// The question itself.
		case what == damaged:
			v.damaged++
		case what == noise:
			v.wrong, v.last = v.wrong+1, characters(piece)
		case len(text) > 0:
			s := characters(text)
			if x.ask.Pattern.Matches(s) {
				return s, true
			}
			v.wrong, v.last = v.wrong+1, s
		}
	}
	return "", false
}

func padding(r rune) bool { return r < 0x80 && isPadding(byte(r)) }

// forget starts again with an empty stream, in which no echo is expected.
func (x *exchange) forget() {
	x.decided, x.echoed = true, false
	x.plain, x.behind = view{}, view{}
}

// pending returns how many bytes of b are not dealt with.
func (x *exchange) pending(b []byte) int { return len(b) - x.verdict().pos }

// verdict is the view that says what came.
func (x *exchange) verdict() *view {
	if x.echoed {
		return &x.behind
	}
	return &x.plain
}

func (x *exchange) damaged() int { return x.verdict().damaged }

// outcome looks a last time at what has come and says why it is no answer.
func (x *exchange) outcome(b []byte) (string, error) {
	if !x.decided {
		x.decided = true // an echo that broke off
	}
	if text, ok := x.walk(b, true); ok {
		return text, nil
	}
	v := x.verdict()
	switch {
	case v.damaged > 0:
		return "", ErrBadChecksum
	case v.wrong > 0:
		return "", fmt.Errorf("%w: the pattern does not match %.60q", ErrWrongAnswer, v.last)
	case x.pending(b) > 0:
		return "", fmt.Errorf("%w: %d bytes came, but not the end: %.60q", ErrTimeout, x.pending(b), b[v.pos:])
	}
	return "", ErrTimeout
}
