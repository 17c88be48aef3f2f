package simulator

import "math"

// separatorPart is the share of the package's drop that the oil separator has.
const separatorPart = 0.45

// drawPartLoad is the controller of machines that can be at part load.
func (r *Registers) drawPartLoad() {
	s, m := &r.snap, &r.image
	m.setInput(0, r.status())
	m.setInput(1, psiTenths(s.dischargePa, sigmaPressure, r.noise(noiseDischarge)))
	m.setInput(2, psiTenths(s.sumpPa, sigmaPressure, r.noise(noiseSump)))
	m.setInput(3, psiTenths(s.receiverPa, sigmaPressure, r.noise(noiseReceiver)))
	m.setInput(4, clamp16(1000*s.share))
	m.setInput(5, clamp16(10*s.driveHz))
	rpm := s.rpm
	if rpm > 0 {
		rpm += sigmaSpeed * r.noise(noiseSpeed)
	}
	m.setInput(6, clamp16(rpm))
	m.setInput(7, clamp16(10*s.motorA*(1+sigmaShare*r.noise(noiseMotorA))))
	m.setInput(8, uint16(fahrenheitTenths(s.airEndK, sigmaTemperature, r.noise(noiseAirEnd))))
	m.setInput(9, uint16(fahrenheitTenths(s.oilK, sigmaTemperature, r.noise(noiseOil))))
	m.setInput(10, uint16(fahrenheitTenths(s.ambientK, sigmaTemperature, r.noise(noiseAmbient))))
	m.setInput(11, uint16(fahrenheitTenths(s.aftercoolerK, sigmaTemperature, r.noise(noiseAftercooler))))
	m.setInput(12, psiTenths(s.behindPa, 0.3, r.noise(noiseDrops)))
	m.setInput(13, clamp16(s.separatorPa/psiPa*100+2*r.noise(noiseDrops)))
	m.setInput(14, s.fault)
	m.setInput(15, 0) // reserved
	m.setWords(16, 2, uint64(s.runTenthsH))
	m.setWords(18, 2, uint64(s.loadedTenthsH))
	m.setWords(20, 2, uint64(s.startsUp))
}

// drawCoarse is an old controller that shows whole psi and degrees, in holding
// registers.
func (r *Registers) drawCoarse() {
	s, m := &r.snap, &r.image
	m.setHolding(40, r.status()&(bitRunning|bitLoaded))
	m.setHolding(41, clamp16(s.dischargePa/psiPa))
	m.setHolding(42, clamp16((s.airEndK-absoluteZeroC)*1.8+32))
	m.setHolding(43, clamp16(s.motorA*(1+sigmaShare*r.noise(noiseMotorA))))
	m.setHolding(44, uint16(s.runTenthsH/10))
	m.setHolding(45, uint16(s.loadedTenthsH/10))
	m.setHolding(46, s.fault)
}

// drawPlain is a controller that says whether the motor runs, and not whether
// the machine is loaded; in SI units.
func (r *Registers) drawPlain() {
	s, m := &r.snap, &r.image
	m.setInput(0, r.status()&bitRunning)
	m.setInput(1, clamp16(s.dischargePa/1e3+0.35*r.noise(noiseDischarge)))
	m.setInput(2, clamp16(10*(s.airEndK-absoluteZeroC)+sigmaTemperature*r.noise(noiseAirEnd)))
	m.setInput(3, clamp16(10*s.motorA*(1+sigmaShare*r.noise(noiseMotorA))))
	m.setWords(4, 2, uint64(s.runTenthsH/10))
	m.setInput(6, s.fault)
}

// drawAir is an input module at the dryer and the header.
func (r *Registers) drawAir() {
	s, m := &r.snap, &r.image
	m.setInput(0, psiTenths(s.headerPa, sigmaPressure, r.noise(noiseHeader)))
	m.setInput(1, clamp16(s.headerM3S/cfm*10*(1+0.005*r.noise(noiseFlow))))
	m.setWords(2, 2, uint64(s.headerM3))
	m.setInput(4, clamp16(s.dryerDropPa/psiPa*100+2*r.noise(noiseDrops)))
	purging := uint16(0)
	if s.purging {
		purging = 1
	}
	m.setInput(5, purging)
	m.setInput(6, uint16(fahrenheitTenths(s.dewK, 3, r.noise(noiseDew))))
	m.setInput(7, clamp16(s.humidity*1000+2*r.noise(noiseHumidity)))
	m.setInput(8, uint16(fahrenheitTenths(s.ambientK, sigmaTemperature, r.noise(noiseAmbient))))
}

// cfm is a cubic foot a minute in m³/s, exact by the definition of the foot.
const cfm = 0.3048 * 0.3048 * 0.3048 / 60

// vacuumPa is how far the pressure behind the inlet valve lies below the
// barometer.
func (c *compressor) vacuumPa() float64 {
	if !c.state.Running() {
		return 0
	}
	return c.barometerPa * (1 - math.Min(1, math.Max(c.valve, c.idleM3S/c.fullM3S)))
}

// Dew points behind the dryers, common practice, no source.
const (
	chilledDewK  = 276.15 // a refrigerating dryer without load
	chilledRiseK = 4      // more at the flow of its drop
	heatlessDewK = 233.15
)

// lookAtPlant fills what a device sees of the plant.
func (w *World) lookAtPlant(snap *snapshot) {
	last := &w.vessels[len(w.vessels)-1]
	snap.headerPa = last.pressurePa() - w.scenario.BarometerPa
	snap.headerM3S, snap.headerM3 = w.headerFlow(), w.plant.HeaderM3
	snap.humidity = w.humidity
	d := &w.dryer
	flow := 0.0
	if d.link >= 0 {
		flow = w.links[d.link].flowM3S
	} else if d.link == beforeFirst {
		flow = w.machinesFlow()
	}
	snap.dryerDropPa = d.resistance * flow * flow
	switch {
	case d.link == noDryer:
		snap.dewK = w.ambientK
	case d.heatless:
		snap.dewK = heatlessDewK
	default:
		share := 0.0
		if d.ratedM3S > 0 {
			share = flow / d.ratedM3S
		}
		snap.dewK = chilledDewK + chilledRiseK*share
	}
	for i := range w.outlets {
		snap.purging = snap.purging || w.outlets[i].purge && w.outlets[i].open
	}
}

// dryer is the first dryer of the plant: where it sits and its drop.
type dryer struct {
	link       int // beforeFirst or noDryer where it is in no link
	resistance float64
	ratedM3S   float64
	heatless   bool
}

const (
	beforeFirst = -1 // between the machine and the first volume
	noDryer     = -2
)

// headerFlow is the flow into the last volume.
func (w *World) headerFlow() float64 {
	if n := len(w.links); n > 0 {
		return w.links[n-1].flowM3S
	}
	return w.machinesFlow()
}

func (w *World) machinesFlow() float64 {
	sum := 0.0
	for _, c := range w.machines {
		sum += c.outM3S
	}
	return sum
}

// saturationPa is the pressure of water vapour over water (Magnus formula with
// the coefficients 611.2, 17.62, 243.12; from memory, held against IAPWS R7-97
// in a test).
func saturationPa(k float64) float64 {
	t := k - absoluteZeroC
	return 611.2 * math.Exp(17.62*t/(243.12+t))
}
