package replay

import (
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// ownSheet is a machine by the flow, pressure and power that were given.
func ownSheet(old *unit, c *machineChange) (*Listed, error) {
	if c.ratedFlowM3S == nil || c.ratedPowerW == nil {
		return nil, refuse(c.otherThanTheList[0], "another machine needs %s.rated_flow and %s.rated_power; rated_pressure where it is not the old one's", c.name, c.name)
	}
	l := &Listed{ID: c.name, Control: string(old.control), RatedFlowM3S: *c.ratedFlowM3S, RatedPowerW: *c.ratedPowerW, RatedPressurePa: old.ratedPressurePa}
	if c.ratedPressurePa != nil {
		l.RatedPressurePa = *c.ratedPressurePa
	}
	if l.RatedPressurePa == 0 {
		return nil, refuse(c.name+".rated_pressure", "write at what pressure the flow and the power hold")
	}
	if c.unloadedPowerW != nil {
		l.UnloadedShare = *c.unloadedPowerW / l.RatedPowerW
		if l.UnloadedShare >= 1 {
			return nil, refuse(c.name+".unloaded_power", "it is not below the rated power")
		}
	}
	if c.control != nil {
		l.Control = string(*c.control)
	}
	return l, nil
}

// replaced is another machine in the place of an old one: it stands at the same pipe
// and is set to the same band, with the old one's timer and schedule.
func (st *Study) replaced(old *unit, listed *Listed) unit {
	u := st.newUnit(old.name, listed, old)
	u.from = old.from
	u.cutIn, u.cutOut, u.gauge, u.cutInSet, u.cutOutSet = old.cutIn, old.cutOut, old.gauge, old.cutInSet, old.cutOutSet
	u.noLoadStopS, u.leastBetweenS, u.on = old.noLoadStopS, old.leastBetweenS, old.on
	if u.control == sitefile.VariableSpeed && old.control == sitefile.VariableSpeed {
		u.target = old.target
	}
	return u
}

// newUnit is a machine of which no more is known than a line of a list. Its band
// lies below that of the machine beside which it stands, and it may run when that may.
func (st *Study) newUnit(name string, l *Listed, beside *unit) unit {
	sheet := func(what string, middle, limit float64) gum.Value {
		return gum.New(1+middle, gum.Rectangular(limit), what+" of "+name+" against its data sheet (assumed)")
	}
	u := unit{
		name: name, from: -1, another: true, control: sitefile.Control(l.Control),
		flow:      sheet("flow", sheetFlow, sheetFlowLimit).Scaled(l.RatedFlowM3S),
		power:     sheet("power", 0, sheetPowerLimit).Scaled(l.RatedPowerW),
		flowPerPa: gum.New(flowPerPa, gum.Rectangular(flowPerPaLimit), assumedInput("flow over pressure", name)),
		ratedPa:   l.RatedPressurePa, ratedPressurePa: l.RatedPressurePa,
		delayS: gum.New(delayS, gum.Rectangular(delayLimitS), assumedInput("delivery delay", name)),
		cutIn:  beside.cutIn, cutOut: beside.cutOut, gauge: gum.Exact(0),
		noLoadStopS: beside.noLoadStopS, on: beside.on, startsPerHour: l.StartsPerHour,
	}
	u.cutIn.V -= bandBehindPa
	u.cutOut.V -= bandBehindPa
	// The same pipe: its drop goes with the square of the flow.
	u.drop = beside.drop.Scaled(math.Pow(l.RatedFlowM3S/beside.flow.V, 2))
	if l.UnloadedShare > 0 {
		u.unloaded = u.power.Scaled(l.UnloadedShare)
	}
	u.slowIdle = l.UnloadedShare == 0 && u.control == sitefile.VariableSpeed
	if l.LeastShare > 0 {
		u.least = gum.Exact(l.LeastShare)
	}
	u.fill(st)
	return u
}

// controlled is the same machine with another control: the handbook's curve of that
// takes the place of what the week has shown. A drive loses power at full speed too.
func (u *unit) controlled(c sitefile.Control) {
	if c == sitefile.VariableSpeed {
		u.power = u.power.Times(gum.New(1+driveLoss, gum.Rectangular(driveLossLimit), assumedInput("loss of the drive", u.name)))
		u.startW, u.delayW = u.power.Scaled(startShare), u.power.Scaled(delayShare)
	}
	u.slowIdle = c == sitefile.VariableSpeed
	u.refitted = true
	u.idlesOtherwise(c)
	u.control, u.curve, u.least, u.target = c, nil, gum.Value{}, gum.Value{}
	u.curve = wholeCurve(handbookCurve(c, u.name), c, u.name)
	if least := leastShares[c]; least > 0 {
		u.least = gum.New(least, gum.Rectangular(leastShareLimit), assumedInput("least flow share", u.name))
	}
	if c == sitefile.StartStop || c == sitefile.Modulating {
		u.noLoadStopS = math.Inf(1)
	}
}

// idlesOtherwise takes the handbook's idle power where what was seen is no idling of the
// new control's. A modulating machine shuts its inlet and keeps its sump at pressure: what
// it takes then is far above that of one that blows down, and no blow-down was seen. One of
// variable displacement or speed idles with short or slow rotors, below what whole ones at
// full speed take.
func (u *unit) idlesOtherwise(c sitefile.Control) {
	switch was := u.control; {
	case was == c || was != sitefile.Modulating && was != sitefile.VariableDisplacement && was != sitefile.VariableSpeed:
		return
	case was == sitefile.Modulating:
		u.blowDown = gum.New(blowDownS, gum.Rectangular(blowDownLimitS), assumedInput("blow-down", u.name))
	}
	u.unloaded = u.share(unloadedShare, unloadedShareLimit, "unloaded power")
	u.unloadStart = u.share(unloadStartShare, unloadStartLimit, "power right after an unload")
}
