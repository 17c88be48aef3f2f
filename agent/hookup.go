package agent

import (
	"errors"
	"fmt"
	"strings"
	"sync"

	"loadscribe/agent/analysis"
	"loadscribe/agent/hookup"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// walks holds the hook-up check that goes on, one at a time, and the spot
// readings that wait for their fellow.
type walks struct {
	mu     sync.Mutex // protects what follows
	walk   *hookup.Walk
	points map[string]point // by machine, as_found or as_left, step
}

type point struct {
	analysis.Point
	source string
}

func (h *walks) current() *hookup.Walk {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.walk
}

// observeHookup shows a scan to the walk that goes on.
func (a *Agent) observeHookup(s *scan.Scan) {
	if w := a.walks.current(); w != nil {
		w.Observe(s)
		a.concludeHookup(w)
	}
}

// Hookup tells how far the hook-up check is.
func (a *Agent) Hookup() hookup.Report {
	if w := a.walks.current(); w != nil {
		return w.Report()
	}
	return hookup.Idle()
}

// HookupStart begins the check of a machine anew; one that goes on is given up.
func (a *Agent) HookupStart(machine string) (hookup.Report, error) {
	w, err := hookup.New(a.site, machine, a.groups)
	if err != nil {
		return hookup.Report{}, err
	}
	a.walks.mu.Lock()
	a.walks.walk = w
	a.walks.mu.Unlock()
	return w.Report(), nil
}

// HookupStep says that the machine now does what step says, or that the step is
// left out. What a finished check found is kept as an event.
func (a *Agent) HookupStep(step hookup.Step, skip bool) (hookup.Report, error) {
	w := a.walks.current()
	if w == nil {
		return hookup.Report{}, fmt.Errorf("%w: no check was begun: start one first", hookup.ErrRefused)
	}
	mono, _ := a.clock.Now()
	if err := w.Begin(step, skip, mono); err != nil {
		return hookup.Report{}, err
	}
	a.concludeHookup(w)
	return w.Report(), nil
}

// HookupSpot keeps a spot reading as an event, and where it makes a pair of an
// unloaded and a loaded one, what they give as another.
func (a *Agent) HookupSpot(s hookup.Spot) (Event, error) {
	if err := s.Check(); err != nil {
		return Event{}, err
	}
	if !a.hasMachine(s.Machine) {
		return Event{}, fmt.Errorf("machine %q: %w in the site file", s.Machine, hookup.ErrNoMachine)
	}
	_, wallMS := a.clock.Now()
	kept, err := a.store.AppendEvent(store.Event{WallMS: wallMS, Kind: "spot_reading", Subject: s.Machine, Text: s.Text(), Data: s.Data()})
	if err != nil {
		return Event{}, fmt.Errorf("keep the spot reading: %w", err)
	}
	e := EventOf(kept)
	a.tell("event", e)
	return e, a.calibrate(&s)
}

// calibrate keeps what a pair of points gives. Points that make no line give
// nothing: the readings themselves are kept.
func (a *Agent) calibrate(s *hookup.Spot) error {
	var logged hookup.Reading
	have := false
	if w := a.walks.current(); w != nil && w.Machine() == s.Machine {
		logged, have = w.Mean(s.Step, scan.MotorCurrent)
	}
	p, source, ok := s.Point(logged, have)
	if !ok {
		return nil
	}
	key := func(step hookup.Step) string { return s.Machine + " " + s.When + " " + string(step) }
	a.walks.mu.Lock()
	if a.walks.points == nil {
		a.walks.points = map[string]point{}
	}
	a.walks.points[key(s.Step)] = point{p, source}
	unloaded, okU := a.walks.points[key(hookup.Unloaded)]
	loaded, okL := a.walks.points[key(hookup.Loaded)]
	a.walks.mu.Unlock()
	if !okU || !okL || unloaded.source != loaded.source {
		return nil
	}
	data, text, err := hookup.Calibration(unloaded.Point, loaded.Point, source)
	if errors.Is(err, analysis.ErrPoints) {
		a.log.Warn("no calibration", "machine", s.Machine, "err", err)
		return nil
	}
	if err != nil {
		return err
	}
	data["when"] = s.When
	return a.note("calibration", s.Machine, text, data)
}

func (a *Agent) hasMachine(name string) bool {
	for i := range a.site.Machines {
		if a.site.Machines[i].Name == name {
			return true
		}
	}
	return false
}

// concludeHookup keeps what a check found, once, when its last step is done.
func (a *Agent) concludeHookup(w *hookup.Walk) {
	r, ok := w.Conclusion()
	if !ok {
		return
	}
	codes := make([]string, len(r.Findings))
	texts := []string{"hook-up check: " + r.Verdict}
	for i, f := range r.Findings {
		codes[i] = f.Code
		texts = append(texts, f.Text)
	}
	a.queueEvent(store.Event{Kind: "hookup", Subject: r.Machine, Text: strings.Join(texts, "; "),
		Data: map[string]string{"verdict": r.Verdict, "findings": strings.Join(codes, " ")}})
}
