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

// shared is a line with a master of its own. What the agent sends there is an
// error while forbidden is set.
type shared struct {
	t    *testing.T
	turn chan struct{} // whose exchange it is

	mu        sync.Mutex // guards all below
	forbidden bool
	sent      int // frames of the agent
	far       net.Conn
	opens     int
	gone      bool
	wg        sync.WaitGroup
}

// open gives the agent its end of the line.
func (s *shared) open() (net.Conn, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.opens++
	if s.gone {
		return nil, errUnplugged
	}
	near, far := net.Pipe()
	s.far = far
	s.wg.Go(func() {
		defer far.Close()
		buf := make([]byte, 300)
		for {
			n, err := far.Read(buf)
			if err != nil {
				return
			}
			s.mu.Lock()
			s.sent++
			if s.forbidden {
				s.t.Errorf("the agent sent % X on a line with a master", buf[:n])
			}
			s.mu.Unlock()
			unit, pdu, err := frame.DecodeRTU(buf[:n])
			if err != nil {
				continue
			}
			if req, err := frame.ParseReadRequest(pdu); err == nil {
				s.say(frame.AppendRTU(nil, unit, answerTo(req)))
			}
		}
	})
	return near, nil
}

func (s *shared) say(adu []byte) {
	s.mu.Lock()
	far := s.far
	s.mu.Unlock()
	if far != nil {
		_, _ = far.Write(adu) // nobody may listen
	}
}

// hangUp ends the connection and says whether the port is there from now on.
func (s *shared) hangUp(there bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.far.Close()
	s.far, s.gone = nil, !there
}

// answerTo is the answer of every unit here: each register holds its address.
func answerTo(req frame.ReadRequest) []byte {
	var payload []byte
	for i := range req.Quantity {
		payload = binary.BigEndian.AppendUint16(payload, req.Address+i)
	}
	return frame.AppendReadResponse(nil, req.Function, payload)
}

// reads is a master that reads req of unit every period until ctx ends.
func (s *shared) reads(ctx context.Context, unit byte, req frame.ReadRequest, period time.Duration) {
	s.wg.Go(func() {
		for next := time.Now(); ctx.Err() == nil; time.Sleep(time.Until(next)) {
			next = next.Add(period)
			s.turn <- struct{}{} // one exchange at a time
			s.say(frame.AppendRTU(nil, unit, req.AppendPDU(nil)))
			time.Sleep(3 * time.Millisecond)
			s.say(frame.AppendRTU(nil, unit, answerTo(req)))
			<-s.turn
		}
	})
}

// input reads n input registers.
func input(address, n uint16) frame.ReadRequest {
	return frame.ReadRequest{Function: frame.ReadInputRegisters, Address: address, Quantity: n}
}

// passiveTest runs a listening site of units 1 and 2 with input registers 4
// and 9 each, once a second.
func passiveTest(t *testing.T, change func(*sitefile.Site), test func(ctx context.Context, s *shared, p polling)) {
	synctest.Test(t, func(t *testing.T) {
		site := siteOf(2, time.Second)
		site.Lines[0].Listen = true
		for i := range site.Devices {
			a, b := ch("a", sitefile.Input, 4, "u16"), ch("b", sitefile.Input, 9, "u16")
			a.Every, b.Every = time.Second, time.Second
			site.Devices[i].Map.Channels = []sitefile.MapChannel{a, b}
		}
		if change != nil {
			change(site)
		}
		s := &shared{t: t, turn: make(chan struct{}, 1), forbidden: true}
		listen := func(context.Context, *sitefile.Line) (Ears, error) {
			link, err := s.open()
			if err != nil {
				return nil, err
			}
			return modbus.NewListener(link, modbus.RTU), nil
		}
		p := start(t, site, Options{Listen: listen, Random: func() float64 { return 0 }})
		ctx, cancel := context.WithCancel(t.Context())
		defer s.wg.Wait()
		defer p.stop()
		defer cancel()
		test(ctx, s, p)
	})
}

