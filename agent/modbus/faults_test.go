package modbus

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus/frame"
)

// hurt returns a damaged copy of a frame; the damage never passes the checksum.
func hurt(rng *rand.Rand, framing Framing, whole []byte) []byte {
	for {
		b := bytes.Clone(whole)
		i := rng.IntN(len(b))
		switch rng.IntN(3) {
		case 0: // flipped
			b[i] ^= byte(1 + rng.IntN(255))
		case 1: // lost
			b = append(b[:i], b[i+1:]...)
		case 2: // inserted
			b = append(b[:i], append([]byte{byte(rng.IntN(256))}, b[i:]...)...)
		}
		var err error
		switch framing {
		case RTU:
			_, _, err = frame.DecodeRTU(b)
		case ASCII:
			_, _, err = frame.DecodeASCII(nil, b)
		default:
			return b
		}
		if err != nil {
			return b
		}
	}
}

// noisy makes a script that does something bad to two answers of five, until
// quiet. Late answers are late within the bound that doc.go promises to bear.
func noisy(rng *rand.Rand, framing Framing, quiet func() bool) func(int, ask, []byte) []step {
	dev := device{framing: framing}
	ms := func(n int) time.Duration { return time.Duration(rng.IntN(n)) * time.Millisecond }
	damage := func(b []byte) []byte { return hurt(rng, framing, b) }
	if framing == TCP { // TCP itself has a checksum; a server's frames come whole or not at all
		damage = func(b []byte) []byte { return nil }
	}
	var free time.Time // when all that was to be sent has been
	script := func(n int, a ask, answer []byte) []step {
		// No delay on top of a delay: together they could pass the bound.
		if quiet() || framing != TCP && time.Now().Before(free) {
			return []step{{0, answer}}
		}
		cut := 1 + rng.IntN(len(answer)-1)
		switch rng.IntN(20) {
		case 0:
			return nil
		case 1, 2:
			return []step{{ms(20), damage(answer)}}
		case 3: // late, at most by the timeout
			return []step{{rigTimeout + ms(int(rigTimeout/time.Millisecond)), answer}}
		case 4: // torn
			return []step{{ms(10), answer[:cut]}, {rigTimeout/2 + ms(int(rigTimeout/time.Millisecond)), answer[cut:]}}
		case 5: // another unit's answer first
			other := a
			other.unit, other.transaction = 7, a.transaction-1
			return []step{{0, dev.frame(other, frame.AppendReadResponse(nil, a.req.Function, payloadOf(n+7, a.req)))}, {ms(10), answer}}
		case 6: // noise first
			if framing == TCP {
				return []step{{0, answer}}
			}
			noise := make([]byte, 1+rng.IntN(12))
			for i := range noise {
				noise[i] = byte(rng.Uint32())
			}
			return []step{{0, noise}, {ms(10), answer}}
		case 7: // twice
			return []step{{ms(5), answer}, {0, answer}}
		}
		return []step{{ms(30), answer}}
	}
	return func(n int, a ask, answer []byte) []step {
		steps := script(n, a, answer)
		free = latest(free, time.Now())
		for _, s := range steps {
			free = free.Add(s.after)
		}
		return steps
	}
}

// TestFaultStream: a seeded stream of inserted, lost and flipped bytes, delays,
// noise, silence and strangers' frames never makes a read return what was not
// meant for it (the rig sees to that), and two reads after the last fault all
// is well.
func TestFaultStream(t *testing.T) {
	shapes := []frame.ReadRequest{
		register(1), register(2), registers(0x0200, 1), registers(40, 60), registers(5, 125),
		{Function: frame.ReadInputRegisters, Address: 9, Quantity: 1},
		{Function: frame.ReadCoils, Address: 3, Quantity: 12},
		{Function: frame.ReadDiscreteInputs, Address: 3, Quantity: 12},
	}
	for _, s := range setups() {
		for seed := range uint64(8) {
			t.Run(fmt.Sprintf("%s seed %d", s.name, seed), func(t *testing.T) {
				rng := rand.New(rand.NewPCG(seed, 1))
				var calm atomic.Bool
				script := noisy(rand.New(rand.NewPCG(seed, 2)), s.cfg.Framing, calm.Load)
				run(t, s.cfg, script, func(r *rig) {
					good, bad := 0, 0
					for range 60 {
						for range 10 {
							unit := byte(3 + rng.IntN(2))
							if r.read(unit, shapes[rng.IntN(len(shapes))]) == nil {
								good++
							} else {
								bad++
							}
						}
						calm.Store(true)
						r.read(3, shapes[0])
						r.read(3, shapes[0])
						r.expect("two reads after the faults", shapes[0], nil)
						calm.Store(false)
					}
					if good < 300 || bad < 30 {
						t.Errorf("%d good and %d bad reads: the faults are not what they should be", good, bad)
					}
				})
			})
		}
	}
}

// TestLineLost: an I/O error is told from a timeout, and the client stays lost.
func TestLineLost(t *testing.T) {
	for _, s := range setups() {
		t.Run(s.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				near, far := net.Pipe()
				client := NewClient(near, s.cfg)
				defer client.Close()
				go func() {
					io.ReadFull(far, make([]byte, 8))
					far.Close()
				}()
				_, err := client.Read(t.Context(), 3, register(1), rigTimeout)
				if !errors.Is(err, ErrLineLost) || !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrClosedPipe) {
					t.Errorf("got %v", err)
				}
				if client.Err() == nil {
					t.Error("Err is nil on a lost line")
				}
				if _, err := client.Read(t.Context(), 3, register(1), rigTimeout); !errors.Is(err, ErrLineLost) {
					t.Errorf("second read: %v", err)
				}
				if u := client.UnitStats(3); u.LinesLost != 1 || u.Requests != 1 {
					t.Errorf("counts %+v", u)
				}
			})
		})
	}
}

