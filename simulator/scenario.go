package simulator

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Scenario describes a plant. All values are SI: pressures gauge unless said
// otherwise, flows free air at the inlet.
type Scenario struct {
	Name              string
	Title             string
	Seed              uint64
	Location          *time.Location // of schedules, shifts and the weather
	BarometerPa       float64        // absolute
	InitialPressurePa float64        // of receivers and pipes at the start
	MinimumPressurePa float64        // what the users need at the receiver; 0: not said
	Weather           Weather
	Shifts            []Window
	Breaks            []Window // users rest
	Machines          []Machine
	Parts             []Part // in the order the air takes
	Leak              Leak
	Users             []User
	Devices           []Device
}

// Weather is the temperature of the compressor's room.
type Weather struct {
	MeanK  float64
	SwingK float64 // half of the difference between afternoon and night
	DayK   float64 // standard deviation from day to day
	RoomK  float64 // the room gets warmer by this when the machines run
}

// Machine is one compressor package.
type Machine struct {
	Name            string
	Control         string // load/unload
	RatedFlowM3S    float64
	RatedPressurePa float64
	RatedPowerW     float64 // package input at rated flow and pressure
	FlowFactor      float64 // true flow over nameplate; 0: drawn from the seed, 0.88 to 1.05
	CutInPa         float64
	CutOutPa        float64
	NoLoadStop      time.Duration // 0: never
	LeastStarts     time.Duration // least time from start to start
	Schedule        []Window      // empty: always on
	Motor           Motor
	FanW            float64 // cooling fan, runs with the motor
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
	Starting     string  // wye-delta or direct
	WyeTime      time.Duration
	LoadDelay    time.Duration // from delta (direct: from the start) to the permission to load
	DirectStartA float64       // line current of a direct start; 0: 6.5 times rated
}

// Trip is a fault that comes by itself.
type Trip struct {
	After time.Duration // from the start of the world
	Code  uint16        // 1 is kept for a hot air end
	Text  string
}

// hotCode is the fault code of a discharge temperature above TripK.
const hotCode = 1

// Part is a place the air passes: dryer or filter (a drop), receiver or piping
// (a volume, behind its own drop where it has one).
type Part struct {
	Name      string
	Kind      string // dryer, filter, receiver, piping
	VolumeM3  float64
	DropPa    float64
	DropAtM3S float64
}

// Leak follows the absolute pressure of the last volume, day and night.
type Leak struct {
	FlowM3S float64
	AtPa    float64
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
}

// Device is something that shows registers of a machine.
type Device struct {
	Name    string
	Machine string
	Layout  string // screw-controller or power-meter
	Unit    uint8
	Refresh time.Duration // how often its registers change; a multiple of 50 ms
	Poll    time.Duration // how often a site written for the scenario asks it
	// Wiring is how a power meter is connected: "" and "none" rightly;
	// ct_reversed, ct_wrong_phase, ct_ratio=2 (any factor), one_leg,
	// drive_output, motor_only.
	Wiring string
	// InvertedLoad turns a controller's loaded bit round.
	InvertedLoad bool
}

// ErrScenario is wrapped by every error about a scenario's content.
var ErrScenario = errors.New("scenario")

// Validate reports every contradiction in the scenario. The error wraps
// ErrScenario. A band of any height and a no-load stop of any time are fine.
func (s *Scenario) Validate() error {
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("%w: "+format, append([]any{ErrScenario}, args...)...))
	}
	if s.Location == nil {
		bad("timezone is missing")
	}
	if !(s.BarometerPa > 30e3 && s.BarometerPa < 120e3) {
		bad("barometer: %.1f kPa absolute is nowhere on earth; write the station pressure like \"98.8 kPa(a)\"", s.BarometerPa/1e3)
	}
	if !(s.InitialPressurePa >= 0) {
		bad("initial_pressure: must not be negative")
	}
	if len(s.Machines) == 0 {
		bad("no [[machine]]")
	}
	machines := map[string]bool{}
	for i := range s.Machines {
		m := &s.Machines[i]
		if m.Name == "" || machines[m.Name] {
			bad("machine %d: name %q is empty or taken", i+1, m.Name)
		}
		machines[m.Name] = true
		m.validate(func(format string, args ...any) { bad("machine %q: "+format, append([]any{m.Name}, args...)...) })
	}
	s.validatePlant(bad)
	s.validateDevices(machines, bad)
	return errors.Join(errs...)
}

