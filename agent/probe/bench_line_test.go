package probe

import (
	"context"
	"encoding/binary"
	"math/rand/v2"
	"net"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// benchLine is a serial line in memory with one device. Where the port's
// settings are not the device's, what comes is garbled, as on a wire: nothing,
// a few bytes, or a broken answer.
type benchLine struct {
	setting modbus.Serial
	unit    byte
	late    time.Duration // before each answer
	answer  func(n int, pdu []byte) []byte
	// spoil changes the frame of the n-th answer; nil leaves it.
	spoil func(n int, adu []byte) []byte
	// talk is sent by somebody else, with the device's settings, each period.
	talk   []byte
	period time.Duration

	seed  uint64
	wait  sync.WaitGroup
	mu    sync.Mutex // protects asked
	asked int        // requests that came, whole or garbled
}

func (b *benchLine) line() Line {
	return Line{Name: "bench", Framing: modbus.RTU, Serial: true, Open: b.open}
}

func (b *benchLine) open(_ context.Context, _ string, s modbus.Serial) (modbus.Link, error) {
	near, far := net.Pipe()
	b.seed++
	random := rand.New(rand.NewPCG(b.seed, 7))
	b.wait.Go(func() { b.serve(far, s, random) })
	if b.talk != nil {
		b.wait.Go(func() {
			for {
				time.Sleep(b.period)
				said := b.talk
				if s != b.setting {
					said = garble(random, said)
				}
				if _, err := far.Write(said); err != nil {
					return
				}
			}
		})
	}
	return near, nil
}

func (b *benchLine) serve(far net.Conn, s modbus.Serial, random *rand.Rand) {
	var chunk [300]byte
	for {
		n, err := far.Read(chunk[:])
		if err != nil {
			return
		}
		b.mu.Lock()
		b.asked++
		nth := b.asked
		b.mu.Unlock()
		unit, pdu, err := frame.DecodeRTU(chunk[:n])
		if err != nil || unit != b.unit {
			continue
		}
		pdu = b.answer(nth, pdu)
		if pdu == nil {
			continue
		}
		adu := frame.AppendRTU(nil, unit, pdu)
		if s != b.setting {
			adu = garble(random, adu)
		}
		if b.spoil != nil {
			adu = b.spoil(nth, adu)
		}
		time.Sleep(b.late)
		if len(adu) > 0 {
			if _, err := far.Write(adu); err != nil {
				return
			}
		}
	}
}

// garble is what a port with other settings makes of bytes.
func garble(random *rand.Rand, adu []byte) []byte {
	switch random.IntN(3) {
	case 0:
		return nil
	case 1:
		out := make([]byte, 1+random.IntN(7))
		for i := range out {
			out[i] = byte(random.Uint32())
		}
		return out
	}
	out := append([]byte(nil), adu...)
	for i := range out {
		out[i] = out[i]<<1 | byte(random.IntN(2))
	}
	return out
}

// registers answers reads of the given words from address 0 on and refuses all else.
func registers(words ...uint16) func(int, []byte) []byte {
	return func(_ int, pdu []byte) []byte {
		req, err := frame.ParseReadRequest(pdu)
		switch {
		case err != nil:
			return frame.AppendException(nil, pdu[0], byte(frame.IllegalFunction))
		case int(req.Address)+int(req.Quantity) > len(words):
			return frame.AppendException(nil, pdu[0], byte(frame.IllegalDataAddress))
		}
		var data []byte
		for _, w := range words[req.Address : req.Address+req.Quantity] {
			data = binary.BigEndian.AppendUint16(data, w)
		}
		return frame.AppendReadResponse(nil, req.Function, data)
	}
}
