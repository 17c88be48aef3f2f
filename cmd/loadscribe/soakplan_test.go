package main

import (
	"cmp"
	"context"
	"math/rand/v2"
	"net/http"
	"slices"
	"sync/atomic"
	"time"
)

// soakSite is the soaked shop: a machine on the network, its meter and a gauge
// on a serial line.
const soakSite = `
[site]
name = "Harrow Lane Joinery"
timezone = "America/Chicago"
shifts = ["Mon-Fri 06:00-18:00"]
[agent]
keep_raw = "5d"
backup = { dir = "copies", every = "1d", keep = 2 }
[[line]]
name = "net"
kind = "modbus-tcp"
address = "192.0.2.7:502"
timeout = "250ms"
[[line]]
name = "bus"
kind = "modbus-rtu"
port = "COM10"
serial = "115200 8E1"
timeout = "250ms"
[[device]]
name = "controller"
line = "net"
unit = 1
map = "maps/screw-controller.toml"
every = "%[1]s"
[[device]]
name = "meter"
line = "bus"
unit = 2
map = "maps/power-meter.toml"
every = "%[1]s"
[[device]]
name = "inputs"
line = "bus"
unit = 3
map = "maps/receiver.toml"
every = "%[1]s"
[[machine]]
name = "comp1"
control = "load/unload"
rated_flow = "185 cfm"
rated_pressure = "125 psi"
rated_power = "37 kW"
motor = { power = "50 hp", poles = 4, volts = "460 V", starts_per_hour = 6 }
channels = { controller = "*", meter = "*" }
[[system]]
name = "main"
machines = ["comp1"]
minimum_pressure = "95 psi"
parts = [{ name = "receiver", kind = "receiver", volume = "240 gal" }]
taps = [{ at = "receiver", pressure = "inputs.pressure" }]
[[remote_write]]
name = "owner"
url = "https://metrics.example/api/v1/write"
site = "lane"
every = "60s"
[[alarm]]
name = "warm"
on = "temperature"
machine = "comp1"
role = "discharge_temperature"
above = "185 °F"
back = "1 K"
after = "0s"
[[alarm]]
name = "low"
on = "pressure below minimum"
system = "main"
[[alarm]]
name = "silent"
on = "no data"
priority = "low"
`

const soakMap = `
name = "Receiver gauge"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "pressure"
role = "receiver_pressure"
table = "input"
address = 0
type = "u16"
scale = 0.1
unit = "psi"
`

// soakSampleAt is the time of day at which memory is looked at: nothing else happens
// from an hour before until then.
const soakSampleAt = 12*time.Hour + 30*time.Minute

// soakRun is one run of the agent, from and to a time since the soak's beginning.
type soakRun struct{ from, to time.Duration }

// soakAct is what befalls the plant or the computer.
type soakAct struct {
	at time.Duration
	do func(*soak)
}

// soakPlan is what happens in the month, by chance but always the same.
type soakPlan struct {
	runs     []soakRun
	acts     []soakAct
	troubles map[string][]soakWindow
	steps    int // of the clock while the agent runs
	cutAt    []time.Duration
	cutsSeen int          // of a line, in a run
	wrong    atomic.Int64 // ms, what the wall clock is ahead
}

func newSoakPlan(days int) *soakPlan {
	p := &soakPlan{troubles: map[string][]soakWindow{}}
	r := rand.New(rand.NewPCG(12, 30))
	between := func(from, to time.Duration) time.Duration {
		return (from + time.Duration(r.Int64N(int64(to-from)))).Round(time.Second)
	}
	for d := range days {
		day := time.Duration(d) * 24 * time.Hour
		night, evening := func() time.Duration { return day + between(0, 9*time.Hour) }, func() time.Duration { return day + between(13*time.Hour, 23*time.Hour) }
		p.cut("net", night(), between(time.Minute, time.Hour), "controller")
		p.cut("net", evening(), between(2*time.Second, 2*time.Minute), "controller")
		if d%2 == 0 {
			p.cut("bus", evening(), between(time.Second, 30*time.Minute), "meter", "inputs")
		}
		unit := byte(1 + d%3)
		p.mute(unit, []string{"controller", "meter", "inputs"}[d%3], night(), between(10*time.Second, 90*time.Minute))
	}
	// Many short runs, then one that nobody interrupts: what grows within a run would end
	// with it.
	half, end := time.Duration(days)*12*time.Hour, time.Duration(days)*24*time.Hour
	for from := time.Duration(0); from < end; {
		to := from.Truncate(24*time.Hour) + 24*time.Hour*time.Duration(r.Int64N(2)) + between(14*time.Hour, 23*time.Hour)
		if to < from+time.Hour {
			to += 24 * time.Hour
		}
		if from >= half || to > end {
			to = end
		}
		to += 500 * time.Millisecond // between two due times
		p.runs = append(p.runs, soakRun{from, to})
		from = to.Truncate(time.Second) + between(5*time.Second, 59*time.Minute)
	}
	p.setClocks(days)
	p.loseReceiver(days)
	for _, at := range p.cutAt {
		if slices.ContainsFunc(p.runs, func(r soakRun) bool { return at > r.from && at < r.to }) {
			p.cutsSeen++
		}
	}
	slices.SortFunc(p.acts, func(a, b soakAct) int { return cmp.Compare(a.at, b.at) })
	return p
}

