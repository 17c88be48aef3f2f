package poll

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// manyLines is a site of 4 serial lines with 16 units each, named a1 to d16,
// one group of a second each, and a bus for each line.
func manyLines(timeout time.Duration) (*sitefile.Site, map[string]*bus) {
	site := &sitefile.Site{}
	buses := map[string]*bus{}
	for _, name := range []string{"a", "b", "c", "d"} {
		one := siteOf(16, time.Second)
		one.Lines[0].Name, one.Lines[0].Timeout = name, timeout
		site.Lines = append(site.Lines, one.Lines[0])
		b := newBus()
		for i := range one.Devices {
			d := &one.Devices[i]
			d.Name, d.Line = fmt.Sprintf("%s%d", name, i+1), name
			b.units[d.UnitID] = &busUnit{delay: 20 * time.Millisecond}
		}
		site.Devices = append(site.Devices, one.Devices...)
		buses[name] = b
	}
	return site, buses
}

// TestSixtyFourDevices: 64 devices on 4 lines, three of them silent. The others
// keep at least 95 % of their scans, no due time is passed over, and none is
// late by more than one timeout beyond what the round itself takes.
func TestSixtyFourDevices(t *testing.T) {
	const timeout = 500 * time.Millisecond // below the period of a second
	for name, silent := range map[string][]string{
		"on three lines": {"a3", "b9", "d16"},
		"on one line":    {"a3", "a4", "a12"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				site, buses := manyLines(timeout)
				p := start(t, site, Options{Dial: func(ctx context.Context, l *sitefile.Line) (Client, error) {
					return buses[l.Name].dial(ctx, l)
				}})
				time.Sleep(5 * time.Minute)
				off := map[string]bool{}
				for i, device := range silent {
					off[device] = true
					d, _ := site.DeviceByName(device)
					buses[d.Line].with(func() { buses[d.Line].units[d.UnitID].off = true })
					if i < len(silent)-1 {
						time.Sleep(time.Minute) // they fail one after another
					}
				}
				time.Sleep(10*time.Minute - 100*time.Millisecond)
				seconds := int64((5*time.Minute + 2*time.Minute + 10*time.Minute) / time.Second)
				p.stop()
				// 16 exchanges of 20 ms after a timeout, at most.
				worst := timeout.Milliseconds() + 16*20
				for i := range site.Devices {
					device := site.Devices[i].Name
					if off[device] {
						continue
					}
					scans := p.tape.of(device, "")
					if c := count(scans); int64(c[scan.Good]) < seconds*95/100 || len(c) != 1 {
						t.Errorf("%s: %v of %d scans", device, c, seconds)
					}
					if int64(len(scans)) < seconds-1 {
						t.Errorf("%s: %d of %d due times were served: some were passed over", device, len(scans), seconds)
					}
					for k, s := range scans {
						if late := s.MonoMS - int64(k)*1000; late < 0 || late > worst {
							t.Errorf("%s: scan %d is %d ms late, at most %d are one timeout", device, k, late, worst)
							break
						}
					}
				}
				for _, device := range silent {
					d, _ := site.DeviceByName(device)
					if c := count(p.tape.of(device, "")); c[scan.Timeout] == 0 {
						t.Errorf("%s: %v, want timeouts", device, c)
					}
					// From then on a probe each 20 timeouts of at least 80 ms.
					if n := buses[d.Line].units[d.UnitID].asked; n < 300 {
						t.Errorf("%s was asked %d times", device, n)
					}
				}
				for _, l := range p.Status().Lines {
					// Three timeouts in a round are longer than the period: only the
					// silent devices' own due times may be passed over.
					if l.Missed > 1 && (name == "on three lines" || l.Line != "a") {
						t.Errorf("line %s passed over %d due times", l.Line, l.Missed)
					}
				}
			})
		})
	}
}

// TestManySilentDevicesTakeTurns: eight of sixteen die at once. After each
// timeout the living go first, so that none of them waits for two.
func TestManySilentDevicesTakeTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const timeout = 400 * time.Millisecond
		site := siteOf(16, 10*time.Second)
		site.Lines[0].Timeout = timeout
		b := newBus()
		for i := range site.Devices {
			b.units[site.Devices[i].UnitID] = &busUnit{delay: 20 * time.Millisecond}
		}
		p := start(t, site, Options{Dial: b.dial})
		time.Sleep(5 * time.Second)
		b.with(func() {
			for unit := range byte(8) {
				b.units[unit+1].off = true
			}
		})
		time.Sleep(2 * time.Minute)
		p.stop()
		for unit := 9; unit <= 16; unit++ {
			scans := p.tape.of(fmt.Sprintf("u%d", unit), "")
			for k, s := range scans[2:] { // the first round after they died finds them out
				if late := s.MonoMS - int64(k+2)*10_000; late > timeout.Milliseconds()+16*20 {
					t.Errorf("u%d: scan %d is %d ms late, more than one timeout", unit, k+2, late)
				}
			}
		}
	})
}

// TestTurnaroundIsLearnt: a round trip less the characters' time. Worked by
// hand: 8 + 7 characters of 11 bits at 19200 baud are 8.594 ms of 20.
func TestTurnaroundIsLearnt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		p := start(t, siteOf(1, time.Second), Options{Dial: b.dial})
		time.Sleep(10 * time.Second)
		p.stop()
		d := p.Status().Devices[0]
		if got, want := d.Turnaround, 20*time.Millisecond-8594*time.Microsecond; got < want-time.Microsecond || got > want+time.Microsecond {
			t.Errorf("got %v, want %v", got, want)
		}
		if _, hint := d.Hint(); len(d.Groups) != 1 || d.Groups[0] != (GroupStatus{Name: "1s", PeriodMS: 1000}) || hint != "" {
			t.Errorf("groups %+v, hint %q", d.Groups, hint)
		}
	})
}
