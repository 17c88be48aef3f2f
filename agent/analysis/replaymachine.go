package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/gum"
	"loadscribe/agent/scan"
)

const (
	// A band that is set and not seen: how far the gauge and the controls may lie off
	// the display (common practice, no source).
	setBandLimitPa = 10_000.0
	// What bands of machines that take turns lie apart at most (common practice, no
	// source: some tenths of a bar for each).
	mostRankPa = 60_000.0
	// A machine stands by that delivers in no more of the time than this, and while
	// another loads so much more often at the same cut-in.
	stoodByShare, leastStoodBy = 0.1, 5
	// Where a machine never delivered and no rated pressure is given (common practice,
	// no source).
	usualPa = 700_000.0
	// A start takes so long at most; what loads later waited for the pressure.
	longestStartMS = 60_000
	// Stops by the no-load timer come after the same time, within a scan and this.
	timerSlackMS, timerSlackShare = 3_000, 0.03
	neverStopsMS                  = 30 * 60_000
)

// machine is what the record says of one machine.
func (r *replayMaker) machine(k int) ReplayMachine {
	s := r.machines[k]
	m := ReplayMachine{Machine: r.of[k], FullFlow: r.full[k], Basis: map[string]string{}}
	m.GaugePa, m.DropPa = r.seen.gauge[k], r.seen.drop[k]
	m.Basis["gauge"], m.Basis["drop"] = r.seen.gaugeBasis[k], r.seen.dropBasis[k]
	m.Basis["full_flow"] = s.full.method
	if r.meterOf != "" {
		m.Basis["full_flow"] = "what the meter counted over the time it delivered" + r.meterOf
	}
	m.FlowPa = r.outletPa(k)
	m.LoadedPa = m.FlowPa
	m.DelayS, m.RunOnS = r.b.delay[k], r.runOn[k]
	m.Basis["run_on"] = r.runOnBasis(k)
	m.Basis["delay"] = r.delayBasis(k)
	r.powers(k, &m)
	r.band(k, &m)
	r.partLoad(k, &m)
	r.start(k, &m)
	r.noLoadStop(k, &m)
	r.startsGuard(k, &m)
	m.Runs = s.g.runs(r.from, r.to)
	r.mayRun(k, &m)
	return m
}

// band is where the machine is seen to load and unload, and what is set.
func (r *replayMaker) band(k int, m *ReplayMachine) {
	s, name := r.machines[k], r.b.machines[k]
	set := func(figure, key string, role scan.Role, sitePa float64) float64 {
		if f := s.setAt(figure, key, role, sitePa); f != nil {
			return float64(*f.Value * pascalsPerKPa)
		}
		return 0
	}
	m.CutInSetPa = set("cut_in_set", "cut_in", scan.CutInSetting, m.Machine.CutInPa)
	m.CutOutSetPa = set("cut_out_set", "cut_out", scan.CutOutSetting, m.Machine.CutOutPa)
	stoodPa := r.stoodThrough(k, m.CutInSetPa)
	put := func(key string, into *gum.Value, e *bandEdge, setPa float64, note string) {
		switch {
		case s.pressureOf() != nil && len(e.twice) > 0 && (stoodPa == 0 || setPa <= 0):
			pa, u := s.edge(e)
			*into = gum.New(pa, u, scatterInput(key+"_seen", name)).Minus(m.GaugePa)
			m.Basis[key] = fmt.Sprintf("as seen, %d times%s", len(e.twice), note)
		case setPa > 0:
			*into = gum.New(setPa-stoodPa, rectangular(setBandLimitPa), key+" of "+name+", set and not seen").Minus(m.GaugePa)
			m.Basis[key] = "as set; it was not seen"
			if stoodPa > 0 {
				m.Basis[key] = fmt.Sprintf("as set, less %.1f kPa: its gauge fell nearly so far below the set cut-in with hardly a load (another order of the machines, perhaps)", stoodPa/1000)
			}
		default:
			m.Basis[key] = "neither seen nor set"
		}
	}
	in, out, late := s.bandEdges()
	note := ""
	if late {
		note = ", after a start, meanwhile the pressure falls"
	}
	put("cut_in", &m.CutInPa, &in, m.CutInSetPa, note)
	put("cut_out", &m.CutOutPa, &out, m.CutOutSetPa, "")
	if setPa := m.CutOutSetPa - m.CutInSetPa; m.Machine.Control.PartLoad() && m.CutInSetPa > 0 && m.CutOutSetPa > 0 && m.CutOutPa.V-m.CutInPa.V < setPa/2 {
		// It throttled all the while and was loaded and stopped by something else.
		none := bandEdge{}
		put("cut_in", &m.CutInPa, &none, m.CutInSetPa, "")
		put("cut_out", &m.CutOutPa, &none, m.CutOutSetPa, "")
	}
}

