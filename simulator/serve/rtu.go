package serve

import (
	"context"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"

	"loadscribe/agent/modbus/frame"
)

const (
	// pieceTime is how much line time one write to a paced line covers.
	pieceTime = 2 * time.Millisecond
	// leastSilence ends a broken request: no shorter, because a pty and a busy
	// computer deliver one request in pieces with pauses of their own.
	leastSilence = 30 * time.Millisecond
)

// RTUCounts is what a serial line saw.
type RTUCounts struct {
	Answered    uint64
	OtherUnit   uint64 // good requests for units that are not on the line
	BadRequests uint64 // noise, broken frames and wrong checksums
}

// RTULine answers Modbus RTU, or ASCII, for all units of a Target on one line.
type RTULine struct {
	target   Target
	injector *Injector
	baud     int
	echo     bool
	ascii    bool
	socket   bool // a connection, which can be dropped

	mu     sync.Mutex // guards counts
	counts RTUCounts
}

// NewRTULine makes a line. Answers are paced to baud; 0 sends them at once.
// injector may be nil.
func NewRTULine(target Target, baud int, injector *Injector) *RTULine {
	return &RTULine{target: target, injector: injector, baud: baud}
}

// Echo makes the line give back each request that it answers, as some RS-485
// adapters do. Call it before Serve.
func (l *RTULine) Echo() { l.echo = true }

// Counts is what the line saw so far.
func (l *RTULine) Counts() RTUCounts {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.counts
}

func (l *RTULine) count(add func(*RTUCounts)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	add(&l.counts)
}

// ServeRTU answers Modbus RTU on rw, paced to baud, until ctx ends (nil) or rw
// breaks (the error). It closes rw. injector may be nil.
func ServeRTU(ctx context.Context, rw io.ReadWriteCloser, baud int, target Target, injector *Injector) error {
	return NewRTULine(target, baud, injector).Serve(ctx, rw)
}

// Serve is ServeRTU for this line; one call at a time.
func (l *RTULine) Serve(ctx context.Context, rw io.ReadWriteCloser) error {
	ctx, cancel := context.WithCancel(ctx)
	received := make(chan []byte)
	broken := make(chan error, 1)
	var wait sync.WaitGroup
	wait.Go(func() { broken <- readPieces(ctx, rw, received) })
	defer wait.Wait()
	defer rw.Close() // frees the blocked Read
	defer cancel()

	silence := time.NewTimer(time.Hour)
	silence.Stop()
	defer silence.Stop()
	var pending []byte
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-broken:
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("simulate: read the line: %w", err)
		case <-silence.C:
			if len(pending) > 0 {
				l.count(func(c *RTUCounts) { c.BadRequests++ })
				pending = pending[:0]
			}
		case piece := <-received:
			pending = append(pending, piece...)
			var err error
			if pending, err = l.take(ctx, rw, pending); err != nil {
				if ctx.Err() != nil {
					return nil
				}
				return fmt.Errorf("simulate: write to the line: %w", err)
			}
			if l.ascii {
				silence.Reset(asciiSilence)
			} else {
				silence.Reset(max(leastSilence, 2*frame.Gap(l.baud)))
			}
		}
	}
}

// readPieces hands on what comes until the line breaks or ctx ends. A read of
// nothing without an error (a timeout of some ports) is read again.
func readPieces(ctx context.Context, r io.Reader, received chan<- []byte) error {
	for {
		buffer := make([]byte, frame.MaxRTU)
		n, err := r.Read(buffer)
		if n > 0 {
			select {
			case received <- buffer[:n]:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
}

// take answers the whole requests that pending begins with and returns the
// rest. Bytes that cannot begin a request are thrown away up to the next
// silence, as a real device does.
func (l *RTULine) take(ctx context.Context, w io.Writer, pending []byte) ([]byte, error) {
	if l.ascii {
		return l.takeASCII(ctx, w, pending)
	}
	for {
		n, ok := frame.RTURequestLength(pending)
		if n == 0 || n > frame.MaxRTU {
			return pending[:min(len(pending), frame.MaxRTU)], nil
		}
		if !ok || len(pending) < n {
			return pending, nil
		}
		unit, pdu, err := frame.DecodeRTU(pending[:n])
		if err != nil {
			return pending[:min(len(pending), frame.MaxRTU)], nil
		}
		if err := l.reply(ctx, w, unit, pdu, n, rtuFrame); err != nil {
			return nil, err
		}
		pending = append(pending[:0], pending[n:]...)
	}
}

// reply answers a request of n characters, if its unit is here.
func (l *RTULine) reply(ctx context.Context, w io.Writer, unit byte, pdu []byte, n int, frameOf framing) error {
	answer, here := l.target.Answer(unit, pdu)
	if !here || len(answer) == 0 {
		l.count(func(c *RTUCounts) { c.OtherUnit++ })
		return nil
	}
	l.count(func(c *RTUCounts) { c.Answered++ })
	// The request took its time on the wire too, and t3.5 ends it.
	lead := frame.TransmitTime(l.baud, n) + frame.Gap(l.baud)
	if !pause(ctx, lead) {
		return ctx.Err()
	}
	r := l.injector.damage(unit, answer, frameOf, medium{serial: true, socket: l.socket, echo: l.echo}, 0)
	if err := l.sendEcho(w, frameOf(unit, pdu), r); err != nil {
		return err
	}
	if r.closeSocket {
		return errHungUp
	}
	return sendPaced(ctx, w, l.baud, r)
}

// sendEcho gives a request back, where the line does that.
func (l *RTULine) sendEcho(w io.Writer, request []byte, r reply) error {
	if !l.echo {
		return nil
	}
	if i := r.echoLacks; i > 0 {
		request = slices.Delete(request, i-1, i)
	}
	_, err := w.Write(request)
	return err
}

func rtuFrame(unit byte, pdu []byte) []byte { return frame.AppendRTU(nil, unit, pdu) }

// sendPaced sends a reply no faster than baud; 0 sends it at once.
func sendPaced(ctx context.Context, w io.Writer, baud int, r reply) error {
	if r.silentForever {
		return nil
	}
	if !pause(ctx, r.before) {
		return ctx.Err()
	}
	if err := writePaced(ctx, w, baud, r.first); err != nil || len(r.second) == 0 {
		return err
	}
	if !pause(ctx, r.between) {
		return ctx.Err()
	}
	return writePaced(ctx, w, baud, r.second)
}

func writePaced(ctx context.Context, w io.Writer, baud int, b []byte) error {
	if baud <= 0 {
		_, err := w.Write(b)
		return err
	}
	piece := max(1, int(pieceTime/frame.CharTime(baud)))
	begun := time.Now()
	for sent := 0; sent < len(b); {
		n := min(piece, len(b)-sent)
		// A character is there when its last bit is.
		if !pause(ctx, time.Until(begun.Add(frame.TransmitTime(baud, sent+n)))) {
			return ctx.Err()
		}
		if _, err := w.Write(b[sent : sent+n]); err != nil {
			return err
		}
		sent += n
	}
	return nil
}
