package poll

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// driver is a bus whose calls hang as those of a bad driver do: they heed no context.
type driver struct {
	*bus
	mu    sync.Mutex // protects the rest
	hangs map[string]bool
	free  chan struct{} // closed to let the calls go that hang
}

func newDriver(units ...byte) *driver {
	return &driver{bus: newBus(units...), hangs: map[string]bool{}, free: make(chan struct{})}
}

// set says which calls hang from now on: dial, listen, read, close.
func (d *driver) set(calls ...string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	clear(d.hangs)
	for _, c := range calls {
		d.hangs[c] = true
	}
}

// swap lets nothing hang from now on; what hangs does so until the channel is closed.
func (d *driver) swap() (hanging chan struct{}) {
	d.set()
	d.mu.Lock()
	defer d.mu.Unlock()
	hanging, d.free = d.free, make(chan struct{})
	return hanging
}

// release lets go what hangs.
func (d *driver) release() { close(d.swap()) }

// call hangs if it is to, and reports whether it did.
func (d *driver) call(name string) bool {
	d.mu.Lock()
	hangs, free := d.hangs[name], d.free
	d.mu.Unlock()
	if hangs {
		<-free
	}
	return hangs
}

func (d *driver) dial(ctx context.Context, line *sitefile.Line) (Client, error) {
	d.call("dial")
	c, err := d.bus.dial(ctx, line)
	if err != nil {
		return nil, err
	}
	return &driverClient{c.(*busClient), d}, nil
}

type driverClient struct {
	*busClient
	d *driver
}

func (c *driverClient) ListenFirst(context.Context, time.Duration) (modbus.ListenStats, error) {
	c.d.call("listen")
	return modbus.ListenStats{}, nil
}

// Read answers after it hung as if nothing had been, with all bits set.
func (c *driverClient) Read(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) ([]byte, error) {
	if c.d.call("read") {
		return bytes.Repeat([]byte{0xff}, req.ByteCount()), nil
	}
	return c.busClient.Read(ctx, unit, req, timeout)
}

func (c *driverClient) Close() error {
	c.d.call("close")
	return nil
}

// TestHungLineIsBegunAnew: a call of the driver never returns, fifty times. Each time the
// line is begun anew and reads again while the call still hangs; nothing of the call that
// returns later becomes a reading; and nothing of it stays.
func TestHungLineIsBegunAnew(t *testing.T) {
	for _, c := range []struct {
		name  string
		hangs []string
		doing string
		left  int32 // beside the line itself, while they hang
	}{
		{"a read", []string{"read"}, "reading from u1", 1},
		{"a read, and then its closing", []string{"read", "close"}, "reading from u1", 2},
		{"opening", []string{"dial"}, "opening the port", 1},
		{"listening first, which heeds no time", []string{"listen"}, "listening before it asks", 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				const times = 50
				var wedges []Wedge
				var ups []bool
				d := newDriver(1)
				site := siteOf(1, time.Second)
				site.Lines[0].ListenFirst = time.Second
				p := start(t, site, Options{Dial: d.dial, Random: func() float64 { return 0 },
					OnWedged: func(w Wedge) { wedges = append(wedges, w) },
					OnLine:   func(l LineStatus) { ups = append(ups, l.Up) }})
				life := func() int32 { return p.current()[0].life.running.Load() }
				for i := range times {
					time.Sleep(30 * time.Second)
					d.set(c.hangs...)
					if c.hangs[0] == "dial" || c.hangs[0] == "listen" {
						d.with(func() { d.hangUp = 2 }) // it is opened anew
					}
					time.Sleep(2 * time.Second)
					d.set(c.hangs[1:]...) // what else is called from now on is well
					time.Sleep(2 * time.Minute)
					hanging := d.swap()
					if len(wedges) != i+1 || wedges[i].Doing != c.doing || wedges[i].Times != uint64(i+1) || wedges[i].Line != "bus" {
						t.Fatalf("round %d: told of %+v", i, wedges)
					}
					if got := life(); got != 1+c.left {
						t.Fatalf("round %d: %d goroutines of the line while the call hangs, want %d", i, got, 1+c.left)
					}
					before := len(p.tape.of("u1", ""))
					time.Sleep(10 * time.Second)
					if got := len(p.tape.of("u1", "")) - before; got < 9 {
						t.Fatalf("round %d: %d readings in ten seconds beside a call that hangs", i, got)
					}
					close(hanging)
					synctest.Wait()
					if got := life(); got != 1 {
						t.Fatalf("round %d: %d goroutines of the line after the call returned, want 1", i, got)
					}
				}
				scans := p.tape.of("u1", "")
				for i := 1; i < len(scans); i++ {
					if scans[i].Reason == scan.Good && scans[i].Values[0] != 1000 {
						t.Fatalf("a call that hung gave the reading %d", scans[i].Values[0])
					}
					if scans[i].MonoMS < scans[i-1].MonoMS {
						t.Fatalf("scan %d lies %d ms before the last", i, scans[i-1].MonoMS-scans[i].MonoMS)
					}
				}
				if n := count(scans)[scan.PortGone]; n < times {
					t.Errorf("%d scans say that the line was gone, want one for each time it hung, %d", n, times)
				}
				if up := ups[len(ups)-1]; !up || p.Status().Lines[0].Restarted != times {
					t.Errorf("in the end up is %v, status %+v", up, p.Status().Lines[0])
				}
				p.stop()
			})
		})
	}
}

