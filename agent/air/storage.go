package air

// EventVolumeM3 is the receiver that feeds an event by itself: a net flow (free air
// of freePa) drawn from it for a time, while it falls from one pressure to another.
// V = T·C·pa/(p₁-p₂) (compressed-air handbook, as quoted in an open textbook, read).
func EventVolumeM3(seconds, flowM3S, freePa, fromPa, toPa float64) float64 {
	return seconds * flowM3S * freePa / (fromPa - toPa)
}

// Cycle is how one load/unload machine cycles against an even demand.
type Cycle struct {
	LoadedS, UnloadedS float64
	PerHour            float64
}

// LoadCycle is the cycle of a machine of a capacity against a demand below it
// (m³/s of free air of freePa), on a volume within a pressure band:
// t_load = V·Δp/(pa·(C-D)), t_unload = V·Δp/(pa·D) (textbook; the vessel keeps its
// temperature).
func LoadCycle(volumeM3, bandPa, freePa, capacityM3S, demandM3S float64) Cycle {
	held := volumeM3 * bandPa / freePa
	c := Cycle{LoadedS: held / (capacityM3S - demandM3S), UnloadedS: held / demandM3S}
	c.PerHour = 3600 / (c.LoadedS + c.UnloadedS)
	return c
}

// MostCycles is LoadCycle at the demand at which it cycles most: half the capacity.
func MostCycles(volumeM3, bandPa, freePa, capacityM3S float64) Cycle {
	return LoadCycle(volumeM3, bandPa, freePa, capacityM3S, capacityM3S/2)
}

// Delayed is the same of a machine whose air leaves so many seconds after each load:
// meanwhile the pressure goes on falling by what is drawn, which has to be filled as
// well. It loads for the delay longer, and for D·delay/(C-D), which together is
// C·delay/(C-D); the unloaded time is from the cut-out to the cut-in as before.
func (c Cycle) Delayed(seconds, capacityM3S, demandM3S float64) Cycle {
	c.LoadedS += seconds * capacityM3S / (capacityM3S - demandM3S)
	c.PerHour = 3600 / (c.LoadedS + c.UnloadedS)
	return c
}
