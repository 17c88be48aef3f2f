package simulator

import "math"

// The register layouts, all invented.
const (
	layoutController = "screw-controller"
	layoutMeter      = "power-meter"
	layoutPartLoad   = "part-load-controller"
	layoutCoarse     = "coarse-controller"
	layoutPlain      = "plain-controller"
	layoutAir        = "air-module"
)

// layouts are all of them.
func layouts() []string {
	return []string{layoutController, layoutPartLoad, layoutCoarse, layoutPlain, layoutMeter, layoutAir}
}

const (
	absoluteZeroC = 273.15
	psiPa         = 0.45359237 * 9.80665 / (0.0254 * 0.0254) // exact, by the definitions of pound, inch and gravity
	// Shares of the supply voltage of the three line-to-line voltages, and its
	// fall at full load.
	shareAB, shareBC, shareCA = 1.0036, 0.9951, 1.0013
	sagShare                  = 0.006
)

// snapshot is everything that a device of one machine may show.
type snapshot struct {
	step                                int64
	dischargePa, sumpPa, receiverPa     float64 // gauge
	airEndK, ambientK, aftercoolerK     float64
	motorA, lineA                       float64
	volts                               [3]float64
	activeW, reactiveW, apparentW       float64
	motorW, motorVar                    float64 // the main motor's part
	wye                                 bool    // connected in wye for the start
	rpm                                 float64
	energyWh                            uint64
	runTenthsH, loadedTenthsH, startsUp uint32
	fault                               uint16
	status                              uint16
	history                             [faultsKept]pastFault

	share, driveHz    float64 // of the full flow that the machine is set to
	behindPa          float64 // below the barometer, behind the inlet valve
	oilK, separatorPa float64
	fanW              float64

	// The plant's.
	headerPa, dryerDropPa float64
	headerM3S, headerM3   float64
	dewK, humidity        float64
	purging               bool
}

// Bits of the status word.
const (
	bitRunning = 1 << iota
	bitLoaded
	bitLoadCommand
	bitStandby
	bitTripped
)

// look fills snap from machine i as it is now.
func (w *World) look(snap *snapshot, i int) {
	c := w.machines[i]
	m := &c.motor
	volts := m.volts * w.grid.share * (1 - sagShare*c.activeW/c.spec.RatedPowerW)
	apparent := math.Hypot(c.activeW, c.reactiveW)
	*snap = snapshot{
		step:         w.now,
		dischargePa:  c.dischargePa - c.barometerPa,
		sumpPa:       c.sump.pressurePa() - c.barometerPa,
		receiverPa:   w.vessels[w.receiver].pressurePa() - c.barometerPa,
		airEndK:      c.airEndK(),
		ambientK:     w.ambientK,
		aftercoolerK: c.aftercoolerK,
		motorA:       m.lineCurrentA(volts),
		lineA:        apparent / (math.Sqrt(3) * volts),
		volts:        [3]float64{volts * w.shares[0], volts * w.shares[1], volts * w.shares[2]},
		activeW:      c.activeW,
		reactiveW:    c.reactiveW,
		motorW:       m.activeW,
		motorVar:     m.reactiveW,
		wye:          c.state == Starting && c.inState < c.wyeSteps,
		apparentW:    apparent,
		rpm:          m.speed * m.syncRPM,
		energyWh:     c.spec.InitialWh + uint64(c.count.EnergyJ/3600),
		startsUp:     c.spec.InitialStarts + uint32(c.count.starts),
		fault:        c.fault,
		history:      c.history,
		share:        c.share(),
		behindPa:     c.vacuumPa(),
		oilK:         c.oilK,
		separatorPa:  separatorPart * c.packageDrop * c.outM3S * c.outM3S,
		fanW:         c.fanNowW,
	}
	if c.kind == variableSpeed {
		snap.driveHz = gridHz * m.speed
	}
	w.lookAtPlant(snap)
	snap.runTenthsH = tenthsOfHours(c.spec.InitialRunH, c.count.runSteps)
	snap.loadedTenthsH = tenthsOfHours(c.spec.InitialLoadedH, c.count.loadedSteps)
	set := func(on bool, bit uint16) {
		if on {
			snap.status |= bit
		}
	}
	set(c.state.Running(), bitRunning)
	set(c.state.delivering(), bitLoaded)
	set(c.loadCommand, bitLoadCommand)
	set(c.state == Standby, bitStandby)
	set(c.state == Tripped, bitTripped)
}

// tenthsOfHours is what an hour meter shows: whole tenths, never rounded up.
func tenthsOfHours(initialH float64, runSteps int64) uint32 {
	const stepsPerTenth = 360 * perS
	// The meter stood at initialH when the world began; the 1e-6 undoes the
	// rounding of decimal fractions.
	return uint32(math.Floor(initialH*10 + float64(runSteps)/float64(stepsPerTenth) + 1e-6))
}

