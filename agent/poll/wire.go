package poll

import (
	"context"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/textline"
)

// wire is the Reader and TextReader of one exchange with one device.
type wire struct {
	line    *line
	unit    *unit
	timeout time.Duration
	chars   time.Duration // what the characters of the last exchange took
	again   bool          // the same is asked once more
	last    frame.ReadRequest

	err   error // the last
	heard bool  // the device answered something
	lost  bool  // the line was lost
}

// Read implements Reader.
func (w *wire) Read(ctx context.Context, unitID byte, req frame.ReadRequest) ([]byte, error) {
	start := w.line.now()
	w.again = w.again || w.err != nil && w.last == req
	w.last = req
	w.line.asks(w)
	payload, err := w.line.client.(Client).Read(ctx, unitID, req, w.timeout)
	w.chars = w.line.onWire(len(payload))
	w.learn(reasonOf(ctx, err), err, start)
	return payload, err
}

// Ask implements TextReader.
func (w *wire) Ask(ctx context.Context, a *textline.Ask) (string, error) {
	start := w.line.now()
	w.line.asks(w)
	text, err := w.line.client.(TextClient).Ask(ctx, a, w.timeout)
	w.chars = 0 // not known before the answer is there
	w.learn(textReason(ctx, err), err, start)
	return text, err
}

// learn draws the conclusions of one question.
func (w *wire) learn(reason scan.Reason, err error, start time.Time) {
	now := w.line.now()
	w.line.life.pulse.Busy("working on an answer", 0)
	if reason != scan.AgentStopped { // what we cut short ourselves is no outcome
		w.line.book.asked(w.unit.index, reason, w.again, start, now)
	}
	w.again = false
	switch reason {
	case scan.Good, scan.Exception:
		w.heard = true
		w.line.proven = true
		w.line.book.trip(w.unit.index, now.Sub(start), w.chars)
	case scan.BadChecksum:
		w.heard = true
		w.line.book.damaged(w.unit.index)
	case scan.PortGone:
		w.lost = true
	}
	if err != nil {
		w.err = err
	}
}
