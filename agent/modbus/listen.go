package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"loadscribe/agent/modbus/frame"
)

// Heard is a read that another master has made, with the answer it got.
type Heard struct {
	Unit    byte
	Request frame.ReadRequest
	// Payload is the answer's data bytes, as of Client.Read; the caller's.
	Payload []byte
	// At is when the last bytes of the answer came.
	At time.Time
}

// ListenStats counts what a Listener has heard.
type ListenStats struct {
	Bytes uint64 // that came
	// Requests counts whole requests, repeated ones and writes included.
	Requests uint64
	// Answers counts what Next has returned.
	Answers uint64
	// Refused counts exceptions, Unpaired whole answers to nothing that was
	// asked, Doubtful answers left out because they may belong to another
	// request.
	Refused, Unpaired, Doubtful uint64
	// Skipped counts bytes that are part of no frame, or found no room.
	Skipped uint64
	// LastAsked says in words what was asked last: "unit 3 is asked for
	// holding registers 0-9". Empty before the first request.
	LastAsked string
}

// Listener takes the reads of another master from a serial line and sends
// nothing: it holds the line's reading end alone. It is for one goroutine; only
// Close may be called from another.
type Listener struct {
	link  io.ReadCloser
	ascii bool
	rx    *receiver
	timer *time.Timer
	in    []byte
	stats ListenStats

	asked overheard                  // the last request while it is open; no unit: none
	held  *Heard                     // an answer that may be a request just as well: asked
	lost  map[byte]frame.ReadRequest // by unit: a read that had no answer before the next
}

// overheard is a request of the other master.
type overheard struct {
	unit     byte // 0: none
	function byte
	req      frame.ReadRequest // of reads
}

func (o *overheard) reads() bool { return o.unit != 0 && o.req.Function != 0 }

// NewListener starts to listen on link, which it owns from then on: Close
// closes it. The framing is RTU or ASCII.
func NewListener(link io.ReadCloser, framing Framing) *Listener {
	l := newListener(newReceiver(link), framing)
	l.link = link
	return l
}

func newListener(rx *receiver, framing Framing) *Listener {
	l := &Listener{ascii: framing == ASCII, rx: rx, timer: time.NewTimer(time.Hour), lost: map[byte]frame.ReadRequest{}}
	l.timer.Stop()
	return l
}

// ListenFirst listens to the line for d, during which the Client asks nothing
// and sends nothing, and returns what it heard: requests are another master's.
// It is for RTU and ASCII. The error is the context's, or wraps ErrLineLost.
func (c *Client) ListenFirst(ctx context.Context, d time.Duration) (ListenStats, error) {
	select {
	case c.turn <- struct{}{}:
	case <-ctx.Done():
		return ListenStats{}, ctx.Err()
	}
	defer func() { <-c.turn }()
	l := newListener(c.rx, c.cfg.Framing)
	limited, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	for {
		_, err := l.Next(limited)
		switch {
		case ctx.Err() != nil:
			return l.Stats(), ctx.Err()
		case limited.Err() != nil:
			return l.Stats(), nil
		case err != nil:
			return l.Stats(), c.lose(err)
		}
	}
}

// Next waits for the next read that was answered. The error is the context's,
// or wraps ErrLineLost.
func (l *Listener) Next(ctx context.Context) (Heard, error) {
	for {
		before := len(l.in)
		l.in = l.rx.take(l.in)
		l.stats.Bytes += uint64(len(l.in) - before)
		if h := l.walk(); h != nil {
			l.stats.Answers++
			return *h, nil
		}
		err := l.rx.wait(ctx, l.timer, time.Now().Add(time.Hour))
		switch {
		case err == nil, errors.Is(err, deadlineError{}):
		case ctx.Err() != nil && errors.Is(err, ctx.Err()):
			return Heard{}, err
		default:
			return Heard{}, fmt.Errorf("%w: %w", ErrLineLost, err)
		}
	}
}

// Stats returns what was heard so far.
func (l *Listener) Stats() ListenStats {
	s := l.stats
	s.Skipped += l.rx.drops()
	return s
}

// Err returns nil until the link has failed or was closed.
func (l *Listener) Err() error {
	l.rx.mu.Lock()
	defer l.rx.mu.Unlock()
	if l.rx.err != nil {
		return fmt.Errorf("%w: %w", ErrLineLost, l.rx.err)
	}
	return nil
}

// Close closes the link and ends a Next that waits. It returns within a bound
// even where the link does not let go.
func (l *Listener) Close() error {
	l.rx.fail(errClosed)
	err := l.link.Close()
	timer := time.NewTimer(closeBudget)
	defer timer.Stop()
	select {
	case <-l.rx.done:
	case <-timer.C:
		err = errors.Join(err, fmt.Errorf("close: the port has not let go within %v and is left behind", closeBudget))
	}
	return err
}

// walk deals with the frames in the input until one of them is an answer.
func (l *Listener) walk() *Heard {
	if l.ascii {
		return l.walkASCII()
	}
	return l.walkRTU()
}

// walkRTU finds frames by the length that their own head gives and their CRC.
// What cannot begin a frame is stepped over byte by byte once a frame is found
// behind it.
func (l *Listener) walkRTU() *Heard {
	for o := 0; o < len(l.in); {
		n := l.frameAt(l.in[o:])
		if n > len(l.in)-o {
			break // the answer that is due is under way
		}
		if n == 0 {
			o++
			continue
		}
		l.stats.Skipped += uint64(o)
		unit, pdu := l.in[o], l.in[o+1:o+n-2]
		h := l.take(unit, pdu)
		l.in = append(l.in[:0], l.in[o+n:]...)
		if h != nil {
			return h
		}
		o = 0
	}
	if old := len(l.in) - frame.MaxRTU; old > 0 { // too old to begin a frame that is not whole yet
		l.stats.Skipped += uint64(old)
		l.in = append(l.in[:0], l.in[old:]...)
	}
	return nil
}

// frameAt returns the length of the frame that rest begins with, 0 where there
// is none (yet). More than there is means that rest begins like the answer that
// is due. A head can be read as a request and as an answer: both are tried,
// the answer that is due first, and the CRC decides.
func (l *Listener) frameAt(rest []byte) int {
	if n := l.dueLength(rest); n > len(rest) || n > 0 && frame.ValidRTU(rest[:n]) {
		return n
	}
	if n, ok := frame.RTURequestLength(rest); ok && n <= min(len(rest), frame.MaxRTU) && frame.ValidRTU(rest[:n]) {
		if _, proper := requestOf(rest[0], rest[1:n-2]); proper {
			return n
		}
	}
	n, ok := frame.RTUResponseLength(rest)
	if len(rest) >= 2 && (rest[1] == writeCoils || rest[1] == writeRegisters) {
		n, ok = 8, true
	}
	if ok && n <= len(rest) && frame.ValidRTU(rest[:n]) {
		return n
	}
	return 0
}

// dueLength returns how long the answer to the open read is, if rest begins
// like it, else 0.
func (l *Listener) dueLength(rest []byte) int {
	if !l.asked.reads() || len(rest) < 2 || rest[0] != l.asked.unit {
		return 0
	}
	switch count := l.asked.req.ByteCount(); {
	case rest[1] == l.asked.function|0x80:
		return 5
	case rest[1] == l.asked.function && len(rest) >= 3 && int(rest[2]) == count:
		return 5 + count
	}
	return 0
}
