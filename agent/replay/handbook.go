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
	// curveLimit is what part-load curves of handbooks are known to: 3 points of the
	// full power (average power tables, from memory).
	curveLimit = 0.03
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
// points. Variable displacement: textbook, read. Variable speed: the table's within
// 3 points, with the dearer air at both ends that drives and screws have (from
// memory): most for a kilowatt at some 80 % of the flow.
var handbookCurves = map[sitefile.Control][]engine.CurvePoint{
	sitefile.Modulating:           {{Flow: 0, Power: 0.70}, {Flow: 1, Power: 1}},
	sitefile.ModulateThenUnload:   {{Flow: 0, Power: 0.70}, {Flow: 1, Power: 1}},
	sitefile.VariableDisplacement: {{Flow: 0.25, Power: 0.48}, {Flow: 0.5, Power: 0.62}, {Flow: 0.75, Power: 0.80}, {Flow: 1, Power: 1}},
	sitefile.VariableSpeed: {{Flow: 0.1, Power: 0.19}, {Flow: 0.2, Power: 0.27}, {Flow: 0.3, Power: 0.35}, {Flow: 0.4, Power: 0.43},
		{Flow: 0.5, Power: 0.52}, {Flow: 0.6, Power: 0.605}, {Flow: 0.7, Power: 0.695}, {Flow: 0.8, Power: 0.79}, {Flow: 0.9, Power: 0.892}, {Flow: 1, Power: 1}},
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
