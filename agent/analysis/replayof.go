package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Of the demand that is no leak nobody knows what stands behind a regulator and
// takes the same at any pressure: none to all of it. Where no leak is known, they
// are taken for a fifth of the demand (20 to 30 % where nobody looks after them,
// 5 to 10 % where somebody does; DOE tip sheet 3, read).
const (
	regulatedMiddle, regulatedLimit     = 0.5, 0.5
	assumedLeakShare, assumedLeakShareU = 0.20, 0.15 / coverageFactor
)

// travelFactor is how much less than the balance takes for granted a load fraction may
// say of the flow: where it is the travel of an inlet valve, flow is twice as far from
// it (common practice, no source). A replay puts other machines in place of the flow,
// so that it counts there.
const travelFactor = 2.0

// replayMaker gathers what a ReplayRecord is made of.
type replayMaker struct {
	site     *sitefile.Site
	sys      *sitefile.System
	from, to int64
	b        *airBalance
	tap      *sheet    // the system's own
	inside   *gathered // the same of the window alone, for tap has what comes after it too
	machines []*sheet
	of       []*sitefile.Machine
	minutes  []int  // places in b.minutes of those that are replayed
	replayed []bool // the same, by place
	full     []gum.Value
	runOn    []gum.Value
	before   beforeMeter
	meterOf  string // what the full flows were brought to a meter by; empty: they were not
	seen     *replayGauge
	filled   bool // Watch begins later than a shift does
	rec      *ReplayRecord
}

// ReplayOf is what a system's record of [fromMS, toMS), Unix ms UTC, says for a
// replay. It reads whole intervals of 15 minutes. nowMS bounds the window. Values of
// one plant that rest on the same thing share its name with each other and with the
// figures.
func ReplayOf(src Source, site *sitefile.Site, system string, fromMS, toMS, nowMS int64) (ReplayRecord, error) {
	sys := systemNamed(site, system)
	toMS = min(toMS, nowMS)
	switch {
	case sys == nil:
		return ReplayRecord{}, badDemand("system", "system %q is not in the site file", system)
	case toMS-fromMS > longestDemandMS:
		return ReplayRecord{}, badDemand("from", "the window is longer than %d days: ask for less", longestDemandMS/dayMS)
	}
	rec := ReplayRecord{System: system, FromMS: cellOf(fromMS), ToMS: max(cellOf(toMS-1)+cellMS, cellOf(fromMS)),
		MinimumPa: sys.MinimumPressurePa, OutsidePa: site.BarometerPa, Inputs: []string{}}
	if rec.ToMS-rec.FromMS > longestDemandMS { // whole quarter hours may be more
		return ReplayRecord{}, badDemand("from", "the window is longer than %d days of whole quarter hours: ask for less", longestDemandMS/dayMS)
	}
	r := &replayMaker{site: site, sys: sys, from: rec.FromMS, to: rec.ToMS, rec: &rec}
	if err := r.gather(src, nowMS); err != nil {
		return ReplayRecord{}, err
	}
	if rec.Absent = r.lacks(); rec.Absent != "" {
		return rec, nil
	}
	r.runsOn()
	r.findBeforeMeter()
	r.flows()
	rec.Volume = r.volume()
	if !r.b.metered && rec.Volume.V > 0 {
		// The volume that the pressure shows: with another the demand of each minute
		// would go up and down with the loads.
		r.b.volume = rec.Volume
	}
	r.demand()
	r.follow()
	rec.Watch = r.watch()
	r.seen = r.gauges()
	for k := range r.machines {
		rec.Machines = append(rec.Machines, r.machine(k))
	}
	rec.Absent = r.unknown()
	rec.Measured = r.measured()
	rec.Method = r.b.method + r.meterOf
	rec.Inputs = eachOnce(append(rec.Inputs, r.b.inputs...))
	return rec, nil
}

func systemNamed(site *sitefile.Site, name string) *sitefile.System {
	for i := range site.Systems {
		if site.Systems[i].Name == name {
			return &site.Systems[i]
		}
	}
	return nil
}

