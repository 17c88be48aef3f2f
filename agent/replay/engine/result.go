package engine

// Result is what a plant did with a demand.
type Result struct {
	Seconds  float64
	EnergyJ  float64
	Machines []MachineResult
	// SuppliedM3 = ServedM3 + StoredM3, to rounding.
	SuppliedM3, ServedM3, StoredM3 float64
	AskedM3                        float64 // with nobody short of pressure
	ShortM3                        float64 // what users did not get below MinimumPa while Plant.Watch holds
	ShortS                         float64 // below MinimumPa while Plant.Watch holds
	LowestPa, LowestAtS            float64 // while Plant.Watch holds; NaN if it never does
	MeanPa, HighestPa              float64
	SlotJ                          []float64 // energy by slot since the window's beginning
	Trace                          []TracePoint
}

// MachineResult is what one machine did.
type MachineResult struct {
	EnergyJ, Seconds [NumStates]float64
	SuppliedM3       float64
	Starts, Loads    int
	StartsHourMax    int // most in any 3600 s of one stretch
	LoadsHourMax     int
	GuardedS         float64 // while watched, for which LeastBetweenStarts alone kept it from starting
}

// TracePoint is the plant at an event.
type TracePoint struct {
	AtS, Pa float64
	States  []State
	Break   bool // the first of a stretch
}

// Options of Play.
type Options struct {
	Trace bool
	// Stop is asked now and then; true ends the play with ErrStopped.
	Stop func() bool
}
