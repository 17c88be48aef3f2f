package replay

import (
	"math"
	"strconv"

	"loadscribe/agent/analysis"
	"loadscribe/agent/gum"
	"loadscribe/agent/replay/engine"
	"loadscribe/agent/sitefile"
)

// shift moves the values that rest on one input by a number of its standard
// uncertainties. The zero shift moves nothing.
type shift struct {
	input string
	by    float64
}

func (s shift) of(v gum.Value) float64 {
	if s.by == 0 {
		return v.V
	}
	return v.V + s.by*v.Part(s.input)
}

// curvePoint is a point of a part-load curve, shares of full load.
type curvePoint struct {
	flow  float64
	power gum.Value
}

// unit is a machine of a plant that is asked for, its numbers with their uncertainty.
type unit struct {
	name      string
	from      int  // place in the record; -1: it is new
	targetSet bool // somebody said what it holds
	another   bool // another machine than there is
	refitted  bool // the same with another control
	slowIdle  bool // its unloaded power is that at full speed, and it idles at the least
	control   sitefile.Control

	flow, flowPerPa, power, perPa   gum.Value
	ratedPa                         float64 // gauge at the outlet, of flow and power
	unloaded, unloadStart, blowDown gum.Value
	stopped, startS, startW         gum.Value
	delayS, delayW, drop, runOn     gum.Value
	idle                            gum.Value // of slowIdle: power over what goes with the speed
	cutIn, cutOut, target           gum.Value
	gauge                           gum.Value
	cutInSet, cutOutSet             float64   // in its own display; 0: not known
	modulation                      gum.Value // from full flow to none
	least                           gum.Value
	curve                           []curvePoint
	noLoadStopS, leastBetweenS      float64
	on                              []engine.Span
	startsPerHour, ratedPressurePa  float64
}

// unitOf is a machine of the record.
func (st *Study) unitOf(k int) unit {
	m := &st.rec.Machines[k]
	site := m.Machine
	u := unit{
		name: site.Name, from: k, control: site.Control,
		flow: m.FullFlow, power: m.LoadedPower, perPa: m.PowerPerPa, ratedPa: m.LoadedPa,
		flowPerPa: gum.New(flowPerPa, gum.Rectangular(flowPerPaLimit), assumedInput("flow over pressure", site.Name)),
		unloaded:  m.UnloadedPower, unloadStart: m.UnloadStartPower, blowDown: m.BlowDownS,
		stopped: m.StoppedPower, startS: m.StartS, startW: m.StartPower, delayS: m.DelayS, delayW: m.DelayPower, drop: m.DropPa, runOn: m.RunOnS,
		cutIn: m.CutInPa, cutOut: m.CutOutPa, target: m.TargetPa, gauge: m.GaugePa, cutInSet: m.CutInSetPa, cutOutSet: m.CutOutSetPa,
		modulation: m.ModulationPa, least: m.LeastShare, noLoadStopS: m.NoLoadStopS, leastBetweenS: m.LeastBetweenStartsS,
		startsPerHour: site.Motor.StartsPerHour, ratedPressurePa: site.RatedPressurePa,
	}
	if site.LeastBetweenStarts > 0 { // what is set beats what was seen
		u.leastBetweenS = site.LeastBetweenStarts.Seconds()
	}
	if u.noLoadStopS == 0 {
		u.noLoadStopS = math.Inf(1)
	}
	for _, p := range m.Curve {
		u.curve = append(u.curve, curvePoint{p.Flow, gum.New(p.Power, p.U, "part-load curve of "+site.Name)})
	}
	u.on = st.spansOf(m.On)
	u.fill(st)
	return u
}

// spansOf are times of the record as the engine has them; nil stays nil.
func (st *Study) spansOf(spans []analysis.Span) (all []engine.Span) {
	if spans != nil {
		all = []engine.Span{} // never is not always
	}
	for _, sp := range spans {
		all = append(all, engine.Span{FromS: st.seconds(sp.FromMS), ToS: st.seconds(sp.ToMS)})
	}
	return all
}

// share is a value that is not known of the machine itself: a share of its full
// power.
func (u *unit) share(middle, limit float64, what string) gum.Value {
	return u.power.Times(gum.New(middle, gum.Rectangular(limit), assumedInput(what, u.name)))
}

// fill puts the handbook's values where there are none.
func (u *unit) fill(st *Study) {
	if u.perPa.V <= 0 {
		u.perPa = isentropicPerPa(st.rec.InletPa, st.rec.OutsidePa, u.ratedPa, u.name)
	}
	if u.least.V <= 0 && leastShares[u.control] > 0 {
		u.least = gum.New(leastShares[u.control], gum.Rectangular(leastShareLimit), assumedInput("least flow share", u.name))
	}
	if u.unloaded.V <= 0 {
		u.unloaded = u.share(unloadedShare, unloadedShareLimit, "unloaded power")
	}
	if u.unloadStart.V <= 0 {
		u.unloadStart = u.share(unloadStartShare, unloadStartLimit, "power right after an unload")
	}
	if u.blowDown.V <= 0 {
		u.blowDown = gum.New(blowDownS, gum.Rectangular(blowDownLimitS), assumedInput("blow-down", u.name))
	}
	if u.startS.V <= 0 {
		u.startS = gum.New(startS, gum.Rectangular(startLimitS), assumedInput("start time", u.name))
	}
	if u.startW.V <= 0 {
		u.startW = u.power.Scaled(startShare)
	}
	if u.delayW.V <= 0 {
		u.delayW = u.power.Scaled(delayShare)
	}
	u.idle = gum.New(1, gum.Rectangular(slowIdleLimit), assumedInput("idle power at least speed", u.name))
	if u.runOn.V <= 0 && u.runOn.U() == 0 {
		u.runOn = gum.New(runOnS, gum.Rectangular(runOnLimitS), "run-on of "+u.name)
	}
	if u.modulation.V <= 0 {
		u.modulation = gum.New(modulationPa, gum.Rectangular(modulationLimitPa), assumedInput("throttling range", u.name))
	}
	if len(u.curve) == 0 {
		u.curve = handbookCurve(u.control, u.name)
	}
	u.curve = wholeCurve(u.curve, u.control, u.name)
}

