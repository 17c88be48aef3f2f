package replay

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay/engine"
	"loadscribe/agent/sitefile"
)

// Study is a recorded window of one system that alternatives are tried on. It is
// safe for concurrent use once it is open.
type Study struct {
	src     analysis.Source
	site    *sitefile.Site
	q       Query
	rec     analysis.ReplayRecord
	runs    []minuteRun
	grammar grammar
	demand  []engine.Stretch // as it is, for plans that change nothing in it
	base    plan
	watch   []engine.Span // when somebody works and the pressure counts; nil: always
	slotS   float64
	seed    uint64
}

// Applied is what an alternative comes to.
type Applied struct {
	Plant   engine.Plant
	Demand  []engine.Stretch // shared: only to be read
	Remarks []string
}

// Run answers a question: it plays the window with the present settings, and each
// alternative.
func Run(ctx context.Context, src analysis.Source, site *sitefile.Site, q Query) (Answer, error) {
	st, err := Open(src, site, q)
	if err != nil {
		return Answer{}, err
	}
	if q.Search != nil {
		return st.Search(ctx, *q.Search, q.Alternatives, q.Progress)
	}
	return st.Evaluate(ctx, q.Alternatives, q.Progress)
}

// Open reads the record of the window. Where nothing can be replayed, the study
// is open all the same and its answers say why. The error is a *RequestError, or
// what reading the record came to.
func Open(src analysis.Source, site *sitefile.Site, q Query) (*Study, error) {
	system, err := systemOf(site, q.System)
	if err != nil {
		return nil, err
	}
	if q.FromMS >= q.ToMS {
		return nil, refuse("from", "the window ends before it begins")
	}
	if err := checkListed(q.Machines); err != nil {
		return nil, err
	}
	q.System = system.Name
	rec, err := analysis.ReplayOf(src, site, q.System, q.FromMS, q.ToMS, q.NowMS)
	if err != nil {
		if wrong := (*analysis.DemandError)(nil); errors.As(err, &wrong) {
			return nil, refuse(wrong.Field, "%s", wrong.Message)
		}
		return nil, fmt.Errorf("replay %s: %w", q.System, err)
	}
	if q.Machines == nil {
		if q.Machines, err = Examples(); err != nil {
			return nil, fmt.Errorf("list of machines: %w", err)
		}
	}
	return newStudy(src, site, q, system, rec), nil
}

func newStudy(src analysis.Source, site *sitefile.Site, q Query, system *sitefile.System, rec analysis.ReplayRecord) *Study {
	st := &Study{src: src, site: site, q: q, rec: rec, runs: runsOf(rec.Minutes),
		grammar: grammar{site: site, machines: system.Machines, listed: q.Machines}}
	st.slotS = float64(rec.Measured.SlotMS) / 1000
	if st.slotS <= 0 {
		st.slotS = 900
	}
	h := fnv.New64a()
	fmt.Fprintf(h, "%s %d %d", q.System, rec.FromMS, rec.ToMS)
	st.seed = h.Sum64()
	st.watch = st.spansOf(rec.Watch)
	if rec.Absent == "" {
		st.base = st.asRecorded()
		st.demand = st.stretches(&st.base.demand, shift{}, noise{})
		st.fitLoads()
	}
	return st
}

func systemOf(site *sitefile.Site, name string) (*sitefile.System, error) {
	if name == "" && len(site.Systems) == 1 {
		return &site.Systems[0], nil
	}
	var known []string
	for i := range site.Systems {
		if site.Systems[i].Name == name {
			return &site.Systems[i], nil
		}
		known = append(known, site.Systems[i].Name)
	}
	switch {
	case len(known) == 0:
		return nil, refuse("system", "the site file has no [[system]]: name its machines and the volumes that hold the air")
	case name == "":
		return nil, refuse("system", "there are several: name one of %v", known)
	}
	return nil, refuse("system", "there is no system %q; there are %v", name, known)
}

