package analysis

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// The kinds of Finding.
const (
	findingMissing       = "missing"
	findingStuck         = "stuck"
	findingContradictory = "contradictory"
	findingImpossible    = "impossible"
)

// maxGapFindings bounds the gaps that are named one by one; the longest are.
const maxGapFindings = 20

// findings lists what the window shows of the quality of its data, by time.
func (s *sheet) findings() []Finding {
	all := append(append(s.gapFindings(), s.watchFindings()...), s.meterFindings()...)
	all = append(all, s.counterFindings()...)
	if s.unlikeVolume != "" {
		all = append(all, Finding{Kind: findingContradictory, Subject: s.g.sp.name, From: stamp(s.g.from), To: stamp(s.g.to),
			Sentence: s.unlikeVolume, Evidence: []string{s.machines[0].storage.tap}})
	}
	sort.SliceStable(all, func(i, j int) bool {
		a, b := &all[i], &all[j]
		if a.From != b.From {
			return a.From < b.From
		}
		return a.Subject < b.Subject
	})
	if all == nil {
		all = []Finding{}
	}
	return all
}

// gapFindings names the unobserved time of a minute and more.
func (s *sheet) gapFindings() []Finding {
	var gaps []gap
	for _, g := range s.g.total.gaps {
		// A step of the clock is an event: nothing was missed.
		if g.to-g.from >= absentGraceMS && g.to > s.g.from && g.reason != scan.ClockStep {
			gaps = append(gaps, g)
		}
	}
	if e := s.g.exit; e != nil && e.hasLast && s.g.to-e.lastWall >= max(absentGraceMS, s.gapMS()) {
		why := e.bad
		if why == scan.Good {
			why = scan.AgentStopped
		}
		gaps = append(gaps, gap{from: e.lastWall, to: s.g.to, reason: why})
	}
	sort.SliceStable(gaps, func(i, j int) bool { return gaps[i].to-gaps[i].from > gaps[j].to-gaps[j].from })
	var all []Finding
	for i, g := range gaps {
		if i == maxGapFindings {
			from, to, ms := g.from, g.to, int64(0)
			for _, r := range gaps[i:] {
				from, to, ms = min(from, r.from), max(to, r.to), ms+r.to-r.from
			}
			all = append(all, Finding{Kind: findingMissing, Subject: s.g.sp.name, From: stamp(from), To: stamp(to),
				Sentence: fmt.Sprintf("%d more gaps, shorter than those named, took %s in all.", len(gaps)-i, inWords(ms)), Evidence: []string{}})
			break
		}
		all = append(all, Finding{Kind: findingMissing, Subject: s.g.sp.name, From: stamp(g.from), To: stamp(g.to),
			Sentence: fmt.Sprintf("%s was not observed for %s (%s); no figure says anything of this time.", s.g.sp.name, inWords(g.to-g.from), g.reason),
			Evidence: []string{"reason: " + g.reason.String()}})
	}
	return all
}

// watchFindings write the spells out.
func (s *sheet) watchFindings() []Finding {
	var all []Finding
	alone := slices.DeleteFunc(s.g.spells(), s.inGap)
	for _, f := range s.oneByDevice(s.g.sp.joined(alone)) {
		all = append(all, *f)
	}
	return all
}

// inGap reports a channel without a value while the whole machine was not observed: the
// gap says so once.
func (s *sheet) inGap(f found) bool {
	if s.g.sp.watches[f.watch].kind != watchAbsent {
		return false
	}
	return slices.ContainsFunc(s.g.total.gaps, func(g gap) bool {
		return g.to-g.from >= absentGraceMS && g.reason != scan.ClockStep && f.from >= g.from-absentGraceMS && f.to <= g.to+absentGraceMS
	})
}

// joined makes one of all spells of a watch, so that what comes back every cycle
// or every night is one finding: from the first to the last, with the time and
// the number of all. Reasons for no value stay apart.
func (sp *spec) joined(spells []found) []found {
	type kind struct {
		watch  int
		reason int64
	}
	at := map[kind]int{}
	var all []found
	for _, f := range spells {
		w := &sp.watches[f.watch]
		k := kind{watch: f.watch}
		if w.kind == watchAbsent {
			k.reason = f.value
		}
		i, ok := at[k]
		if !ok {
			at[k] = len(all)
			all = append(all, f)
			continue
		}
		one := &all[i]
		one.from, one.to, one.ms, one.n = min(one.from, f.from), max(one.to, f.to), one.ms+f.ms, one.n+f.n
		if w.kind == watchImpossible && outside(w, f.value) > outside(w, one.value) {
			one.value = f.value
		}
		one.moved, one.lasts = one.moved || f.value != one.value, one.lasts || f.lasts
	}
	return all
}

