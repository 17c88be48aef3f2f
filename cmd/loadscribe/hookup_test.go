package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/hookup"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// steady is a walker whose machine does at once what the person says and then
// holds still; every look moves it on by ten seconds.
type steady struct {
	t      *testing.T
	walk   *hookup.Walk
	site   *sitefile.Site
	groups []*scan.Group
	monoMS int64
	loadAs float64 // what the loaded bit reads when the machine is loaded
	spots  []hookup.Spot
}

func newSteady(t *testing.T) *steady {
	site, err := sitefile.Load(filepath.Join("..", "..", "configs", "joinery.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return &steady{t: t, site: site, groups: sitefile.Groups(site), loadAs: 1}
}

func (s *steady) Start(_ context.Context, machine string) (r hookup.Report, err error) {
	if s.walk, err = hookup.New(s.site, machine, s.groups); err != nil {
		return r, err
	}
	return s.walk.Report(), nil
}

func (s *steady) Step(_ context.Context, step hookup.Step, skip bool) (hookup.Report, error) {
	if err := s.walk.Begin(step, skip, s.monoMS); err != nil {
		return hookup.Report{}, err
	}
	return s.walk.Report(), nil
}

func (s *steady) Spot(_ context.Context, spot hookup.Spot) (agent.Event, error) {
	if err := spot.Check(); err != nil {
		return agent.Event{}, err
	}
	s.spots = append(s.spots, spot)
	return agent.Event{Text: spot.Text()}, nil
}

func (s *steady) Hookup(context.Context) (hookup.Report, error) {
	r := s.walk.Report()
	for range 10 {
		s.monoMS += 1000
		for _, g := range s.groups {
			one := scan.Scan{Group: g, MonoMS: s.monoMS, Values: make([]int64, len(g.Channels))}
			for i := range g.Channels {
				one.Values[i] = s.raw(&g.Channels[i], r.Step)
			}
			s.walk.Observe(&one)
		}
	}
	return s.walk.Report(), nil
}

// raw is what a channel shows in a step, on the wire. The machine: 33.24 kW and
// 39.4 kVA loaded, 12.2 kW and 21.0 kVA unloaded, 50 W of controls.
func (s *steady) raw(c *scan.Channel, step hookup.Step) int64 {
	running, loaded := step != hookup.Stopped, step == hookup.Loaded
	pick := func(ifStopped, ifUnloaded, ifLoaded float64) float64 {
		switch {
		case loaded:
			return ifLoaded
		case running:
			return ifUnloaded
		}
		return ifStopped
	}
	minute := float64(s.monoMS) / 60e3
	value := map[scan.Role]float64{
		scan.MotorRunning: pick(0, 1, 1), scan.Loaded: pick(1-s.loadAs, 1-s.loadAs, s.loadAs), scan.MotorCurrent: pick(0, 24.3, 47.3),
		scan.VoltageAB: 461, scan.VoltageBC: 459, scan.VoltageCA: 460, scan.Power: pick(0.05, 12.2, 33.24),
		scan.ApparentPower: pick(0.05, 21, 39.4), scan.PowerFactor: pick(1, 0.581, 0.844),
		scan.DischargePressure: 100 + minute*pick(-1, -3, 12),
	}[c.Role]
	counts := (value - c.Offset) / c.Scale
	if c.Kind == scan.KindFloat32 {
		return int64(math.Float32bits(float32(counts)))
	}
	return int64(math.Round(counts))
}

// led runs a conversation with what the person types.
func led(t *testing.T, w walker, asJSON bool, typed ...string) (out, errs string, err error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var stdout, stderr bytes.Buffer
	c := newConversation(&surroundings{ctx: ctx, stdout: &stdout, stderr: &stderr}, w, strings.NewReader(strings.Join(typed, "\n")+"\n"), asJSON)
	c.look = time.Microsecond
	err = c.run("comp1")
	return stdout.String(), stderr.String(), err
}

func TestHookupLeadsThePerson(t *testing.T) {
	s := newSteady(t)
	out, _, err := led(t, s, false,
		"", "s", "", "", "", // stopped; unloaded, which cannot be left out; loaded; unloaded again
		"f", "R. Vale", "clamp meter 4", "24.1", "460", "12.3", "47,1", "47.1 47.4 46.9", "", "33.1", "")
	if err != nil {
		t.Fatalf("%v in\n%s", err, out)
	}
	for _, want := range []string{"[1/4] Stop the machine", "starts without warning", "Bleed the sump", "Never open the secondary",
		"licensed people", "cannot be left out", "20 s", "All well", `"47,1" is not a number`, "kept: as found, loaded, by R. Vale"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not said in\n%s", want, out)
		}
	}
	if strings.Count(out, "starts without warning") != 1 {
		t.Errorf("a caution is said more than once in\n%s", out)
	}
	if len(s.spots) != 2 || s.spots[0].Step != hookup.Unloaded || *s.spots[0].PowerW != 12_300 ||
		s.spots[1].CurrentA[1] != 47.4 || len(s.spots[1].VoltageV) != 0 {
		t.Errorf("spot readings arrived as %+v", s.spots)
	}
}

func TestHookupSaysWhatIsWrong(t *testing.T) {
	s := newSteady(t)
	s.loadAs = 0
	out, errs, err := led(t, s, true, "s", "", "", "", "")
	if err == nil || !strings.Contains(err.Error(), "is wrong") {
		t.Errorf("a wrong hook-up ends with %v", err)
	}
	var r hookup.Report
	if json.Unmarshal([]byte(out), &r) != nil || r.Verdict != "wrong" || len(r.Findings) != 1 || r.Findings[0].Code != hookup.CodeInvertedLoad {
		t.Errorf("--json prints %s", out)
	}
	if !strings.Contains(errs, "mend: ") {
		t.Errorf("no mend for people in\n%s", errs)
	}
	if _, _, err := led(t, newSteady(t), false, "", "q"); !errors.Is(err, errGivenUp) {
		t.Errorf("q ends with %v", err)
	}
	if _, _, err := led(t, newSteady(t), false, ""); !errors.Is(err, errGivenUp) {
		t.Errorf("the input's end ends with %v", err)
	}
}

// TestHookupBesideAnAgent talks to a running agent, then to none: the same
// events are kept either way.
func TestHookupBesideAnAgent(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(servePlant(t, "127.0.0.1:0", nil).address))
	u := start(t, "run", "--site", site)
	address := agentAt(t, dir)

	hold := func(typed string) (string, error) {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var out bytes.Buffer
		err := runHookup(&surroundings{ctx: ctx, stdout: &out, stderr: &out}, hookupFlags{Site: site}, strings.NewReader(typed), false)
		return out.String(), err
	}
	if out, err := hold("s\nq\n"); !errors.Is(err, errGivenUp) || !strings.Contains(out, "[2/4]") || strings.Contains(out, "no agent runs") {
		t.Fatalf("beside an agent: %v in\n%s", err, out)
	}
	status, body := tryGet("http://" + address + "/api/v1/hookup")
	var r hookup.Report
	if err := json.Unmarshal([]byte(body), &r); err != nil || status != http.StatusOK || r.Machine != "comp1" || r.Step != hookup.Unloaded {
		t.Errorf("/api/v1/hookup answers %d %s", status, body)
	}
	in, _, err := agent.ReadInstance(filepath.Join(dir, "data"))
	if err != nil {
		t.Fatal(err)
	}
	keepPair(t, apiWalker{&running{in: in, client: &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}}})
	if code := u.stop(); code != exitFine {
		t.Errorf("ended with %d: %s", code, u.stderr.String())
	}
	holdsPair(t, site, 1)

	if out, err := hold("s\nq\n"); !errors.Is(err, errGivenUp) || !strings.Contains(out, "[2/4]") || !strings.Contains(out, "no agent runs") {
		t.Fatalf("without an agent: %v in\n%s", err, out)
	}
	loaded, err := loadSite(site, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	w, stop, err := openWalker(&surroundings{ctx: t.Context(), stdout: &bytes.Buffer{}, stderr: &bytes.Buffer{}}, loaded)
	if err != nil {
		t.Fatal(err)
	}
	keepPair(t, w)
	if err := stop(); err != nil {
		t.Error(err)
	}
	holdsPair(t, site, 2)
}