// Noise channels and their standard deviations, in counts of the registers
// shown beside them unless said otherwise (the bench week's, see BenchWeek).
const (
	noiseDischarge = iota
	noiseSump
	noiseReceiver
	noiseAirEnd
	noiseAmbient
	noiseAftercooler
	noiseMotorA
	noiseVoltsAB
	noiseVoltsBC
	noiseVoltsCA
	noiseLineA
	noisePower
	noiseApparent
	noiseSpeed
	noiseOil
	noiseDrops
	noiseHeader
	noiseFlow
	noiseDew
	noiseHumidity

	sigmaPressure    = 0.5  // 0.1 psi
	sigmaTemperature = 0.3  // 0.1 °F
	sigmaVolts       = 4    // 0.1 V
	sigmaSpeed       = 1    // 1 rpm
	sigmaShare       = 0.01 // of the value: currents and powers
)

// psiTenths is a pressure in counts of 0.1 psi, noise added, rounded.
func psiTenths(pa, sigma, normal float64) uint16 {
	return clamp16(pa/psiPa*10 + sigma*normal)
}

func clamp16(v float64) uint16 { return uint16(math.Max(0, math.Min(65535, math.Round(v)))) }

func fahrenheitTenths(k, sigma, normal float64) int16 {
	v := ((k-absoluteZeroC)*1.8 + 32) * 10
	return int16(math.Max(-32768, math.Min(32767, math.Round(v+sigma*normal))))
}

// draw makes the image of the last snapshot.
func (r *Registers) draw() {
	switch r.spec.Layout {
	case layoutMeter:
		r.drawMeter()
	case layoutPartLoad:
		r.drawPartLoad()
	case layoutCoarse:
		r.drawCoarse()
	case layoutPlain:
		r.drawPlain()
	case layoutAir:
		r.drawAir()
	default:
		r.drawController()
	}
}

func (r *Registers) noise(channel int) float64 { return noise(r.seed, channel, r.snap.step) }

func (r *Registers) drawController() {
	s, m := &r.snap, &r.image
	spec := r.world.machines[r.index].spec
	m.setInput(0, psiTenths(s.dischargePa, sigmaPressure, r.noise(noiseDischarge)))
	m.setInput(1, psiTenths(s.sumpPa, sigmaPressure, r.noise(noiseSump)))
	m.setInput(2, psiTenths(s.receiverPa, sigmaPressure, r.noise(noiseReceiver)))
	m.setInput(3, uint16(fahrenheitTenths(s.airEndK, sigmaTemperature, r.noise(noiseAirEnd))))
	m.setInput(4, uint16(fahrenheitTenths(s.ambientK, sigmaTemperature, r.noise(noiseAmbient))))
	m.setInput(5, clamp16(10*s.motorA*(1+sigmaShare*r.noise(noiseMotorA))))
	m.setInput(6, uint16(fahrenheitTenths(s.aftercoolerK, sigmaTemperature, r.noise(noiseAftercooler))))
	m.setInput(7, s.fault)
	m.setInput(8, 0) // reserved: readable, so that a client may read across
	m.setInput(9, 0)
	m.setWords(10, 2, uint64(s.runTenthsH))
	m.setWords(12, 2, uint64(s.loadedTenthsH))
	m.setInput(14, uint16(s.startsUp)) // low word first
	m.setInput(15, uint16(s.startsUp>>16))
	rpm := s.rpm
	if rpm > 0 {
		rpm += sigmaSpeed * r.noise(noiseSpeed)
	}
	m.setInput(16, clamp16(rpm))
	for k, f := range s.history { // newest first: code, hours in tenths
		m.setInput(40+3*k, f.code)
		m.setWords(41+3*k, 2, uint64(f.tenthsH))
	}
	m.setHolding(20, r.status())
	m.setHolding(30, psiTenths(spec.CutInPa, 0, 0))
	m.setHolding(31, psiTenths(spec.CutOutPa, 0, 0))
	m.setHolding(32, clamp16(spec.NoLoadStop.Seconds()))
}

// status is the status word as the controller shows it.
func (r *Registers) status() uint16 {
	status := r.snap.status
	if r.spec.LoadByCommand {
		status &^= bitLoaded
		if status&bitRunning != 0 && status&bitLoadCommand != 0 {
			status |= bitLoaded
		}
	}
	if r.spec.InvertedLoad {
		status ^= bitLoaded
	}
	return status
}

func (r *Registers) drawMeter() {
	s, m := &r.snap, &r.image
	float := func(address int, value, step float64) {
		m.setWords(address, 2, uint64(math.Float32bits(float32(math.Round(value/step)*step))))
	}
	w := seenBy(r.wiring, r.ratio, s)
	for k := range 3 {
		float(2*k, math.Max(0, w.volts[k]+sigmaVolts/10.0*r.noise(noiseVoltsAB+k)), 0.1)
	}
	active := w.activeW * (1 + sigmaShare*r.noise(noisePower))
	apparent := math.Max(math.Abs(active), w.apparentW*(1+sigmaShare*r.noise(noiseApparent)))
	float(6, w.amps*(1+sigmaShare*r.noise(noiseLineA)), 0.01)
	float(8, active/1e3, 0.01)
	float(10, active/math.Max(apparent, 1), 0.001)
	float(12, apparent/1e3, 0.01)
	m.setInput(14, 0) // reserved
	m.setInput(15, 0)
	m.setWords(16, 4, r.energyWh())
	m.setInput(20, clamp16(w.hz*100+2*noise(r.seed, 99, s.step/(10*perS))))
}