// oneByDevice writes the findings out, and makes one of those that say of all
// channels of a device the same.
func (s *sheet) oneByDevice(spells []found) []*Finding {
	sp := s.g.sp
	var all []*Finding
	silent := map[string]*Finding{}
	for i := range spells {
		f := &spells[i]
		w := &sp.watches[f.watch]
		c := &sp.chans[w.ch]
		if w.kind != watchAbsent {
			all = append(all, sp.finding(f))
			continue
		}
		key := fmt.Sprintf("%s %d %d %d", c.device, f.from, f.to, f.value)
		if one := silent[key]; one != nil {
			one.Subject = c.device
			one.Evidence = append(one.Evidence, c.id)
			one.Sentence = fmt.Sprintf("%d channels of %s gave no value for %s (%s).", len(one.Evidence)-1, c.device, f.took(), scan.Reason(f.value))
			continue
		}
		one := sp.finding(f)
		one.Evidence = append(one.Evidence, c.id)
		silent[key] = one
		all = append(all, one)
	}
	return all
}

// finding writes a spell out.
func (sp *spec) finding(f *found) *Finding {
	w := &sp.watches[f.watch]
	c := &sp.chans[w.ch]
	value, took := c.valueText(f.value), f.took()
	out := &Finding{Kind: findingContradictory, Subject: c.id, From: stamp(f.from), To: stamp(f.to), Sign: sp.sign(f), ForMS: f.ms}
	other := ""
	if w.other >= 0 {
		other = sp.chans[w.other].id
	}
	reads := c.id + " read " + value
	switch w.kind {
	case watchAbsent:
		out.Kind = findingMissing
		out.Sentence = fmt.Sprintf("%s gave no value for %s (%s).", c.id, took, scan.Reason(f.value))
		out.Evidence = []string{"reason: " + scan.Reason(f.value).String()}
	case watchImpossible:
		out.Kind = findingImpossible
		out.Sentence = fmt.Sprintf("%s read %s, which cannot be%s.", c.id, value, sp.impossibleWhy(w, f.value))
		out.Evidence = []string{reads, fmt.Sprintf("%d times, %s in all", f.n, inWords(f.ms))}
	case watchStuck:
		out.Kind = findingStuck
		if f.moved {
			value += " and other values"
		}
		out.Sentence = fmt.Sprintf("%s stood at %s for %s while the machine loaded and unloaded: the sensor or its register does not follow.", c.id, value, took)
		if w.turns == 0 {
			out.Sentence = fmt.Sprintf("%s stood at %s for %s: no plant is so tight.", c.id, value, took)
		}
		out.Evidence = []string{reads}
	case watchStill:
		out.Kind = findingStuck
		if f.moved {
			value += " and other values"
		}
		out.Sentence = fmt.Sprintf("%s stood at %s through %s in which it should have counted.", c.id, value, took)
		out.Evidence = []string{reads}
	case watchLoadedStopped:
		out.Sentence = fmt.Sprintf("%s said loaded for %s while %s said that the motor was off: the load was not counted.", c.id, took, other)
	case watchPowerStopped:
		out.Sentence = fmt.Sprintf("%s read up to running values for %s while %s said that the motor was off.", c.id, took, other)
	case watchRunningNoPower:
		out.Sentence = fmt.Sprintf("%s read next to nothing for %s while %s said that the motor was on.", c.id, took, other)
	case watchLoadUnseen:
		out.Sentence = fmt.Sprintf("%s said loaded for %s while %s stayed below loaded values: the inlet valve may be stuck closed, the signal may not be what it seems, or the meter reads low (a current transformer turned round). Loaded time rests on the signal.", other, took, c.id)
	case watchLoadSeen:
		out.Sentence = fmt.Sprintf("%s said unloaded for %s while %s stayed at loaded values: the inlet valve may be stuck open, or the signal is not what it seems. Loaded time rests on the signal.", other, took, c.id)
	case watchIgnored:
		out.Sentence = fmt.Sprintf("the machine was told to load (%s) for %s and did not (%s).", other, took, c.id)
	case watchUntold:
		out.Sentence = fmt.Sprintf("%s said loaded for %s though the machine was not told to (%s).", c.id, took, other)
	}
	if out.Evidence == nil {
		out.Evidence = []string{reads, "against " + other}
	}
	return out
}

