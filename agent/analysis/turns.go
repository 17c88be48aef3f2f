package analysis

import (
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Turn is one change of a machine's state, as the fold has it: the same that
// every figure of times, starts and cycles is made from.
type Turn struct {
	WallMS   int64
	From, To State
	HeldMS   int64 // how long From had lasted
	// HeldKnown is false where From was found after a gap, so that it may have
	// begun before; HeldMS is then "at least".
	HeldKnown bool
	Reason    string // why unobserved, where From or To is that
}

// What a change of state means, for asking for some of them only.
const (
	TurnStart  = "start"
	TurnStop   = "stop"
	TurnTrip   = "trip"
	TurnLoad   = "load"
	TurnUnload = "unload"
	TurnLost   = "lost"  // unobserved from here on
	TurnFound  = "found" // observed again
	TurnOther  = "other" // such as standby to off, or loaded to part-load
)

// TurnWords lists what Turn.Word may be.
func TurnWords() []string {
	return []string{TurnStart, TurnStop, TurnTrip, TurnLoad, TurnUnload, TurnLost, TurnFound, TurnOther}
}

// Word is what the change means.
func (t *Turn) Word() string {
	switch {
	case t.To == Unobserved:
		return TurnLost
	case t.From == Unobserved:
		return TurnFound
	case t.To == Tripped:
		return TurnTrip
	case !t.From.Running() && t.To.Running():
		return TurnStart
	case t.From.Running() && !t.To.Running():
		return TurnStop
	case !t.From.delivering() && t.To.delivering():
		return TurnLoad
	case t.From.delivering() && !t.To.delivering():
		return TurnUnload
	}
	return TurnOther
}

// Turns returns a machine's changes of state in [fromMS, toMS), in the order of
// the fold. It reads summaries, whole cells of them, and so the same at every
// age of the data. nowMS bounds what may count as a gap that still lasts.
func Turns(src Source, site *sitefile.Site, machine string, fromMS, toMS, nowMS int64) ([]Turn, error) {
	sp, err := specOf(src, site, machine)
	if err != nil || fromMS >= toMS || !sp.hasStates {
		return nil, err
	}
	// What is lost shortly before toMS is known as such only behind it.
	gapMS := sp.chans[sp.master].gapMS
	end := min(cellOf(toMS-1+gapMS)+2*cellMS, max(cellOf(nowMS)+cellMS, toMS))
	g, err := gather(src, sp, cellOf(fromMS), cellOf(end-1)+cellMS, nil)
	if err != nil {
		return nil, err
	}
	w := turnWalk{from: fromMS, to: toMS}
	if e := g.entry; e != nil && e.known {
		w.state, w.since, w.mono, w.known = e.state, e.sinceWall, e.sinceMono, e.sinceKnown
	} else if e != nil && e.hasLast {
		w.since, w.known, w.reason = e.lastWall, true, gapReason(e.bad)
	}
	gaps := g.total.gaps
	for i := range g.total.transitions {
		t := &g.total.transitions[i]
		if t.fresh && len(gaps) > 0 && gaps[0].to == t.wall {
			w.lose(gaps[0].from, gaps[0].reason)
			gaps = gaps[1:]
		}
		w.turn(t.wall, t.mono, t.state, t.fresh)
	}
	if x := g.exit; x != nil && x.hasLast && (!x.known || min(end, nowMS)-x.lastWall > gapMS) {
		w.lose(x.lastWall, x.bad)
	}
	return w.turns, nil
}

// gapReason names why nothing was read; where no scan says so, nobody asked.
func gapReason(why scan.Reason) string {
	if why == scan.Good {
		why = scan.AgentStopped
	}
	return why.String()
}

// turnWalk follows the state from left to right.
type turnWalk struct {
	from, to int64
	turns    []Turn
	state    State
	since    int64 // wall time; 0: not known at all
	mono     int64 // likewise, for durations within a segment
	known    bool
	reason   string
}

// lose begins a gap at the last good scan.
func (w *turnWalk) lose(wall int64, why scan.Reason) {
	if w.state == Unobserved {
		return // it began before the window
	}
	w.reason = gapReason(why)
	w.add(Turn{WallMS: wall, From: w.state, To: Unobserved, HeldMS: wall - w.since, HeldKnown: w.known, Reason: w.reason})
	w.state, w.since, w.known = Unobserved, wall, true
}

// turn sets the next state; fresh is the first one after a gap.
func (w *turnWalk) turn(wall, mono int64, to State, fresh bool) {
	t := Turn{WallMS: wall, From: w.state, To: to, HeldMS: mono - w.mono, HeldKnown: w.known}
	if fresh {
		t.HeldMS, t.Reason = wall-w.since, w.reason
		if w.since == 0 { // the first scan of all
			t.HeldMS, t.HeldKnown = 0, false
		}
	}
	w.add(t)
	w.state, w.since, w.mono, w.known, w.reason = to, wall, mono, !fresh, ""
}

func (w *turnWalk) add(t Turn) {
	if t.WallMS >= w.from && t.WallMS < w.to {
		t.HeldMS = max(t.HeldMS, 0) // the clock may have been set back in a gap
		w.turns = append(w.turns, t)
	}
}
