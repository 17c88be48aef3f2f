package modbus

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"loadscribe/agent/modbus/frame"
)

// exchange is one of the other master's reads in the long test below.
type exchange struct {
	unit    byte
	req     frame.ReadRequest
	payload []byte
	whole   bool // request and answer came undamaged
}

// talk makes a seeded conversation of n reads to three units in which a share
// of the frames is damaged.
func talk(seed uint64, framing Framing, n int, share float64) (stream []byte, all []exchange) {
	r := rand.New(rand.NewPCG(seed, 7))
	wrap := func(unit byte, pdu []byte) []byte {
		if framing == ASCII {
			return frame.AppendASCII(nil, unit, pdu)
		}
		return frame.AppendRTU(nil, unit, pdu)
	}
	harm := func(adu []byte) ([]byte, bool) {
		if r.Float64() >= share {
			return adu, true
		}
		switch r.IntN(4) {
		case 0:
			return nil, false // lost
		case 1:
			return adu[:1+r.IntN(len(adu)-1)], false // torn
		case 2:
			i := r.IntN(len(adu))
			adu[i] ^= 1 << r.IntN(7)
			return adu, false
		default: // noise before it
			return append([]byte{byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32())}, adu...), false
		}
	}
	for i := range n {
		e := exchange{unit: byte(1 + r.IntN(3)), req: frame.ReadRequest{Function: byte(1 + r.IntN(4)),
			Address: uint16(r.IntN(1000)), Quantity: uint16(1 + r.IntN(60))}}
		e.payload = make([]byte, e.req.ByteCount())
		for k := range e.payload {
			e.payload[k] = byte(r.Uint32())
		}
		if len(e.payload) >= 4 { // tells each answer from every other
			copy(e.payload, []byte{byte(i >> 24), byte(i >> 16), byte(i >> 8), byte(i)})
		}
		ask, askWhole := harm(wrap(e.unit, e.req.AppendPDU(nil)))
		answer, answerWhole := harm(wrap(e.unit, frame.AppendReadResponse(nil, e.req.Function, e.payload)))
		stream = append(stream, ask...)
		if askWhole || len(ask) > 0 && r.IntN(2) == 0 { // a device ignores most damaged requests
			stream = append(stream, answer...)
		} else {
			answerWhole = false
		}
		e.whole = askWhole && answerWhole
		all = append(all, e)
	}
	return stream, all
}

// With one frame in twenty damaged, nothing wrong is heard, and every whole
// exchange but the one behind a damaged one is.
func TestListenerInNoise(t *testing.T) {
	for _, framing := range []Framing{RTU, ASCII} {
		for seed := range uint64(6) {
			stream, all := talk(seed, framing, 3000, 0.05)
			r := rand.New(rand.NewPCG(seed, 9))
			var chunks [][]byte
			for rest := stream; len(rest) > 0; {
				n := min(1+r.IntN(40), len(rest))
				chunks, rest = append(chunks, rest[:n]), rest[n:]
			}
			heard, stats := overhear(t, framing, chunks...)
			at, missed, due := 0, 0, 0
			for i, e := range all {
				sure := e.whole && (i == 0 || all[i-1].whole)
				if sure {
					due++
				}
				if at < len(heard) && heard[at].Unit == e.unit && heard[at].Request == e.req && bytes.Equal(heard[at].Payload, e.payload) {
					at++
				} else if sure {
					missed++
				}
			}
			if at != len(heard) {
				t.Errorf("%v seed %d: heard %+v, which nobody said then", framing, seed, heard[at])
			}
			// What may be an earlier one's late answer, or a request, is left out.
			if missed > due/200 || due < 2000 {
				t.Errorf("%v seed %d: %d of %d whole exchanges missed (%+v)", framing, seed, missed, due, stats)
			}
		}
	}
}

// FuzzListener: no bytes make it panic, keep more than a few frames, or give an
// answer that does not fit its request.
func FuzzListener(f *testing.F) {
	f.Add(conversation(RTU, "03 03 0028 0004", "03 03 08 0001 0002 0003 0004"), false)
	f.Add(conversation(RTU, "03 01 0000 0018", "03 01 03 01 00 05", "03 01 01 1F", "03 10 0000 0001 02 0003"), false)
	f.Add(conversation(ASCII, "03 03 0028 0004", "03 03 08 0001 0002 0003 0004"), true)
	f.Fuzz(func(t *testing.T, b []byte, ascii bool) {
		framing := RTU
		if ascii {
			framing = ASCII
		}
		l := NewListener(mute{ended(), t}, framing)
		defer l.Close()
		for len(b) > 0 {
			n := min(64, len(b))
			l.in, b = append(l.in, b[:n]...), b[n:]
			for h := l.walk(); h != nil; h = l.walk() {
				if h.Request.Check() != nil || len(h.Payload) != h.Request.ByteCount() || h.Unit == 0 {
					t.Fatalf("heard %+v", h)
				}
			}
			if len(l.in) > frame.MaxASCII+64 {
				t.Fatalf("%d bytes kept", len(l.in))
			}
		}
	})
}