// stoodThrough is how far below the set cut-in the pressure fell at a machine that
// never loaded, or stood by: its band lies lower, as one that a rotation gives does.
// Where that is further than orders of machines go it was off.
func (r *replayMaker) stoodThrough(k int, cutInPa float64) float64 {
	s := r.machines[k]
	own := s.pressureOf()
	if own == nil || s.g.total.analog[own.slot].n == 0 || !r.stoodBy(k) {
		return 0
	}
	low, _ := own.extremes(&s.g.total.analog[own.slot])
	if fell := cutInPa - low; fell > 0 && fell <= mostRankPa {
		return fell + setBandLimitPa // it lies somewhere below
	}
	return 0
}

// stoodBy tells that a machine never delivered, or so rarely that another must have
// been before it nearly all the time: it stood ready while that one loaded again and
// again at the cut-in at which it loaded itself. The band it was seen with is that of
// the short while in which it was the first.
func (r *replayMaker) stoodBy(k int) bool {
	s := r.machines[k]
	var deliveredMS int64
	for _, t := range s.g.stretches() {
		if t.state.delivering() {
			deliveredMS += t.to - t.from
		}
	}
	if deliveredMS == 0 {
		return true
	}
	in, _, _ := s.bandEdges()
	if s.pressureOf() == nil || len(in.twice) == 0 || float64(deliveredMS) > stoodByShare*float64(r.to-r.from) {
		return false
	}
	ownPa, _ := s.edge(&in)
	for j, other := range r.machines {
		if j == k || other.pressureOf() == nil || r.of[j].Control.PartLoad() {
			continue
		}
		theirs, _, _ := other.bandEdges()
		if len(theirs.twice) < leastStoodBy*len(in.twice) {
			continue
		}
		if pa, _ := other.edge(&theirs); math.Abs(pa-r.seen.gauge[j].V-(ownPa-r.seen.gauge[k].V)) < setBandLimitPa {
			return true
		}
	}
	return false
}

// start is how long a start takes until the machine loads, where the pressure asks.
func (r *replayMaker) start(k int, m *ReplayMachine) {
	s := r.machines[k]
	var took []float64
	var began int64
	for _, t := range s.g.total.transitions {
		switch {
		case t.fresh || !t.state.Running():
			began = 0
		case t.state == Starting:
			began = t.mono
		case t.state.delivering() && began > 0:
			if ms := t.mono - began; ms <= longestStartMS {
				took = append(took, float64(ms)/1000)
			}
			began = 0
		}
	}
	if len(took) == 0 {
		seconds := float64(s.g.sp.startMS) / 1000
		m.StartS = gum.New(seconds, rectangular(seconds/2), "start of "+s.g.sp.name+" (assumed)")
		m.Basis["start"] = "assumed by the way of starting: no start was seen to end in a load"
		return
	}
	middle, u, _ := middleOf(took)
	m.StartS = gum.New(middle, quad(u, rectangular(s.periodS())), "start of "+s.g.sp.name)
	m.Basis["start"] = fmt.Sprintf("from the start to the load, median of %d", len(took))
}

// noLoadStop is after how long unloaded the machine stops, as seen, else as the site
// file has it.
func (r *replayMaker) noLoadStop(k int, m *ReplayMachine) {
	const key = "no_load_stop"
	t := r.machines[k].noLoadTimer()
	site := m.Machine.NoLoadStop
	switch {
	case t.told() && (t.count >= 2 || site == 0):
		m.NoLoadStopS = float64(t.ms) / 1000
		m.Basis[key] = "as seen: " + t.text()
	case site > 0:
		m.NoLoadStopS = site.Seconds()
		m.Basis[key] = "as the site file has it; it was not seen"
	default:
		m.NoLoadStopS = math.Inf(1)
		m.Basis[key] = "not seen, and not in the site file: taken for never"
		if t.stops > 0 {
			m.Basis[key] = fmt.Sprintf("not in the site file, and %d stops came after unlike times unloaded, as somebody's do: taken for never", t.stops)
		}
		if t.longest < neverStopsMS {
			m.Basis[key] += fmt.Sprintf(", though it never ran unloaded for longer than %s", inWords(t.longest-t.longest%1000))
		}
	}
}