// gather makes the sheets and the balance.
func (r *replayMaker) gather(src Source, now int64) error {
	groups, levels := sitefile.Groups(r.site), calibrationsOf(src)
	q, err := newQuestion(src, r.site, groups, now, false)
	if err != nil {
		return err
	}
	// The pressure at the last minute's end comes with the minute after it.
	end := min(r.to+cellMS, r.from+longestDemandMS)
	for _, name := range r.sys.Machines {
		m, ok := r.site.MachineByName(name)
		if !ok {
			continue
		}
		sp := machineSpec(r.site, groups, m, levels[name])
		sp.wantMinutes, sp.wantEdges, sp.fine = true, true, r.site.Tariff.FineDemand()
		g, err := gather(src, sp, r.from, end, nil)
		if err != nil {
			return err
		}
		s := newSheet(g, q)
		s.draw, s.drawAbsent = s.newDrawModel(m)
		s.findEnergy(m)
		s.inlet = airAtInlet(s)
		s.storage = s.findStorage(m)
		s.findFullFlow(m)
		r.machines, r.of = append(r.machines, s), append(r.of, m)
	}
	sp := systemSpec(r.site, groups, r.sys, levels)
	sp.wantMinutes, sp.onShift = true, onShift(r.site)
	g, err := gather(src, sp, r.from, end, nil)
	if err != nil {
		return err
	}
	within := systemSpec(r.site, groups, r.sys, levels)
	within.onShift = sp.onShift
	if r.inside, err = gather(src, within, r.from, r.to, nil); err != nil {
		return err
	}
	r.tap = newSheet(g, q)
	r.tap.machines = r.machines
	r.b = newAirBalance(r.sys, r.tap, r.machines)
	if len(r.machines) > 0 {
		r.tap.inlet = airAtInlet(append([]*sheet{r.tap}, r.machines...)...)
	}
	return nil
}

// lacks says why nothing can be replayed.
func (r *replayMaker) lacks() string {
	switch {
	case strings.Contains(r.b.absent, nothingSeen):
		return r.b.absent + ": name one in which it was, like the last week of the record"
	case r.b.absent != "":
		return r.b.absent + ": give rated_flow of the machines and the volumes of receivers and pipes in the site file, or a flow meter"
	}
	for k, s := range r.machines {
		switch sp := s.g.sp; {
		case !sp.hasStates:
			return sp.name + ": " + sp.statesAbsent
		case sp.runOnly:
			return sp.name + ": no loaded signal, load fraction or power tells loaded from unloaded"
		case s.full.v.V <= 0 && (len(r.machines) > 1 || !r.b.metered):
			return sp.name + ": " + s.full.absent + ": give its rated_flow in the site file, or make a pump-up test"
		case s.draw == nil && s.g.sp.energy < 0 && r.of[k].RatedPowerW <= 0:
			return sp.name + ": " + s.drawAbsent + ", no energy counter and no rated_power in the site file: nothing says what it takes"
		}
	}
	r.minutes = r.b.between(r.from, r.to)
	if len(r.minutes) == 0 || r.b.names.gauge == "" {
		return r.b.unseen()
	}
	r.replayed = make([]bool, len(r.b.minutes))
	for _, i := range r.minutes {
		if !r.b.minutes[i].hasPressure { // of a metered system
			continue
		}
		r.replayed[i] = true
	}
	kept := r.minutes[:0]
	for _, i := range r.minutes {
		if r.replayed[i] {
			kept = append(kept, i)
		}
	}
	if r.minutes = kept; len(kept) == 0 {
		return r.b.unseen()
	}
	return ""
}

// unknown says what of the plant neither the window nor the site file tells.
func (r *replayMaker) unknown() string {
	if r.rec.Volume.V <= 0 {
		return "what volume follows the pressure is not known: give the receivers' and the pipes' in the site file"
	}
	for k := range r.rec.Machines {
		switch m, name := &r.rec.Machines[k], r.b.machines[k]; {
		case m.LoadedPower.V <= 0:
			return name + ": it was not seen at full load in this window: ask for one in which it was, or give its rated_power in the site file"
		case m.FullFlow.V <= 0:
			return name + ": its flow at full load is not known: give its rated_flow in the site file"
		}
	}
	return ""
}

