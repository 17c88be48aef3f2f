package engine

// Control is how a machine matches its air to the demand.
type Control uint8

// The control kinds.
const (
	LoadUnload Control = iota
	StartStop
	Modulating
	ModulateThenUnload
	VariableDisplacement
	VariableSpeed
)

// Machine is one compressor with its settings.
type Machine struct {
	Name    string
	Control Control
	// Flow at full load: FullFlowM3S at RatedPa at the machine's outlet, and less by
	// the share FlowPerPa of it for each pascal more.
	FullFlowM3S, FlowPerPa, RatedPa float64
	// Power at full load: FullPowerW at RatedPa, and more by the share PowerPerPa
	// of it for each pascal more.
	FullPowerW, PowerPerPa float64
	// Unloaded: from UnloadStartW right after an unload towards UnloadedW with the
	// time constant BlowDownS.
	UnloadedW, UnloadStartW, BlowDownS float64
	StoppedW                           float64
	// A start takes StartS before it may load, and StartW meanwhile.
	StartS, StartW float64
	// From a load until the first air leaves, once the sump has blown down (less
	// before that); its power meanwhile is DelayW.
	DelayS, DelayW float64
	// After an unload air goes on for so long, in seconds of what it delivered: the
	// inlet takes its time to close.
	RunOnS float64
	// DropPa lies between where the machine's controls read the pressure and the
	// stores at full flow, and goes with the square of the flow.
	DropPa float64

	CutInPa, CutOutPa  float64
	TargetPa           float64 // variable speed
	NoLoadStopS        float64 // +Inf: never
	LeastBetweenStarts float64 // s; a start waits for it
	ModulationPa       float64 // width below CutOutPa over which the inlet closes
	LeastShare         float64 // of full flow: where throttling, shortening or slowing ends; Modulating throttles to nothing
	// Curve is power over flow at part load, both as shares of full load, rising in
	// flow, from LeastShare or less to 1. Empty: a straight line from UnloadedW.
	Curve []CurvePoint
	// On is when it may run; nil: always. In order, not touching.
	On []Span
}

// CurvePoint is one point of a part-load curve, both shares of full load.
type CurvePoint struct{ Flow, Power float64 }

// Span is a time, seconds since the window's beginning, half open.
type Span struct{ FromS, ToS float64 }

// Rotation gives the bands of machines in turn. At rank r a member's cut-in and
// cut-out lie StepPa·r below those of the first member, its target as far below that
// of the first one of variable speed. At each turn the first becomes the last.
type Rotation struct {
	Members []int   // indices of Plant.Machines, in the order of the first turn
	EveryS  float64 // +Inf: fixed order
	FirstS  float64 // when the first turn after the window's beginning begins
	StepPa  float64
}

// Plant is what the air is made with.
type Plant struct {
	Machines  []Machine
	Rotations []Rotation
	VolumeM3  float64 // that follows the pressure
	InletPa   float64 // dry air at the inlet, absolute: what a volume is counted in
	OutsidePa float64 // absolute, of gauge pressures
	MinimumPa float64 // what the users need; below it the demand falls with the absolute pressure
	// CommonDropPa lies between where the machines' air meets and the stores when
	// CommonM3S flow there, and goes with the square of what all deliver; each
	// machine's controls read it on top of its own DropPa. 0: none.
	CommonDropPa, CommonM3S float64
	SlotS                   float64 // length of a slot of Result.SlotJ
	Watch                   []Span  // when Result.LowestPa, ShortS and ShortM3 count; nil: always. In order, not touching
}

// Segment is a stretch of steady demand: DemandM3S at AtPa, and FollowM3SPerPa
// more for each pascal above it.
type Segment struct {
	Seconds, DemandM3S, AtPa, FollowM3SPerPa float64
}

// Stretch is an unbroken piece of the demand. What lies between two was not
// observed and is not played.
type Stretch struct {
	StartS   float64 // since the window's beginning
	StartPa  float64 // of the stores
	Segments []Segment
	Begin    []Begin // by machine; nil: as the pressure and the band have it, standing where it may
}

// Begin is the state a machine is in at a stretch's beginning.
type Begin struct {
	State  State
	ForS   float64 // how long already
	SinceS float64 // since its last start; +Inf: not known
}

// State is what a machine does.
type State uint8

// The states.
const (
	Stopped State = iota
	Starting
	Unloaded
	PartLoad
	Loaded
	NumStates
)