// timer is what stops after unloaded running say of a no-load stop.
type timer struct {
	ms    int64 // unloaded, at which most of the stops came
	count int   // how many that were
	// stops are those that were not sooner than a load ever came: after longest
	// unloaded it loaded again.
	stops   int
	longest int64
}

// noLoadTimer is the time after which most of the stops come that were not sooner than
// a load ever came. Stops that come after all kinds of times are somebody's doing.
func (s *sheet) noLoadTimer() (t timer) {
	var stops []int64
	for i := range s.g.total.falls {
		if f := &s.g.total.falls[i]; f.end == endedByStop {
			stops = append(stops, f.ms)
		} else {
			t.longest = max(t.longest, f.ms)
		}
	}
	slack := int64(s.periodS()*2000) + timerSlackMS
	stops = slices.DeleteFunc(stops, func(ms int64) bool { return ms < t.longest-slack })
	slices.Sort(stops)
	for i, ms := range stops {
		n := i
		for n < len(stops) && stops[n] <= ms+2*slack+int64(timerSlackShare*float64(ms)) {
			n++
		}
		if n-i >= t.count {
			t.ms, t.count = stops[(i+n)/2], n-i
		}
	}
	t.stops = len(stops)
	return t
}

// told reports whether most of the stops came after one time.
func (t *timer) told() bool { return 2*t.count > t.stops }

func (t *timer) text() string {
	return fmt.Sprintf("%d of %d stops after %s unloaded", t.count, t.stops, t.length())
}

func (t *timer) length() string { return inWords(t.ms - t.ms%1000) }

// mayRun is when the machine may have run. Only what is plain counts: its controller
// said that it would not start by itself, or it stood for minutes below its cut-in.
func (r *replayMaker) mayRun(k int, m *ReplayMachine) {
	const key = "on"
	var off []Span
	how := ""
	for _, run := range m.Runs {
		switch {
		case run.State == Off || run.State == Tripped:
			off = append(off, Span{run.FromMS, run.ToMS})
			how = "its controller said that it would not start by itself, or that it had tripped"
		case run.State == Stopped:
			if at := r.keptFrom(run, m.CutInPa.V); at > 0 {
				off = append(off, Span{at, run.ToMS})
				how = "it stood while the pressure was below its cut-in for minutes"
			}
		}
	}
	if m.Basis[key] = "never seen kept from running"; len(off) == 0 {
		return
	}
	at := r.from
	m.On = []Span{}
	for _, o := range off {
		if o.FromMS > at {
			m.On = append(m.On, Span{at, o.FromMS})
		}
		at = max(at, o.ToMS)
	}
	if at < r.to {
		m.On = append(m.On, Span{at, r.to})
	}
	m.Basis[key] = fmt.Sprintf("%d times off: %s", len(off), how)
}

const (
	keptMinutes = 5             // below the cut-in, for a machine that was kept from running
	keptBelowPa = 15_000.0      // by how much
	keptAskedMS = 30 * minuteMS // from the cut-in down to that, for the one to be why of the other
)

// keptFrom is since when, in a run standing, the pressure asked for the machine in
// vain: since the minute in which it came down to the cut-in, for had the machine been
// on, it would have started there; 0: it did not.
func (r *replayMaker) keptFrom(run Run, cutInPa float64) int64 {
	if cutInPa <= 0 {
		return 0
	}
	minutes := r.rec.Minutes
	i, _ := slices.BinarySearchFunc(minutes, run.FromMS, func(m ReplayMinute, at int64) int { return cmp.Compare(m.StartMS, at) })
	var asked, first int64
	for n := 0; i < len(minutes) && minutes[i].StartMS < run.ToMS; i++ {
		m := &minutes[i]
		if m.StartPa >= cutInPa {
			asked = 0
		}
		if asked == 0 && m.EndPa < cutInPa {
			asked = m.StartMS
		}
		if m.StartPa >= cutInPa-keptBelowPa {
			n = 0
			continue
		}
		if n++; n == 1 {
			first = m.StartMS
		}
		if n >= keptMinutes {
			if asked > 0 && first-asked <= keptAskedMS {
				return asked
			}
			return first
		}
	}
	return 0
}

// delayBasis says where the delivery delay comes from.
func (r *replayMaker) delayBasis(k int) string {
	if s := r.machines[k]; s.delaySeen() {
		return s.storage.delayMethod
	}
	return fmt.Sprintf("assumed, %.0f ± %.0f s", deliveryDelayS, deliveryDelayLimitS)
}