// flows are what each machine gives at full load. Where a meter has counted all the
// air, it says what they gave together: demand and supply then share its error.
func (r *replayMaker) flows() {
	r.full = make([]gum.Value, len(r.machines))
	for k, s := range r.machines {
		r.full[k] = s.full.v
	}
	if !r.b.metered {
		return
	}
	s := r.b.sum(r.minutes)
	counted := gum.New(s.meteredM3, math.Abs(float64(s.meteredM3*r.b.meterU)), r.b.names.meter).Times(r.b.basis).
		Plus(r.before.mean.Scaled(s.seconds))
	if known := knownVolume(r.sys); known.V > r.b.volume.V { // the stores before the meter took some
		counted = counted.Plus(known.Minus(r.b.volume).Scaled(s.gainPa / r.b.inletPa))
	}
	on, taken := make([]gum.Value, len(r.full)), slices.Clone(r.full)
	var named gum.Value
	for k, q := range taken {
		if q.V <= 0 { // the only machine: what the meter counted is all its own
			q = gum.Exact(1)
			taken[k] = q
		}
		on[k] = gum.Exact(s.fullS[k]).Minus(r.b.delay[k].Minus(gum.Exact(r.b.delay[k].V)).Scaled(s.loads[k])).
			Plus(gum.New(0, s.partS[k]/math.Sqrt(3), partLoadInput(r.b.machines[k])))
		named = named.Plus(q.Times(on[k]))
	}
	if named.V <= 0 || counted.V <= 0 {
		return
	}
	for k, q := range taken {
		r.full[k] = counted.Times(q).Over(named)
	}
	r.meterOf = fmt.Sprintf("; full-load flows are brought to what the meter counted, %.3g times what they were taken for", counted.V/named.V)
}

// volume is what follows the pressure: by the slopes that loads make in it, times
// the flow that made them, for the replay goes by their ratio; else the parts of
// the site file.
func (r *replayMaker) volume() gum.Value {
	known := knownVolume(r.sys)
	slope, _, why := r.tap.joint(r.machines)
	if why != "" {
		r.rec.Inputs = append(r.rec.Inputs, fmt.Sprintf("volume of the parts in the site file, within %.0f %% (%s)", 100*volumeLimit, why))
		return known
	}
	v := r.tap.perFlow(slope, r.sys).Times(gum.Sum(r.full...))
	r.rec.Inputs = append(r.rec.Inputs, fmt.Sprintf("volume by %s, times their flow", r.machines[0].storage.method))
	return v
}

// demand makes the minutes.
func (r *replayMaker) demand() {
	rec, b := r.rec, r.b
	rec.ResolutionS, rec.Resolution, rec.InletPa = b.resolutionS(), b.resolution(), b.inletPa
	var seconds float64
	rec.MeanDemand, seconds = b.mean(r.minutes)
	rec.MeanDemand = rec.MeanDemand.Plus(r.runOnU(seconds)).Plus(r.before.mean)
	for k, m := range r.of {
		if m.Control.PartLoad() {
			rec.MeanDemand = rec.MeanDemand.With(partLoadInput(b.machines[k]), travelFactor)
		}
	}
	rec.Coverage = min(1, seconds*1000/float64(max(1, r.to-r.from)))
	rec.Minutes = make([]ReplayMinute, 0, len(r.minutes))
	one := []int{0}
	for _, i := range r.minutes {
		one[0] = i
		flow, _ := b.mean(one)
		m := &b.minutes[i]
		rec.Minutes = append(rec.Minutes, ReplayMinute{StartMS: m.startMS, FlowM3S: flow.V + r.before.at(i), OwnU: b.ownU(flow),
			StartPa: m.startPa - float64(b.drop.V*m.startDrop), EndPa: m.endPa - float64(b.drop.V*m.endDrop)})
	}
}

// meanPa is the mean gauge pressure of the stores over the replayed minutes.
func (r *replayMaker) meanPa() float64 {
	var pa float64
	for i := range r.rec.Minutes {
		pa += float64((r.rec.Minutes[i].StartPa + r.rec.Minutes[i].EndPa) / 2)
	}
	return pa / float64(max(1, len(r.rec.Minutes)))
}