// TestHangingCallsAreBounded: a driver that never lets go is given up after some calls;
// the Poller says that only a new process helps, the other line goes on, and once the
// driver lets go the line comes back by itself.
func TestHangingCallsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, other := newDriver(1), newBus(2)
		site := siteOf(2, time.Second)
		site.Lines = append(site.Lines, site.Lines[0])
		site.Lines[1].Name, site.Devices[1].Line = "lan", "lan"
		wedged := 0
		p := start(t, site, Options{OnWedged: func(Wedge) { wedged++ },
			Dial: func(ctx context.Context, l *sitefile.Line) (Client, error) {
				if l.Name == "lan" {
					return other.dial(ctx, l)
				}
				return d.dial(ctx, l)
			}})
		d.set("read")
		const day = 24 * time.Hour
		time.Sleep(day)
		if left := p.current()[0].life.running.Load(); left > mostLeft || wedged >= mostLeft {
			t.Errorf("after a day %d goroutines of the line, begun anew %d times; the bound is %d", left, wedged, mostLeft)
		}
		if why := p.Stuck(); !strings.Contains(why, "line bus") || !strings.Contains(why, "new process") {
			t.Errorf("the Poller says %q", why)
		}
		if n := len(p.tape.of("u2", "")); n < int(day/time.Second)-1 {
			t.Errorf("the other line has %d readings of a day", n)
		}
		before := len(p.tape.of("u1", ""))
		d.release()
		time.Sleep(time.Minute)
		if n := count(p.tape.of("u1", "")[before:])[scan.Good]; n < 50 || p.Stuck() != "" {
			t.Errorf("after the driver let go: %d readings in a minute, stuck: %q", n, p.Stuck())
		}
		if left := p.current()[0].life.running.Load(); left != 1 {
			t.Errorf("%d goroutines of the line after the driver let go", left)
		}
		p.stop()
	})
}

// TestALineThatHangsAlwaysRests: a driver whose reads hang ever again, and end when the port is
// closed, is asked less and less, so that a day of it makes few events; the line is up
// only after it answered; and once it is well it is read as before.
func TestALineThatHangsAlwaysRests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var begun, said atomic.Int64
		d := newDriver(1)
		p := start(t, siteOf(1, time.Second), Options{Dial: d.dial, OnLine: func(LineStatus) { said.Add(1) },
			OnWedged: func(Wedge) {
				begun.Add(1)
				close(d.swap()) // its closing frees it
				d.set("read")
			}})
		time.Sleep(5 * time.Second)
		d.set("read")
		time.Sleep(24 * time.Hour)
		wedged, told := begun.Load(), said.Load()
		if most := int64(24*6 + 10); wedged < 100 || wedged > most || told > 10 {
			t.Errorf("in a day begun anew %d times, want 100 to %d; told %d times that it is up or down", wedged, most, told)
		}
		d.release()
		time.Sleep(lastRest)
		before := len(p.tape.of("u1", ""))
		time.Sleep(time.Minute)
		if n := count(p.tape.of("u1", "")[before:])[scan.Good]; n < 59 || !p.Status().Lines[0].Up {
			t.Errorf("once it was well: %d readings in a minute, %+v", n, p.Status().Lines[0])
		}
		p.stop()
	})
}

