package agent

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// watchedSite is a site with one machine: a fault code, an hour meter in tenths
// of an hour, an energy counter that ends at 65535, and a floating one.
func watchedSite(t *testing.T) (*sitefile.Site, *scan.Group) {
	t.Helper()
	channel := func(name string, role scan.Role, typ string, scale float64, unit string) sitefile.MapChannel {
		u, err := quantity.ParseUnit(unit)
		if err != nil {
			t.Fatal(err)
		}
		return sitefile.MapChannel{Name: name, Role: role, Table: sitefile.Input, Type: typ, Bit: -1, Scale: scale,
			Unit: u, UnitText: unit, Every: time.Second}
	}
	m := &sitefile.RegisterMap{Protocol: "modbus", Channels: []sitefile.MapChannel{
		channel("code", scan.FaultCode, "u16", 1, "1"),
		channel("hours", scan.RunHours, "u32", 0.1, "h"),
		channel("energy", scan.Energy, "u16", 1, "kWh"),
		channel("starts", "", "f32", 1, "1"), // a counter by the machine's roles only
		channel("pressure", scan.DischargePressure, "u16", 0.1, "psi"),
	}}
	m.Channels[0].Faults = map[int64]string{3: "high discharge temperature"}
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	site := &sitefile.Site{Location: chicago,
		Devices:  []sitefile.Device{{Name: "controller", Map: m, Every: time.Second}},
		Machines: []sitefile.Machine{{Name: "comp1", Roles: map[scan.Role]string{scan.FaultCode: "controller.code", scan.StartCount: "controller.starts"}}}}
	return site, sitefile.Groups(site)[0]
}

// at is a scan at a second of 2026-11-25 from 18:00 UTC (12:00 in Chicago).
func at(g *scan.Group, second int64, values ...int64) *scan.Scan {
	noon := time.Date(2026, 11, 25, 18, 0, 0, 0, time.UTC).UnixMilli()
	return &scan.Scan{Group: g, MonoMS: second * 1000, WallMS: noon + second*1000, Values: values}
}

func TestFaultsBecomeEvents(t *testing.T) {
	site, g := watchedSite(t)
	w := newWatch(site, []*scan.Group{g}, nil, 0)
	code := func(second, code int64) *scan.Scan { return at(g, second, code, 0, 0, 0, 0) }
	var got []string
	var kept []store.Event
	take := func(s *scan.Scan) {
		for _, e := range w.step(s) {
			if e.Kind != "fault" || e.Subject != "comp1" || e.WallMS != s.WallMS || e.Data["channel"] != "controller.code" {
				t.Errorf("event %+v of a scan at %d", e, s.WallMS)
			}
			got = append(got, e.Text)
			kept = append(kept, e)
		}
	}
	lost := code(91, 0)
	lost.Reason, lost.Values = scan.Timeout, nil
	absent := code(92, 0)
	absent.Quality = []scan.Reason{scan.Absent, 0, 0, 0, 0}
	for _, s := range []*scan.Scan{code(0, 0), code(60, 3), code(61, 3), code(90, 3), lost, absent, code(93, 3),
		code(180, 0), code(181, 0), code(600, 3), code(601, 9), code(700, 0)} {
		take(s)
	}
	want := []string{
		"high discharge temperature (code 3): for the first time on record",
		"high discharge temperature (code 3): cleared after 2 min 0 s",
		"high discharge temperature (code 3): 2 times on record, before this at 2026-11-25 12:01",
		"fault code 9: for the first time on record",
		"fault code 9: cleared after 1 min 39 s",
	}
	if fmt.Sprintf("%q", got) != fmt.Sprintf("%q", want) {
		t.Errorf("got\n%q\nwant\n%q", got, want)
	}
	if d := kept[2].Data; d["times"] != "2" || d["last"] != "2026-11-25T18:01:00.000Z" || d["state"] != "raised" || d["code"] != "3" || d["before"] != "0" {
		t.Errorf("data of the third: %v", d)
	}

	// Another start of the agent knows what was kept, and tells nothing twice.
	first := slices.Clone(kept)
	w = newWatch(site, []*scan.Group{g}, first[:3], 0)
	got = nil
	take(code(800, 3))
	take(code(860, 0))
	take(code(900, 3))
	want = []string{"high discharge temperature (code 3): cleared after 4 min 20 s",
		"high discharge temperature (code 3): 3 times on record, before this at 2026-11-25 12:10"}
	if fmt.Sprintf("%q", got) != fmt.Sprintf("%q", want) {
		t.Errorf("after a restart: got\n%q\nwant\n%q", got, want)
	}
	w = newWatch(site, []*scan.Group{g}, first, 0)
	got = nil
	if take(code(900, 0)); len(got) != 0 {
		t.Errorf("a fault that was cleared before the restart: got %q", got)
	}
}

