package dashboard

import (
	"errors"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"go.uber.org/goleak"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/publish"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// noon is 2026-03-02T12:00:00Z.
const noon = 1_772_452_800_000

// shop is a Backend with fixed answers: an invented joinery.
type shop struct {
	site   *sitefile.Site
	groups []*scan.Group
	scans  []scan.Scan

	mu      sync.Mutex // protects what follows
	state   agent.State
	failing error // what every query of the store returns
	unready string
	asked   []string // windows asked for, "name from to"
}

func newShop() *shop {
	psi := quantity.Unit{Symbol: "psi", Dimension: quantity.Pressure, Scale: 6894.757293168361}
	kW := quantity.Unit{Symbol: "kW", Dimension: quantity.Power, Scale: 1000}
	registers := &sitefile.RegisterMap{Name: "screw controller (invented)", Protocol: "modbus", Channels: []sitefile.MapChannel{
		{Name: "discharge_pressure", Role: scan.DischargePressure, Table: sitefile.Input, Type: "u16", Bit: -1, Scale: 0.1, Unit: psi, UnitText: "psi", Valid: &[2]float64{0, 250}, Every: 250 * time.Millisecond},
		{Name: "loaded", Role: scan.Loaded, Table: sitefile.Holding, Type: "u16", Bit: 3, Scale: 1, UnitText: "1", Unit: quantity.Unit{Symbol: "1", Scale: 1}},
	}}
	meter := &sitefile.RegisterMap{Name: "power meter (invented)", Protocol: "modbus", Channels: []sitefile.MapChannel{
		{Name: "power", Role: scan.Power, Table: sitefile.Input, Type: "f32", Bit: -1, Scale: 1, Unit: kW, UnitText: "kW"},
	}}
	b := &shop{site: &sitefile.Site{
		Hash: "5f", Name: "Harrow Lane Joinery", Location: time.FixedZone("shop", -6*3600), Units: quantity.US, BarometerPa: 98800,
		Shifts: []sitefile.WeekWindow{{Text: "Mon-Fri 07:00-16:00"}},
		Tariff: sitefile.Tariff{Currency: "USD"},
		Lines: []sitefile.Line{
			{Name: "bus", Kind: sitefile.ModbusRTU, Port: "COM3"},
			{Name: "net", Kind: sitefile.ModbusTCP, Address: "192.0.2.7:502"},
		},
		Devices: []sitefile.Device{
			{Name: "controller", Line: "bus", UnitID: 1, Map: registers, Every: time.Second},
			{Name: "meter", Line: "net", UnitID: 2, Map: meter, Every: 2 * time.Second},
		},
		Machines: []sitefile.Machine{
			{Name: "comp1", Control: sitefile.LoadUnload, RatedFlowM3S: 0.0873, RatedPowerW: 37000, RatedPressurePa: 861845,
				CutInPa: 689476, CutOutPa: 792897, NoLoadStop: 5 * time.Minute, Motor: sitefile.Motor{StartsPerHour: 6},
				Roles: map[scan.Role]string{scan.DischargePressure: "controller.discharge_pressure", scan.Power: "meter.power"}},
			{Name: "comp2", Control: sitefile.VariableSpeed},
		},
		Systems: []sitefile.System{
			{Name: "main", Machines: []string{"comp1", "comp2"}, MinimumPressurePa: 620528,
				Parts: []sitefile.Part{{Name: "receiver", Kind: "receiver", VolumeM3: 0.908}, {Name: "dryer", Kind: "dryer"}},
				Taps:  []sitefile.Tap{{At: "receiver", Pressure: "controller.discharge_pressure"}}},
			{Name: "bare"},
		},
	}}
	b.groups = []*scan.Group{
		{ID: 1, Device: "controller", Name: "250ms", PeriodMS: 250, Channels: []scan.Channel{{Device: "controller", Name: "discharge_pressure", Kind: scan.KindInt, Scale: 0.1, Unit: "psi"}}},
		{ID: 2, Device: "controller", Name: "1s", PeriodMS: 1000, Channels: []scan.Channel{{Device: "controller", Name: "loaded", Kind: scan.KindInt, Bit: true, Scale: 1, Unit: "1"}}},
		{ID: 3, Device: "meter", Name: "2s", PeriodMS: 2000, Channels: []scan.Channel{{Device: "meter", Name: "power", Kind: scan.KindFloat32, Scale: 1, Unit: "kW"}}},
	}
	b.scans = []scan.Scan{
		{Seq: 1, Group: b.groups[0], WallMS: noon, Values: []int64{1034}},
		{Seq: 2, Group: b.groups[2], WallMS: noon + 10, Reason: scan.Timeout},
		{Seq: 3, Group: b.groups[1], WallMS: noon + 20, Values: []int64{1}},
	}
	b.state = shopState()
	return b
}

func shopState() agent.State {
	pressure := 103.4
	return agent.State{
		DurableSeq: 2, LastSeq: 3, Time: noon + 500, Started: noon - 60_000, Version: "0.1.0",
		Machines: []agent.MachineState{
			{Machine: "comp1", State: "loaded", Since: noon - 5000, SinceKnown: true, Method: "loaded bit", StartsLastHour: 2, PressureTrend: "rising"},
			{Machine: "comp2", State: "unobserved", Reason: "timeout", PressureTrend: "unknown"},
		},
		Channels: map[string]agent.ChannelState{
			"controller.discharge_pressure": {Value: &pressure, Time: noon, Reason: "good"},
			"meter.power":                   {Reason: "timeout", Stale: true},
		},
		Devices: []agent.DeviceState{
			{Device: "controller", Line: "bus", Up: true, LastScan: noon, RoundTripMS: 12.5, Scans: 2},
			{Device: "meter", Line: "net", Reason: "timeout", Errors: map[string]int64{"timeout": 3}},
		},
		Lines: []agent.LineState{{Line: "bus", Up: true}, {Line: "net", Detail: "connection refused"}},
		Store: agent.StoreState{OK: true, DirectoryBytes: 4096, ClockSet: true},
		Awake: agent.AwakeState{Sleep: "may", How: "systemd's login manager", Why: "This computer is set to sleep.", Mend: "Switch sleep off."},
	}
}

func (b *shop) ask(what string, fromMS, toMS int64) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.asked = append(b.asked, what+" "+agent.Stamp(fromMS).String()+" "+agent.Stamp(toMS).String())
	return b.failing
}

