package poll

import (
	"bytes"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// All times here are those of the test's bubble: an hour passes at once.

func TestScheduleDoesNotDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1, 2)
		b.units[1].delay = 37 * time.Millisecond
		p := start(t, siteOf(2, time.Second, 250*time.Millisecond, time.Minute), Options{Dial: b.dial})
		time.Sleep(time.Hour - time.Millisecond)
		p.stop()
		for _, device := range []string{"u1", "u2"} {
			for group, period := range map[string]int64{"250ms": 250, "1s": 1000, "60s": 60000} {
				scans := p.tape.of(device, group)
				if want := int(3600_000 / period); len(scans) != want {
					t.Errorf("%s %s: %d scans in an hour, want %d", device, group, len(scans), want)
				}
				for i, s := range scans {
					// All six exchanges of one moment take at most 6·37 ms.
					if late := s.MonoMS - int64(i)*period; late < 0 || late > 222 {
						t.Fatalf("%s %s: scan %d is %d ms off its due time", device, group, i, late)
					}
				}
			}
		}
		if st := p.Status(); st.Lines[0].Missed != 0 {
			t.Errorf("missed %d due times, want 0", st.Lines[0].Missed)
		}
	})
}

func TestLateGroupsSkipAndCount(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		b.units[1].delay = 700 * time.Millisecond
		p := start(t, siteOf(1, 500*time.Millisecond), Options{Dial: b.dial})
		time.Sleep(100*time.Second - time.Millisecond)
		p.stop()
		scans := p.tape.of("u1", "")
		// 700 ms from each whole second on: the due time at the half is passed.
		if len(scans) != 100 {
			t.Fatalf("%d scans, want 100", len(scans))
		}
		for i, s := range scans {
			if s.MonoMS != int64(i)*1000+350 || s.DurationMS != 700 {
				t.Fatalf("scan %d at %d ms took %d ms, want the middle of 700 ms from %d on", i, s.MonoMS, s.DurationMS, i*1000)
			}
		}
		if got := p.Status().Lines[0].Missed; got != 99 && got != 100 {
			t.Errorf("missed %d due times, want 100 but for the last", got)
		}
	})
}

// TestSilentUnitLeavesNeighboursAlone: one of five units is off; the other four
// keep their scans.
func TestSilentUnitLeavesNeighboursAlone(t *testing.T) {
	for name, whenOff := range map[string]time.Duration{"from the start": 0, "after a while": 5 * time.Minute} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBus(1, 2, 3, 4, 5)
				p := start(t, siteOf(5, time.Second), Options{Dial: b.dial})
				time.Sleep(whenOff)
				b.with(func() { b.units[3].off = true })
				before := len(p.tape.of("u3", ""))
				b.with(func() { b.units[3].asked = 0 })
				time.Sleep(10*time.Minute - 500*time.Millisecond)
				asked := 0
				b.with(func() { asked = b.units[3].asked })
				total := int((whenOff + 10*time.Minute) / time.Second)
				for _, device := range []string{"u1", "u2", "u4", "u5"} {
					scans := p.tape.of(device, "")
					// A timeout is as long as the period here: each patient one
					// costs one due time at most, and there is one in four probes.
					if c := count(scans); c[scan.Good] < total*95/100 || len(c) != 1 {
						t.Errorf("%s: %v of %d scans", device, c, total)
					}
					for i := 1; i < len(scans); i++ {
						if gap := scans[i].MonoMS - scans[i-1].MonoMS; gap > 2500 {
							t.Errorf("%s: %d ms between two scans", device, gap)
						}
					}
				}
				bad := p.tape.of("u3", "")[before:]
				if c := count(bad); c[scan.Timeout] != len(bad) || len(bad) < 60+50 || len(bad) > 60+57 {
					t.Errorf("u3: %v, want a timeout each second for a minute, then each ten", c)
				}
				if asked < 10 || asked > 130 { // 20 timeouts of at least 250 ms apart, or of 80 ms where learnt
					t.Errorf("u3 was asked %d times in ten minutes", asked)
				}
				st := p.Status()
				if d := st.Devices[2]; d.Up || d.LastReason != scan.Timeout ||
					d.Detail != "no answer from unit 3: check power, unit id and A/B wiring" {
					t.Errorf("u3: got %+v", d)
				}
				if d := st.Devices[0]; !d.Up || d.Detail != "" || d.RoundTripP50 != 20*time.Millisecond || d.RoundTripMax != 20*time.Millisecond {
					t.Errorf("u1: got %+v", d)
				}
				b.with(func() { b.units[3].off = false })
				time.Sleep(30 * time.Second)
				if !p.Status().Devices[2].Up {
					t.Errorf("u3 answers again and was not found within 30 s")
				}
				p.stop()
			})
		})
	}
}