func TestPassiveValues(t *testing.T) {
	passiveTest(t, nil, func(ctx context.Context, s *shared, p polling) {
		s.reads(ctx, 1, input(0, 20), time.Second)
		s.reads(ctx, 2, input(4, 6), 2500*time.Millisecond)
		s.reads(ctx, 2, frame.ReadRequest{Function: frame.ReadHoldingRegisters, Address: 4, Quantity: 6}, 700*time.Millisecond) // not the map's table
		time.Sleep(time.Minute)
		wantGood(t, p, "u1", 58) // the first may come before the line is open
		wantGood(t, p, "u2", 22)
		// What the master reads each 2.5 s is handed on as often, not copied.
		if n := len(p.tape.of("u2", "")); n > 25 {
			t.Errorf("u2: %d scans of 24 answers", n)
		}
		for i, scans := 1, p.tape.of("u1", ""); i < len(scans); i++ {
			if d := scans[i].MonoMS - scans[i-1].MonoMS; d < 990 || d > 1010 {
				t.Errorf("u1: scans %d ms apart, the master reads each 1000 ms", d)
			}
		}
		st := p.Status()
		if l := st.Lines[0]; !l.Up || l.Opened != 1 || l.Detail != "COM3 open at 19200 8E1, listening only" {
			t.Errorf("line: %+v", l)
		}
		if d := st.Devices[0]; !d.Up || d.Detail != "" {
			t.Errorf("u1: %+v", d)
		}
	})
}

func TestPassiveMasterPauses(t *testing.T) {
	passiveTest(t, nil, func(ctx context.Context, s *shared, p polling) {
		first, pause := context.WithCancel(ctx)
		s.reads(first, 1, input(4, 6), time.Second)
		time.Sleep(20500 * time.Millisecond)
		pause()
		time.Sleep(10 * time.Second)
		before := p.tape.of("u1", "")
		if c := count(before); c[scan.Good] < 19 || c[scan.Timeout] < 6 || c[scan.Timeout] > 8 || len(c) != 2 {
			t.Errorf("u1 after 20 s of traffic and 10 s without: %v", c)
		}
		if c := count(p.tape.of("u2", "")); c[scan.Timeout] < 26 || len(c) != 1 {
			t.Errorf("u2, which nobody reads: %v", c)
		}
		if d := p.Status().Devices[1]; d.Up || !strings.Contains(d.Detail, "nothing that maps/a.toml has of unit 2 (last heard: unit 1 is asked for input registers 4-9)") {
			t.Errorf("u2: %+v", d)
		}
		s.reads(ctx, 1, input(4, 6), time.Second)
		time.Sleep(10 * time.Second)
		if c := count(p.tape.of("u1", "")[len(before):]); c[scan.Good] < 8 || c[scan.Timeout] > 1 {
			t.Errorf("u1 after the pause: %v", c)
		}
	})
}

// A channel that the master does not read has no value; the others have.
func TestPassivePartly(t *testing.T) {
	passiveTest(t, nil, func(ctx context.Context, s *shared, p polling) {
		s.reads(ctx, 1, input(4, 1), time.Second)
		time.Sleep(20 * time.Second)
		scans := p.tape.of("u1", "")
		for _, got := range scans {
			if got.Reason != scan.Good || got.Values[0] != 4 || !slices.Equal(got.Quality, []scan.Reason{scan.Good, scan.Timeout}) {
				t.Fatalf("u1: %+v, want 4 and no second value", got)
			}
		}
		if d := p.Status().Devices[0]; len(scans) < 18 || d.Detail != `1 of 2 channels are not read by the other master, first "b": check its entry in the map, or take it out` {
			t.Errorf("u1: %d scans, %+v", len(scans), d)
		}
	})
}

// Words that come in two answers are not put together: between the two the
// device may have counted on.
func TestPassiveDoesNotJoinAnswers(t *testing.T) {
	long := func(site *sitefile.Site) {
		c := ch("long", sitefile.Input, 4, "u32")
		c.Every = time.Second
		site.Devices[0].Map.Channels = []sitefile.MapChannel{c}
	}
	passiveTest(t, long, func(ctx context.Context, s *shared, p polling) {
		s.reads(ctx, 1, input(4, 1), time.Second)
		s.reads(ctx, 1, input(5, 1), 1100*time.Millisecond)
		time.Sleep(20 * time.Second)
		if c := count(p.tape.of("u1", "")); c[scan.Timeout] < 15 || len(c) != 1 {
			t.Errorf("halves in two answers: %v, want timeouts", c)
		}
		s.reads(ctx, 1, input(0, 10), 1200*time.Millisecond)
		time.Sleep(10 * time.Second)
		last := p.tape.of("u1", "")
		if got := last[len(last)-1]; got.Reason != scan.Good || got.Values[0] != 4<<16|5 {
			t.Errorf("both in one answer: %+v", got)
		}
	})
}

