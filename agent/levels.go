package agent

import (
	"context"
	"errors"
	"fmt"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/store"
)

// LevelsChange asks for other levels of a machine: learnt from its data, given,
// or given up for the assumed ones.
type LevelsChange struct {
	Machine string `json:"machine"`
	Learn   bool   `json:"learn,omitempty"`
	From    Stamp  `json:"from,omitempty"` // of the data to learn from; null: three days
	To      Stamp  `json:"to,omitempty"`
	Run     string `json:"run,omitempty"` // "5 kW", "12 A"
	Load    string `json:"load,omitempty"`
	Forget  bool   `json:"forget,omitempty"`
}

// learnDays is how much of the latest data levels are learnt from where nobody
// says which.
const learnDays = 3 * 24 * time.Hour

// Levels tells which levels hold, machine by machine.
func (h *History) Levels() ([]analysis.HeldLevels, error) {
	all := make([]analysis.HeldLevels, 0, len(h.site.Machines))
	for i := range h.site.Machines {
		held, err := analysis.HoldingLevels(h.source(), h.site, h.site.Machines[i].Name)
		if err != nil {
			return nil, err
		}
		all = append(all, held)
	}
	return all, nil
}

// ChangeLevels makes levels a calibration and folds the machine's whole record
// with them. Levels that the data do not show change nothing: Missing says why.
// An error that wraps analysis.ErrLevels is the caller's.
func (a *Agent) ChangeLevels(ctx context.Context, c LevelsChange) (analysis.HeldLevels, error) {
	if !a.hasMachine(c.Machine) {
		return analysis.HeldLevels{}, fmt.Errorf("%w: machine %q is not in the site file", analysis.ErrLevels, c.Machine)
	}
	if n := count(c.Learn, c.Run != "" || c.Load != "", c.Forget); n != 1 {
		return analysis.HeldLevels{}, fmt.Errorf("%w: say one of: learn, a running and a loaded level, forget", analysis.ErrLevels)
	}
	var levels analysis.Levels
	var found analysis.Learning
	var err error
	switch {
	case c.Learn:
		if found, err = a.learnIn(c); err == nil && found.Missing == "" {
			levels = found.Levels
		}
	case c.Forget:
		levels = analysis.Levels{Method: "taken back: the assumed levels hold again"}
	default:
		levels, err = a.givenLevels(c)
	}
	if err != nil {
		return analysis.HeldLevels{}, err
	}
	if found.Missing == "" {
		if err := a.calibrateLevels(ctx, c.Machine, &levels); err != nil {
			return analysis.HeldLevels{}, err
		}
	}
	held, err := analysis.HoldingLevels(a.source(), a.site, c.Machine)
	held.Modes, held.Missing = found.Modes, found.Missing
	return held, err
}

func count(all ...bool) int {
	n := 0
	for _, v := range all {
		if v {
			n++
		}
	}
	return n
}

func (h *History) learnIn(c LevelsChange) (analysis.Learning, error) {
	to := c.To
	if to == 0 {
		to = Stamp(h.Now().UnixMilli())
	}
	from := c.From
	if from == 0 {
		from = to - Stamp(learnDays.Milliseconds())
	}
	return analysis.Learn(h.source(), h.site, c.Machine, int64(from), int64(to))
}

// givenLevels reads the levels that a person gave.
func (a *Agent) givenLevels(c LevelsChange) (analysis.Levels, error) {
	parse := func(what, text string) (quantity.Quantity, error) {
		v, err := quantity.Parse(text)
		if err != nil {
			err = fmt.Errorf("%w: %s level: %w; write a number with its unit, such as \"5 kW\" or \"12 A\"", analysis.ErrLevels, what, err)
		}
		return v, err
	}
	run, err := parse("running", c.Run)
	if err != nil {
		return analysis.Levels{}, err
	}
	var loadSI float64
	if c.Load != "" {
		load, err := parse("loaded", c.Load)
		if err != nil {
			return analysis.Levels{}, err
		}
		if load.Unit.Dimension != run.Unit.Dimension {
			return analysis.Levels{}, fmt.Errorf("%w: %q and %q are not of one kind", analysis.ErrLevels, c.Run, c.Load)
		}
		loadSI = load.SI()
	}
	return analysis.SetLevels(a.source(), a.site, c.Machine, run.Unit.Dimension, run.SI(), loadSI)
}

