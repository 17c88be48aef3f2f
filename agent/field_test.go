package agent

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const fieldSite = `
[agent]
data = "data"
[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:502"
[[device]]
name = "c"
line = "net"
unit = 1
map = "map.toml"
every = "50ms"
[[device]]
name = "other"
line = "net"
unit = 2
map = "map.toml"
every = "50ms"
[[machine]]
name = "m"
roles = { fault_code = "c.code", energy = "c.energy" }
`

const fieldMap = `
name = "a code and a counter"
verify = [{ table = "holding", address = 100, type = "u16", equals = 4820 }]
[[channel]]
name = "code"
role = "fault_code"
table = "input"
address = 0
type = "u16"
faults = { 3 = "high discharge temperature" }
[[channel]]
name = "energy"
role = "energy"
table = "input"
address = 1
type = "u16"
unit = "kWh"
`

// registers is a line in memory whose unit 1 is what the map says and whose
// unit 2 is not.
type registers struct {
	mu           sync.Mutex // protects all below
	code, energy uint16
	reads        int // of the input registers of unit 1
}

func (r *registers) set(code, energy uint16) (reads int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.code, r.energy = code, energy
	return r.reads
}

func (r *registers) readsSince(before int) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.reads - before
}

func (r *registers) Read(_ context.Context, unit byte, req frame.ReadRequest, _ time.Duration) ([]byte, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if req.Function == frame.ReadHoldingRegisters {
		if unit == 2 {
			return []byte{0, 17}, nil
		}
		return []byte{4820 >> 8, 4820 & 0xff}, nil
	}
	r.reads++
	return []byte{byte(r.code >> 8), byte(r.code), byte(r.energy >> 8), byte(r.energy)}, nil
}

func (r *registers) Err() error   { return nil }
func (r *registers) Close() error { return nil }

// TestFieldEventsAreKept: a running agent keeps a fault that comes and goes, a
// counter that wraps and one that begins anew, and says which device has
// another map.
func TestFieldEventsAreKept(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), fieldSite, fieldMap)
	r := &registers{energy: 65535}
	a, err := Open(site, Options{Dial: func(context.Context, *sitefile.Line) (poll.Client, error) { return r, nil }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx, "", nil) }()
	// Each state of the registers is seen by at least one whole scan.
	await := func(what string, reached func() bool) {
		t.Helper()
		for end := time.Now().Add(20 * time.Second); !reached(); time.Sleep(5 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("waited 20 s for %s", what)
			}
		}
	}
	seen := func(before int) { await("two scans", func() bool { return r.readsSince(before) >= 2 }) }
	seen(0)
	seen(r.set(3, 2))
	seen(r.set(0, 2))
	seen(r.set(0, 0))
	await("the other device to be down", func() bool {
		return slices.ContainsFunc(a.State().Devices, func(d DeviceState) bool { return d.Device == "other" && d.Reason == "wrong map" })
	})
	for _, d := range a.State().Devices {
		if d.Device == "other" && (d.Up || !strings.Contains(d.Detail, "holding register 100 (u16) should be 4820, but is 17")) {
			t.Errorf("state of the other device: %+v", d)
		}
	}
	if c := a.State().Channels["other.energy"]; c.Value != nil || c.Reason != scan.StartMismatch.String() {
		t.Errorf("channel of the other device: %+v", c)
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}

	h, err := OpenHistory(site, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	page, err := h.Events(EventQuery{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range page.Events {
		switch e.Kind {
		case "fault":
			got = append(got, e.Subject+" "+e.Data["state"]+" "+e.Data["code"])
		case "counter_wrapped", "counter_reset":
			got = append(got, e.Subject+" "+e.Kind+" "+e.Data["before"]+" to "+e.Data["after"])
		case "device_down":
			if e.Subject != "other" || !strings.HasPrefix(e.Text, "device other has another map: unit 2 is not what ") {
				t.Errorf("event %+v", e)
			}
			got = append(got, "down "+e.Data["reason"])
		}
	}
	slices.Sort(got)
	want := []string{"down wrong map", "m cleared 3", "m counter_reset 2 kWh to 0 kWh", "m counter_wrapped 65535 kWh to 2 kWh", "m raised 3"}
	if !slices.Equal(got, want) {
		t.Errorf("events\n%q\nwant\n%q", got, want)
	}
}

func TestDeviceStateShowsWhatIsLearnt(t *testing.T) {
	d := poll.DeviceStatus{Device: "c", Line: "net", Up: true, Turnaround: 11_406 * time.Microsecond,
		Groups: []poll.GroupStatus{{Name: "1s", PeriodMS: 1000}, {Name: "250ms", PeriodMS: 250, RefreshMS: 1000}}}
	s := deviceState(d)
	if s.TurnaroundMS != 11.406 || s.RefreshMS != 1000 || !strings.HasPrefix(s.Hint, "polled each 250 ms, changes about each 1 s: 3 of 4 readings are copies") {
		t.Errorf("got %+v", s)
	}
	d.Groups = d.Groups[:1]
	if s := deviceState(d); s.RefreshMS != 0 || s.Hint != "" {
		t.Errorf("without copies: got %+v", s)
	}
}
