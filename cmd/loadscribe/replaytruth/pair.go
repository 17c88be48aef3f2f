package replaytruth

import (
	"context"
	"fmt"
	"math"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/airtruth"
	"loadscribe/simulator"
)

// warmUp is how long both plants run before the record, as airtruth's does.
const warmUp = 2 * time.Hour

// Pair is a plant and one change.
type Pair struct {
	Name     string
	Kind     string // of change; it has its ceilings
	Scenario string
	Seed     uint64 // 0: the scenario's own
	// Flow is every machine's true flow over its nameplate.
	Flow float64
	// Present makes the plant of the scenario, Change the changed one of that; either
	// may be nil.
	Present, Change func(*simulator.Scenario)
	// Set is the change as it is asked for.
	Set []replay.Setting
	// Unseen tells when the recorder was away; may be nil.
	Unseen func(wallMS int64) bool
	// Untold pairs ask for what the record does not know, and are to be told so.
	Untold bool
	// Quick pairs are played each time, the others in the long run.
	Quick bool
}

// Window is a piece of the story: After the Monday's midnight of
// simulator.BenchStart, and so long.
type Window struct{ After, Length time.Duration }

// Ask is replay.Run.
type Ask func(context.Context, analysis.Source, *sitefile.Site, replay.Query) (replay.Answer, error)

// Played is a pair that is over.
type Played struct {
	Pair   Pair
	Answer replay.Answer
	// Result is the answer's only alternative.
	Result replay.Result
	// Present and Changed are what happened, over the replayed minutes.
	Present, Changed Truth
	Took             time.Duration // of the answer
}

// Play records the present plant in the window, asks, and runs the changed plant.
// dir takes the site file.
func (p Pair) Play(ctx context.Context, dir string, w Window, ask Ask) (*Played, error) {
	run := airtruth.Run{Scenario: p.Scenario, Seed: p.Seed, Flow: p.Flow, After: w.After, Length: w.Length, Edit: p.Present, Unseen: p.Unseen}
	recorded, err := run.Play(ctx, dir)
	if err != nil {
		return nil, fmt.Errorf("record %q: %w", p.Name, err)
	}
	from, to := recorded.From.UnixMilli(), recorded.To.UnixMilli()
	system := recorded.Site.Systems[0].Name
	began := time.Now()
	answer, err := ask(ctx, recorded.Source, recorded.Site, replay.Query{System: system, FromMS: from, ToMS: to, NowMS: to,
		Alternatives: []replay.Alternative{{Name: p.Name, Set: p.Set}}})
	if err != nil {
		return nil, fmt.Errorf("replay %q: %w", p.Name, err)
	}
	if answer.Absent != "" || len(answer.Results) != 1 {
		return nil, fmt.Errorf("replay %q: %d results, absent %q", p.Name, len(answer.Results), answer.Absent)
	}
	played := &Played{Pair: p, Answer: answer, Result: answer.Results[0], Took: time.Since(began)}
	record, err := analysis.ReplayOf(recorded.Source, recorded.Site, system, from, to, to)
	if err != nil {
		return nil, err
	}
	spans := spansOf(record.Minutes)
	if played.Present, err = truthOf(recorded.World, spans); err != nil {
		return nil, err
	}
	changed, err := p.changed(recorded.From, recorded.To)
	if err != nil {
		return nil, err
	}
	played.Changed, err = truthOf(changed, spans)
	return played, err
}

// changed runs the changed plant from the same moment on.
func (p Pair) changed(from, to time.Time) (*simulator.World, error) {
	sc, err := simulator.LoadScenario(p.Scenario)
	if err != nil {
		return nil, err
	}
	if p.Seed != 0 {
		sc.Seed = p.Seed
	}
	for i := range sc.Machines {
		sc.Machines[i].FlowFactor = p.Flow
	}
	for _, edit := range []func(*simulator.Scenario){p.Present, p.Change} {
		if edit != nil {
			edit(sc)
		}
	}
	sc.Devices = nil // nobody reads them
	w, err := simulator.New(sc, from.Add(-warmUp))
	if err != nil {
		return nil, fmt.Errorf("the changed plant of %q: %w", p.Name, err)
	}
	w.Advance(to)
	return w, nil
}

// spansOf joins minutes that touch.
func spansOf(minutes []analysis.ReplayMinute) (spans []span) {
	for i := range minutes {
		from := time.UnixMilli(minutes[i].StartMS)
		to := from.Add(time.Minute)
		if n := len(spans); n > 0 && spans[n-1].to.Equal(from) {
			spans[n-1].to = to
			continue
		}
		spans = append(spans, span{from, to})
	}
	return spans
}

type span struct{ from, to time.Time }

// bestCurve is the least power over flow, both as shares of full load, that a
// part-load curve comes to: a variable-speed machine is a few points better in the
// middle than at full load (from memory).
const bestCurve = 0.95

// MostSaved is what the change can save at the most, kWh: all that was used, less
// what the air then delivered takes of the best machine at its best.
func (p *Played) MostSaved() float64 {
	least := p.Changed.LeastKWh
	if math.IsNaN(least) {
		least = p.Present.LeastKWh
	}
	return p.Present.EnergyKWh - bestCurve*least
}
