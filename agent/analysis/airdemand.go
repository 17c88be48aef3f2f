package analysis

import (
	"fmt"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// DemandError is what AirDemand refuses; the message says how to mend it.
type DemandError struct{ Field, Message string }

// Error implements error.
func (e *DemandError) Error() string { return e.Message }

func badDemand(field, format string, args ...any) error {
	return &DemandError{field, fmt.Sprintf(format, args...)}
}

// Demand is a system's demand for air over a window, by equal steps of UTC.
// Flows are free air at the inlet. The JSON is the contract of /api/v1/demand.
type Demand struct {
	System string `json:"system"`
	From   string `json:"from"` // RFC 3339 UTC: the first step's beginning
	To     string `json:"to"`   // and the last one's end
	StepS  int64  `json:"step_s"`
	// ResolutionS is the shortest time over which demand can be told; 0: not known.
	ResolutionS float64 `json:"resolution_s"`
	Resolution  string  `json:"resolution"` // in words
	// Mean is the demand over all observed minutes, and U its standard uncertainty,
	// in m³/s; nil where none was observed.
	Mean     *float64     `json:"mean_m3s"`
	U        *float64     `json:"standard_uncertainty_m3s"`
	Budget   []BudgetPart `json:"budget"` // of the mean
	Coverage float64      `json:"coverage"`
	// Note says where the window is not the one asked for.
	Note   string       `json:"note,omitempty"`
	Method string       `json:"method"`
	Inputs []string     `json:"inputs"`
	Absent string       `json:"absent,omitempty"` // why there is none at all
	Steps  []DemandStep `json:"steps"`
}

// DemandStep is the demand in one step. What was not observed is null, not
// nought.
type DemandStep struct {
	Start string   `json:"start"` // RFC 3339 UTC
	Flow  *float64 `json:"demand_m3s"`
	// U is the standard uncertainty of all, OwnU what this step does not share with
	// its neighbours: resolution, noise and the moments of load and unload.
	U    *float64 `json:"standard_uncertainty_m3s"`
	OwnU *float64 `json:"own_uncertainty_m3s"`
	// Pressure is the gauge pressure, the mean of the minutes' ends.
	Pressure *float64 `json:"pressure_pa"`
	Seen     float64  `json:"seen"` // observed share of the step, 0 to 1
	// Delivering is the share of its minutes in which a machine delivered.
	Delivering float64 `json:"delivering"`
}

// Bounds of AirDemand.
const (
	maxDemandSteps   = 50_000
	longestStepMS    = dayMS
	longestDemandMS  = 400 * dayMS
	shortestDemandMS = minuteMS
)

// ParseDemandStep reads a step such as "1m", "15m" or "1h", in ms.
func ParseDemandStep(text string) (int64, error) {
	d, err := time.ParseDuration(text)
	if ms := d.Milliseconds(); err == nil && ms >= shortestDemandMS && ms <= longestStepMS && ms%minuteMS == 0 && d%time.Millisecond == 0 {
		return ms, nil
	}
	return 0, badDemand("step", "use whole minutes from 1m to 24h, such as 1m, 15m or 1h")
}

// AirDemand is the demand of a system in [fromMS, toMS), Unix ms UTC, by steps of
// whole minutes that begin at whole steps of UTC. It reads whole intervals of 15
// minutes, and so the same at every age of the data. nowMS bounds the window.
func AirDemand(src Source, site *sitefile.Site, system string, fromMS, toMS, stepMS, nowMS int64) (Demand, error) {
	var sys *sitefile.System
	for i := range site.Systems {
		if site.Systems[i].Name == system {
			sys = &site.Systems[i]
		}
	}
	asked := toMS
	toMS = min(toMS, nowMS)
	switch {
	case sys == nil:
		return Demand{}, badDemand("system", "system %q is not in the site file", system)
	case stepMS < shortestDemandMS || stepMS > longestStepMS || stepMS%minuteMS != 0:
		return Demand{}, badDemand("step", "a step of %d ms: use whole minutes, from 1 to %d", stepMS, longestStepMS/minuteMS)
	case toMS-fromMS > longestDemandMS:
		return Demand{}, badDemand("from", "the window is longer than %d days: ask for less", longestDemandMS/dayMS)
	case (toMS-fromMS)/stepMS > maxDemandSteps:
		return Demand{}, badDemand("step", "more than %d steps: use a longer step or a shorter window", maxDemandSteps)
	}
	from := fromMS - mod(fromMS, stepMS)
	to := max(from, toMS)
	to += mod(-to, stepMS)
	d := Demand{System: system, From: stamp(from), To: stamp(to), StepS: stepMS / 1000,
		Budget: []BudgetPart{}, Inputs: []string{}, Steps: []DemandStep{}}
	if from != fromMS || mod(asked, stepMS) != 0 {
		d.Note = fmt.Sprintf("the window was widened to whole steps of %s", inWords(stepMS))
	}
	b, err := demandBalance(src, site, sys, from, to, nowMS)
	if err != nil {
		return Demand{}, err
	}
	b.fill(&d, from, to, stepMS)
	return d, nil
}

// demandBalance gathers a system and its machines.
func demandBalance(src Source, site *sitefile.Site, sys *sitefile.System, from, to, now int64) (*airBalance, error) {
	groups, levels := sitefile.Groups(site), calibrationsOf(src)
	q, err := newQuestion(src, site, groups, now, false)
	if err != nil {
		return nil, err
	}
	// The pressure at the last minute's end comes with the minute after it.
	begin, end := cellOf(from), cellOf(to)+cellMS
	var machines []*sheet
	for _, name := range sys.Machines {
		m, ok := site.MachineByName(name)
		if !ok {
			continue
		}
		sp := machineSpec(site, groups, m, levels[name])
		sp.wantMinutes, sp.wantEdges = true, true
		g, err := gather(src, sp, begin, end, nil)
		if err != nil {
			return nil, err
		}
		s := newSheet(g, q)
		s.inlet = airAtInlet(s)
		s.storage = s.findStorage(m)
		s.findFullFlow(m)
		machines = append(machines, s)
	}
	sp := systemSpec(site, groups, sys, levels)
	sp.wantMinutes = true
	g, err := gather(src, sp, begin, end, nil)
	if err != nil {
		return nil, err
	}
	return newAirBalance(sys, newSheet(g, q), machines), nil
}

// fill sets the series and what is said of all of it.
func (b *airBalance) fill(d *Demand, from, to, stepMS int64) {
	if d.Absent = b.absent; d.Absent != "" {
		return
	}
	d.ResolutionS, d.Resolution = b.resolutionS(), b.resolution()
	d.Method, d.Inputs = b.method, b.inputs
	var all []int
	for at := from; at < to; at += stepMS {
		minutes := b.between(at, at+stepMS)
		all = append(all, minutes...)
		d.Steps = append(d.Steps, b.step(minutes, at, stepMS))
	}
	mean, seconds := b.mean(all)
	if seconds == 0 {
		d.Absent = b.unseen()
		return
	}
	u := mean.U()
	d.Mean, d.U, d.Coverage = &mean.V, &u, min(1, seconds*1000/float64(to-from))
	d.Budget = append(d.Budget, budget(mean)...)
}

// between are the places of the minutes in [from, to) that can be balanced.
func (b *airBalance) between(from, to int64) []int {
	if len(b.minutes) == 0 {
		return nil
	}
	first := b.minutes[0].startMS
	var all []int
	for i := max(0, (from-first+minuteMS-1)/minuteMS); i < min(int64(len(b.minutes)), (to-first)/minuteMS); i++ {
		if b.whole(int(i)) {
			all = append(all, int(i))
		}
	}
	return all
}

// step is one step of the series.
func (b *airBalance) step(minutes []int, at, stepMS int64) DemandStep {
	s := DemandStep{Start: stamp(at)}
	mean, seconds := b.mean(minutes)
	if seconds == 0 {
		return s
	}
	u, own := mean.U(), b.ownU(mean)
	s.Flow, s.U, s.OwnU = &mean.V, &u, &own
	s.Seen = min(1, seconds*1000/float64(stepMS))
	var pa float64
	pressures, delivering := 0, 0
	for _, i := range minutes {
		m := &b.minutes[i]
		if m.hasPressure {
			pa += float64((m.startPa + m.endPa) / 2)
			pressures++
		}
		if m.delivering {
			delivering++
		}
	}
	if pressures > 0 {
		s.Pressure = number64(pa / float64(pressures))
	}
	s.Delivering = float64(delivering) / float64(len(minutes))
	return s
}

// ownU is the part of a mean's standard uncertainty that other minutes do not
// share: the readings at its ends, the moments of load and unload, and how much
// of a swing's heat the stores kept.
func (b *airBalance) ownU(mean gum.Value) float64 {
	parts := []float64{mean.Part(b.names.reading), mean.Part(b.names.exponent)}
	for _, name := range b.machines {
		parts = append(parts, mean.Part(momentsInput(name)))
	}
	return quad(parts...)
}

// unseen says why no minute can be balanced.
func (b *airBalance) unseen() string {
	seen := false
	for i := range b.minutes {
		m := &b.minutes[i]
		seen = seen || m.seenMS >= leastMinuteMS && m.seenMS <= mostMinuteMS
	}
	switch {
	case !seen:
		return "no whole minute was observed of every machine and of the pressure"
	case b.names.gauge == "":
		return "no pressure is read at a tap of the system nor at a machine's outlet"
	}
	return "no whole minute was observed with the pressure at both its ends"
}
