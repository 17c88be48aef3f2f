package agent

import (
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

const alarmSite = `
[site]
name = "Test"
[agent]
data = "data"
[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:502"
[[device]]
name = "c"
line = "net"
map = "map.toml"
every = "1s"
instrument = { calibrated = "2023-01-10", calibration_months = 12 }
[[machine]]
name = "m"
channels = { c = "*" }
motor = { starts_per_hour = 3 }
service = [{ item = "oil", hours = 4000 }]
[[system]]
name = "main"
machines = ["m"]
minimum_pressure = "6 bar"
parts = [{ name = "receiver", kind = "receiver", volume = "1 m³" }]
taps = [{ at = "receiver", pressure = "c.pressure" }]
`

const alarmMap = `
name = "alarms"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "heat"
role = "discharge_temperature"
table = "input"
address = 0
type = "u16"
unit = "°C"
[[channel]]
name = "code"
role = "fault_code"
table = "input"
address = 1
type = "u16"
faults = { 3 = "air end too hot" }
[[channel]]
name = "pressure"
table = "input"
address = 2
type = "u16"
scale = 0.01
unit = "bar"
[[channel]]
name = "running"
role = "motor_running"
table = "coil"
address = 0
type = "bit"
[[channel]]
name = "loaded"
role = "loaded"
table = "coil"
address = 1
type = "bit"
`

const scanAlarms = `
[[alarm]]
name = "hot"
on = "temperature"
above = "105 °C"
after = "3s"
clear_after = "2s"
[[alarm]]
name = "low"
on = "pressure below minimum"
after = "10s"
[[alarm]]
name = "fault"
on = "fault"
clear_after = "0s"
`

// nobodyListens is a target that takes nothing.
const nobodyListens = `
[[webhook]]
name = "dispatch"
url = "http://127.0.0.1:9/"
secret_file = "dispatch"
`

// alarmRig is an agent that nothing is polled for: its scans come by hand.
type alarmRig struct {
	t     *testing.T
	a     *Agent
	clock *manualClock
}

func openAlarmRig(t *testing.T, dir, alarms string, clock *manualClock, o Options) *alarmRig {
	t.Helper()
	site := loadTestSite(t, dir, alarmSite+alarms, alarmMap)
	o.Dial, o.Clock = noLine, clock
	a, err := Open(site, o)
	if err != nil {
		t.Fatal(err)
	}
	return &alarmRig{t, a, clock}
}

// reading lets the agent see a second later what the registers then say; nil: no
// answer.
func (r *alarmRig) reading(heat, code, centibar int64) {
	r.clock.advance(1000)
	mono, wall := r.clock.Now()
	for _, g := range r.a.groups {
		s := scan.Scan{Group: g, MonoMS: mono, WallMS: wall, Values: make([]int64, len(g.Channels))}
		for i := range g.Channels {
			s.Values[i] = map[string]int64{"heat": heat, "code": code, "pressure": centibar}[g.Channels[i].Name]
		}
		r.a.watch.step(&s)
		r.a.seeAlarms(&s)
	}
}

// keep brings what waits to the store.
func (r *alarmRig) keep() {
	for len(r.a.events) > 0 {
		r.a.keepEvent(<-r.a.events)
	}
}

// history is each kept event of the kind alarm, oldest first: its second, state, rule.
func (r *alarmRig) history() string {
	r.t.Helper()
	r.keep()
	page, err := r.a.Events(EventQuery{Kinds: []string{kindAlarm}, Limit: 1000, ToMS: testStartMS + 1e9})
	if err != nil {
		r.t.Fatal(err)
	}
	var words []string
	for i := len(page.Events) - 1; i >= 0; i-- {
		e := page.Events[i]
		words = append(words, strings.Join([]string{time.UnixMilli(int64(e.Time)).UTC().Format("4:05"), e.Data["rule"], e.Data["state"]}, " "))
	}
	return strings.Join(words, "; ")
}

func (r *alarmRig) alarms() Alarms {
	r.t.Helper()
	all, err := r.a.Alarms()
	if err != nil {
		r.t.Fatal(err)
	}
	return all
}
