package simulator

import "math"

// The motor's curves, per unit of its nameplate. They are typical of 50 hp
// four-pole motors (common practice, no source), not one maker's.
const (
	lossConstant     = 0.030 // core, friction and windage
	lossLoad         = 0.036 // grows with load²; full-load efficiency 93.8 %
	reactiveConstant = 0.42  // magnetising
	reactiveLoad     = 0.18  // leakage; full-load power factor 0.87
	ratedSlip        = 0.0133
	inertiaS         = 0.33 // H: kinetic energy at full speed over nameplate power
	coastS           = 1.5  // time constant of running down

	// Double cage: two torque curves T = 2·Tmax/(s/sk + sk/s) added.
	runCageTorque   = 1.90
	runCageSlip     = 0.10
	startCageTorque = 1.25
	startCageSlip   = 1.00
	currentSlip     = 0.09 // slip at which the current leaves its start level

	breakawayTorque = 0.12 // of the unloaded screw with a blown-down sump
	windageTorque   = 0.08 // grows with speed²

	startSubsteps = 10 // of a step: the cage is stiff near full speed
)

// motor is the main motor with its starter.
type motor struct {
	powerW     float64 // nameplate, shaft
	volts      float64
	syncRPM    float64
	ratedA     float64
	directPU   float64 // current of a direct start, times rated
	startShare float64 // of torque and line current in the first part: 1/3 in wye, 1 direct
	speed      float64 // of synchronous speed

	// Of the last step; the motor's own terminals.
	activeW   float64
	reactiveW float64
	currentA  float64
}

func newMotor(m *Motor) motor {
	fullW := m.PowerW * (1 + lossConstant + lossLoad)
	fullVar := m.PowerW * (reactiveConstant + reactiveLoad)
	e := motor{
		powerW:     m.PowerW,
		volts:      m.Volts,
		syncRPM:    120 * gridHz / float64(m.Poles),
		ratedA:     math.Hypot(fullW, fullVar) / (math.Sqrt(3) * m.Volts),
		startShare: 1,
	}
	if m.Starting == "wye-delta" {
		e.startShare = 1.0 / 3
	}
	e.directPU = m.DirectStartA / e.ratedA
	if m.DirectStartA == 0 {
		e.directPU = 6.5
	}
	return e
}

// shaftAt is the shaft power that draws electrical power activeW.
func (e *motor) shaftAt(activeW float64) float64 {
	// activeW = shaft + powerW·(a + b·(shaft/powerW)²), solved for shaft.
	a, b := lossConstant, lossLoad
	x := (-1 + math.Sqrt(1+4*b*(activeW/e.powerW-a))) / (2 * b)
	return x * e.powerW
}

// run is a step at full speed with a given load.
func (e *motor) run(shaftW float64) {
	x := shaftW / e.powerW
	e.activeW = shaftW + e.powerW*(lossConstant+lossLoad*x*x)
	e.reactiveW = e.powerW * (reactiveConstant + reactiveLoad*x*x)
	e.speed = 1 - ratedSlip*x
	e.currentA = -1 // worked out when somebody asks
}

// runOnDrive is a step at the present speed with a given load, through a drive:
// the motor's losses follow the torque, those of the drive what it passes on.
func (e *motor) runOnDrive(shaftW float64) {
	torque := 0.0
	if e.speed > 0 {
		torque = shaftW / e.powerW / e.speed
	}
	motorW := shaftW + e.powerW*(lossConstant*math.Pow(e.speed, motorNoLoadExp)+lossLoad*torque*torque)
	e.activeW = motorW*(1+driveLossPart) + e.powerW*driveConstant
	e.reactiveW = e.activeW * driveTan
	e.currentA = e.ratedA * math.Hypot(torque, magnetisingPU) / math.Hypot(1, magnetisingPU)
}

// start is a step of run-up. share is 1 once connected in delta.
func (e *motor) start(share float64) {
	const dt = stepS / startSubsteps
	var torque, slip float64
	for range startSubsteps {
		slip = math.Max(1-e.speed, 1e-4)
		torque = share * (2*runCageTorque/(slip/runCageSlip+runCageSlip/slip) +
			2*startCageTorque/(slip/startCageSlip+startCageSlip/slip))
		load := breakawayTorque + windageTorque*e.speed*e.speed
		e.speed = math.Min(e.speed+dt*(torque-load)/(2*inertiaS), 1)
	}
	ratio := currentSlip / slip
	rotorPU := e.directPU * math.Sqrt((1+currentSlip*currentSlip)/(1+ratio*ratio))
	linePU := share * math.Hypot(rotorPU, reactiveConstant)
	e.currentA = linePU * e.ratedA
	apparentW := math.Sqrt(3) * e.volts * e.currentA
	e.activeW = math.Min(e.powerW*(torque+0.02*linePU*linePU), 0.95*apparentW)
	e.reactiveW = math.Sqrt(apparentW*apparentW - e.activeW*e.activeW)
}

// coast is a step without current.
func (e *motor) coast() {
	e.activeW, e.reactiveW, e.currentA = 0, 0, 0
	e.speed -= e.speed * (stepS / coastS)
	if e.speed < 1e-3 {
		e.speed = 0
	}
}

// lineCurrentA is the motor's line current at line-to-line voltage volts.
func (e *motor) lineCurrentA(volts float64) float64 {
	if e.currentA >= 0 {
		return e.currentA * volts / e.volts
	}
	return math.Hypot(e.activeW, e.reactiveW) / (math.Sqrt(3) * volts)
}