// sign is what a spell is a sign of.
func (sp *spec) sign(f *found) Sign {
	w := &sp.watches[f.watch]
	switch {
	case w.kind == watchImpossible && f.value < w.lo && sp.chans[w.ch].unit.Dimension == quantity.Power:
		return SignNegative
	case w.kind == watchStill:
		return SignStill
	case w.kind == watchLoadUnseen:
		return SignNotDrawn
	case w.kind == watchLoadSeen:
		return SignDrawn
	case w.kind == watchIgnored:
		return SignIgnored
	}
	return ""
}

// took is how long in all, and how often where it was not once.
func (f *found) took() string {
	if f.n > 1 {
		return fmt.Sprintf("%s in %d spells", inWords(f.ms), f.n)
	}
	return inWords(f.ms)
}

// impossibleWhy says which limit a value lies beyond.
func (sp *spec) impossibleWhy(w *watch, v int64) string {
	c := &sp.chans[w.ch]
	switch {
	case v < w.lo && c.unit.Dimension == quantity.Power:
		return ": a current transformer is turned round, or two phases are exchanged"
	case v < w.lo:
		return fmt.Sprintf(": the least is %s", c.valueText(w.lo))
	case v > w.hi:
		return fmt.Sprintf(": the most is %s", c.valueText(w.hi))
	}
	return ": it lies outside the map's valid range"
}

// counterFindings holds counters to what was seen beside them, where both saw
// an hour and more.
func (s *sheet) counterFindings() []Finding {
	sp := s.g.sp
	if sp.system || !sp.hasStates {
		return nil
	}
	var all []Finding
	say := func(ch int, counted, seen string) {
		c := &sp.chans[ch]
		all = append(all, Finding{Kind: findingContradictory, Subject: c.id, From: stamp(s.g.from), To: stamp(s.g.to),
			Sentence: fmt.Sprintf("%s counted %s, and %s was seen in the same time.", c.id, counted, seen),
			Evidence: []string{c.id + " rose by " + counted, seen}})
	}
	hours := func(role scan.Role, seenMS int64, what string) {
		ch := sp.find(role)
		if ch < 0 || sp.chans[ch].unit.Dimension != quantity.Duration {
			return
		}
		c, n := &sp.chans[ch], &s.g.total.counters[sp.chans[ch].slot]
		counted, seen := float64(float64(n.diff)*c.countSI), float64(seenMS)/1000
		if n.ms < hourMS || math.Abs(counted-seen) <= float64(2*c.countSI)+float64(0.05*seen)+60 || n.resets > 0 ||
			math.Abs(float64(n.ms-s.g.total.observedMS())) > 0.01*float64(n.ms) {
			return
		}
		say(ch, inWords(int64(counted*1000)), inWords(seenMS)+" "+what)
	}
	hours(scan.RunHours, s.g.total.runningMS(), "running")
	if !sp.runOnly {
		hours(scan.LoadedHours, s.g.total.stateMS[Loaded]+s.g.total.stateMS[PartLoad], "loaded")
	}
	if ch := sp.find(scan.StartCount); ch >= 0 {
		n, seen := &s.g.total.counters[sp.chans[ch].slot], int64(len(s.g.total.starts))
		counted := int64(math.Round(float64(n.diff) * sp.chans[ch].countSI))
		if off := counted - seen; n.resets == 0 && max(off, -off) > 1+seen/10 {
			say(ch, fmt.Sprintf("%d starts", counted), fmt.Sprintf("%d starts", seen))
		}
	}
	if ch := sp.energy; ch >= 0 && sp.power >= 0 {
		n := &s.g.total.counters[sp.chans[ch].slot]
		var power sum
		for i := range s.g.total.power.all {
			power.merge(s.g.total.power.all[i])
		}
		counted, summed := sp.chans[ch].rise(n.diff), sp.chans[sp.power].integral(power)
		apart := math.Abs(float64(n.ms-power.ms)) > 0.01*float64(n.ms)
		if n.ms >= hourMS && n.resets == 0 && !apart &&
			math.Abs(counted.V-summed.v) > math.Max(3*quad(counted.U(), summed.u), 0.03*math.Abs(counted.V)) {
			say(ch, kWhText(counted.V), kWhText(summed.v)+" by "+sp.chans[sp.power].id)
		}
	}
	return all
}

func kWhText(joules float64) string {
	return strings.TrimSpace(fmt.Sprintf("%.4g kWh", joules/joulesPerKWh))
}