// TestStopLeavesAHangingLine: a stop does not wait for a driver that hangs, and says so.
func TestStopLeavesAHangingLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said bytes.Buffer
		d := newDriver(1)
		p := start(t, siteOf(1, time.Second), Options{Dial: d.dial, Log: slog.New(slog.NewTextHandler(&said, nil))})
		time.Sleep(5 * time.Second)
		d.set("read", "close")
		time.Sleep(5 * time.Second)
		began := time.Now()
		p.stop()
		if took := time.Since(began); took != StopLimit {
			t.Errorf("stopping took %v, want %v", took, StopLimit)
		}
		if !strings.Contains(said.String(), `stop and is left behind" line=bus doing="reading from u1"`) {
			t.Errorf("the log says %s", said.String())
		}
		before := len(p.tape.of("u1", ""))
		d.release()
		synctest.Wait()
		if n := len(p.tape.of("u1", "")); n != before {
			t.Errorf("%d readings after the stop", n-before)
		}
	})
}

// TestSlowIsNotHung: for ten hours lines take their time as they may, and none is taken
// for one that hangs.
func TestSlowIsNotHung(t *testing.T) {
	const long = 10 * time.Hour
	fine := func(t *testing.T) func(Wedge) { return func(w Wedge) { t.Errorf("taken for hung: %+v", w) } }
	slowBus := func(change func(*bus, *sitefile.Site)) func(t *testing.T) {
		return func(t *testing.T) {
			b, site := newBus(1, 2), siteOf(2, time.Second, time.Hour)
			site.Lines[0].Serial.Baud, site.Lines[0].ListenFirst = 9600, 2*time.Second
			change(b, site)
			p := start(t, site, Options{Dial: b.dial, OnWedged: fine(t)})
			time.Sleep(long)
			p.stop()
		}
	}
	for name, run := range map[string]func(t *testing.T){
		"answers at the last moment": slowBus(func(b *bus, s *sitefile.Site) { b.units[1].delay = 999 * time.Millisecond }),
		"silent, a patient line": slowBus(func(b *bus, s *sitefile.Site) {
			b.units[1].off, b.units[2].off, s.Lines[0].Timeout = true, true, 5*time.Minute
		}),
		"no port":      slowBus(func(b *bus, s *sitefile.Site) { b.gone = true }),
		"silent, TCP":  slowBus(func(b *bus, s *sitefile.Site) { b.units[1].off, b.units[2].off, b.spends = true, true, true }),
		"opens slowly": slowOpening(fine, long),
		"polled once a day": slowBus(func(b *bus, s *sitefile.Site) {
			for i := range s.Devices {
				for j := range s.Devices[i].Map.Channels {
					s.Devices[i].Map.Channels[j].Every = 24 * time.Hour
				}
			}
		}),
		"prints nothing": func(t *testing.T) {
			end := &textEnd{}
			site := printingSite()
			for i := range site.Devices[0].Map.Channels {
				site.Devices[0].Map.Channels[i].Every = time.Hour
			}
			p := start(t, site, Options{DialText: end.dial, OnWedged: fine(t)})
			time.Sleep(long)
			p.stop()
			end.wg.Wait()
		},
		"another master is silent": func(t *testing.T) {
			site := siteOf(1, time.Hour)
			site.Lines[0].Listen = true
			s := &shared{t: t, turn: make(chan struct{}, 1), forbidden: true}
			p := start(t, site, Options{OnWedged: fine(t), Listen: func(context.Context, *sitefile.Line) (Ears, error) {
				link, err := s.open()
				if err != nil {
					return nil, err
				}
				return modbus.NewListener(link, modbus.RTU), nil
			}})
			time.Sleep(long)
			p.stop()
			s.wg.Wait()
		},
	} {
		t.Run(name, func(t *testing.T) { synctest.Test(t, run) })
	}
}

// slowOpening opens as slowly as it may, and then is lost at the first question.
func slowOpening(fine func(t *testing.T) func(Wedge), long time.Duration) func(t *testing.T) {
	return func(t *testing.T) {
		b := newBus(1)
		b.hangUp = 1 << 30
		p := start(t, siteOf(1, time.Second), Options{OnWedged: fine(t), Dial: func(ctx context.Context, l *sitefile.Line) (Client, error) {
			select {
			case <-time.After(openLimit - time.Millisecond):
			case <-ctx.Done():
				return nil, ctx.Err()
			}
			return b.dial(ctx, l)
		}})
		time.Sleep(long)
		p.stop()
	}
}
