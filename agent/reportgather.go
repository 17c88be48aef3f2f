package agent

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/report"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// What a report draws at most: beyond that cells are wider and unloads chosen evenly.
const (
	reportPoints        = 14 * 24 * 60 // cells of a channel: minutes of two weeks
	reportUnloads       = 60
	reportUnloadSeconds = 180
	reportUnloadPoints  = 90
)

// gatherSteps are the steps of gather.
const gatherSteps = 8

// gather fills in the data, step by step so that a person sees it going on.
func (g *reportMaker) gather() error {
	steps := [gatherSteps]func() error{g.figures, g.machines, g.systems, g.hours, g.series, g.events, g.compare, g.replays}
	for i, step := range steps {
		if err := g.ctx.Err(); err != nil {
			return err
		}
		g.progress(i, len(steps))
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

func (g *reportMaker) figures() (err error) {
	d := &g.data
	d.Figures, err = g.h.Figures(d.FromMS, d.ToMS, "")
	return err
}

// machines gathers what each machine did.
func (g *reportMaker) machines() (err error) {
	d, src := &g.data, g.h.source()
	d.Runs, d.Intervals, d.Unloads = map[string][]analysis.Run{}, map[string][]analysis.Interval{}, map[string]analysis.Unloads{}
	for i := range d.Site.Machines {
		name := d.Site.Machines[i].Name
		if d.Runs[name], err = analysis.StateRuns(src, d.Site, name, d.FromMS, d.ToMS); err != nil {
			return fmt.Errorf("states of %s: %w", name, err)
		}
		if d.Intervals[name], err = analysis.Intervals(src, d.Site, name, d.FromMS, d.ToMS); err != nil {
			return fmt.Errorf("intervals of %s: %w", name, err)
		}
		q := analysis.UnloadQuery{FromMS: d.FromMS, ToMS: d.ToMS, Limit: reportUnloads, Seconds: reportUnloadSeconds, Points: reportUnloadPoints}
		if d.Unloads[name], err = g.h.Unloads(name, q); err != nil {
			return fmt.Errorf("unloads of %s: %w", name, err)
		}
	}
	if d.Service, err = g.h.Service(); err != nil {
		return fmt.Errorf("service: %w", err)
	}
	return nil
}

// systems gathers what each system took. A window that is too long for a balance by
// minutes has none.
func (g *reportMaker) systems() error {
	d := &g.data
	d.Demand = []analysis.Demand{}
	for i := range d.Site.Systems {
		name := d.Site.Systems[i].Name
		one, err := g.h.Demand(name, d.FromMS, d.ToMS, int64(15*time.Minute/time.Millisecond))
		if wrong := (*analysis.DemandError)(nil); errors.As(err, &wrong) {
			one = analysis.Demand{System: name, From: Stamp(d.FromMS).String(), To: Stamp(d.ToMS).String(),
				Budget: []analysis.BudgetPart{}, Inputs: []string{}, Steps: []analysis.DemandStep{}, Absent: wrong.Message}
		} else if err != nil {
			return fmt.Errorf("demand of %s: %w", name, err)
		}
		d.Demand = append(d.Demand, one)
	}
	return nil
}

// hours gathers the hours of each subject.
func (g *reportMaker) hours() (err error) {
	d, src := &g.data, g.h.source()
	d.Hours = map[string]analysis.Hours{}
	q := analysis.HoursQuery{FromMS: d.FromMS, ToMS: d.ToMS, NowMS: d.NowMS, LeastCoverage: analysis.LeastDrawnHour}
	for i := range d.Site.Machines {
		if err := g.ctx.Err(); err != nil {
			return err
		}
		q.Machine, q.System = d.Site.Machines[i].Name, ""
		if d.Hours["machine "+q.Machine], err = analysis.HoursOf(src, d.Site, q); err != nil {
			return fmt.Errorf("hours of %s: %w", q.Machine, err)
		}
	}
	for i := range d.Site.Systems {
		if err := g.ctx.Err(); err != nil {
			return err
		}
		q.Machine, q.System = "", d.Site.Systems[i].Name
		if d.Hours["system "+q.System], err = analysis.HoursOf(src, d.Site, q); err != nil {
			return fmt.Errorf("hours of %s: %w", q.System, err)
		}
	}
	return nil
}

// series gathers the curves, and from them what was not read.
func (g *reportMaker) series() error {
	d := &g.data
	d.Series = map[string]store.Series{}
	points := int(min((d.ToMS-d.FromMS)/time.Minute.Milliseconds()+1, reportPoints))
	for _, id := range g.drawn() {
		s, err := g.h.Series(id, d.FromMS, d.ToMS, points)
		if errors.Is(err, store.ErrUnknown) {
			continue // never read
		}
		if err != nil {
			return err
		}
		if err := g.endCells(&s); err != nil {
			return err
		}
		d.Series[id] = s
	}
	d.Gaps = g.gaps()
	return nil
}

// endCells makes the cells anew that reach over the present of the report: they may hold
// what came later.
func (g *reportMaker) endCells(s *store.Series) error {
	now := g.data.NowMS
	first := slices.IndexFunc(s.Cells, func(c store.Cell) bool { return c.StartMS+s.StepMS > now })
	if first < 0 {
		return nil
	}
	from := s.Cells[first].StartMS
	s.Cells = s.Cells[:first]
	if from >= now {
		return nil
	}
	raw, err := g.h.Series(s.Channel, from, now, reportPoints)
	if err != nil || raw.StepMS > 0 { // of a cell that raw readings no longer bear out the end is not drawn
		return err
	}
	one := store.Cell{StartMS: from, Min: math.Inf(1), Max: math.Inf(-1)}
	for _, c := range raw.Cells {
		if c.Count == 0 {
			continue
		}
		if one.Count == 0 {
			one.FirstMS, one.First = c.FirstMS, c.First
		}
		one.LastMS, one.Last = c.LastMS, c.Last
		one.Min, one.Max, one.Sum, one.Count = min(one.Min, c.Min), max(one.Max, c.Max), one.Sum+c.Sum, one.Count+c.Count
	}
	if one.Count > 0 {
		s.Cells = append(s.Cells, one)
	}
	return nil
}

// drawn are the ids of the channels that charts draw.
func (g *reportMaker) drawn() (ids []string) {
	add := func(id string) {
		if id != "" && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	for i := range g.data.Site.Machines {
		roles := g.data.Site.Machines[i].Roles
		add(cmp.Or(roles[scan.Power], roles[scan.MotorCurrent]))
		add(cmp.Or(roles[scan.DischargePressure], roles[scan.ReceiverPressure], roles[scan.HeaderPressure]))
		add(roles[scan.Flow])
	}
	for i := range g.data.Site.Systems {
		for _, tap := range g.data.Site.Systems[i].Taps {
			add(tap.Pressure)
			add(tap.Flow)
		}
	}
	return ids
}

// events gathers faults, events and guided tests.
func (g *reportMaker) events() error {
	d := &g.data
	faults, err := g.h.Faults(d.FromMS, d.ToMS)
	if err != nil {
		return fmt.Errorf("faults: %w", err)
	}
	d.Faults = []report.Fault{}
	for i := range faults {
		f := &faults[i]
		d.Faults = append(d.Faults, report.Fault{Subject: f.Subject, Code: f.Code, Text: f.Text, Times: f.Times,
			First: f.First.String(), Last: f.Last.String(), OnS: f.OnS})
	}
	slices.SortStableFunc(d.Faults, func(x, y report.Fault) int {
		return cmp.Or(cmp.Compare(y.Times, x.Times), cmp.Compare(x.Subject, y.Subject), cmp.Compare(x.Code, y.Code))
	})
	if d.Events, err = g.h.eventsWhere(d.FromMS, d.ToMS, 0, func(*store.Event) bool { return true }); err != nil {
		return fmt.Errorf("events: %w", err)
	}
	tests, err := g.h.eventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == analysis.KindTest })
	if err != nil {
		return fmt.Errorf("guided tests: %w", err)
	}
	gone := map[uint64]bool{}
	for i := range tests {
		gone[analysis.Withdrawn(&tests[i])] = true
	}
	for i := range tests {
		if t, err := analysis.TestResultOf(&tests[i]); err == nil && !gone[t.Seq] && t.FromMS < d.ToMS {
			d.Tests = append(d.Tests, t)
		}
	}
	return nil
}

// compare tells what was saved since an earlier period, where one is given.
func (g *reportMaker) compare() error {
	d := &g.data
	if g.before == "" {
		return nil
	}
	c, err := g.h.Compare(CompareRequest{Before: g.before, After: Stamp(d.FromMS).String() + "/" + Stamp(d.ToMS).String()})
	if wrong := (*FieldError)(nil); errors.As(err, &wrong) {
		d.CompareAbsent = wrong.Message
		return nil
	}
	if err != nil {
		return err
	}
	d.Compare = &c
	return nil
}

// replays has each system played with the alternatives.
func (g *reportMaker) replays() error {
	d := &g.data
	d.Replays = []replay.Answer{}
	alternatives, given := g.r.Alternatives, len(g.r.Alternatives) > 0
	played := make([]bool, len(alternatives))
	var refused error // the first setting that no system knows
	for i := range d.Site.Systems {
		q := replay.Query{System: d.Site.Systems[i].Name, FromMS: d.FromMS, ToMS: d.ToMS, NowMS: d.NowMS, Alternatives: alternatives, Machines: g.r.Machines}
		study, err := replay.Open(g.h.source(), d.Site, q)
		if err != nil {
			if err = fieldOf(err); g.replayAbsent(q.System, err) {
				continue
			}
			return err
		}
		if given && len(d.Site.Systems) > 1 && study.Absent() == "" {
			if q.Alternatives, err = suited(study, alternatives, played); err != nil && refused == nil {
				refused = err
			}
		} else {
			for k := range played {
				played[k] = true
			}
		}
		if !given && study.Absent() == "" {
			if q.Alternatives, err = g.unasked(study, q.System); err != nil {
				return err
			}
		}
		a, err := study.Evaluate(g.ctx, q.Alternatives, nil)
		if err != nil {
			return fieldOf(err)
		}
		d.Replays = append(d.Replays, a)
	}
	if slices.Contains(played, false) && refused != nil {
		return fieldOf(refused)
	}
	return nil
}

// unasked are the alternatives that suit the site where nobody named any: none where the
// replay does not meet what was measured, for nothing could be decided by them. One that
// is refused must not make a report fail.
func (g *reportMaker) unasked(study *replay.Study, system string) ([]replay.Alternative, error) {
	suit := report.Alternatives(&g.data, system, g.r.Machines)
	if len(suit) == 0 {
		return nil, nil
	}
	fit, err := study.Meets(g.ctx)
	if err != nil || fit.Poor {
		return nil, err
	}
	some, _ := suited(study, suit, make([]bool, len(suit)))
	return some, nil
}

// replayAbsent notes why a system cannot be replayed, where the window is the reason;
// else the request is wrong.
func (g *reportMaker) replayAbsent(system string, err error) bool {
	wrong := (*FieldError)(nil)
	if !errors.As(err, &wrong) || wrong.Field != "from" && wrong.Field != "system" {
		return false
	}
	d := &g.data
	d.Replays = append(d.Replays, replay.Answer{System: system, From: Stamp(d.FromMS).String(), To: Stamp(d.ToMS).String(),
		Calibrated: []replay.Calibrated{}, Results: []replay.Result{}, Remarks: []string{}, Inputs: []string{}, Absent: wrong.Message})
	return true
}

// suited are the alternatives that a system can try: of several systems each has its
// own machines. The error is the first refusal.
func suited(study *replay.Study, all []replay.Alternative, played []bool) (some []replay.Alternative, refused error) {
	for k := range all {
		_, err := study.Apply(all[k])
		if wrong := (*replay.RequestError)(nil); err == nil || errors.As(err, &wrong) && wrong.Field == "leaks_mended" {
			played[k] = true
			some = append(some, all[k])
		} else if refused == nil {
			refused = err
		}
	}
	return some, refused
}
