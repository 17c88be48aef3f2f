package modbus

import (
	"bytes"
	"errors"
	"fmt"

	"loadscribe/agent/modbus/frame"
)

// The write functions that another master may send; they are known here only
// so that their frames are stepped over whole.
const (
	writeCoil      = 0x05
	writeRegister  = 0x06
	writeCoils     = 0x0F
	writeRegisters = 0x10
	lastUnit       = 247 // of a serial line
)

// requestOf reads pdu as a request to unit. Reads must be legal; that leaves
// few bytes that are an answer and a request.
func requestOf(unit byte, pdu []byte) (overheard, bool) {
	o := overheard{unit: unit, function: pdu[0]}
	if unit > lastUnit {
		return o, false
	}
	switch pdu[0] {
	case writeCoil, writeRegister:
		return o, len(pdu) == 5
	case writeCoils, writeRegisters:
		return o, len(pdu) > 6 && len(pdu) == 6+int(pdu[5])
	}
	req, err := frame.ParseReadRequest(pdu)
	o.req = req
	return o, err == nil && unit != 0 // nobody would answer
}

// String says what is asked of whom.
func (o *overheard) String() string {
	if o.reads() {
		return fmt.Sprintf("unit %d is asked for %s", o.unit, o.req)
	}
	if o.unit == 0 {
		return fmt.Sprintf("all units are written to (function %02X)", o.function)
	}
	return fmt.Sprintf("unit %d is written to (function %02X)", o.unit, o.function)
}

// take deals with one whole frame and returns the read that it completes, if
// any.
//
// An answer to a read of 17 to 24 bits has eight bytes and can be a legal
// request for bits from 0300 on, and the other way round. Such a frame is held
// until the next one tells: a request follows an answer, an answer a request.
func (l *Listener) take(unit byte, pdu []byte) *Heard {
	asks, isRequest := requestOf(unit, pdu)
	payload, fits, refuses := l.answers(unit, pdu)
	if held := l.held; held != nil {
		l.held = nil
		switch {
		case (fits || refuses) && !isRequest:
			l.lost[held.Unit] = held.Request // it was a request: the one before had no answer
		case isRequest && !fits:
			l.request(asks)
			return held
		default:
			l.stats.Doubtful++
			l.asked = overheard{}
			if isRequest {
				l.request(asks)
			}
			return nil
		}
	}
	switch {
	case fits:
		return l.answer(payload, asks, isRequest)
	case refuses:
		l.stats.Refused++
		delete(l.lost, unit)
		l.asked = overheard{}
	case l.confirms(unit, pdu):
		l.asked = overheard{}
	case isRequest:
		if l.asked.reads() {
			l.lost[l.asked.unit] = l.asked.req
		}
		l.request(asks)
	default:
		l.stats.Unpaired++
		l.asked = overheard{}
	}
	return nil
}

// answers reports whether a frame answers the open read, with data or with an
// exception.
func (l *Listener) answers(unit byte, pdu []byte) (payload []byte, fits, refuses bool) {
	if !l.asked.reads() || unit != l.asked.unit {
		return nil, false, false
	}
	payload, err := frame.ParseReadResponse(l.asked.req, pdu)
	var exception frame.Exception
	return payload, err == nil, errors.As(err, &exception)
}

// confirms reports whether a frame is the answer to the open write: the same
// again for a single one, five bytes for several.
func (l *Listener) confirms(unit byte, pdu []byte) bool {
	return l.asked.unit == unit && !l.asked.reads() && l.asked.function == pdu[0]&0x7F && len(pdu) <= 5
}

func (l *Listener) request(asks overheard) {
	l.stats.Requests++
	l.stats.LastAsked = asks.String()
	l.asked = asks
}

// answer closes the open read. Where the read before it had the same shape, was
// for other registers and had no answer, this may be that one's, late: it is
// left out.
func (l *Listener) answer(payload []byte, asks overheard, isRequest bool) *Heard {
	h := &Heard{Unit: l.asked.unit, Request: l.asked.req, Payload: bytes.Clone(payload), At: l.rx.lastByte()}
	before, unanswered := l.lost[h.Unit]
	delete(l.lost, h.Unit)
	late := unanswered && before != h.Request &&
		before.Function == h.Request.Function && before.ByteCount() == h.Request.ByteCount()
	l.asked = overheard{}
	if isRequest {
		l.asked = asks
	}
	switch {
	case late:
		l.stats.Doubtful++
		return nil
	case isRequest:
		l.held = h
		return nil
	}
	return h
}

// walkASCII finds frames between colon and CR LF.
func (l *Listener) walkASCII() *Heard {
	var decoded [frame.MaxASCII / 2]byte
	drop := func(n int) { l.in = append(l.in[:0], l.in[n:]...) }
	for {
		colon := bytes.IndexByte(l.in, ':')
		if colon < 0 {
			colon = len(l.in)
		}
		l.stats.Skipped += uint64(colon)
		drop(colon)
		end := bytes.IndexByte(l.in, '\n') + 1
		next := bytes.IndexByte(l.in[min(1, len(l.in)):], ':') + 1
		switch {
		case next > 0 && (end == 0 || next < end): // a colon begins anew
			l.stats.Skipped += uint64(next)
			drop(next)
			continue
		case end == 0 && len(l.in) > frame.MaxASCII:
			l.stats.Skipped++
			drop(1)
			continue
		case end == 0:
			return nil
		}
		unit, pdu, err := frame.DecodeASCII(decoded[:0], l.in[:end])
		if err != nil {
			l.stats.Skipped += uint64(end)
			drop(end)
			continue
		}
		h := l.take(unit, pdu)
		drop(end)
		if h != nil {
			return h
		}
	}
}
