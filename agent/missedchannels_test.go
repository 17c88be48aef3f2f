package agent

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

// Two bits and three readings, of which a wrong map leaves some without a value.
const silentMap = historyMap + `
[[channel]]
name = "pressure"
role = "discharge_pressure"
table = "input"
address = 0
type = "u16"
scale = 0.1
unit = "psi"
valid = [0, 250]
[[channel]]
name = "hot"
role = "discharge_temperature"
table = "input"
address = 1
type = "u16"
scale = 0.1
unit = "°C"
valid = [-40, 150]
[[channel]]
name = "power"
role = "power"
table = "input"
address = 2
type = "i16"
scale = 0.1
unit = "kW"
`

// The power comes from a meter, which is not the device that tells the states.
var silentSite = strings.Replace(historySite, `channels = { c = "*" }`, `channels = { c = "*", d = ["power"] }`, 1) + `
[[device]]
name = "d"
line = "net"
unit = 2
map = "map.toml"
every = "1s"
`

// TestMissedChannels: scans that come, with channels in them that have no good value,
// are no gap; the channels are named with their reason, and what is missed of a device
// that was not read at all is not said a second time.
func TestMissedChannels(t *testing.T) {
	all := func(from, to int64) func(int64) bool { return func(s int64) bool { return s >= from && s < to } }
	for _, tt := range []struct {
		name   string
		spoil  map[string]scan.Reason
		when   func(s int64) bool
		silent bool // the meter is silent from 300 to 600 s
		from   int64
		want   string
		toDo   string
	}{
		{name: "all is read", when: all(0, 0)},
		{name: "a wrong map", spoil: map[string]scan.Reason{"running": scan.Exception, "loaded": scan.Exception}, when: all(0, 900),
			want: "c.running device exception 899 s in 1, lasts; c.loaded device exception 899 s in 1, lasts",
			toDo: "c was read, but gave no good value of 2 channels for up to 15 min (device exception): running, loaded."},
		{name: "outside the map's range", spoil: map[string]scan.Reason{"pressure": scan.Implausible}, when: all(0, 900),
			want: "c.pressure implausible 899 s in 1, lasts",
			toDo: "c was read, but gave no good value of pressure for 15 min (implausible)."},
		{name: "a sensor's fault, over", spoil: map[string]scan.Reason{"hot": scan.SensorFault}, when: all(100, 220),
			want: "c.hot sensor fault 119 s in 1", toDo: "no good value of hot for 1 min 59 s (sensor fault)."},
		{name: "less than a minute", spoil: map[string]scan.Reason{"hot": scan.SensorFault}, when: all(100, 150)},
		{name: "a meter that was silent", when: all(0, 0), silent: true},
		{name: "a meter that was silent before the window too", when: all(0, 0), silent: true, from: 400},
		{name: "a fault of the meter, then a silent one", spoil: map[string]scan.Reason{"power": scan.Exception}, when: all(200, 300), silent: true,
			want: "d.power device exception 99 s in 1", toDo: "d was read, but gave no good value of power for 1 min 39 s (device exception)."},
		{name: "both", spoil: map[string]scan.Reason{"hot": scan.Absent}, when: all(0, 900), silent: true,
			want: "c.hot no value 899 s in 1, lasts", toDo: "no good value of hot"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), silentSite, silentMap), Options{Clock: &manualClock{wall: testStartMS}})
			if err != nil {
				t.Fatal(err)
			}
			defer rec.Close()
			var batch []scan.Scan
			for s := range int64(900) {
				for _, group := range rec.Groups() {
					one := scan.Scan{Group: group, MonoMS: s * 1000, WallMS: testStartMS + s*1000}
					if tt.silent && group.Device == "d" && s >= 300 && s < 600 {
						one.Reason = scan.Timeout
						batch = append(batch, one)
						continue
					}
					one.Values, one.Quality = make([]int64, len(group.Channels)), make([]scan.Reason, len(group.Channels))
					for i := range group.Channels {
						one.Values[i] = 1
						c := group.Channels[i].Name
						if c == "power" { // one below zero cannot be, and was read well
							one.Values[i] = -900
						}
						if why, ok := tt.spoil[c]; ok && (group.Device == "d") == (c == "power") && tt.when(s) {
							one.Values[i], one.Quality[i] = 65000, why
						}
					}
					batch = append(batch, one)
				}
			}
			if err := rec.Append(batch); err != nil {
				t.Fatal(err)
			}
			h := rec.history
			stats := h.store.Stats()
			m, err := h.missed(testStartMS+tt.from*1000, testStartMS+900_000, time.UnixMilli(testStartMS+900_000), &stats)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, c := range m.Channels {
				line := fmt.Sprintf("%s %s %.0f s in %d", c.Channel, c.Reason, c.ForS, c.Spells)
				if c.Open {
					line += ", lasts"
				}
				if c.Mend == "" || !strings.HasPrefix(c.Channel, c.Device+".") || c.From < m.From || c.To > m.To {
					t.Errorf("%+v", c)
				}
				got = append(got, line)
			}
			if strings.Join(got, "; ") != tt.want {
				t.Errorf("channels %q, want %q", got, tt.want)
			}
			if gaps := len(m.Gaps); gaps != 0 != tt.silent {
				t.Errorf("%d gaps, a silent meter: %v", gaps, tt.silent)
			}
			about := aboutOf(m.ToDo)
			if !strings.Contains(about, tt.toDo) || strings.Contains(about, "channel: ") != (tt.toDo != "") {
				t.Errorf("to do %s; want %q", about, tt.toDo)
			}
		})
	}
}
