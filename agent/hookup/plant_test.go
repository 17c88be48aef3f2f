package hookup_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"loadscribe/agent/hookup"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator"
)

// plant is the simulated joinery, polled second by second in fast time through
// the decoder that live lines use. The simulator shares no code with the walk.
type plant struct {
	t       *testing.T
	world   *simulator.World
	site    *sitefile.Site
	groups  []*scan.Group
	pollers []*poll.GroupPoller
	now     time.Time
	start   time.Time
}

// newPlant stands on a Monday, ten minutes before the machine is switched on.
func newPlant(t *testing.T, seed uint64, change func(*simulator.Scenario)) *plant {
	t.Helper()
	sc, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	sc.Seed = seed
	if change != nil {
		change(sc)
	}
	p := &plant{t: t, start: time.Date(2026, time.March, 2, 6, 45, 0, 0, sc.Location)}
	if p.world, err = simulator.New(sc, p.start); err != nil {
		t.Fatal(err)
	}
	p.now = p.start
	p.site, err = sitefile.Load(filepath.Join("..", "..", "configs", "joinery.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p.groups = sitefile.Groups(p.site)
	for _, g := range p.groups {
		d, ok := p.site.DeviceByName(g.Device)
		if !ok {
			t.Fatalf("no device %q", g.Device)
		}
		gp, err := poll.NewGroupPoller(d, g, slog.New(slog.NewTextHandler(io.Discard, nil)))
		if err != nil {
			t.Fatal(err)
		}
		p.pollers = append(p.pollers, gp)
	}
	return p
}

// Now implements scan.Clock.
func (p *plant) Now() (monoMS, wallMS int64) {
	return p.now.Sub(p.start).Milliseconds(), p.now.UnixMilli()
}

// Read implements poll.Reader.
func (p *plant) Read(_ context.Context, unit byte, req frame.ReadRequest) ([]byte, error) {
	for _, r := range p.world.Devices() {
		if r.Unit() == unit {
			return frame.ParseReadResponse(req, r.Answer(req.AppendPDU(nil)))
		}
	}
	return nil, fmt.Errorf("no unit %d", unit)
}

// second moves the plant on and shows its scans to the walk.
func (p *plant) second(w *hookup.Walk) {
	p.now = p.now.Add(time.Second)
	p.world.Advance(p.now)
	for _, gp := range p.pollers {
		if p.now.UnixMilli()%gp.Group().PeriodMS == 0 {
			s := gp.Poll(p.t.Context(), p, p)
			w.Observe(&s)
		}
	}
}

func (p *plant) state() simulator.State {
	s, err := p.world.Truth().StateAt("comp1", p.now)
	if err != nil {
		p.t.Fatal(err)
	}
	return s
}

// walk is a patient person: they begin each step when the machine truly does
// what it asks for, and again when it was broken off.
func (p *plant) walk() *hookup.Walk {
	p.t.Helper()
	w, err := hookup.New(p.site, "comp1", p.groups)
	if err != nil {
		p.t.Fatal(err)
	}
	want := map[hookup.Step][]simulator.State{
		hookup.Stopped: {simulator.Off, simulator.Standby}, hookup.Unloaded: {simulator.Unloaded},
		hookup.Loaded: {simulator.Loaded}, hookup.UnloadedAgain: {simulator.Unloaded},
	}
	for range 4 * 3600 {
		r := w.Report()
		switch {
		case r.Phase == "done":
			return w
		case r.Phase == "waiting" && slices.Contains(want[r.Step], p.state()):
			mono, _ := p.Now()
			if err := w.Begin(r.Step, false, mono); err != nil {
				p.t.Fatal(err)
			}
		}
		p.second(w)
	}
	p.t.Fatalf("no end after four hours: %+v", w.Report())
	return nil
}

func wiring(text string) func(*simulator.Scenario) {
	return func(s *simulator.Scenario) {
		for i := range s.Devices {
			if s.Devices[i].Layout == "power-meter" {
				s.Devices[i].Wiring = text
			}
		}
	}
}

func invertedLoad(s *simulator.Scenario) {
	for i := range s.Devices {
		s.Devices[i].InvertedLoad = s.Devices[i].Layout == "screw-controller"
	}
}

// Each mistake in turn is named, and nothing else beside it, on three plants.
func TestEachMistakeIsNamed(t *testing.T) {
	for _, tt := range []struct {
		name     string
		change   func(*simulator.Scenario)
		code     string
		severity hookup.Severity
	}{
		{"inverted load bit", invertedLoad, hookup.CodeInvertedLoad, hookup.Wrong},
		{"reversed", wiring("ct_reversed"), hookup.CodeReversed, hookup.Wrong},
		{"wrong phase", wiring("ct_wrong_phase"), hookup.CodeWrongPhase, hookup.Wrong},
		{"ratio 2", wiring("ct_ratio=2"), hookup.CodeRatio, hookup.Wrong},
		{"ratio 5", wiring("ct_ratio=5"), hookup.CodeRatio, hookup.Wrong},
		{"ratio a half", wiring("ct_ratio=0.5"), hookup.CodeRatio, hookup.Wrong},
		{"one leg of six", wiring("one_leg"), hookup.CodeOneLeg, hookup.Wrong},
		{"drive's output", wiring("drive_output"), hookup.CodeDriveOutput, hookup.Wrong},
		{"motor only", wiring("motor_only"), hookup.CodeMotorOnly, hookup.Hint},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			for _, seed := range []uint64{20, 21, 22} {
				r := newPlant(t, seed, tt.change).walk().Report()
				if len(r.Findings) != 1 || r.Findings[0].Code != tt.code || r.Findings[0].Severity != tt.severity {
					t.Errorf("seed %d: found %+v, want %s", seed, r.Findings, tt.code)
				}
				if want := map[hookup.Severity]string{hookup.Wrong: "wrong", hookup.Hint: "hint"}[tt.severity]; r.Verdict != want {
					t.Errorf("seed %d: verdict %q, want %q", seed, r.Verdict, want)
				}
			}
		})
	}
}

// On the right wiring nothing is named, and every check is right.
func TestRightWiringIsAllWell(t *testing.T) {
	for _, seed := range []uint64{20, 21, 22, 7} {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			t.Parallel()
			w := newPlant(t, seed, wiring("none")).walk()
			r := w.Report()
			if r.Verdict != "well" || r.Findings == nil || len(r.Findings) != 0 { // an empty list: the page goes through it
				t.Errorf("verdict %q, findings %+v", r.Verdict, r.Findings)
			}
			for _, c := range r.Checks {
				if c.Result != "right" {
					t.Errorf("%s is %s: %s", c.Name, c.Result, c.Text)
				}
			}
			for _, s := range r.Steps {
				for _, reading := range s.Readings {
					if reading.Samples < 20 {
						t.Errorf("%s %s: %d samples, want 20 s of them", s.Step, reading.Role, reading.Samples)
					}
				}
			}
		})
	}
}
