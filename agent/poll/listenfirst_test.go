package poll

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// TestListenFirst: a line with a master is not polled, and nothing is sent on
// it; thirty seconds after that master has gone it is.
func TestListenFirst(t *testing.T) {
	for _, kind := range []sitefile.LineKind{sitefile.ModbusRTU, sitefile.ModbusASCII} {
		synctest.Test(t, func(t *testing.T) {
			site := siteOf(1, time.Second)
			site.Lines[0].Kind, site.Lines[0].ListenFirst = sitefile.ModbusRTU, 2*time.Second
			s := &shared{t: t, turn: make(chan struct{}, 1), forbidden: true}
			dial := func(context.Context, *sitefile.Line) (Client, error) {
				link, err := s.open()
				if err != nil {
					return nil, err
				}
				return modbus.NewClient(link, modbus.Config{Framing: modbus.RTU, Baud: 19200}), nil
			}
			site.Lines[0].Kind = kind // the wire stays RTU: what is said must not depend on it
			p := start(t, site, Options{Dial: dial, Random: func() float64 { return 0 }})
			master, leaves := context.WithCancel(t.Context())
			s.reads(master, 3, frame.ReadRequest{Function: frame.ReadHoldingRegisters, Quantity: 10}, time.Second)
			time.Sleep(50 * time.Second) // two looks
			if c := count(p.tape.of("u1", "")); c[scan.LineBusy] < 40 || len(c) != 1 {
				t.Errorf("%s: %v, want line busy", kind, c)
			}
			mends := map[sitefile.LineKind]string{sitefile.ModbusRTU: "set listen = true for it", sitefile.ModbusASCII: "disconnect that master"}
			st := p.Status()
			if l := st.Lines[0]; l.Up || l.Opened != 0 ||
				!strings.HasPrefix(l.Detail, "unit 3 is asked for holding registers 0-9 by another master") || !strings.Contains(l.Detail, mends[kind]) {
				t.Errorf("%s: line %+v", kind, l)
			}
			if d := st.Devices[0]; d.Up || d.LastReason != scan.LineBusy || !strings.Contains(d.Detail, "another master") {
				t.Errorf("%s: device %+v", kind, d)
			}
			leaves()
			s.mu.Lock()
			s.forbidden = false
			opened := s.opens
			s.mu.Unlock()
			if opened != 2 {
				t.Errorf("%s: looked %d times in 50 s, want 2", kind, opened)
			}
			time.Sleep(40 * time.Second)
			if l := p.Status().Lines[0]; !l.Up {
				t.Errorf("%s: line %+v, want it polled", kind, l)
			}
			if c := count(p.tape.of("u1", "")); c[scan.Good] < 10 {
				t.Errorf("%s: %v, want values", kind, c)
			}
			p.stop()
			s.wg.Wait()
		})
	}
}

// Nothing is asked before a quiet line has been listened to for its time.
func TestListenFirstOnAQuietLine(t *testing.T) {
	for _, first := range []time.Duration{0, 2 * time.Second} {
		synctest.Test(t, func(t *testing.T) {
			site := siteOf(1, time.Second)
			site.Lines[0].ListenFirst = first
			s := &shared{t: t, turn: make(chan struct{}, 1)}
			dial := func(context.Context, *sitefile.Line) (Client, error) {
				link, err := s.open()
				return modbus.NewClient(link, modbus.Config{Framing: modbus.RTU, Baud: 19200}), err
			}
			p := start(t, site, Options{Dial: dial})
			time.Sleep(first - time.Millisecond)
			s.mu.Lock()
			early := s.sent
			s.mu.Unlock()
			time.Sleep(10 * time.Second)
			p.stop()
			s.wg.Wait()
			if scans := p.tape.of("u1", ""); early != 0 || len(scans) < 10 || count(scans)[scan.Good] != len(scans) {
				t.Errorf("listening first for %v: %d asked before, then %v", first, early, count(scans))
			}
		})
	}
}

// A port that fails while it is listened to is a port that is gone.
func TestListenFirstPortGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		site := siteOf(1, time.Second)
		site.Lines[0].ListenFirst = 2 * time.Second
		s := &shared{t: t, turn: make(chan struct{}, 1)}
		dial := func(context.Context, *sitefile.Line) (Client, error) {
			link, err := s.open()
			if err != nil {
				return nil, fmt.Errorf("open: %w", err)
			}
			return modbus.NewClient(link, modbus.Config{Framing: modbus.RTU, Baud: 19200}), nil
		}
		p := start(t, site, Options{Dial: dial})
		time.Sleep(time.Second)
		s.hangUp(false)
		time.Sleep(5 * time.Second)
		if c := count(p.tape.of("u1", "")); c[scan.PortGone] < 4 || len(c) != 1 {
			t.Errorf("%v, want port gone", c)
		}
		p.stop()
		s.wg.Wait()
	})
}

func TestListenRefusesOtherKinds(t *testing.T) {
	_, err := Listen(t.Context(), &sitefile.Line{Kind: sitefile.ModbusASCII, Port: "COM3"})
	if err == nil || errors.Is(err, modbus.ErrPortMissing) || !strings.Contains(err.Error(), "use modbus-rtu") {
		t.Errorf("Listen on an ASCII line: %v", err)
	}
}