// TestSilenceCostsOneTimeoutARound: the groups of a silent device that are due
// together cost its line one timeout, not one each.
func TestSilenceCostsOneTimeoutARound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		b.units[1].off = true
		p := start(t, siteOf(1, 10*time.Second, 20*time.Second, 30*time.Second), Options{Dial: b.dial})
		time.Sleep(5 * time.Second)
		p.stop()
		if c := count(p.tape.of("u1", "")); b.units[1].asked != 1 || c[scan.Timeout] != 3 {
			t.Errorf("asked %d times for %v, want once for three timeouts", b.units[1].asked, c)
		}
	})
}

// TestLoneFailuresAreNoEvent: a device is down after three bad scans in a row,
// not after any one.
func TestLoneFailuresAreNoEvent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var events []bool
		b := newBus(1)
		p := start(t, siteOf(1, time.Second), Options{Dial: b.dial, OnDevice: func(s DeviceStatus) { events = append(events, s.Up) }})
		time.Sleep(500 * time.Millisecond)
		for range 5 { // two bad scans, then a good one
			b.with(func() { b.units[1].err = modbus.ErrBadChecksum })
			time.Sleep(2 * time.Second)
			b.with(func() { b.units[1].err = nil })
			time.Sleep(time.Second)
		}
		b.with(func() { b.units[1].err = modbus.ErrBadChecksum })
		time.Sleep(2 * time.Second)
		if st := p.Status().Devices[0]; !st.Up {
			t.Errorf("two bad scans: got %+v, want it up", st)
		}
		time.Sleep(time.Second)
		p.stop()
		if !slices.Equal(events, []bool{true, false}) {
			t.Errorf("events %v, want up once and down at the third in a row", events)
		}
	})
}

// TestSlowUnitIsFound: a unit that comes up late and answers more slowly than a
// short probe waits is found all the same.
func TestSlowUnitIsFound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1, 2)
		b.units[2].off, b.units[2].delay = true, 600*time.Millisecond
		p := start(t, siteOf(2, 2*time.Second), Options{Dial: b.dial})
		time.Sleep(5 * time.Minute)
		b.with(func() { b.units[2].off = false })
		time.Sleep(time.Minute)
		if d := p.Status().Devices[1]; !d.Up {
			t.Errorf("got %+v, want it up", d)
		}
		p.stop()
	})
}

func TestPortGoneAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		var lines []LineStatus
		var devices []DeviceStatus
		b := newBus(1)
		p := start(t, siteOf(1, time.Second), Options{Dial: b.dial,
			Log:      slog.New(slog.NewTextHandler(&log, nil)),
			OnLine:   func(s LineStatus) { lines = append(lines, s) },
			OnDevice: func(s DeviceStatus) { devices = append(devices, s) },
			Random:   func() float64 { return 0 }})
		time.Sleep(10*time.Second + 500*time.Millisecond)
		b.with(func() { b.gone, b.tries = true, 0 })
		time.Sleep(5 * time.Minute)
		tries := 0
		b.with(func() { tries = b.tries; b.gone = false })
		if tries < 20 || tries > 27 { // 250 ms doubling to 15 s: 6 in 16 s, then each 15 s
			t.Errorf("%d attempts to open in five minutes", tries)
		}
		st := p.Status()
		if l := st.Lines[0]; l.Up || !strings.Contains(l.Detail, "plug the adapter in") {
			t.Errorf("while it is gone: %+v", l)
		}
		if d := st.Devices[0]; d.Up || d.LastReason != scan.PortGone || d.Detail != `line "bus" is down` {
			t.Errorf("while it is gone: %+v", d)
		}
		time.Sleep(20 * time.Second)
		b.with(func() { b.gone, b.tries = true, 0 })
		time.Sleep(1600 * time.Millisecond)
		b.with(func() { b.gone, tries = false, b.tries })
		if tries < 3 { // the pauses begin at 250 ms again
			t.Errorf("%d attempts to open at the second time", tries)
		}
		time.Sleep(2 * time.Second)
		p.stop()
		c := count(p.tape.of("u1", ""))
		if c[scan.PortGone] < 60+23 || c[scan.PortGone] > 60+26 || len(c) != 2 || c[scan.Good] < 10+4 {
			t.Errorf("got %v, want port gone each second for a minute, then each ten, and good before and after", c)
		}
		up := func(all []LineStatus) (ups []bool) {
			for _, s := range all {
				ups = append(ups, s.Up)
			}
			return ups
		}
		if got := up(lines); !slices.Equal(got, []bool{true, false, true, false, true}) {
			t.Errorf("line events: %v, want up, down, up, down, up", got)
		}
		if len(devices) != 3 || !devices[0].Up || devices[1].Up || !devices[2].Up {
			t.Errorf("device events: %+v, want up, down, up", devices)
		}
		text := log.String()
		if n := strings.Count(text, "\n"); n != 1+4+1+2 || !strings.Contains(text, `msg="line up again"`) {
			t.Errorf("logged %d lines, want the first, one a minute, the recovery, and two for the second time:\n%s", n, text)
		}
	})
}

// TestFlappingPort: a port that opens and is lost at once is neither tried
// without pause nor told as up each time.
func TestFlappingPort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var events atomic.Int32
		b := newBus(1)
		b.hangUp = 1 << 30
		p := start(t, siteOf(1, 100*time.Millisecond), Options{Dial: b.dial, OnLine: func(LineStatus) { events.Add(1) }})
		time.Sleep(10 * time.Minute)
		opens := 0
		b.with(func() { opens = b.opens; b.hangUp = 0 })
		if opens > 60 || events.Load() != 2 {
			t.Errorf("opened %d times with %d events, want at most 60 and 2", opens, events.Load())
		}
		time.Sleep(20 * time.Second)
		p.stop()
		if st := p.Status(); !st.Lines[0].Up || !st.Devices[0].Up || events.Load() != 3 {
			t.Errorf("after it holds: %+v %+v, %d events", st.Lines[0], st.Devices[0], events.Load())
		}
	})
}

// TestIdleConnectionIsReopened: servers close connections that are idle. That
// costs no scan.
func TestIdleConnectionIsReopened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		p := start(t, siteOf(1, 10*time.Minute), Options{Dial: b.dial})
		for range 6 {
			time.Sleep(9 * time.Minute)
			b.with(func() { b.hangUp = 1 })
			time.Sleep(time.Minute)
		}
		time.Sleep(time.Second)
		p.stop()
		if c := count(p.tape.of("u1", "")); c[scan.Good] != 7 || len(c) != 1 {
			t.Errorf("got %v, want good ones only", c)
		}
		if l := p.Status().Lines[0]; l.Opened != 7 {
			t.Errorf("opened %d times, want 7", l.Opened)
		}
	})
}

