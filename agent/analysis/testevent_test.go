package analysis

import (
	"errors"
	"math"
	"path/filepath"
	"testing"

	"loadscribe/agent/guided"
	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// eventsOnly is a source of events.
type eventsOnly struct {
	Source
	list []store.Event
}

func (s *eventsOnly) EventsWhere(_, _ int64, _ int, wanted func(*store.Event) bool) (out []store.Event, err error) {
	for i := range s.list {
		if wanted(&s.list[i]) {
			out = append(out, s.list[i])
		}
	}
	return out, nil
}

func pumpUpEvent(seq uint64, toMS int64, flow float64) store.Event {
	r := TestResult{Test: TestPumpUp, Who: "R. Vale", FromMS: toMS - 60_000, ToMS: toMS, System: "main", Machine: "comp1",
		FlowM3S:    gum.New(flow, 0.001, "volume of main").Plus(gum.New(0, -0.002, "gauge.p: a slope")),
		PressurePa: 7.4e5, InletPa: 98_800, VolumeM3: 0.9, VolumeU: 0.015, Cycles: 3, Method: "rise"}
	return store.Event{Seq: seq, WallMS: toMS, Kind: KindTest, Subject: r.Subject(), Data: r.Data()}
}

// A result comes back from its event as it was, with each input's part and sign.
func TestTestResultComesBack(t *testing.T) {
	e := pumpUpEvent(5, 1_772_550_000_123, 0.0815)
	r, err := TestResultOf(&e)
	if err != nil {
		t.Fatal(err)
	}
	if r.Seq != 5 || r.ToMS != 1_772_550_000_123 || r.FromMS != 1_772_549_940_123 || r.FlowM3S.V != 0.0815 || r.Cycles != 3 ||
		r.FlowM3S.Part("gauge.p: a slope") != -0.002 || r.FlowM3S.Part("volume of main") != 0.001 ||
		math.Abs(r.FlowM3S.U()-math.Sqrt(5)*1e-3) > 1e-12 || r.VolumeU != 0.015 || r.Who != "R. Vale" {
		t.Errorf("came back as %+v", r)
	}
	for name, spoil := range map[string]func(*store.Event){
		"kind":    func(e *store.Event) { e.Kind = "note" },
		"test":    func(e *store.Event) { e.Data["test"] = "smoke" },
		"flow":    func(e *store.Event) { delete(e.Data, "flow_m3s") },
		"number":  func(e *store.Event) { e.Data["flow_m3s"] = "NaN" },
		"time":    func(e *store.Event) { e.Data["to"] = "noon" },
		"parts":   func(e *store.Event) { e.Data["flow_m3s_parts"] = "much volume" },
		"subject": func(e *store.Event) { e.Subject = "comp2" },
	} {
		e := pumpUpEvent(5, 1_772_550_000_000, 0.08)
		spoil(&e)
		if r, err := TestResultOf(&e); !errors.Is(err, ErrTest) {
			t.Errorf("%s: %v, %+v", name, err, r)
		}
	}
}

// The last one before the end of a window holds; one that was taken back does
// not, and one that cannot be read does no harm.
func TestTestsOfTakesTheLastThatStands(t *testing.T) {
	broken := pumpUpEvent(4, 4000_000, 0.05)
	broken.Data["flow_m3s"] = "much"
	src := &eventsOnly{list: []store.Event{
		pumpUpEvent(1, 1000_000, 0.08), pumpUpEvent(2, 2000_000, 0.07), pumpUpEvent(3, 3000_000, 0.06), broken,
		{Seq: 9, WallMS: 5000_000, Kind: KindTest, Subject: "comp1", Data: map[string]string{"withdraws": "3", "who": "R. Vale"}},
	}}
	all, err := testsOf(src)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(all.pumpUps["comp1"]); n != 2 {
		t.Errorf("%d tests stand, want 2", n)
	}
	for _, tt := range []struct {
		beforeMS int64
		want     uint64
	}{{1000_000, 0}, {1000_001, 1}, {2500_000, 2}, {9000_000, 2}} {
		if r, _ := all.pumpUp("comp1", tt.beforeMS); r.Seq != tt.want {
			t.Errorf("before %d: test %d holds, want %d", tt.beforeMS, r.Seq, tt.want)
		}
	}
	if _, ok := all.leak("main", 9000_000); ok {
		t.Error("there is a leak test where none was made")
	}
	if none, err := testsOf(struct{ Source }{}); err != nil || len(none.pumpUps) != 0 {
		t.Errorf("a source without events: %v, %+v", err, none)
	}
}

// A guided test names the inputs that it shares with figures as the figures do.
func TestGuidedTestsNameInputsAsFiguresDo(t *testing.T) {
	site, err := sitefile.Load(filepath.Join("..", "..", "configs", "joinery.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	groups := sitefile.Groups(site)
	plan, err := guided.NewPlan(site, groups, guided.Ask{Test: guided.Leak, Who: "R. Vale", Confirmed: true})
	if err != nil {
		t.Fatal(err)
	}
	sp := machineSpec(site, groups, &site.Machines[0], Levels{})
	for name, v := range map[string]gum.Value{
		volumeInput("main"):               plan.VolumeM3,
		storedAirInput("main"):            plan.Condition,
		inletInput("pressure", site.Name): plan.InletPa,
		accuracyNamed(sp, plan.Source.ID): plan.Gauge,
	} {
		if v.Part(name) == 0 || math.Abs(v.Part(name)) != v.U() {
			t.Errorf("%q is not what the test calls it: %+v", name, v.Shares())
		}
	}
	if guided.Leak != TestLeak || guided.PumpUp != TestPumpUp {
		t.Error("the tests have other names")
	}
}

// accuracyNamed is the name of a gauge's accuracy, with the spec's own device.
func accuracyNamed(sp *spec, id string) string {
	for i := range sp.chans {
		c := sp.chans[i]
		if c.unit.Dimension == quantity.Pressure {
			c.id = id
			return accuracyInput(&c)
		}
	}
	return "no gauge"
}
