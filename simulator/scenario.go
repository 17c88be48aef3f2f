package simulator

import (
	"errors"
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
	Drains            []Drain
	Valves            []Valve
	Leak              Leak
	Users             []User
	Rotation          Rotation
	PowerFailures     []PowerFailure
	ClockSteps        []ClockStep
	Length            time.Duration // of a record that shows the story
	Unbalance         float64       // of the supply's voltages, share of their mean; 0: 0.0049
	Devices           []Device
}

// ErrScenario is wrapped by every error about a scenario's content.
var ErrScenario = errors.New("scenario")