// calibrateLevels keeps levels as an event, on disk, and folds anew with them.
func (a *Agent) calibrateLevels(ctx context.Context, machine string, l *analysis.Levels) error {
	a.levelsMu.Lock()
	defer a.levelsMu.Unlock()
	e := l.Event(machine, l.Text(a.source(), a.site, machine))
	if err := a.note(e.Kind, e.Subject, e.Text, e.Data); err != nil {
		return fmt.Errorf("keep levels: %w", err)
	}
	if err := a.store.Sync(); err != nil {
		return fmt.Errorf("keep levels: %w", err)
	}
	return a.foldAnew(ctx, a.store.Refold)
}

// foldAnew makes the summaries anew beside recording, in the given way.
// levelsMu is held.
func (a *Agent) foldAnew(ctx context.Context, way func(context.Context, store.Summariser, func()) error) error {
	next := analysis.NewFolder(a.site, a.groups)
	if err := a.store.Calibrate(next); err != nil {
		return err
	}
	if err := way(ctx, next, func() { a.folder.TakeOver(next) }); err != nil {
		return err
	}
	a.tell("figures_changed", nil)
	return nil
}

// The waits between attempts to learn levels: the first is short, since a
// morning may show all, and an idle week must not cost much.
const (
	learnFirst = 15 * time.Minute
	learnLast  = 24 * time.Hour
)

// learnLevels learns the levels of machines whose states hang on assumed ones,
// once, as soon as their data show them.
func (a *Agent) learnLevels(ctx context.Context) error {
	for wait := learnFirst; ; wait = min(2*wait, learnLast) {
		left := 0
		for i := range a.site.Machines {
			done, err := a.learnOnce(ctx, a.site.Machines[i].Name)
			if err != nil && ctx.Err() == nil {
				a.log.Error("levels are not learnt", "machine", a.site.Machines[i].Name, "err", err)
			}
			if !done {
				left++
			}
		}
		if left == 0 {
			return nil
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return nil
		}
	}
}

// learnOnce reports whether nothing is left to learn of a machine.
func (a *Agent) learnOnce(ctx context.Context, machine string) (done bool, err error) {
	done, learnt, err := a.learnable(machine)
	if err != nil || learnt == nil || ctx.Err() != nil {
		return done, errors.Join(err, ctx.Err())
	}
	a.log.Info("levels learnt", "machine", machine, "channel", learnt.Channel)
	return true, a.calibrateLevels(ctx, machine, learnt)
}

// learnable learns the levels of a machine where they are wanted and its data
// show them; done: there is nothing to learn.
func (h *History) learnable(machine string) (done bool, levels *analysis.Levels, err error) {
	held, err := analysis.HoldingLevels(h.source(), h.site, machine)
	if err != nil || !held.Needed || held.Calibration > 0 {
		return err == nil, nil, err
	}
	past, err := h.store.EventsWhere(0, 0, 1, func(e *store.Event) bool { return e.Kind == analysis.LevelsEvent && e.Subject == machine })
	if err != nil || len(past) > 0 {
		return err == nil, nil, err // taken back by a person
	}
	learnt, err := h.learnIn(LevelsChange{Machine: machine})
	if err != nil || learnt.Missing != "" {
		return false, nil, err
	}
	return false, &learnt.Levels, nil
}

// Source is the record as the analysis reads it: what is sealed and what is not.
func (h *History) Source() analysis.Source { return h.source() }