func (p *soakPlan) trouble(device string, at, lasts time.Duration) {
	p.troubles[device] = append(p.troubles[device], soakWindow{at.Milliseconds(), (at + lasts).Milliseconds()})
}

// cut severs a line of devices.
func (p *soakPlan) cut(line string, at, lasts time.Duration, devices ...string) {
	p.cutAt = append(p.cutAt, at)
	p.acts = append(p.acts, soakAct{at, func(s *soak) { s.lines.sever(line, time.Now().Add(lasts)) }})
	for _, d := range devices {
		p.trouble(d, at, lasts)
	}
}

// mute silences a device.
func (p *soakPlan) mute(unit byte, device string, at, lasts time.Duration) {
	p.acts = append(p.acts, soakAct{at, func(s *soak) { s.lines.plant.mute(unit, time.Now().Add(lasts)) }})
	p.trouble(device, at, lasts)
}

// setClocks steps the wall clock back and forth, once by more than a day, and
// has it say 1970 at the start of one run until the network tells the time.
func (p *soakPlan) setClocks(days int) {
	step := func(at, by time.Duration) {
		if at < time.Duration(days)*24*time.Hour {
			p.steps++
			p.acts = append(p.acts, soakAct{at, func(s *soak) { s.plan.wrong.Add(by.Milliseconds()) }})
		}
	}
	at := func(day int, of time.Duration) time.Duration { return time.Duration(day)*24*time.Hour + of }
	step(at(0, 10*time.Hour), time.Hour)
	step(at(1, 2*time.Hour), -time.Hour)
	step(at(4, 3*time.Hour), -3*time.Minute)
	step(at(7, 3*time.Hour), 26*time.Hour)
	step(at(7, 5*time.Hour), -26*time.Hour)
	step(at(10, 9*time.Hour), 40*time.Second)
	step(at(19, 9*time.Hour), -30*time.Minute)
	step(at(24, 14*time.Hour), 30*time.Minute)
	if len(p.runs) > 6 {
		unset := -56 * 365 * 24 * time.Hour
		from := p.runs[5].from
		p.acts = append(p.acts, soakAct{from - time.Second, func(s *soak) { s.plan.wrong.Add(unset.Milliseconds()) }})
		step(from+20*time.Minute, -unset)
	}
}

// The days on which the receiver of samples is away, in the second half: it hangs at
// first, and is then refused by what stands before it.
const soakAwayFrom, soakAwayTo = 20, 23

func (p *soakPlan) loseReceiver(days int) {
	if days <= soakAwayTo {
		return
	}
	for day, status := range map[int]int{soakAwayFrom: 0, soakAwayFrom + 1: http.StatusServiceUnavailable, soakAwayTo: http.StatusNoContent} {
		p.acts = append(p.acts, soakAct{time.Duration(day)*24*time.Hour + 7*time.Hour, func(s *soak) { s.engine.Set(status) }})
	}
}

// act does it all, each at its time.
func (p *soakPlan) act(ctx context.Context, s *soak) {
	for _, a := range p.acts {
		select {
		case <-time.After(time.Until(s.origin.Add(a.at))):
			a.do(s)
		case <-ctx.Done():
			return
		}
	}
}

// soakClock is a clock of an agent's run, whose wall time can be wrong.
type soakClock struct {
	origin time.Time // when the soak began
	began  time.Time // when the run did
	wrong  *atomic.Int64
}

// soakWall is the wall time at which the soak begins: a Monday, midnight UTC.
var soakWall = time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC)

// Now implements scan.Clock.
func (c *soakClock) Now() (monoMS, wallMS int64) {
	return time.Since(c.began).Milliseconds(), soakWall.UnixMilli() + time.Since(c.origin).Milliseconds() + c.wrong.Load()
}

// Boot implements scan.Booted: the computer was started when the soak began.
func (c *soakClock) Boot() (id string, beganMS int64, ok bool) {
	return "one start", c.began.Sub(c.origin).Milliseconds(), true
}
