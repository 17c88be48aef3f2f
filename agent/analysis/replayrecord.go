package analysis

import (
	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// ReplayRecord is what a system's record says for a replay: the demand minute by
// minute, what each machine is, and what was measured.
type ReplayRecord struct {
	System       string
	FromMS, ToMS int64 // whole quarter hours about what was asked for, Unix ms UTC
	Coverage     float64
	Absent       string // why nothing can be replayed
	ResolutionS  float64
	Resolution   string
	Minutes      []ReplayMinute // those that can be balanced, in order
	MeanDemand   gum.Value      // m³/s
	Volume       gum.Value      // m³ that follow the pressure
	InletPa      float64        // dry air at the inlet, absolute
	OutsidePa    float64        // barometer, absolute
	MinimumPa    float64        // gauge; 0: not given
	Leak         gum.Value      // m³/s at LeakPa; 0 where not known
	LeakPa       float64
	LeakAbsent   string
	// FollowShare is the share of the mean demand that goes with the absolute
	// pressure; FollowBasis says whether it was seen or is assumed.
	FollowShare gum.Value
	FollowBasis string
	// Of several machines, what their joint flow CommonM3S makes in drop between where
	// their gauges read and the stores, with the square of the flow; 0: not seen.
	CommonDropPa gum.Value
	CommonM3S    float64
	// Watch is when the plant needs its pressure: the site's shifts, each from when the
	// stores have come up to the minimum once; nil: always. The
	// lowest pressure and the time below the minimum count then only.
	Watch    []Span
	Machines []ReplayMachine
	Measured ReplayMeasured
	Method   string
	Inputs   []string
}

// ReplayMinute is one minute of the demand.
type ReplayMinute struct {
	StartMS        int64
	FlowM3S        float64
	OwnU           float64 // standard, not shared with neighbours, m³/s
	StartPa, EndPa float64 // gauge, of the stores
}

// ReplayMachine is one machine as the record and the site file have it. A value
// without a basis in the record says so in Basis.
type ReplayMachine struct {
	Machine          *sitefile.Machine
	FullFlow         gum.Value // m³/s
	FlowPa           float64   // gauge, at which FullFlow holds
	LoadedPower      gum.Value // W at LoadedPa
	LoadedPa         float64   // gauge, at the outlet
	PowerPerPa       gum.Value // share of LoadedPower for each Pa
	UnloadedPower    gum.Value // W, settled
	UnloadStartPower gum.Value // W, right after an unload
	BlowDownS        gum.Value // time constant of the decay between them
	StoppedPower     gum.Value
	StartS           gum.Value // from the start until it may load
	StartPower       gum.Value
	DelayS           gum.Value // delivery delay after a settled sump; after u s unloaded 1 - e^(-u/BlowDownS) of it
	DelayPower       gum.Value // mean power until then
	RunOnS           gum.Value // air flows on for so long after an unload
	DropPa           gum.Value // from where its pressure is read to the stores, full flow; without CommonDropPa
	// CutInPa and CutOutPa are as seen, at the place its controls read; V 0: not
	// seen. They are brought to the gauge of the stores: GaugePa is what the machine's
	// own gauge shows above that when no air flows, so that a setting in its display
	// less GaugePa is a pressure of the replay. CutInSetPa and CutOutSetPa are the
	// settings in its own display, by the controller or the site file; 0: not known.
	// A changed setting moves the band by the difference to these, for what is seen
	// lies beside what is set by how late the controls answer.
	CutInPa, CutOutPa       gum.Value
	GaugePa                 gum.Value
	CutInSetPa, CutOutSetPa float64
	TargetPa                gum.Value // variable speed: pressure held
	LeastShare              gum.Value // least flow share seen running part-loaded
	ModulationPa            gum.Value // pressure over which the inlet closes from full flow to none, as seen; V 0: not seen
	NoLoadStopS             float64   // as seen, else as the site file has it; +Inf: none
	// LeastBetweenStartsS is the starts guard as seen; 0: it was not.
	LeastBetweenStartsS float64
	// Curve is the part-load curve seen, shares of full load; nil where none was.
	Curve []ReplayPoint
	On    []Span // when it may have run: nil where it is never seen kept from running
	// Basis says for each of the values above by name what it rests on.
	Basis map[string]string
	Runs  []Run // its states over the window
}

// ReplayPoint is a point of a part-load curve with the standard uncertainty of its
// power.
type ReplayPoint struct{ Flow, Power, U float64 }

// ReplayMeasured is what really happened over the replayed minutes. Where no energy
// is read, Energy is 0, SlotJ is nil and EnergyBasis says why.
type ReplayMeasured struct {
	Energy      gum.Value // J, all machines
	SlotMS      int64     // length of a slot
	SlotJ       []float64 // energy of the replayed minutes by slot from FromMS on; NaN where there are none
	LowestPa    gum.Value // gauge, of the stores, while Watch; NaN where nothing was seen then
	MeanPa      gum.Value
	BelowS      float64 // below MinimumPa, while Watch
	ByMachine   []ReplayDone
	EnergyBasis string
}

// ReplayDone is what one machine really did over the replayed minutes.
type ReplayDone struct {
	Energy        gum.Value // J
	StateJ        map[State]float64
	StateS        map[State]float64
	Starts, Loads int
	StartsHourMax int
}
