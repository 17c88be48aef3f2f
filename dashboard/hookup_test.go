package dashboard

import (
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/guided"
	"loadscribe/agent/hookup"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// commandShop is a running agent: it has a real walk, without a line.
type commandShop struct {
	*shop
	walk  *hookup.Walk
	spots []hookup.Spot
	notes []agent.Note
	test  *guided.Session
}

func (b *commandShop) Hookup() hookup.Report {
	if b.walk == nil {
		return hookup.Idle()
	}
	return b.walk.Report()
}

func (b *commandShop) HookupStart(machine string) (hookup.Report, error) {
	w, err := hookup.New(b.site, machine, b.groups)
	if err != nil {
		return hookup.Report{}, err
	}
	b.walk = w
	return w.Report(), nil
}

func (b *commandShop) HookupStep(step hookup.Step, skip bool) (hookup.Report, error) {
	if b.walk == nil {
		return hookup.Report{}, hookup.ErrRefused
	}
	if err := b.walk.Begin(step, skip, 0); err != nil {
		return hookup.Report{}, err
	}
	return b.walk.Report(), nil
}

func (b *commandShop) Registers(device string) agent.Registers {
	address, bit, value := 20, 3, 1.0
	modbus := agent.Register{ID: "controller.loaded", Name: "loaded", Role: scan.Loaded, PeriodMS: 1000, Function: 3, Table: "holding", Address: &address, Count: 2,
		Type: "u32", Bit: &bit, Order: "little", Scale: 1, Unit: "1", Valid: &[2]float64{0, 1}, Raw: "1", Words: []string{"0008", "0000"}, Value: &value, Quality: "good", Time: noon}
	text := agent.Register{ID: "printer.pressure", Name: "pressure", Type: "decimal", Ask: "pressures", Words: []string{}, Quality: "timeout", Stale: true}
	all := agent.Registers{Time: noon, Devices: []agent.DeviceRegisters{
		{Device: "controller", Line: "bus", UnitID: 1, Map: "a map", MapFile: "maps/a.toml", Protocol: "modbus", Verified: []string{"coil 3 must hold 1"}, Registers: []agent.Register{modbus}},
		{Device: "printer", Line: "text", Protocol: "text", Verified: []string{}, Registers: []agent.Register{text}}}}
	if device != "" {
		all.Devices = all.Devices[:1]
	}
	return all
}

func (b *commandShop) Lines() (agent.Lines, error) {
	share, predicted, n := 0.25, 0.3, int64(7)
	return agent.Lines{Time: noon, Started: noon - 1000, Lines: []agent.LineHealth{
		{Line: "bus", Kind: "modbus-rtu", Where: "COM3", Serial: "19200 8E1", TimeoutMS: 1000, Echo: "auto", EchoSeen: true, Up: true, Changed: noon,
			BusyShare: &share, BusyOverS: 60, PredictedShare: &predicted, Advice: "slower", StrayBytes: &n, Devices: []agent.DeviceHealth{
				{Device: "controller", UnitID: 1, Up: true, LastScan: noon, Scans: 5, Errors: map[string]int64{}, Requests: 9, Answers: 6, Failures: map[string]int64{"timeout": 3},
					Retries: 1, Damaged: 0, Late: &n, Replies: &agent.Replies{Count: 6, MinMS: 1, MedianMS: 2, P95MS: 3, MaxMS: 4, SuggestedTimeoutMS: 500}}}},
		{Line: "other", Kind: "modbus-rtu", Listen: true, Heard: &agent.LineHeard{Bytes: 9, LastAsked: "unit 3"}, Devices: []agent.DeviceHealth{}},
	}}, nil
}

func (b *commandShop) HookupSpot(s hookup.Spot) (agent.Event, error) {
	if err := s.Check(); err != nil {
		return agent.Event{}, err
	}
	b.spots = append(b.spots, s)
	return agent.EventOf(store.Event{Seq: 7, WallMS: noon, Kind: "spot_reading", Subject: s.Machine, Text: s.Text(), Data: s.Data()}), nil
}

func (b *commandShop) TagLeak(t agent.LeakTagEntry) (agent.Event, error) {
	if t.Place == "" {
		return agent.Event{}, &agent.FieldError{Field: "place", Message: "say where"}
	}
	return agent.EventOf(store.Event{Seq: 9, WallMS: noon, Kind: "leak_tag", Subject: "main", Text: "leak found at " + t.Place}), nil
}

func (b *commandShop) AddNote(n agent.Note) (agent.Event, error) {
	if n.Text == "" {
		return agent.Event{}, &agent.FieldError{Field: "text", Message: "the note is empty"}
	}
	b.notes = append(b.notes, n)
	return agent.EventOf(store.Event{Seq: 8, WallMS: noon, Kind: "note", Subject: n.Subject, Text: n.Text}), nil
}

func newCommandServer(t *testing.T, b *shop, o Options) *Server {
	t.Helper()
	return newCommandShopServer(t, &commandShop{shop: b}, o)
}

func newCommandShopServer(t *testing.T, b *commandShop, o Options) *Server {
	t.Helper()
	o.Pages, o.Metrics = testPages(), b
	s, err := New(b, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func post(s *Server, target, body string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, target, strings.NewReader(body))
	r.Host = "127.0.0.1:8477"
	r.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

const goodSpot = `{"machine":"comp1","when":"as_found","step":"loaded","who":"R. Vale","instrument":"clamp meter",` +
	`"current_a":[44,45,44.5],"voltage_v":[461],"power_w":33000,"power_accuracy":0.02}`

// A whole check over the API, each answer held against the document.
func TestHookupOverTheAPI(t *testing.T) {
	b := &commandShop{shop: newShop()}
	s := newCommandShopServer(t, b, Options{Secret: "0123abcd"})
	d := readDocument(t)
	bearer := []string{"Authorization", "Bearer 0123abcd"}
	d.mustFit(t, "HookupReport", get(s, "/api/v1/hookup").Body.Bytes())
	for _, tt := range []struct {
		target, body string
		status       int
		schema       string
	}{
		{"step", `{"step":"stopped"}`, 400, "Error"}, // nothing begun
		{"start", `{"machine":"comp9"}`, 404, "Error"},
		{"start", `{"machine":"comp1"}`, 200, "HookupReport"},
		{"step", `{"step":"loaded"}`, 400, "Error"}, // not its turn
		{"step", `{"step":"asleep"}`, 400, "Error"},
		{"step", `{"step":"stopped","skip":true}`, 200, "HookupReport"},
		{"step", `{"step":"unloaded","skip":true}`, 400, "Error"},
		{"step", `{"step":"unloaded"}`, 200, "HookupReport"},
		{"step", `{"step":"unloaded","more":1}`, 400, "Error"},
		{"step", `{"step":"unloaded"} {}`, 400, "Error"},
		{"step", ``, 400, "Error"},
		{"spot", goodSpot, 200, "Event"},
		{"spot", `{"machine":"comp1"}`, 400, "Error"},
	} {
		w := post(s, "/api/v1/hookup/"+tt.target, tt.body, bearer...)
		if w.Code != tt.status {
			t.Errorf("%s %s: %d, want %d: %s", tt.target, tt.body, w.Code, tt.status, w.Body)
		}
		d.mustFit(t, tt.schema, w.Body.Bytes())
	}
	if len(b.spots) != 1 || *b.spots[0].PowerW != 33000 || len(b.spots[0].CurrentA) != 3 {
		t.Errorf("the spot reading arrived as %+v", b.spots)
	}

	b.finish(t)
	w := get(s, "/api/v1/hookup")
	d.mustFit(t, "HookupReport", w.Body.Bytes())
	var r hookup.Report
	if err := json.Unmarshal(w.Body.Bytes(), &r); err != nil || r.Phase != "done" || r.Verdict == "" || len(r.Checks) == 0 {
		t.Errorf("a finished check: %v %s", err, w.Body)
	}
}

// finish shows the walk what it waits for, until all steps are done.
func (b *commandShop) finish(t *testing.T) {
	t.Helper()
	for ms := int64(250); b.walk.Report().Phase != "done"; ms += 250 {
		if ms > 400_000 {
			t.Fatalf("the walk does not end: %+v", b.walk.Report())
		}
		if r := b.walk.Report(); r.Phase == "waiting" {
			if err := b.walk.Begin(r.Step, false, ms-1); err != nil {
				t.Fatal(err)
			}
		}
		for _, g := range b.groups {
			s := scan.Scan{Group: g, MonoMS: ms, Values: []int64{1000}}
			if g.Channels[0].Kind == scan.KindFloat32 {
				s.Values[0] = int64(math.Float32bits(30)) // kW: it runs
			}
			b.walk.Observe(&s)
		}
	}
}

// A POST needs the secret or our own page; nothing else may speak for the
// person at the machine.
func TestWhoMayCommand(t *testing.T) {
	for _, tt := range []struct {
		name   string
		secret string
		header []string
		want   int
	}{
		{"secret", "s3", []string{"Authorization", "Bearer s3"}, 200},
		{"own page", "s3", []string{"Origin", "http://127.0.0.1:8477", "Sec-Fetch-Site", "same-origin"}, 200},
		{"allowed origin", "s3", []string{"Origin", "https://air.example"}, 200},
		{"nobody", "s3", nil, 403},
		{"wrong secret", "s3", []string{"Authorization", "Bearer s4"}, 403},
		{"empty secret", "s3", []string{"Authorization", "Bearer "}, 403},
		{"no secret set", "", []string{"Authorization", "Bearer "}, 403},
		{"foreign page", "s3", []string{"Origin", "https://evil.example", "Sec-Fetch-Site", "cross-site"}, 403},
		{"foreign page, old browser", "s3", []string{"Origin", "https://evil.example"}, 403},
		{"sandboxed page", "s3", []string{"Origin", "null"}, 403},
		{"form", "s3", []string{"Authorization", "Bearer s3", "Content-Type", "text/plain"}, 400},
	} {
		b := &commandShop{shop: newShop()}
		s := newCommandShopServer(t, b, Options{Secret: tt.secret, Origins: []string{"https://air.example"}})
		w := post(s, "/api/v1/hookup/start", `{"machine":"comp1"}`, tt.header...)
		if w.Code != tt.want {
			t.Errorf("%s: %d, want %d: %s", tt.name, w.Code, tt.want, w.Body)
		}
		if begun := b.walk != nil; begun != (tt.want == 200) {
			t.Errorf("%s: a check was begun: %v", tt.name, begun)
		}
	}
}
