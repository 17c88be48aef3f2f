package analysis

import (
	"strings"

	"loadscribe/agent/quantity"
)

// Inputs of figures by name. A name is the identity of an input in a gum.Value:
// what two figures share cancels or adds up only if both call it the same, letter
// by letter, so every name is made here. How a name begins says of what kind the
// input is; by that narrowings tells what would narrow it. What is assumed says
// so, for the names are shown.
const (
	ratedFlowOf         = "rated flow of "
	partLoadOf          = "flow at part load of "
	delayOf             = "delivery delay of "
	delaySeenOf         = "delivery delay as seen of "
	volumeOf            = "nominal volume of "
	unnamedOf           = "stores that the site file does not name in "
	accuracyOf          = "accuracy of "
	resolutionOf        = "resolution of "
	scatterOf           = "scatter of "
	wetAirOf            = "wet air at "
	momentsOf           = "moments of load and unload of "
	inletOf             = "inlet "
	exponentOf          = "polytropic exponent of "
	heatOf              = "heat of compression left in the air of "
	storedAirOf         = "temperature and water of the stored air in "
	dropOf              = "pressure drop of "
	spotLinesOf         = "spot readings of "
	powerFactor         = "power factor "
	motorVolts          = "motor volts (nameplate)"
	loadedFactorInput   = powerFactor + "loaded (assumed)"
	unloadedFactorInput = powerFactor + "unloaded (assumed)"
	packageFans         = "package's fan and controls (assumed)" // these three are one assumption for all machines
	disagreementOf      = "disagreement of counter and power of "
	coverageOf          = "hours not observed of "
	counterEdges        = "rounding of the energy counter at changes of shift or price"
)

// eachOnce is a list of inputs in which nothing is named twice: a channel that
// serves for two things, or with what is assumed of it in brackets and without. The
// brackets stay.
func eachOnce(inputs []string) []string {
	var all []string
	at := map[string]int{}
	for _, input := range inputs {
		bare, _, _ := strings.Cut(input, " (")
		k, again := at[bare]
		switch {
		case !again:
			at[bare] = len(all)
			all = append(all, input)
		case all[k] == bare:
			all[k] = input
		}
	}
	return all
}

// ratedFlowInput is the rated flow that stands for a machine's true one.
func ratedFlowInput(machine string) string { return ratedFlowOf + machine + " (assumed)" }

// partLoadInput is that a machine's flow follows its load fraction.
func partLoadInput(machine string) string { return partLoadOf + machine + " (assumed)" }

// delayInput is the time that passes after a load until air leaves, where it is
// assumed, delaySeenInput where the pressure has told it.
func delayInput(machine string) string     { return delayOf + machine + " (assumed)" }
func delaySeenInput(machine string) string { return delaySeenOf + machine }

// volumeInput is the volume that follows a system's pressure, by the site file's
// parts.
func volumeInput(system string) string { return volumeOf + system }

// unnamedInput is what follows the pressure beside them.
func unnamedInput(system string) string { return unnamedOf + system + " (assumed)" }

// accuracyInput is the error of an instrument, the same at every reading. Of an
// electrical meter the channels of a kind share it; gauges and sensors on one
// device each have their own.
func accuracyInput(c *chanSpec) string {
	name := accuracyOf + c.id
	switch c.unit.Dimension {
	case quantity.Power, quantity.Energy, quantity.Current, quantity.Voltage:
		if !c.ownAccuracy {
			name = accuracyOf + c.device + ", " + c.unit.Dimension.String()
		}
	}
	if c.accuracyGiven {
		return name
	}
	return name + " (±" + c.assumedAccuracy().Text + " assumed)"
}

// resolutionInput is the rounding of a channel's readings in one use of them:
// "begin" and "end" of a difference do not share theirs.
func resolutionInput(c *chanSpec, use string) string { return resolutionOf + c.id + ", " + use }

// wetAirInput is what wet air does to a thermal mass flow meter.
func wetAirInput(c *chanSpec) string { return wetAirOf + c.id + " (assumed)" }

// scatterInput is the scatter of what a figure is the mean of.
func scatterInput(figure, subject string) string { return scatterOf + figure + " of " + subject }

// momentsInput is that a change of state is known to a scan only.
func momentsInput(subject string) string { return momentsOf + subject + ", known to a scan" }

// startEndInput is that no signal says when a start is over.
func startEndInput(subject string) string { return "when starts of " + subject + " are over" }

// inletInput is a property of the air that a subject draws in, "temperature",
// "humidity" or "pressure", where no channel reads it.
func inletInput(property, subject string) string {
	return inletOf + property + " of " + subject + " (assumed)"
}

// exponentInput is how much heat the stored air gives off while it is compressed.
func exponentInput(system string) string { return exponentOf + system + " (assumed)" }

// heatInput is what the stores take less while the air in them is still warm.
func heatInput(system string) string { return heatOf + system + " (assumed)" }

// storedAirInput is the state of the air in a system's volume.
func storedAirInput(system string) string { return storedAirOf + system + " (assumed)" }

// dropInput is a part's pressure drop where it is not read.
func dropInput(part string) string { return dropOf + part + " (assumed)" }

// dropSeenInput is the drop that a machine's unloads show.
func dropSeenInput(machine string) string { return dropOf + machine + " as its unloads show it" }

// spotsInput is the line through a machine's spot readings of power.
func spotsInput(machine string) string { return spotLinesOf + machine }

// disagreementInput is that a machine's energy counter and power contradict each
// other.
func disagreementInput(machine string) string { return disagreementOf + machine }

// coverageInput is what the hours that were not observed may have been.
func coverageInput(subject string) string { return coverageOf + subject }