// Record is what the study rests on; only to be read.
func (st *Study) Record() *analysis.ReplayRecord { return &st.rec }

// Absent is why nothing can be replayed; empty: it can.
func (st *Study) Absent() string { return st.rec.Absent }

// Apply gives the plant and the demand of an alternative, as the engine plays them.
// The error is a *RequestError.
func (st *Study) Apply(alt Alternative) (Applied, error) {
	if st.rec.Absent != "" {
		return Applied{}, refuse("from", "nothing can be replayed: %s", st.rec.Absent)
	}
	p, err := st.planOf(alt)
	if err != nil {
		return Applied{}, err
	}
	if p.untold != "" {
		return Applied{}, refuse("leaks_mended", "%s", p.untold)
	}
	return st.applied(&p, shift{}, noise{}), nil
}

// applied is a plan in numbers.
func (st *Study) applied(p *plan, s shift, n noise) Applied {
	a := Applied{Remarks: p.remarks, Plant: engine.Plant{
		VolumeM3: max(1e-3, s.of(p.volume)), InletPa: st.rec.InletPa, OutsidePa: st.rec.OutsidePa, MinimumPa: st.rec.MinimumPa, SlotS: st.slotS, Watch: st.watch,
		CommonDropPa: max(0, s.of(st.rec.CommonDropPa)), CommonM3S: st.rec.CommonM3S}}
	for i := range p.units {
		a.Plant.Machines = append(a.Plant.Machines, p.units[i].engine(s))
	}
	if p.rotation != nil {
		a.Plant.Rotations = []engine.Rotation{*p.rotation}
	}
	demand := st.demand
	if s != (shift{}) || n != (noise{}) || !p.demand.nothing() {
		demand = st.stretches(&p.demand, s, n)
	}
	a.Demand = make([]engine.Stretch, len(demand))
	for i := range demand {
		a.Demand[i] = demand[i]
		a.Demand[i].Begin = st.begins(p, st.rec.Minutes[st.runs[i].from].StartMS)
	}
	return a
}

// begins are the states at a stretch's beginning, as they were; a machine that is new
// stands.
func (st *Study) begins(p *plan, atMS int64) []engine.Begin {
	all := make([]engine.Begin, len(p.units))
	for i := range p.units {
		all[i] = engine.Begin{State: engine.Stopped, ForS: dayS, SinceS: math.Inf(1)}
		if k := p.units[i].from; k >= 0 {
			all[i] = beginOf(st.rec.Machines[k].Runs, atMS)
		}
	}
	return all
}

// beginOf is a machine's state at a time by its runs.
func beginOf(runs []analysis.Run, atMS int64) engine.Begin {
	b := engine.Begin{State: engine.Stopped, ForS: dayS, SinceS: math.Inf(1)}
	stopped, startMS, sinceMS := true, int64(math.MinInt64), int64(math.MinInt64)
	for _, run := range runs {
		if run.FromMS > atMS {
			break
		}
		if run.State == analysis.Unobserved {
			continue
		}
		state := stateOf(run.State)
		if stopped && state != engine.Stopped {
			startMS = run.FromMS
		}
		stopped = state == engine.Stopped
		if state != b.State || sinceMS == math.MinInt64 {
			sinceMS = run.FromMS
		}
		b.State = state
	}
	if sinceMS > math.MinInt64 {
		b.ForS = float64(max(0, atMS-sinceMS)) / 1000
	}
	if startMS > math.MinInt64 && len(runs) > 0 && startMS > runs[0].FromMS {
		b.SinceS = float64(max(0, atMS-startMS)) / 1000
	}
	return b
}

// stateOf is a state of the analysis as the engine has it.
func stateOf(s analysis.State) engine.State {
	switch s {
	case analysis.Starting:
		return engine.Starting
	case analysis.Unloaded:
		return engine.Unloaded
	case analysis.PartLoad:
		return engine.PartLoad
	case analysis.Loaded:
		return engine.Loaded
	}
	return engine.Stopped
}