func TestCountersBecomeEvents(t *testing.T) {
	const one, ten = 0x3F800000, 0x41200000 // 1 and 10 as binary32 (IEEE 754)
	for _, tt := range []struct {
		name          string
		second        int64 // of the second scan; the first is at 0
		before, after [5]int64
		want          []string // kind and text
	}{
		{"all rise", 1, [5]int64{0, 100, 100, one, 9}, [5]int64{0, 100, 101, ten, 3}, nil},
		{"energy over the end", 1, [5]int64{0, 100, 65535, one, 0}, [5]int64{0, 100, 2, one, 0},
			[]string{"counter_wrapped controller.energy went over the end of its register, from 65535 kWh to 2 kWh: figures count across it"}},
		{"a restart clears all", 5, [5]int64{0, 51203, 1000, ten, 0}, [5]int64{0, 0, 0, one, 0}, []string{
			"counter_reset controller.hours fell from 5120.3 h to 0.0 h: the device was restarted, reset or changed; what it counted meanwhile is not known",
			"counter_reset controller.energy fell from 1000 kWh to 0 kWh",
			"counter_reset controller.starts fell from 10 to 1"}},
		{"hours faster than time", 2, [5]int64{0, 1000, 0, one, 0}, [5]int64{0, 51203, 0, one, 0},
			[]string{"counter_reset controller.hours went from 100.0 h to 5120.3 h within 2s, faster than time"}},
		{"hours step by their resolution", 1, [5]int64{0, 1000, 0, one, 0}, [5]int64{0, 1001, 0, one, 0}, nil},
		{"hours through a long gap", 36000, [5]int64{0, 1000, 0, one, 0}, [5]int64{0, 1100, 0, one, 0}, nil},
		{"hours through a gap too short for them", 3600, [5]int64{0, 1000, 0, one, 0}, [5]int64{0, 1100, 0, one, 0},
			[]string{"counter_reset controller.hours went from 100.0 h to 110.0 h within 1h0m0s"}},
	} {
		site, g := watchedSite(t)
		w := newWatch(site, []*scan.Group{g}, nil, 0)
		if events := w.step(at(g, 0, tt.before[:]...)); len(events) != 0 {
			t.Errorf("%s: the first scan gives %+v", tt.name, events)
		}
		lost := at(g, 0)
		lost.Reason = scan.Timeout
		w.step(lost) // a gap does not hide the fall behind it
		events := w.step(at(g, tt.second, tt.after[:]...))
		if len(events) != len(tt.want) {
			t.Errorf("%s: got %+v, want %d events", tt.name, events, len(tt.want))
			continue
		}
		for i, e := range events {
			if got := e.Kind + " " + e.Text; !strings.HasPrefix(got, tt.want[i]) || e.Data["before"] == "" || e.Data["after"] == "" || e.Data["channel"] == "" {
				t.Errorf("%s: got %q with %v, want %q", tt.name, got, e.Data, tt.want[i])
			}
		}
	}
}

// A fault that came while the clock said 1970 comes after older ones all the
// same: it is on at the next start, and not told a second time.
func TestFaultRaisedWithoutAClockIsOnAfterAStart(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), historySite, eventsMap)
	rec, err := OpenRecorder(site, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	for _, f := range []struct {
		state  string
		wallMS int64
	}{{"raised", testStartMS}, {"cleared", testStartMS + 60_000}, {"raised", 13_000}} {
		if _, err := rec.history.store.AppendEvent(store.Event{Kind: kindFault, Subject: "m", WallMS: f.wallMS,
			Data: map[string]string{"channel": "c.code", "state": f.state, "code": "3"}}); err != nil {
			t.Fatal(err)
		}
	}
	w, err := rec.history.watch()
	if err != nil {
		t.Fatal(err)
	}
	g := rec.Groups()[0]
	s := scan.Scan{Group: g, MonoMS: 1000, WallMS: testStartMS + 120_000, Values: make([]int64, len(g.Channels))}
	s.Values[g.Index("code")] = 3
	if told := w.step(&s); len(told) != 0 {
		t.Errorf("the fault that is on is told again: %+v", told)
	}
}
