package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// periodS is how late a transition may be seen: the master's period, and the
// dwell where levels are used.
func (s *sheet) periodS() float64 {
	sp := s.g.sp
	if sp.master < 0 {
		return 0
	}
	ms := sp.chans[sp.master].periodMS
	for _, l := range []*level{sp.runLevel, sp.loadLevel} {
		if l != nil {
			ms = max(ms, sp.chans[l.ch].periodMS+l.dwellMS)
		}
	}
	return float64(ms) / 1000
}

// timeU is the standard uncertainty of a time bounded by n transitions, each
// ± one period and rectangular; the window's ends count as one more. Where a
// level tells load, the way up and the way down may cross it with unlike delays,
// and do so each time: half a period, rectangular, for each pair.
func (s *sheet) timeU(n int) float64 {
	independent := float64(rectangular(s.periodS()) * math.Sqrt(float64(n+1)))
	l := s.g.sp.loadLevel
	if l == nil {
		return independent
	}
	period := float64(s.g.sp.chans[l.ch].periodMS) / 1000
	return quad(independent, float64(rectangular(period/2)*float64(n/2)))
}

// observed sets observed_time and unobserved_time.
func (s *sheet) observed() {
	t := s.g.total
	ms := t.observedMS()
	var inputs []string
	if s.g.sp.master >= 0 {
		inputs = []string{s.g.sp.chans[s.g.sp.master].id}
	}
	s.put("observed_time", "s", estimate{float64(ms) / 1000, s.timeU(0)},
		"time between good scans no further apart than three of their periods", inputs)
	unseen := max(0, s.g.to-s.g.from-ms)
	method := "the window less the observed time"
	if why := s.reasons(unseen); why != "" {
		method += "; known reasons: " + why
	}
	s.put("unobserved_time", "s", estimate{float64(unseen) / 1000, s.timeU(0)}, method, inputs)
}

// reasons is how much of the unobserved time has which reason, in words. Gaps
// are told by wall times and durations are not, so that their sum may pass
// unseenMS by the jitter of two scans; it is cut there.
func (s *sheet) reasons(unseenMS int64) string {
	byReason := map[scan.Reason]int64{}
	for _, g := range s.g.total.gaps {
		if ms := min(min(g.to, s.g.to)-max(g.from, s.g.from), unseenMS); ms > 0 {
			byReason[g.reason] += ms
			unseenMS -= ms
		}
	}
	var all []string
	for _, r := range scan.Reasons() {
		if ms := byReason[r]; ms > 0 {
			all = append(all, fmt.Sprintf("%s %d s", r, (ms+500)/1000))
		}
	}
	return strings.Join(all, ", ")
}

// stateInputs are the channels that the states come from.
func (s *sheet) stateInputs() []string {
	sp := s.g.sp
	var all []string
	add := func(ch int) {
		if ch >= 0 {
			for _, have := range all {
				if have == sp.chans[ch].id {
					return
				}
			}
			all = append(all, sp.chans[ch].id)
		}
	}
	add(sp.running)
	add(sp.loaded)
	if sp.runLevel != nil {
		add(sp.runLevel.ch)
	}
	if sp.loadLevel != nil {
		add(sp.loadLevel.ch)
	}
	if sp.control.PartLoad() {
		add(sp.fraction)
	}
	add(sp.standby)
	add(sp.fault)
	return append(all, sp.assumed...)
}

// stateTime is the time in a state.
func (s *sheet) stateTime(state State) estimate {
	return estimate{float64(s.g.total.stateMS[state]) / 1000, s.timeU(s.edges[state])}
}

// startUnsure is how much of the time that counts as starting may as well have been
// unloaded running, or as much more of that starting: no signal says when a start is
// over (common practice, no source: the contactors' changeover takes at least half of it).
const startUnsure = 0.5

func (s *sheet) startingS() float64 { return float64(s.g.total.stateMS[Starting]) / 1000 }

