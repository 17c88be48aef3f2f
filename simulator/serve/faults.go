package serve

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// Fault is one way to damage an answer.
type Fault uint8

// The faults. On Modbus TCP a flipped bit lies in the header, because nothing
// would tell it in the data, and nothing is put into a frame or lost from it;
// on a port no socket can be dropped, and where a line has no echo none can be
// hurt. A fault that cannot happen leaves the answer alone.
const (
	NoFault   Fault = iota
	Silence         // no answer
	Late            // the answer comes Late.By too late
	WrongUnit       // another unit's id on the answer
	Garbage         // one byte before the answer
	Torn            // half the answer, a pause of By, the rest
	Flipped         // one bit of the frame
	Refused         // exception 04 or 06 instead
	Dropped         // the socket is closed without an answer
	Inside          // one byte too many within the frame
	After           // one byte behind the frame
	Truncated       // the frame breaks off
	Lost            // one byte of the frame is lost
	EchoLost        // one byte of the request's echo is lost
	NumFaults
)

// String is the fault's word.
func (f Fault) String() string {
	words := [NumFaults]string{"none", "silence", "late", "wrong unit", "garbage", "torn", "flipped", "refused", "dropped",
		"inside", "after", "truncated", "lost", "echo lost"}
	if f >= NumFaults {
		return fmt.Sprintf("fault(%d)", uint8(f))
	}
	return words[f]
}

// Faults says how often each fault happens.
type Faults struct {
	Seed uint64
	// Share is the share of answers with each fault, 0 to 1, together at most
	// 1; Share[NoFault] is not used.
	Share [NumFaults]float64
	// By is how late Late is and how long Torn pauses; 0: 1500 ms.
	By time.Duration
}

// Injector damages answers as Faults says, counting what it does. One may be
// shared by several servers. A nil Injector does nothing.
type Injector struct {
	faults Faults

	mu     sync.Mutex // guards what follows
	random *rand.Rand
	counts [NumFaults]uint64
	forced []Fault // what the next answers suffer, before chance decides
}

// NewInjector checks the shares.
func NewInjector(f Faults) (*Injector, error) {
	sum := 0.0
	for fault, share := range f.Share {
		if !(share >= 0 && share <= 1) {
			return nil, fmt.Errorf("faults: %s: share %g is not within 0 and 1", Fault(fault), share)
		}
		if fault != int(NoFault) {
			sum += share
		}
	}
	if sum > 1+1e-9 {
		return nil, fmt.Errorf("faults: the shares add up to %g, more than 1", sum)
	}
	if f.By == 0 {
		f.By = 1500 * time.Millisecond
	}
	return &Injector{faults: f, random: rand.New(rand.NewPCG(f.Seed, 0x6c6f6164))}, nil
}

// Counts is what was injected so far; Counts()[NoFault] is the answers that
// were left alone.
func (i *Injector) Counts() [NumFaults]uint64 {
	if i == nil {
		return [NumFaults]uint64{}
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.counts
}

// Force makes the next answers suffer these faults, in this order; NoFault
// leaves one alone. Behind them chance decides again.
func (i *Injector) Force(faults ...Fault) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.forced = append(i.forced, faults...)
}

// medium is what an answer travels on: a serial line, a socket, or the one
// behind the other. A line may give back what is sent.
type medium struct{ serial, socket, echo bool }

// suffers reports whether a fault can happen on the medium.
func (m medium) suffers(f Fault) bool {
	switch f {
	case Dropped:
		return m.socket
	case Inside, After, Truncated, Lost:
		return m.serial
	case EchoLost:
		return m.echo
	}
	return true
}

// draw decides on the next answer and gives a random number for its details.
func (i *Injector) draw(on medium) (Fault, uint64) {
	if i == nil {
		return NoFault, 0
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	x, detail := i.random.Float64(), i.random.Uint64()
	chosen := NoFault
	for f := Silence; f < NumFaults; f++ {
		if x -= i.faults.Share[f]; x < 0 {
			chosen = f
			break
		}
	}
	if len(i.forced) > 0 {
		chosen, i.forced = i.forced[0], i.forced[1:]
	}
	if !on.suffers(chosen) {
		chosen = NoFault
	}
	i.counts[chosen]++
	return chosen, detail
}

// by is the pause of Late and Torn.
func (i *Injector) by() time.Duration { return i.faults.By }

// framing builds the frame of an answer.
type framing func(unit byte, pdu []byte) []byte

// reply is an answer ready to send: first, then after a pause second.
type reply struct {
	before        time.Duration // pause before first
	first         []byte
	between       time.Duration
	second        []byte
	closeSocket   bool
	silentForever bool
	echoLacks     int // the echo loses its byte of this number, from 1; 0: none
}

// damage turns an answer into what is sent. flipBits is how many leading bits
// of the frame a flipped bit may lie in, 0: the whole frame.
func (i *Injector) damage(unit byte, pdu []byte, frame framing, on medium, flipBits int) reply {
	fault, detail := i.draw(on)
	switch fault {
	case Silence:
		return reply{silentForever: true}
	case Late:
		return reply{before: i.by(), first: frame(unit, pdu)}
	case WrongUnit:
		return reply{first: frame(unit+1+byte(detail%200), pdu)}
	case Garbage:
		return reply{first: append([]byte{byte(detail)}, frame(unit, pdu)...)}
	case Torn:
		whole := frame(unit, pdu)
		cut := 1 + int(detail%uint64(len(whole)-1))
		return reply{first: whole[:cut], between: i.by(), second: whole[cut:]}
	case Flipped:
		whole := frame(unit, pdu)
		if flipBits == 0 {
			flipBits = 8 * len(whole)
		}
		bit := detail % uint64(flipBits)
		whole[bit/8] ^= 1 << (bit % 8)
		return reply{first: whole}
	case Refused:
		code := byte(0x04)
		if detail&1 == 1 {
			code = 0x06
		}
		return reply{first: frame(unit, []byte{pdu[0] | 0x80, code})}
	case Dropped:
		return reply{closeSocket: true}
	case EchoLost:
		return reply{first: frame(unit, pdu), echoLacks: 1 + int(detail%8)} // a read request has 8 bytes
	case NoFault:
		return reply{first: frame(unit, pdu)}
	}
	return reply{first: reshape(fault, detail, frame(unit, pdu))}
}

// reshape gives a frame one byte too many or too few.
func reshape(fault Fault, detail uint64, whole []byte) []byte {
	noise, at := byte(detail), int(detail>>8%uint64(len(whole)-1)) // at is before the last byte
	switch fault {
	case Inside:
		return slices.Insert(whole, 1+at, noise)
	case After:
		return append(whole, noise)
	case Truncated:
		return whole[:1+at]
	case Lost:
		return slices.Delete(whole, at, at+1)
	}
	return whole
}

// pause waits, and reports whether ctx is still alive.
func pause(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}