// TestSpentClientIsReplaced: over TCP a timeout ends the connection; that is no
// failure of the line, and neighbours behind the same gateway notice nothing.
func TestSpentClientIsReplaced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		events := 0
		b := newBus(1, 2)
		b.spends = true
		b.units[2].off = true
		p := start(t, siteOf(2, time.Second), Options{Dial: b.dial, OnLine: func(LineStatus) { events++ }})
		time.Sleep(5*time.Minute - 500*time.Millisecond)
		p.stop()
		if c := count(p.tape.of("u1", "")); c[scan.Good] < 285 || len(c) != 1 {
			t.Errorf("u1: %v, want at least 285 of 300 good and no other", c)
		}
		if events != 1 || b.opens < 10 {
			t.Errorf("%d events and %d connections, want 1 and many", events, b.opens)
		}
	})
}

// TestSilentLineIsReopened: an adapter that hangs shows as silence of all.
func TestSilentLineIsReopened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1, 2)
		b.units[1].off, b.units[2].off = true, true
		p := start(t, siteOf(2, time.Second), Options{Dial: b.dial})
		time.Sleep(10 * time.Minute)
		p.stop()
		if b.opens < 8 || b.opens > 11 {
			t.Errorf("opened %d times in ten silent minutes, want about one a minute", b.opens)
		}
		if l := p.Status().Lines[0]; !l.Up {
			t.Errorf("got %+v, want it up: silence is no failure of the port", l)
		}
	})
}

func TestStopCutsExchangeShort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		b.units[1].off = true
		site := siteOf(1, time.Minute)
		site.Lines[0].Timeout = 10 * time.Second
		p := start(t, site, Options{Dial: b.dial})
		time.Sleep(time.Second)
		from := time.Now()
		p.stop()
		if took := time.Since(from); took != 0 {
			t.Errorf("stopping took %v", took)
		}
		if got := p.tape.of("u1", ""); len(got) != 0 {
			t.Errorf("the cut exchange left %v", got)
		}
	})
}

// TestDeviceGroupsGoTogether: groups that are due together are read device by
// device, the shorter period first.
func TestDeviceGroupsGoTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1, 2)
		p := start(t, siteOf(2, 10*time.Second, time.Second), Options{Dial: b.dial})
		time.Sleep(500 * time.Millisecond)
		p.stop()
		var got []string
		for _, s := range p.tape.scans {
			got = append(got, s.Group.Device+" "+s.Group.Name)
		}
		if want := []string{"u1 1s", "u1 10s", "u2 1s", "u2 10s"}; !slices.Equal(got, want) {
			t.Errorf("got %q, want %q", got, want)
		}
	})
}

func TestStatusCountsByReason(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		p := start(t, siteOf(1, time.Second), Options{Dial: b.dial})
		phase := func(err error) {
			b.with(func() { b.units[1].err = err })
			time.Sleep(10 * time.Second)
		}
		time.Sleep(500 * time.Millisecond)
		phase(nil)
		phase(modbus.ErrBadChecksum)
		phase(&modbus.ExceptionError{Unit: 1, Function: 4, Code: 4})
		phase(nil)
		p.stop()
		d := p.Status().Devices[0]
		if d.Scans != 21 || d.Errors[scan.BadChecksum] != 10 || d.Errors[scan.Exception] != 10 || len(d.Errors) != 2 || d.Damaged != 20 {
			t.Errorf("got %+v, want 21 scans, 10 damaged (each asked for twice), 10 refused", d)
		}
		d.Errors[scan.Timeout] = 7
		if n := p.Status().Devices[0].Errors[scan.Timeout]; n != 0 {
			t.Errorf("a snapshot shares its map: %d", n)
		}
	})
}

func TestNewErrors(t *testing.T) {
	site := siteOf(1, time.Second)
	site.Devices[0].Map.Channels[0].Type = "u24"
	_, err := New(site, sitefile.Groups(site), &tape{}, Options{})
	if err == nil || !strings.Contains(err.Error(), `line "bus": device "u1": channel "v0": type "u24" is not known`) {
		t.Errorf("got %v", err)
	}
}