func (b *shop) lastAsked() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.asked) == 0 {
		return ""
	}
	return b.asked[len(b.asked)-1]
}

func (b *shop) Site() *sitefile.Site  { return b.site }
func (b *shop) Groups() []*scan.Group { return b.groups }
func (b *shop) Now() time.Time        { return time.UnixMilli(noon) }
func (b *shop) Version() string       { return "0.1.0" }

func (b *shop) State() agent.State {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.state
}

func (b *shop) Ready() (bool, string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.unready == "", b.unready
}

func (b *shop) Series(id string, fromMS, toMS int64, _ int) (store.Series, error) {
	return store.Series{StepMS: 60_000, RawDropped: true, Cells: []store.Cell{
		{StartMS: fromMS, First: 1, Last: 2, Min: 0.5, Max: 3, Sum: 12, Count: 8},
		{StartMS: fromMS + 60_000},
		{StartMS: fromMS + 120_000, First: 1, Last: 2, Min: 1, Max: math.Inf(1), Sum: math.NaN(), Count: 2},
	}}, b.ask("series "+id, fromMS, toMS)
}

func (b *shop) StateRuns(machine string, fromMS, toMS int64) ([]agent.StateRun, error) {
	if machine == "comp2" {
		return nil, b.ask("runs "+machine, fromMS, toMS)
	}
	return []agent.StateRun{
		{State: "loaded", From: agent.Stamp(fromMS), To: noon - 1000},
		{State: "unobserved", From: noon - 1000, To: agent.Stamp(toMS), Reason: "timeout"},
	}, b.ask("runs "+machine, fromMS, toMS)
}

func (b *shop) StateBand(machine string, fromMS, toMS int64, parts int) ([]agent.StateRun, int64, error) {
	runs, err := b.StateRuns(machine, fromMS, toMS)
	if parts < 100 {
		return runs, 900_000, err
	}
	return runs, 0, err
}

func (b *shop) Span(id string, fromMS, toMS int64) (store.Span, error) {
	if id == "meter.power" {
		return store.Span{FromMS: fromMS, ToMS: toMS}, b.ask("span "+id, fromMS, toMS)
	}
	return store.Span{FromMS: fromMS, ToMS: toMS, RawDropped: true, Cell: store.Cell{First: 101.2, Last: 104.1, Min: 99.5, Max: 110.1, Sum: 1030, Count: 10}}, b.ask("span "+id, fromMS, toMS)
}

func (b *shop) ReadingAt(id string, wallMS int64) (store.Reading, bool, error) {
	if id == "meter.power" {
		return store.Reading{}, false, b.ask("reading "+id, wallMS, wallMS)
	}
	return store.Reading{WallMS: wallMS - 100, Value: 104.1 + float64(wallMS-noon)/36e6}, true, b.ask("reading "+id, wallMS, wallMS)
}