// unloadedTime sets unloaded_time. Whether a start was over is unsure in the same
// sense each time, so that it adds up over the starts.
func (s *sheet) unloadedTime(inputs []string) {
	e := s.stateTime(Unloaded)
	method := "states " + s.g.sp.stateMethod
	if startingS := s.startingS(); startingS > 0 {
		e.u = quad(e.u, rectangular(float64(startUnsure*startingS)))
		method += fmt.Sprintf("; no signal says when a start is over: up to half of the %.0f s that count as starting may belong here", startingS)
	}
	s.add("unloaded_time", "s", e, method, inputs)
}

// times sets the figures of time and share.
func (s *sheet) times(m *sitefile.Machine) {
	sp := s.g.sp
	names := []string{"off_time", "standby_time", "stopped_time", "unloaded_time", "loaded_time",
		"part_load_time", "running_time", "duty_cycle", "loaded_share", "mean_load_fraction"}
	if !sp.hasStates {
		s.absent(sp.statesAbsent, names...)
		return
	}
	inputs := s.stateInputs()
	set := func(name string, st State) { s.add(name, "s", s.stateTime(st), "states "+sp.stateMethod, inputs) }
	if sp.standby >= 0 {
		set("off_time", Off)
		set("standby_time", Standby)
	} else {
		s.absent("no standby signal: off and standby cannot be told apart, see stopped_time", "off_time", "standby_time")
	}
	set("stopped_time", Stopped)
	run := estimate{float64(s.g.total.runningMS()) / 1000, s.timeU(s.running)}
	s.add("running_time", "s", run, "the motor on, starting included; states "+sp.stateMethod+"; "+sp.startMethod, inputs)
	if sp.runOnly {
		s.absent("no loaded signal, load fraction or power tells loaded from unloaded",
			"unloaded_time", "loaded_time", "part_load_time", "duty_cycle", "loaded_share", "mean_load_fraction")
		return
	}
	s.unloadedTime(inputs)
	set("loaded_time", Loaded)
	if m.Control.PartLoad() {
		set("part_load_time", PartLoad)
	} else {
		s.absent("a "+string(m.Control)+" machine has no part load", "part_load_time")
	}
	s.shares(m, run, inputs)
}

func (s *sheet) shares(m *sitefile.Machine, run estimate, inputs []string) {
	loaded := s.stateTime(Loaded)
	observed := float64(s.g.total.observedMS()) / 1000
	method := "loaded time over observed time, states " + s.g.sp.stateMethod
	s.ratio("loaded_share", "1", loaded.scaled(1/observed), method, "observed time", inputs)
	switch {
	case run.v == 0:
		s.absent("the machine did not run in the observed time", "duty_cycle", "mean_load_fraction")
	case m.Control.PartLoad():
		s.absent("a part-load machine: see mean_load_fraction", "duty_cycle")
		s.meanLoadFraction()
	default:
		// A transition moves time between loaded and the rest of running.
		s.ratio("duty_cycle", "1", loaded.scaled(1/run.v),
			"loaded time over running time, states "+s.g.sp.stateMethod, "running time", inputs)
		s.absent("a "+string(m.Control)+" machine is loaded or not: see duty_cycle", "mean_load_fraction")
	}
}

func (s *sheet) meanLoadFraction() {
	sp := s.g.sp
	if sp.fraction < 0 {
		s.absent("no channel gives the load fraction", "mean_load_fraction")
		return
	}
	var total sum
	for st := Starting; st <= PartLoad; st++ {
		total.merge(s.g.total.fraction.all[st])
	}
	if total.ms == 0 {
		s.absent("no load fraction was read while the machine ran", "mean_load_fraction")
		return
	}
	c := &sp.chans[sp.fraction]
	s.ratio("mean_load_fraction", "1", c.mean(total).scaled(sp.fractionScale()),
		"time-weighted mean of the load fraction while running", "running time with a reading", []string{c.input()})
}

// fractionScale brings a load fraction that runs to 100 without a unit to 0-1.
func (sp *spec) fractionScale() float64 {
	if sp.fraction >= 0 && sp.percentFraction(sp.fraction) {
		return 0.01
	}
	return 1
}

// medianOf returns the median of twice-counts as counts.
func medianOf(twice []int64) float64 {
	slices.Sort(twice)
	n := len(twice)
	return (float64(twice[(n-1)/2]) + float64(twice[n/2])) / 4
}
