package simulator

import (
	"time"
)

// Weather is the temperature of the compressor's room.
type Weather struct {
	MeanK  float64
	SwingK float64 // half of the difference between afternoon and night
	DayK   float64 // standard deviation from day to day
	RoomK  float64 // the room gets warmer by this when the machines run
	// Humidity is relative, 0 to 1, at MeanK; the air's water stays the same
	// over the day.
	Humidity float64
}

// Machine is one compressor package.
type Machine struct {
	Name            string
	Control         string // as a site file says it
	RatedFlowM3S    float64
	RatedPressurePa float64
	RatedPowerW     float64 // package input at rated flow and pressure
	FlowFactor      float64 // true flow over nameplate; 0: drawn from the seed, 0.88 to 1.05
	CutInPa         float64
	CutOutPa        float64
	TargetPa        float64       // variable speed: the pressure it holds; 0: middle of the band
	ModulationPa    float64       // the inlet valve (or the rotor's length) goes from full to LeastShare in this below CutOutPa
	LeastShare      float64       // of the flow, before it unloads; variable speed: of the speed
	NoLoadStop      time.Duration // 0: never
	LeastStarts     time.Duration // least time from start to start
	Schedule        []Window      // empty: always on
	Motor           Motor
	FanW            float64 // cooling fan, runs with the motor
	FanOnK, FanOffK float64 // where the fan is switched by the discharge temperature; 0: runs with the motor
	ControlsW       float64 // always on

	SumpM3         float64       // air space of the oil separator tank
	ResidualPa     float64       // the sump's after blow-down, running
	BlowDown       time.Duration // to a tenth of the way from cut-out to residual
	StartSumpPa    float64       // no start above this sump pressure
	MinPressurePa  float64       // opening of the minimum-pressure valve
	PackageDropPa  float64       // sump to package outlet at rated flow
	InletStroke    time.Duration // of the inlet valve
	ApproachK      float64       // of the aftercooler at rated flow
	TripK          float64       // discharge temperature that stops the machine
	TripReset      time.Duration // after which somebody has reset it
	Trips          []Trip
	Faults         []Fault
	CoolerFouling  float64       // share of the coolers' conductance that dirt has taken at the start
	FoulingPerDay  float64       // share that it takes each day
	RestartDelay   time.Duration // after a power failure; 0: no automatic restart, somebody must reset it
	InitialRunH    float64
	InitialLoadedH float64
	InitialStarts  uint32
	InitialWh      uint64
}

// Motor is the main motor.
type Motor struct {
	PowerW       float64 // shaft
	Poles        int
	Volts        float64 // line to line
	Starting     string  // wye-delta, direct or drive
	WyeTime      time.Duration
	LoadDelay    time.Duration // from delta (direct: from the start) to the permission to load
	DirectStartA float64       // line current of a direct start; 0: 6.5 times rated
}

// Trip is a fault that comes by itself.
type Trip struct {
	After time.Duration // from the start of the world
	Code  uint16        // 1 to 9 are kept for what the physics brings about
	Text  string
}

// Fault is something that goes wrong with a machine each week between two
// moments; always, where they are equal.
type Fault struct {
	Kind        string
	From, Until Moment
	Share       float64 // of what is lost, where the kind asks for one
}

// The kinds of Fault.
const (
	faultValveShut    = "inlet valve stuck closed" // it does not open, whatever is commanded
	faultValveOpen    = "inlet valve stuck open"   // once open it does not close while the motor runs
	faultBlowDown     = "blow-down fails"          // the sump keeps its pressure when unloaded
	faultCoolerFouled = "cooler fouled"            // share of the coolers' conductance lost
	faultStart        = "start fails"              // the motor guard trips in the start
)

// Fault codes: a discharge temperature above TripK, and others.
const (
	hotCode   = 1
	powerCode = 2 // the supply failed while it ran, and there is no automatic restart
	startCode = 3 // the motor guard tripped in the start
)

// Part is a place the air passes: dryer or filter (a drop), receiver or piping
// (a volume, behind its own drop where it has one).
type Part struct {
	Name      string
	Kind      string // dryer, filter, receiver, piping
	VolumeM3  float64
	DropPa    float64
	DropAtM3S float64
	Purge     Purge // dryers
}

// Purge is the air that a heatless dryer uses for itself. It leaves the volume
// behind the dryer through an orifice while a tower is being purged, four
// fifths of each half cycle; the last fifth fills the tower again.
type Purge struct {
	FlowM3S float64 // while open; 0: none
	AtPa    float64
	Half    time.Duration // half of the towers' cycle
	Running bool          // only while a machine runs
}

// Drain is a valve that a timer opens to let condensate, and air, out of a part;
// or one that somebody opens each week between two moments, then Open and Every
// are zero.
type Drain struct {
	Name        string
	Part        string
	FlowM3S     float64
	AtPa        float64
	Open        time.Duration
	Every       time.Duration
	From, Until Moment
}

// Rotation lets machines take turns: the first in the turn works in its own
// band, each next one Offset below the one before.
type Rotation struct {
	Machines []string
	OffsetPa float64
	Every    time.Duration // until the next is first; 0: never
}

// PowerFailure takes the supply of all machines and devices away, each week.
type PowerFailure struct {
	At  Moment
	For time.Duration
}

// ClockStep is a jump of the clock of whoever records, each week: the plant
// knows nothing of it.
type ClockStep struct {
	At Moment
	By time.Duration // negative: back
}

// Leak follows the absolute pressure of the last volume, day and night.
type Leak struct {
	FlowM3S float64
	AtPa    float64
	// Growth is the share of FlowM3S that is added each week from the start on.
	Growth float64
}

// User is something that uses air, Count times over, each for itself.
type User struct {
	Name    string
	Count   int
	FlowM3S float64
	// RegulatedPa is the setting of its regulator: the flow is constant above
	// it. 0: no regulator, the flow follows absolute pressure.
	RegulatedPa float64
	AtPa        float64 // unregulated: the pressure at which FlowM3S holds
	On          time.Duration
	Rest        time.Duration
	// Always: shifts and breaks do not matter.
	Always bool
	// When replaces shifts and breaks for this user; empty: they hold.
	When []Window
}

// Device is something that shows registers of a machine.
type Device struct {
	Name    string
	Machine string
	Layout  string // see layouts
	Unit    uint8
	Refresh time.Duration // how often its registers change; a multiple of 50 ms
	Poll    time.Duration // how often a site written for the scenario asks it
	// Wiring is how a power meter is connected: "" and "none" rightly;
	// ct_reversed, ct_wrong_phase, ct_ratio=2 (any factor), one_leg,
	// drive_output, motor_only.
	Wiring string
	// InvertedLoad turns a controller's loaded bit round.
	InvertedLoad bool
	// LoadByCommand: the loaded bit shows what the controller commands, not
	// where the inlet valve stands.
	LoadByCommand bool
	// Accuracy is what a site file says of it, by kind of value ("power":
	// "2 % of reading"); a kind left out: what its layout usually has.
	Accuracy map[string]string
	Bias     Bias
}
