package poll

import (
	"context"
	"encoding/binary"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// reply is what a scripted device does with a request.
type reply int

const (
	answer reply = iota
	silence
	wrongUnit // answers under the next unit id
	damage    // answers with a flipped bit
	hangUp    // closes the connection
	refuse2   // exception 02
)

// scripted serves registers whose value is their address over RTU or TCP
// framing; script says what it does with each request.
type scripted struct {
	framing modbus.Framing
	mu      sync.Mutex // guards what script counts
	script  func(unit byte, req frame.ReadRequest) reply
	wg      sync.WaitGroup
}

// dial gives a client of package modbus whose other end is served here.
func (s *scripted) dial(context.Context, *sitefile.Line) (Client, error) {
	near, far := net.Pipe()
	s.wg.Go(func() { s.serve(far) })
	cfg := modbus.Config{Framing: s.framing}
	if s.framing == modbus.RTU {
		cfg.Baud = 19200
	}
	return modbus.NewClient(near, cfg), nil
}

func (s *scripted) serve(conn net.Conn) {
	defer conn.Close()
	buf := make([]byte, 512)
	for {
		n, err := conn.Read(buf) // a pipe hands over one write at a time
		if err != nil {
			return
		}
		var transaction uint16
		var unit byte
		var pdu []byte
		if s.framing == modbus.TCP {
			transaction, unit, pdu, err = frame.DecodeTCP(buf[:n])
		} else {
			unit, pdu, err = frame.DecodeRTU(buf[:n])
		}
		if err != nil {
			return
		}
		req, err := frame.ParseReadRequest(pdu)
		if err != nil {
			return
		}
		s.mu.Lock()
		does := s.script(unit, req)
		s.mu.Unlock()
		switch does {
		case silence:
			continue
		case hangUp:
			return
		case wrongUnit:
			unit++
		}
		data := s.pdu(req, does)
		var out []byte
		if s.framing == modbus.TCP {
			out = frame.AppendTCP(nil, transaction, unit, data)
		} else {
			out = frame.AppendRTU(nil, unit, data)
		}
		if does == damage {
			out[3] ^= 0x10
		}
		time.Sleep(5 * time.Millisecond)
		if _, err := conn.Write(out); err != nil {
			return
		}
	}
}

func (s *scripted) pdu(req frame.ReadRequest, does reply) []byte {
	if does == refuse2 {
		return frame.AppendException(nil, req.Function, byte(frame.IllegalDataAddress))
	}
	var payload []byte
	for i := range req.Quantity {
		payload = binary.BigEndian.AppendUint16(payload, req.Address+i)
	}
	return frame.AppendReadResponse(nil, req.Function, payload)
}

// wireTest runs a site of two units, registers 4 and 9 each at 1 s, against a
// script for d, over both framings.
func wireTest(t *testing.T, d time.Duration, script func(framing modbus.Framing) func(byte, frame.ReadRequest) reply,
	check func(*testing.T, modbus.Framing, polling)) {
	for _, framing := range []modbus.Framing{modbus.RTU, modbus.TCP} {
		t.Run(framing.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				site := siteOf(2, time.Second)
				for i := range site.Devices {
					a, b := ch("a", sitefile.Input, 4, "u16"), ch("b", sitefile.Input, 9, "u16")
					a.Every, b.Every = time.Second, time.Second
					site.Devices[i].Map.Channels = []sitefile.MapChannel{a, b}
				}
				if framing == modbus.TCP {
					site.Lines[0].Kind, site.Lines[0].Address = sitefile.ModbusTCP, "192.0.2.7:502"
				}
				s := &scripted{framing: framing, script: script(framing)}
				p := start(t, site, Options{Dial: s.dial, Random: func() float64 { return 0 }})
				time.Sleep(d - 500*time.Millisecond)
				p.stop()
				s.wg.Wait()
				check(t, framing, p)
			})
		})
	}
}

// wantGood fails unless a device has at least least scans, all of them good
// with the values served.
func wantGood(t *testing.T, p polling, device string, least int) {
	t.Helper()
	scans := p.tape.of(device, "")
	for _, s := range scans {
		if s.Reason != scan.Good || s.Quality != nil || !slices.Equal(s.Values, []int64{4, 9}) {
			t.Fatalf("%s: got %v %v %v, want good values 4 and 9", device, s.Reason, s.Values, s.Quality)
		}
	}
	if len(scans) < least {
		t.Errorf("%s: %d good scans, want at least %d", device, len(scans), least)
	}
}