func TestPassivePortGone(t *testing.T) {
	passiveTest(t, nil, func(ctx context.Context, s *shared, p polling) {
		s.reads(ctx, 1, input(4, 6), time.Second)
		time.Sleep(10500 * time.Millisecond)
		s.hangUp(false)
		time.Sleep(10 * time.Second)
		c := count(p.tape.of("u1", ""))
		if c[scan.PortGone] < 9 || c[scan.Good] < 9 || len(c) != 2 {
			t.Errorf("u1: %v, want ten seconds each of values and of port gone", c)
		}
		if l := p.Status().Lines[0]; l.Up || l.Detail != errUnplugged.Error() {
			t.Errorf("line: %+v", l)
		}
		s.mu.Lock()
		s.gone = false
		s.mu.Unlock()
		time.Sleep(30 * time.Second)
		if l := p.Status().Lines[0]; !l.Up || l.Opened != 2 {
			t.Errorf("line after the port came back: %+v", l)
		}
		if got := count(p.tape.of("u1", "")); got[scan.Good] < c[scan.Good]+12 {
			t.Errorf("u1 after the port came back: %v", got)
		}
	})
}

func TestPassiveWrongSettings(t *testing.T) {
	passiveTest(t, nil, func(_ context.Context, s *shared, p polling) {
		for range 40 {
			time.Sleep(500 * time.Millisecond)
			s.say([]byte{0xE6, 0x98, 0x80, 0x1E, 0x66, 0x06, 0x78})
		}
		for _, d := range p.Status().Devices {
			if d.Up || d.LastReason != scan.Timeout || !strings.Contains(d.Detail, "what is heard on COM3 is not Modbus RTU at 19200 8E1: check the serial settings") {
				t.Errorf("%s: %+v", d.Device, d)
			}
		}
	})
}

// What the map expects is looked for in what the other master reads.
func TestPassiveVerify(t *testing.T) {
	tests := []struct {
		name    string
		address int
		equals  int64
		want    scan.Reason
	}{{"as expected", 7, 7, scan.Good}, {"another value", 7, 8, scan.StartMismatch}, {"not read by the master", 40, 8, scan.Good}}
	for _, tt := range tests {
		expect := func(site *sitefile.Site) {
			site.Devices[0].Map.Verify = []sitefile.Expected{{Channel: ch("", sitefile.Input, tt.address, "u16"), Equals: tt.equals, MapPath: "maps/a.toml"}}
			m := *site.Devices[1].Map
			m.Verify = nil
			site.Devices[1].Map = &m
		}
		passiveTest(t, expect, func(ctx context.Context, s *shared, p polling) {
			s.reads(ctx, 1, input(4, 6), time.Second)
			s.reads(ctx, 2, input(4, 6), time.Second)
			time.Sleep(20 * time.Second)
			if c := count(p.tape.of("u1", "")); c[tt.want] < 18 || len(c) != 1 {
				t.Errorf("%s: u1 %v, want %v", tt.name, c, tt.want)
			}
			if d := p.Status().Devices[0]; (tt.want == scan.Good) != (d.Detail == "") || tt.want != scan.Good && !strings.Contains(d.Detail, "should be 8, but is 7") {
				t.Errorf("%s: %+v", tt.name, d)
			}
			wantGood(t, p, "u2", 18)
		})
	}
}

// A line that is only listened to is no load of ours.
func TestPredictLeavesListeningOut(t *testing.T) {
	for listen, want := range map[bool]int{false: 1, true: 0} {
		site := siteOf(1, time.Second)
		site.Lines[0].Listen = listen
		if loads, err := Predict(site); err != nil || len(loads) != want {
			t.Errorf("listen = %t: loads %+v, %v; want %d", listen, loads, err, want)
		}
	}
}