func keepPair(t *testing.T, w walker) {
	t.Helper()
	for step, p := range map[hookup.Step][2]float64{hookup.Unloaded: {24, 12_000}, hookup.Loaded: {47, 35_000}} {
		if _, err := w.Spot(t.Context(), hookup.Spot{Machine: "comp1", When: "as_found", Step: step, Who: "R. Vale",
			Instrument: "clamp meter 4", CurrentA: []float64{p[0]}, PowerW: &p[1]}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.Spot(t.Context(), hookup.Spot{Machine: "comp9", When: "as_found", Step: hookup.Loaded, Who: "x",
		Instrument: "x", CurrentA: []float64{1}}); err == nil {
		t.Error("a reading of no machine is kept")
	}
}

// holdsPair looks for n pairs and what they give: 23 kW over 23 A are 1 kW/A.
func holdsPair(t *testing.T, path string, n int) {
	t.Helper()
	site, err := loadSite(path, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	h, err := agent.OpenHistory(site, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	page, err := h.Events(agent.EventQuery{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	var last agent.Event
	for _, e := range slices.Backward(page.Events) { // the newest comes first
		count[e.Kind]++
		if e.Kind == "calibration" {
			last = e
		}
	}
	if count["spot_reading"] != 2*n || count["calibration"] != n {
		t.Errorf("events kept: %v, want %d spot readings and %d calibrations", count, 2*n, n)
	}
	if last.Data["b_w_per_a"] != "1000" || last.Data["a_w"] != "-12000" || last.Subject != "comp1" || last.Data["current"] != "spot current" {
		t.Errorf("calibration %+v", last)
	}
}