func (m *Machine) validate(bad func(string, ...any)) {
	positive := []struct {
		key   string
		value float64
	}{
		{"rated_flow", m.RatedFlowM3S}, {"rated_pressure", m.RatedPressurePa}, {"rated_power", m.RatedPowerW},
		{"cut_in", m.CutInPa}, {"cut_out", m.CutOutPa}, {"sump_volume", m.SumpM3},
		{"blow_down", m.BlowDown.Seconds()}, {"inlet_stroke", m.InletStroke.Seconds()},
		{"motor.power", m.Motor.PowerW}, {"motor.volts", m.Motor.Volts},
	}
	for _, p := range positive {
		if !(p.value > 0) || math.IsInf(p.value, 0) {
			bad("%s: must be above zero", p.key)
		}
	}
	if m.Control != "load/unload" {
		bad("control: %q is not simulated; load/unload is", m.Control)
	}
	if m.CutInPa >= m.CutOutPa {
		bad("cut_in: must lie below cut_out")
	}
	if m.FlowFactor < 0 || m.NoLoadStop < 0 || m.LeastStarts < 0 || m.FanW < 0 || m.ControlsW < 0 || m.PackageDropPa < 0 || m.ResidualPa < 0 {
		bad("true_flow, no_load_stop, least_between_starts, fan, controls, package_drop and residual_pressure must not be negative")
	}
	if m.RatedPowerW <= m.FanW+m.ControlsW+0.2*m.Motor.PowerW {
		bad("rated_power: too little for a %.0f kW motor and its fan", m.Motor.PowerW/1e3)
	}
	if m.Motor.Starting != "wye-delta" && m.Motor.Starting != "direct" {
		bad("motor.starting: %q is not simulated; wye-delta and direct are", m.Motor.Starting)
	}
	if m.Motor.Poles < 2 || m.Motor.Poles%2 != 0 || m.Motor.Poles > 12 {
		bad("motor.poles: %d is not an even number from 2 to 12", m.Motor.Poles)
	}
	if m.SumpM3 > 0 && m.SumpM3 < 0.005 {
		bad("sump_volume: less than 5 l cannot be integrated at 50 ms")
	}
	if m.MinPressurePa >= m.CutOutPa {
		bad("minimum_pressure: the valve must open below cut_out")
	}
}

func (s *Scenario) validatePlant(bad func(string, ...any)) {
	volumes := 0
	for i, p := range s.Parts {
		switch p.Kind {
		case "receiver", "piping":
			volumes++
			if !(p.VolumeM3 > 0.005) {
				bad("part %q: volume: a %s needs one above 5 l", p.Name, p.Kind)
			}
		case "dryer", "filter":
			if p.VolumeM3 != 0 {
				bad("part %q: volume: a %s has none here; add a receiver or piping", p.Name, p.Kind)
			}
		default:
			bad("part %d %q: kind: %q is unknown; dryer, filter, receiver and piping are known", i+1, p.Name, p.Kind)
		}
		if p.DropPa < 0 || p.DropPa > 0 && !(p.DropAtM3S > 0) {
			bad("part %q: drop needs drop_at, the flow at which it was found", p.Name)
		}
	}
	if volumes == 0 {
		bad("no [[part]] of kind receiver or piping: the air has nowhere to go")
	} else if k := s.Parts[len(s.Parts)-1].Kind; k != "receiver" && k != "piping" {
		bad("the last [[part]] must be a receiver or piping: users take air from it")
	}
	if s.Leak.FlowM3S < 0 {
		bad("leak: must not be negative")
	}
	for _, u := range s.Users {
		if u.Count < 1 || !(u.FlowM3S > 0) || u.On < time.Second || u.Rest < 0 {
			bad("user %q: count must be 1 or more, flow above zero, on 1 s or more", u.Name)
		}
	}
}

func (s *Scenario) validateDevices(machines map[string]bool, bad func(string, ...any)) {
	names, units := map[string]bool{}, map[uint8]bool{}
	for _, d := range s.Devices {
		if d.Name == "" || names[d.Name] {
			bad("device %q: name is empty or taken", d.Name)
		}
		if units[d.Unit] || d.Unit < 1 || d.Unit > 247 {
			bad("device %q: unit %d is taken or outside 1 to 247", d.Name, d.Unit)
		}
		names[d.Name], units[d.Unit] = true, true
		if !machines[d.Machine] {
			bad("device %q: machine %q is not defined", d.Name, d.Machine)
		}
		if d.Layout != layoutController && d.Layout != layoutMeter {
			bad("device %q: layout: %q is unknown; %s and %s are known", d.Name, d.Layout, layoutController, layoutMeter)
		}
		s.validateWiring(&d, bad)
		if d.Refresh < stepDur || d.Refresh%stepDur != 0 {
			bad("device %q: refresh: must be a multiple of 50 ms", d.Name)
		}
	}
}

func (s *Scenario) validateWiring(d *Device, bad func(string, ...any)) {
	mistake, _, err := parseWiring(d.Wiring)
	if err != nil {
		bad("device %q: %w", d.Name, err)
		return
	}
	if d.Wiring != "" && d.Layout != layoutMeter {
		bad("device %q: wiring is a %s's", d.Name, layoutMeter)
	}
	if d.InvertedLoad && d.Layout != layoutController {
		bad("device %q: inverted_load is a %s's", d.Name, layoutController)
	}
	for i := range s.Machines {
		if m := &s.Machines[i]; m.Name == d.Machine && mistake == wiringOneLeg && m.Motor.Starting != "wye-delta" {
			bad("device %q: wiring: one_leg needs the six leads of a wye-delta motor", d.Name)
		}
	}
}
