package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/gum"
)

const (
	// An inlet valve closes in about a second, and air flows meanwhile (common
	// practice, no source).
	runOnMiddleS, runOnLimitS = closingS, closingS
	mostRunOnS                = 1.5
)

func runOnInput(machine string) string { return "run-on of " + machine }

// runsOn gives each unload the air that still flows while the inlet closes. A replay
// must count it in the demand, for it plays it.
func (r *replayMaker) runsOn() {
	for k, s := range r.machines {
		run := s.runOnSeen()
		r.runOn = append(r.runOn, run)
		shares := r.b.partShares(s)
		for _, l := range s.g.loadSpans() {
			if !l.ends {
				continue
			}
			end := l.to + int64(math.Round(run.V*1000))
			if l.next > 0 {
				end = min(end, l.next)
			}
			r.b.over(l.to, end, func(i int, ms int64) {
				r.b.minutes[i].fullS[k] += float64(float64(ms) / 1000 * shares(i, l.last))
			})
		}
	}
}

// loadSpan is a time in which a machine delivered, whatever the share.
type loadSpan struct {
	to   int64
	ends bool  // its end was seen
	next int64 // when it delivers again; 0: not known
	last State
}

func (g *gathered) loadSpans() (all []loadSpan) {
	var before stretch
	open := false
	for _, t := range g.stretches() {
		joined := before.to == t.from
		if n := len(all); open && joined && !t.state.delivering() {
			all[n-1].ends = true
		}
		switch {
		case !t.state.delivering():
			open = false
		case open && joined && !t.seenLoad:
			all[len(all)-1].to, all[len(all)-1].last = t.to, t.state
		default:
			if n := len(all); n > 0 {
				all[n-1].next = t.from
			}
			all, open = append(all, loadSpan{to: t.to, last: t.state}), true
		}
		before = t
	}
	return all
}

// runOnU is what the run-on may be off, in the mean demand.
func (r *replayMaker) runOnU(seconds float64) (v gum.Value) {
	if r.b.metered || seconds <= 0 {
		return v
	}
	for k, s := range r.machines {
		n := 0.0
		for _, l := range s.g.loadSpans() {
			if l.ends && r.isReplayed(l.to) {
				n++
			}
		}
		v = v.Plus(r.runOn[k].Minus(gum.Exact(r.runOn[k].V)).Scaled(float64(n*r.full[k].V) / seconds))
	}
	return v
}

// runOnSeen is how long air flows on, by where the lines of the stores' pressure
// before and after an unload meet; only a gauge at the first receiver itself shows no
// drop there.
func (s *sheet) runOnSeen() gum.Value {
	name := s.g.sp.name
	assumed := gum.New(runOnMiddleS, rectangular(runOnLimitS), runOnInput(name))
	st := s.storage
	if st == nil || st.absent != "" || s.g.sp.tap < 0 || gaugePlace(st.sys, &s.g.sp.chans[s.g.sp.tap]) != 0 {
		return assumed
	}
	var on []float64
	for i := range st.stops {
		on = append(on, st.stops[i].gap/st.slope.V+float64(st.stops[i].lateS/2))
	}
	seen, u, _ := middleOf(on)
	late := 0.0
	for i := range st.stops {
		late = max(late, st.stops[i].lateS)
	}
	u = quad(u, rectangular(late/2), rectangular(0.3))
	a, b := 1/float64(u*u), 1/float64(assumed.U()*assumed.U())
	v := (float64(a*seen) + float64(b*assumed.V)) / (a + b)
	return gum.New(min(max(v, 0), mostRunOnS), 1/math.Sqrt(a+b), runOnInput(name))
}

func (r *replayMaker) runOnBasis(k int) string {
	if st := r.machines[k].storage; st != nil && st.absent == "" && r.runOn[k].V != runOnMiddleS {
		return fmt.Sprintf("where the lines of %s before and after an unload meet, %d unloads, and a closing inlet's %.1f ± %.1f s", st.tap, len(st.stops), runOnMiddleS, runOnLimitS)
	}
	return fmt.Sprintf("assumed: an inlet closes in %.1f ± %.1f s", runOnMiddleS, runOnLimitS)
}

const (
	leastGuarded              = 3
	guardSlackMS, guardShare  = 2_000, 0.01
	guardBelowPa, guardFallBy = 3_000.0, 0.25
)

// startsGuard finds the time before which the machine does not start again: the
// shortest time between starts, where at least three come after it to a hundredth,
// and the pressure had fallen below where a start that waits for it would load.
func (r *replayMaker) startsGuard(k int, m *ReplayMachine) {
	const key = "least_between_starts"
	s := r.machines[k]
	m.Basis[key] = "not seen"
	if m.CutInPa.V <= 0 || s.pressureOf() == nil {
		return
	}
	var apart []int64
	var waited []bool
	starts := s.g.total.starts
	for i := 1; i < len(starts); i++ {
		if starts[i].segment != starts[i-1].segment || starts[i].restMS == 0 {
			continue
		}
		apart = append(apart, starts[i].mono-starts[i-1].mono)
		waited = append(waited, r.waitedInVain(k, m, starts[i].wall))
	}
	if len(apart) < leastGuarded {
		return
	}
	least, n := slices.Min(apart), 0
	for i, ms := range apart {
		if waited[i] && ms <= least+guardSlackMS+int64(guardShare*float64(least)) {
			n++
		}
	}
	if n < leastGuarded {
		return
	}
	m.LeastBetweenStartsS = float64(least) / 1000
	m.Basis[key] = fmt.Sprintf("as seen: %d of %d starts came %s after the one before, with the pressure below the cut-in", n, len(apart), inWords(least-least%1000))
}

// waitedInVain reports whether the load after a start lies further below the cut-in
// than the pressure falls while the machine starts.
func (r *replayMaker) waitedInVain(k int, m *ReplayMachine, startWall int64) bool {
	s := r.machines[k]
	c := s.pressureOf()
	cycles := s.g.total.cycles
	n, _ := slices.BinarySearchFunc(cycles, startWall, func(y cycle, at int64) int { return cmp.Compare(y.loadWall, at) })
	for ; n < len(cycles) && cycles[n].loadWall <= startWall+longestStartMS; n++ {
		y := &cycles[n]
		if !y.hasPressure || y.loadWall < startWall { // a clock that jumped
			continue
		}
		pa := c.si(float64(y.atLoad)/2) - m.GaugePa.V
		flow := 0.0
		if i := (minuteOf(y.loadWall) - r.from) / minuteMS; i >= 0 && i < int64(len(r.replayed)) && r.replayed[i] {
			v, _ := r.b.mean([]int{int(i)})
			flow = max(0, v.V)
		}
		fall := float64(flow * r.b.inletPa / max(r.rec.Volume.V, 0.01) * float64(y.loadWall-startWall) / 1000)
		return pa < m.CutInPa.V-guardBelowPa-float64((1+guardFallBy)*fall)
	}
	return false
}