func (b *shop) BelowMinimum(system string, fromMS, toMS int64) (analysis.Below, error) {
	ran := 12.0
	return analysis.Below{System: system, Notes: []string{}, From: agent.Stamp(fromMS).String(), To: agent.Stamp(toMS).String(), Channel: "controller.discharge_pressure",
		MinimumPa: 620528, Total: 1, Method: "readings below it", Stretches: []analysis.BelowStretch{
			{From: agent.Stamp(fromMS).String(), To: agent.Stamp(toMS).String(), Seconds: 60, RunningSeconds: &ran}}}, b.ask("below "+system, fromMS, toMS)
}

func (b *shop) Events(q agent.EventQuery) (agent.EventPage, error) {
	if q.After != "" && q.After != "1.2.3" {
		return agent.EventPage{}, agent.ErrCursor
	}
	if slices.Contains(q.Kinds, "nonsense") {
		return agent.EventPage{}, &agent.FieldError{Field: "kind", Message: "use another"}
	}
	what := strings.TrimSpace(strings.Join(slices.Concat([]string{"events"}, q.Kinds, q.Subjects, q.Changes, []string{q.After}), " "))
	return agent.EventPage{Events: []agent.Event{
		{Time: noon, Kind: "state", Subject: "comp1", Text: "went on load", Data: map[string]string{"from": "unloaded", "to": "loaded"}},
		agent.EventOf(store.Event{Seq: 1, WallMS: noon - 1000, Kind: "agent_started", Text: "The agent started."}),
	}, Next: "1.2.3"}, b.ask(what, q.FromMS, q.ToMS)
}

func (b *shop) Faults(fromMS, toMS int64) ([]agent.Fault, error) {
	return []agent.Fault{{Subject: "comp1", Channel: "controller.fault", Code: "3", Text: "high discharge temperature", Times: 2,
		First: noon - 60_000, Last: noon, OnS: 90, UnseenS: 4, On: true, Came: []agent.FaultCame{{From: noon}, {From: noon - 60_000, To: noon - 30_000}}}}, b.ask("faults", fromMS, toMS)
}

func (b *shop) Text(hash string) ([]byte, error) {
	if hash != "5f" {
		return nil, store.ErrNoText
	}
	return []byte("name = \"x\"\n"), b.ask("text", 0, 0)
}

func (b *shop) SiteFiles() (agent.SiteFiles, error) {
	problem := sitefile.Problem{File: "site.toml", Line: 3, Col: 1, Key: "site.shifts", Message: "the shifts are in UTC", Mend: "add timezone"}
	text := agent.SiteText{Name: "site.toml", Hash: "5f", Text: "[site]\n", Devices: []string{}}
	return agent.SiteFiles{Checked: noon, Files: []agent.SiteText{text, {Name: "m.toml", Map: true, Devices: []string{"meter"}}}, Warnings: []sitefile.Problem{problem},
		Disk: agent.DiskFiles{State: "refused", Sentence: "It would not start.", Files: []agent.SiteText{text}, Unused: []string{"m.toml"},
			Problems: []sitefile.Problem{{File: "site.toml", Message: "gone"}}, Warnings: []sitefile.Problem{problem},
			Changes: []agent.FileChange{{File: "site.toml", Text: "site units us", Affects: "no figure"}}}}, b.ask("site files", 0, 0)
}

func (b *shop) Scans(fromMS, toMS int64, devices []string, fn func(*scan.Scan) error) error {
	if err := b.ask("scans", fromMS, toMS); err != nil {
		return err
	}
	for i := range b.scans {
		s := b.scans[i].Clone()
		if len(devices) > 0 && devices[0] != s.Group.Device {
			continue
		}
		if err := fn(&s); err != nil {
			return err
		}
	}
	return nil
}

func (b *shop) Metrics() publish.Snapshot {
	return publish.Snapshot{Store: publish.Store{OK: true}}
}

// fail makes every query of the store fail.
func (b *shop) fail(why string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.failing = errors.New(why)
}

// testPages are pages as the bundler leaves them.
func testPages() fstest.MapFS {
	return fstest.MapFS{
		"index.html":              {Data: []byte("<!doctype html><title>page</title>")},
		"placeholder.txt":         {Data: []byte("x")},
		"assets/index-9f8e7d.js":  {Data: []byte("console.log(1)")},
		"assets/index-9f8e7d.css": {Data: []byte("body{}")},
	}
}

func newTestServer(t testing.TB, b *shop, o Options) *Server {
	t.Helper()
	if o.Pages == nil {
		o.Pages = testPages()
	}
	if o.Metrics == nil {
		o.Metrics = b
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s, err := New(b, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// get asks a server without a network in between.
func get(s *Server, target string, header ...string) *httptest.ResponseRecorder {
	return do(s, http.MethodGet, target, header...)
}

func do(s *Server, method, target string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, nil)
	r.Host = "127.0.0.1:8477"
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
			continue
		}
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}