// leakingPa is the mean absolute pressure that leaks follow: none in an empty plant.
func (r *replayMaker) leakingPa() float64 {
	var pa float64
	for i := range r.rec.Minutes {
		at := float64((r.rec.Minutes[i].StartPa+r.rec.Minutes[i].EndPa)/2) + r.site.BarometerPa
		if at > r.site.BarometerPa {
			pa += float64(at * air.OrificeShare(at, r.site.BarometerPa))
		}
	}
	return pa / float64(max(1, len(r.rec.Minutes)))
}

// follow sets leaks, and what share of the demand goes with the pressure.
func (r *replayMaker) follow() {
	rec := r.rec
	name := "share of the demand behind regulators in " + r.sys.Name + " (assumed)"
	regulated := gum.New(regulatedMiddle, rectangular(regulatedLimit), name)
	q := newQuietResult(r.site, r.sys, r.b, r.machines, r.tap.q.tests, r.to)
	leaks := gum.New(assumedLeakShare, assumedLeakShareU, "leaks of "+r.sys.Name+", share of the demand (assumed)")
	basis := fmt.Sprintf("leaks assumed to be %.0f ± %.0f %% of the demand, for %s", 100*assumedLeakShare, 100*coverageFactor*assumedLeakShareU, q.absent)
	if rec.LeakAbsent = q.absent; q.absent == "" {
		rec.Leak, rec.LeakPa = q.leak, q.pa-r.site.BarometerPa
		rec.Leak.V = max(0, rec.Leak.V)
		if rec.MeanDemand.V > 0 {
			leaks = rec.Leak.Scaled(r.leakingPa() / q.pa).Over(rec.MeanDemand)
			leaks.V = min(1, leaks.V)
			basis = fmt.Sprintf("leaks, %.0f %% of the demand, by what flows in quiet hours", 100*leaks.V)
		}
	}
	rest := gum.Exact(1).Minus(leaks)
	rec.FollowShare = leaks.Plus(rest.Times(gum.Exact(1).Minus(regulated)))
	rec.FollowBasis = basis + fmt.Sprintf("; of the rest %.0f %%, anything from none to all: regulated share assumed", 100*(1-regulatedMiddle))
}

// replayGauge is where pressures are read in respect of each other.
type replayGauge struct {
	gauge, drop []gum.Value
	gaugeBasis  []string
	dropBasis   []string
}

// pressureOf is a machine's own pressure, or nil.
func (s *sheet) pressureOf() *chanSpec {
	if sp := s.g.sp; sp.pressure >= 0 && sp.chans[sp.pressure].unit.Dimension == quantity.Pressure {
		return &sp.chans[sp.pressure]
	}
	return nil
}

// outletPa is the mean gauge pressure at a machine's outlet while air flowed, on
// the gauge of the stores; of a machine that gave none the one it is rated at, for the
// stores' mean may be that of nights without any pressure.
func (r *replayMaker) outletPa(k int) float64 {
	s := r.machines[k]
	if c, v, ok := s.flowingMean(scan.DischargePressure); ok && c.unit.Dimension == quantity.Pressure {
		return v - r.seen.gauge[k].V
	}
	var pa, n float64
	for i := range r.minutes {
		if m := &r.b.minutes[r.minutes[i]]; m.fullS[k] > 30 {
			pa += float64((r.rec.Minutes[i].StartPa + r.rec.Minutes[i].EndPa) / 2)
			n++
		}
	}
	switch rated := r.of[k].RatedPressurePa; {
	case n == 0 && rated > 0:
		return rated
	case n == 0:
		return usualPa
	}
	return pa/n + r.seen.drop[k].V
}

// flowingMean is the mean of a role's channel while air flowed.
func (s *sheet) flowingMean(role scan.Role) (*chanSpec, float64, bool) {
	ch := s.g.sp.find(role)
	if ch < 0 || ch >= len(s.g.sp.healthAt) || s.g.sp.healthAt[ch] < 0 {
		return nil, 0, false
	}
	part := s.g.total.health[s.g.sp.healthAt[ch]].flowing
	if part.ms == 0 {
		return nil, 0, false
	}
	c := &s.g.sp.chans[ch]
	return c, c.mean(part).v, true
}
