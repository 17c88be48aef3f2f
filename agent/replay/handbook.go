package replay

import (
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/replay/engine"
	"loadscribe/agent/sitefile"
)

// What is taken for a machine where the week does not show it. "From memory" is the
// word of shared/reference.md for values that were not read again.
const (
	// unloadedShare of the full power: 15 to 35 % (DOE Sourcebook, from memory),
	// 25 to 30 % (textbook, read).
	unloadedShare, unloadedShareLimit = 0.25, 0.10
	// unloadStartShare is power right after an unload, the sump still full: that of
	// a closed inlet, 70 % (DOE Sourcebook's sheet on controls, from memory).
	unloadStartShare, unloadStartLimit = 0.65, 0.10
	// The sump blows down in tens of seconds (read): a time constant of
	blowDownS, blowDownLimitS = 15.0, 10.0
	// A wye-delta start takes some seconds (common practice, no source).
	startS, startLimitS = 8.0, 5.0
	startShare          = 0.35 // of the full power meanwhile (common practice, no source)
	delayS, delayLimitS = 3.0, 2.0
	// An inlet closes in about a second: air of half a second of full load flows on,
	// within as much (common practice, no source).
	runOnS, runOnLimitS = 0.5, 0.5
	delayShare          = 0.6 // of the full power until air leaves: the sump fills
	// A screw's flow falls a little with the pressure: 0.5 ± 0.5 % for each bar
	// (common practice, no source).
	flowPerPa, flowPerPaLimit = 0.005e-5, 0.005e-5
	// curveLimit is what part-load curves of handbooks are known to: 5 points of the
	// full power. The average power tables (from memory) are known to 3, and the
	// textbook's curves (read) lie up to 8 beside them at a quarter of the flow.
	curveLimit = 0.05
	// A least share that is not seen is known to 10 points (common practice, no source).
	leastShareLimit = 0.1
	// A drive loses 3 ± 2 % at full speed (from memory).
	driveLoss, driveLossLimit = 0.03, 0.02
	// A drive idles at its least speed: friction and what the closed inlet lets in go
	// with the speed, within a third (common practice, no source).
	slowIdleLimit = 0.33
	// Data sheets: the true flow lies from -12 to +5 % of it, the power within 5 %.
	sheetFlow, sheetFlowLimit = -0.035, 0.085
	sheetPowerLimit           = 0.05
	// An inlet closes over 10 psi (common practice, no source).
	modulationPa, modulationLimitPa = 0.69e5, 0.2e5
	// bandBehindPa is how far the band of an added machine lies below the first's: 5 psi.
	bandBehindPa = 0.345e5
)

// leastShares are where throttling, shortening or slowing ends, as shares of the
// full flow (from memory).
var leastShares = map[sitefile.Control]float64{
	sitefile.Modulating:           0,
	sitefile.ModulateThenUnload:   0.4,
	sitefile.VariableDisplacement: 0.5,
	sitefile.VariableSpeed:        0.25,
}

// handbookCurves are power over flow, shares of full load. Modulation: straight from
// 70 % (Sourcebook's sheet, from memory), as the average power table has it within 2
// points. Variable displacement: textbook, read. Variable speed: between the table
// (from memory), which it is within 3 points of, and the textbook (read), with the
// dearer air at both ends that drives and screws have: most for a kilowatt at some
// 90 % of the flow (from memory).
var handbookCurves = map[sitefile.Control][]engine.CurvePoint{
	sitefile.Modulating:           {{Flow: 0, Power: 0.70}, {Flow: 1, Power: 1}},
	sitefile.ModulateThenUnload:   {{Flow: 0, Power: 0.70}, {Flow: 1, Power: 1}},
	sitefile.VariableDisplacement: {{Flow: 0.25, Power: 0.48}, {Flow: 0.5, Power: 0.62}, {Flow: 0.75, Power: 0.80}, {Flow: 1, Power: 1}},
	sitefile.VariableSpeed: {{Flow: 0.1, Power: 0.21}, {Flow: 0.2, Power: 0.30}, {Flow: 0.3, Power: 0.385}, {Flow: 0.4, Power: 0.465},
		{Flow: 0.5, Power: 0.55}, {Flow: 0.6, Power: 0.625}, {Flow: 0.7, Power: 0.71}, {Flow: 0.8, Power: 0.797}, {Flow: 0.9, Power: 0.894}, {Flow: 1, Power: 1}},
}

// engineControls are the site file's words in the engine's.
var engineControls = map[sitefile.Control]engine.Control{
	sitefile.LoadUnload:           engine.LoadUnload,
	sitefile.StartStop:            engine.StartStop,
	sitefile.Modulating:           engine.Modulating,
	sitefile.ModulateThenUnload:   engine.ModulateThenUnload,
	sitefile.VariableDisplacement: engine.VariableDisplacement,
	sitefile.VariableSpeed:        engine.VariableSpeed,
}

// Inputs that this room assumes, by name.
func assumedInput(what, machine string) string { return what + " of " + machine + " (assumed)" }
func curveInput(machine string) string {
	return assumedInput("part-load curve of the handbook for the control", machine)
}

// handbookCurve is a control's curve with its uncertainty, which goes to nothing at
// full load, where share and power are 1 by definition.
func handbookCurve(c sitefile.Control, machine string) (all []curvePoint) {
	for _, p := range handbookCurves[c] {
		u := gum.Rectangular(curveLimit) * min(1, 4*(1-p.Flow))
		all = append(all, curvePoint{p.Flow, gum.New(p.Power, u, curveInput(machine))})
	}
	return all
}

// isentropicPerPa is how a compressor's power at full load grows with the outlet's
// gauge pressure, as a share of it: the slope of the isentropic power, within a
// third.
func isentropicPerPa(inletPa, outsidePa, atPa float64, machine string) gum.Value {
	const stepPa = 100
	w := func(pa float64) float64 { return air.IsentropicW(1, inletPa, pa+outsidePa) }
	slope := math.Log(w(atPa+stepPa)/w(atPa-stepPa)) / (2 * stepPa)
	return gum.New(slope, gum.Rectangular(slope/3), assumedInput("power over pressure", machine))
}

// wholeCurve goes on from a curve that was seen over a part of the flow to nothing
// and to full flow: below what was seen as steeply as the handbook's, known as
// that is; at full flow the power is full by definition.
func wholeCurve(seen []curvePoint, c sitefile.Control, machine string) []curvePoint {
	if len(seen) == 0 {
		return nil
	}
	all := make([]curvePoint, 0, len(seen)+2)
	if first := seen[0]; first.flow > 0 {
		fall := handbookAt(c, first.flow) - handbookAt(c, 0)
		u := gum.Rectangular(curveLimit) * min(1, 4*first.flow)
		none := first.power.Plus(gum.New(-fall, u, assumedInput("part-load curve below what was seen", machine)))
		none.V = max(none.V, 0.2*first.power.V)
		all = append(all, curvePoint{0, none})
	}
	for _, p := range seen {
		if p.flow < 1-1e-3 {
			all = append(all, p)
		}
	}
	return append(all, curvePoint{1, gum.Exact(1)})
}

// handbookAt is the handbook's curve at a flow share, its first piece going on to
// nothing.
func handbookAt(c sitefile.Control, flow float64) float64 {
	points := handbookCurves[c]
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		if flow <= b.Flow || i == len(points)-1 {
			return a.Power + (b.Power-a.Power)*(flow-a.Flow)/(b.Flow-a.Flow)
		}
	}
	return flow
}