func always(r reply) func(modbus.Framing) func(byte, frame.ReadRequest) reply {
	return func(modbus.Framing) func(byte, frame.ReadRequest) reply {
		return func(byte, frame.ReadRequest) reply { return r }
	}
}

func unit2(r reply) func(modbus.Framing) func(byte, frame.ReadRequest) reply {
	return func(modbus.Framing) func(byte, frame.ReadRequest) reply {
		return func(unit byte, _ frame.ReadRequest) reply {
			if unit == 2 {
				return r
			}
			return answer
		}
	}
}

func TestWireGood(t *testing.T) {
	wireTest(t, time.Minute, always(answer), func(t *testing.T, _ modbus.Framing, p polling) {
		wantGood(t, p, "u1", 60)
		wantGood(t, p, "u2", 60)
	})
}

func TestWireNeverAnswers(t *testing.T) {
	wireTest(t, 2*time.Minute, unit2(silence), func(t *testing.T, framing modbus.Framing, p polling) {
		wantGood(t, p, "u1", 114)
		c := count(p.tape.of("u2", ""))
		if c[scan.Timeout] < 60 || len(c) != 1 {
			t.Errorf("u2: %v, want timeouts only", c)
		}
		where := map[modbus.Framing]string{modbus.RTU: "check power, unit id and A/B wiring",
			modbus.TCP: "at 192.0.2.7:502: check power, unit id and network"}[framing]
		if d := p.Status().Devices[1]; d.Up || !strings.HasPrefix(d.Detail, "no answer from unit 2") || !strings.HasSuffix(d.Detail, where) {
			t.Errorf("u2: %+v", d)
		}
	})
}

func TestWireWrongUnit(t *testing.T) {
	wireTest(t, 2*time.Minute, unit2(wrongUnit), func(t *testing.T, _ modbus.Framing, p polling) {
		wantGood(t, p, "u1", 110)
		c := count(p.tape.of("u2", ""))
		if c[scan.WrongAnswer] < 60 || c[scan.Good] != 0 {
			t.Errorf("u2: %v, want wrong answers", c)
		}
		if d := p.Status().Devices[1]; !strings.Contains(d.Detail, "unit ids differ") || strings.Count(d.Detail, "check") != 1 {
			t.Errorf("u2: %q, want one piece of advice", d.Detail)
		}
	})
}

func TestWireDamageIsMendedByOneRetry(t *testing.T) {
	script := func(framing modbus.Framing) func(byte, frame.ReadRequest) reply {
		n := 0
		return func(byte, frame.ReadRequest) reply {
			n++
			if n%7 == 0 && framing == modbus.RTU { // TCP has no checksum of its own
				return damage
			}
			return answer
		}
	}
	wireTest(t, time.Minute, script, func(t *testing.T, framing modbus.Framing, p polling) {
		wantGood(t, p, "u1", 60)
		wantGood(t, p, "u2", 60)
		st := p.Status()
		if n := st.Devices[0].Damaged + st.Devices[1].Damaged; (n >= 17) != (framing == modbus.RTU) {
			t.Errorf("%d damaged answers counted", n)
		}
	})
}

func TestWireExceptionOnHoleSplits(t *testing.T) {
	asked := map[string]int{}
	script := func(modbus.Framing) func(byte, frame.ReadRequest) reply {
		clear(asked)
		return func(unit byte, req frame.ReadRequest) reply {
			asked[req.String()]++
			if req.Address == 4 && req.Quantity > 2 {
				return refuse2
			}
			return answer
		}
	}
	wireTest(t, time.Minute, script, func(t *testing.T, _ modbus.Framing, p polling) {
		wantGood(t, p, "u1", 60)
		wantGood(t, p, "u2", 60)
		if asked["input registers 4-9"] != 2 || asked["input register 4"] != 120 || asked["input register 9"] != 120 {
			t.Errorf("asked %v, want the bridged request once a device", asked)
		}
	})
}

func TestWireLostConnection(t *testing.T) {
	script := func(modbus.Framing) func(byte, frame.ReadRequest) reply {
		n := 0
		return func(byte, frame.ReadRequest) reply {
			if n++; n%30 == 0 {
				return hangUp
			}
			return answer
		}
	}
	wireTest(t, time.Minute, script, func(t *testing.T, _ modbus.Framing, p polling) {
		wantGood(t, p, "u1", 60)
		wantGood(t, p, "u2", 60)
		if l := p.Status().Lines[0]; !l.Up || l.Opened < 4 {
			t.Errorf("got %+v, want it up, opened at least 4 times", l)
		}
	})
}