// emptyLink breaks the rule of Read: no byte, no error.
type emptyLink struct{ Link }

func (emptyLink) Read([]byte) (int, error)    { return 0, nil }
func (emptyLink) Write(p []byte) (int, error) { return len(p), nil }
func (emptyLink) Close() error                { return nil }

// TestNoProgress: a link that returns nothing for ever is lost, not spun on.
func TestNoProgress(t *testing.T) {
	client := NewClient(emptyLink{}, Config{Framing: RTU})
	defer client.Close()
	if _, err := client.Read(t.Context(), 3, register(1), time.Minute); !errors.Is(err, io.ErrNoProgress) {
		t.Error(err)
	}
}

// TestGap: between the last byte of one exchange and the first of the next lie
// t3.5 and the turnaround.
func TestGap(t *testing.T) {
	for _, baud := range []int{1200, 9600, 19200, 115200} {
		for _, turnaround := range []time.Duration{0, 30 * time.Millisecond} {
			t.Run(fmt.Sprint(baud, turnaround), func(t *testing.T) {
				run(t, Config{Framing: RTU, Baud: baud, Turnaround: turnaround}, nil, func(r *rig) {
					r.expect("first", register(1), nil)
					sentEnd := r.client.sentEnd // answered at once: later than the answer on this pipe
					start := time.Now()
					r.expect("second", register(1), nil)
					got := r.client.sentEnd.Add(-frame.TransmitTime(baud, 8)).Sub(sentEnd)
					if want := frame.Gap(baud) + turnaround; got < want || got > want+time.Millisecond {
						t.Errorf("silence of %v, want %v (read took %v)", got, want, time.Since(start))
					}
				})
			})
		}
	}
}

// TestSlowLine: at 1200 baud 125 registers take 2.3 s on the wire; the timeout
// is for the answer's beginning.
func TestSlowLine(t *testing.T) {
	script := func(_ int, _ ask, answer []byte) []step {
		all := []step{{180 * time.Millisecond, answer[:1]}}
		for i := range answer[1:] {
			all = append(all, step{frame.CharTime(1200), answer[i+1 : i+2]})
		}
		return all
	}
	run(t, Config{Framing: RTU, Baud: 1200}, script, func(r *rig) {
		r.expect("125 registers", registers(0, 125), nil)
	})
}

// TestChatter: a line that never falls silent is not waited for without end,
// and held input stays bounded.
func TestChatter(t *testing.T) {
	for _, s := range serialSetups() {
		t.Run(s.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				near, far := net.Pipe()
				client := NewClient(near, s.cfg)
				stop := make(chan struct{})
				done := make(chan struct{})
				go io.Copy(io.Discard, far)
				go func() {
					defer close(done)
					for {
						select {
						case <-stop:
							return
						case <-time.After(time.Millisecond):
							far.Write([]byte{0x55, 0xAA, ':', 3})
						}
					}
				}()
				for range 20 {
					time.Sleep(3 * time.Second)
					start := time.Now()
					if _, err := client.Read(t.Context(), 3, register(1), rigTimeout); err == nil {
						t.Fatal("noise was read as a value")
					}
					if took := time.Since(start); took > 4*rigTimeout {
						t.Fatalf("took %v", took)
					}
				}
				if st := client.Stats(); st.Overflow == 0 || st.Discarded == 0 {
					t.Errorf("counts %+v", st)
				}
				close(stop)
				client.Close()
				far.Close()
				<-done
			})
		})
	}
}

// FuzzWalk: no input makes the walk panic, or find an answer that is not in
// the input as a whole frame with its checksum.
func FuzzWalk(f *testing.F) {
	req := registers(40, 2)
	answer := frame.AppendReadResponse(nil, 3, []byte{1, 2, 3, 4})
	f.Add(frame.AppendRTU(nil, 3, answer), uint8(RTU), uint8(EchoAuto), true)
	f.Add(frame.AppendASCII(nil, 3, answer), uint8(ASCII), uint8(EchoOn), false)
	f.Add(append(frame.AppendRTU(nil, 3, req.AppendPDU(nil)), frame.AppendRTU(nil, 3, answer)...), uint8(RTU), uint8(EchoOn), true)
	f.Fuzz(func(t *testing.T, in []byte, framing, echo uint8, final bool) {
		c := &Client{cfg: Config{Framing: Framing(1 + framing%2), Echo: Echo(echo % 3)}, rx: &receiver{}, in: in}
		c.units = map[byte]*UnitStats{}
		c.frameOut(3, req)
		c.unanswered = []unanswered{{unit: 3, function: 4, byteCount: 2}}
		want := &expected{unit: 3, req: req, echo: c.cfg.Echo != EchoOff}
		pdu, err := c.walk(want, final)
		if c.pos > len(in) {
			t.Fatalf("pos %d of %d", c.pos, len(in))
		}
		if pdu == nil || err != nil {
			return
		}
		whole := frame.AppendRTU(nil, 3, pdu)
		if c.cfg.Framing == ASCII {
			whole = frame.AppendASCII(nil, 3, pdu)
		}
		if !bytes.Contains(bytes.ToUpper(in), bytes.ToUpper(whole)) {
			t.Errorf("% X is not in % X", whole, in)
		}
	})
}