// engine is the machine in numbers.
func (u *unit) engine(s shift) engine.Machine {
	m := engine.Machine{
		Name: u.name, Control: engineControls[u.control],
		FullFlowM3S: s.of(u.flow), FlowPerPa: s.of(u.flowPerPa), RatedPa: u.ratedPa,
		FullPowerW: s.of(u.power), PowerPerPa: s.of(u.perPa),
		UnloadedW: s.of(u.unloaded), UnloadStartW: s.of(u.unloadStart), BlowDownS: max(0.1, s.of(u.blowDown)),
		StoppedW: max(0, s.of(u.stopped)), StartS: max(0, s.of(u.startS)), StartW: max(0, s.of(u.startW)),
		DelayS: max(0, s.of(u.delayS)), DelayW: max(0, s.of(u.delayW)), DropPa: max(0, s.of(u.drop)), RunOnS: max(0, s.of(u.runOn)),
		CutInPa: s.of(u.cutIn), CutOutPa: s.of(u.cutOut), TargetPa: s.of(u.target),
		NoLoadStopS: u.noLoadStopS, LeastBetweenStarts: u.leastBetweenS, On: u.on,
	}
	m.UnloadedW = min(max(0, m.UnloadedW), m.FullPowerW)
	m.UnloadStartW = max(m.UnloadStartW, m.UnloadedW)
	if !u.control.PartLoad() {
		return m
	}
	m.LeastShare = min(max(s.of(u.least), 0), 0.95)
	m.ModulationPa = max(1000, s.of(u.modulation)) * (1 - m.LeastShare)
	switch u.control {
	case sitefile.VariableSpeed:
		m.ModulationPa = 0
		if u.slowIdle {
			speed := min(1, s.of(u.idle)*max(0.1, m.LeastShare))
			m.UnloadedW, m.UnloadStartW = speed*m.UnloadedW, speed*m.UnloadStartW
		}
		m.CutOutPa = max(m.CutOutPa, m.TargetPa+1000)
		m.CutInPa = min(m.CutInPa, m.TargetPa)
	case sitefile.Modulating:
		m.LeastShare = 0
		m.ModulationPa = max(1000, s.of(u.modulation))
	}
	for _, p := range u.curve {
		m.Curve = append(m.Curve, engine.CurvePoint{Flow: p.flow, Power: s.of(p.power)})
	}
	return m
}

// values are all that the unit rests on.
func (u *unit) values() []gum.Value {
	all := []gum.Value{u.flow, u.flowPerPa, u.power, u.perPa, u.unloaded, u.unloadStart, u.blowDown, u.stopped, u.startS, u.startW,
		u.delayS, u.delayW, u.drop, u.runOn, u.cutIn, u.cutOut}
	if !u.control.PartLoad() {
		return all
	}
	all = append(all, u.target, u.modulation, u.least, u.idle)
	for _, p := range u.curve {
		all = append(all, p.power)
	}
	return all
}

// namedValue is a value of a machine as it is shown; key is its word in the record's
// Basis.
type namedValue struct {
	key, name, unit string
	v               gum.Value
	otherwise       string // its basis where the record has none
}

// named are the values that a replay of the unit rests on.
func (u *unit) named() []namedValue {
	const assumed = "handbook, for the week does not show it"
	all := []namedValue{
		{"full_flow", "flow at full load", "m³/s", u.flow, ""},
		{"loaded_power", "power at full load", "W", u.power, ""},
		{"power_per_pa", "power over pressure, as a share", "1/Pa", u.perPa, assumed},
		{"unloaded_power", "power unloaded and blown down", "W", u.unloaded, assumed},
		{"unload_start_power", "power right after an unload", "W", u.unloadStart, assumed},
		{"blow_down", "time constant of the blow-down", "s", u.blowDown, assumed},
		{"start", "from the start to the load", "s", u.startS, assumed},
		{"delay", "from the load to the first air", "s", u.delayS, ""},
		{"drop", "pressure drop to the stores at full flow", "Pa", u.drop, ""},
		{"cut_in", "cut-in", "Pa", u.cutIn, ""},
		{"cut_out", "cut-out", "Pa", u.cutOut, ""},
	}
	if !math.IsInf(u.noLoadStopS, 1) {
		all = append(all, namedValue{"no_load_stop", "no-load stop", "s", gum.Exact(u.noLoadStopS), ""})
	}
	if !u.control.PartLoad() {
		return all
	}
	if u.control == sitefile.VariableSpeed {
		all = append(all, namedValue{"target", "pressure that is held", "Pa", u.target, ""})
	} else {
		all = append(all, namedValue{"modulation", "throttling range", "Pa", u.modulation, assumed})
	}
	all = append(all, namedValue{"least_share", "least flow share", "1", u.least, assumed})
	for _, p := range u.curve {
		all = append(all, namedValue{"curve", "power share at a flow share of " + strconv.FormatFloat(p.flow, 'g', 3, 64), "1", p.power, "handbook curve, ±5 points"})
	}
	return all
}
