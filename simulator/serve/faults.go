package serve

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"
)

// Fault is one way to damage an answer.
type Fault uint8

// The faults. On TCP a flipped bit lies in the header, because nothing would
// tell it in the data; on a serial line a dropped socket cannot happen.
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
	NumFaults
)

// String is the fault's word.
func (f Fault) String() string {
	words := [NumFaults]string{"none", "silence", "late", "wrong unit", "garbage", "torn", "flipped", "refused", "dropped"}
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

// draw decides on the next answer and gives a random number for its details.
func (i *Injector) draw(serial bool) (Fault, uint64) {
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
	if serial && chosen == Dropped {
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
}

// damage turns an answer into what is sent. flipBits is how many leading bits
// of the frame a flipped bit may lie in, 0: the whole frame.
func (i *Injector) damage(unit byte, pdu []byte, frame framing, serial bool, flipBits int) reply {
	fault, detail := i.draw(serial)
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
	}
	return reply{first: frame(unit, pdu)}
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
