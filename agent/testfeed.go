package agent

import (
	"fmt"

	"loadscribe/agent/analysis"
	"loadscribe/agent/guided"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// observeTests shows a scan to the guided tests that go by its group, and files
// what one has found.
func (a *Agent) observeTests(s *scan.Scan) {
	a.tests.mu.Lock()
	defer a.tests.mu.Unlock()
	a.fileTests()
	for _, t := range a.tests.sessions {
		if t.Plan().Source.Group != s.Group || t.Report().Phase.Over() {
			continue
		}
		t.Observe(TestReading(t.Plan(), a.folder, s))
		a.tellTest(statusOf(t.Report()))
		if r, ok := t.Result(); ok {
			a.fileTest(t, &r)
		}
	}
}

// tellTest tells how a test stands where that changed: not that another reading
// was seen, which a scan tells. tests.mu is held.
func (a *Agent) tellTest(status TestStatus) {
	before := a.tests.told[status.System]
	before.Seen = status.Seen
	if before == status {
		return
	}
	if a.tests.told == nil {
		a.tests.told = map[string]TestStatus{}
	}
	a.tests.told[status.System] = status
	a.tell("test", status)
}

// TestReading is a scan as a guided test sees it. The machines' states are those of
// the fold, which follows a scan or two later.
func TestReading(p *guided.Plan, folder *analysis.Folder, s *scan.Scan) guided.Reading {
	r := guided.Reading{MonoMS: s.MonoMS, WallMS: s.WallMS, Doing: make([]guided.Doing, len(p.Machines))}
	var reason scan.Reason
	r.PressurePa, reason = p.Source.Pressure(s)
	r.Good, r.Reason = reason == scan.Good, reason.String()
	for i, name := range p.Machines {
		if live, ok := folder.Live(name, s.MonoMS, s.WallMS); ok {
			r.Doing[i] = doingOf(live.State)
		}
	}
	return r
}

// doingOf is what a state means to a guided test.
func doingOf(s analysis.State) guided.Doing {
	switch s {
	case analysis.Off, analysis.Standby, analysis.Stopped:
		return guided.Resting
	case analysis.Starting:
		return guided.Starting
	case analysis.Unloaded:
		return guided.Unloaded
	case analysis.Loaded:
		return guided.Loaded
	case analysis.PartLoad:
		return guided.PartLoad
	case analysis.Tripped:
		return guided.Tripped
	}
	return guided.Unseen
}

// fileTest keeps what a test has found, without waiting for the disk.
func (a *Agent) fileTest(t *guided.Session, found *guided.Result) {
	p, report := t.Plan(), t.Report()
	r := analysis.TestResult{Test: p.Test, Who: p.Who, FromMS: report.StartedMS, ToMS: report.NowMS, System: p.System, Machine: found.Machine,
		FlowM3S: found.Flow, Share: found.Share, PressurePa: found.PressurePa, InletPa: p.InletPa.V, Cycles: found.Cycles, Method: found.Method}
	if found.Flow.V > 0 {
		r.VolumeM3, r.VolumeU = p.VolumeM3.V, p.VolumeM3.U()
	}
	a.tests.unfiled = append(a.tests.unfiled, store.Event{WallMS: r.ToMS, Kind: analysis.KindTest, Subject: r.Subject(), Data: r.Data(),
		Text: fmt.Sprintf("%s test by %s: %s", p.Test, p.Who, found.Text)})
	a.fileTests()
}

// fileTests hands results to keepEvents; what finds no room is tried again with
// the next scan, since nobody wants to shut a plant off twice. tests.mu is held.
func (a *Agent) fileTests() {
	for len(a.tests.unfiled) > 0 {
		select {
		case a.events <- a.tests.unfiled[0]:
			a.tests.unfiled = a.tests.unfiled[1:]
		default:
			return
		}
	}
}

// fileLater keeps a result for which the store had no room.
func (a *Agent) fileLater(e store.Event) {
	a.tests.mu.Lock()
	defer a.tests.mu.Unlock()
	a.tests.unfiled = append(a.tests.unfiled, e)
}

// loseTests logs the results that a stop leaves unfiled.
func (a *Agent) loseTests() {
	a.tests.mu.Lock()
	defer a.tests.mu.Unlock()
	for i := range a.tests.unfiled {
		a.log.Error("the store took no more: a guided test's result is in this log alone", "subject", a.tests.unfiled[i].Subject, "result", a.tests.unfiled[i].Text)
	}
}
