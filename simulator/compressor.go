package simulator

import "math"

const (
	kappa          = 1.4
	flowPerBar     = 0.008  // share of flow lost for each bar of sump pressure
	mechanicalPart = 0.04   // of rated shaft power: bearings, gears, oil
	valveSpanPa    = 100e3  // minimum-pressure valve, closed to open
	heatJK         = 76e3   // oil and metal
	stillWK        = 12     // heat lost standing
	bypassWK       = 60     // running with the oil thermostat closed
	coolerWK       = 560    // thermostat open
	thermostatK    = 344.15 // 71 °C begins to open
	thermostatSpan = 12     // K
	airOverOilK    = 5      // discharge over oil temperature at full flow
	minOilK        = 263.15 // physics below is not meant for deep frost
	fanTan         = 0.75   // reactive over active power of the fan: power factor 0.80
)

// compressor is one package: air end, sump, valves, motor, and its controls.
type compressor struct {
	spec  *Machine
	motor motor

	// Fixed by the scenario.
	barometerPa float64
	fullM3S     float64 // true flow at rated pressure
	displaceM3S float64 // geometric, at full speed
	inner       float64 // (v^(κ-1)-1)/(κ-1) - 1
	ratio       float64 // built-in volume ratio v
	efficiency  float64 // indicated
	mechanicalW float64
	ratedSumpPa float64 // absolute
	blowDown    float64 // orifice, m³/s/Pa
	idleM3S     float64 // inlet flow with the valve closed
	packageDrop float64 // Pa/(m³/s)²
	strokeStep  float64 // of the inlet valve in a step
	wyeSteps    int64
	noLoadSteps int64
	guardSteps  int64
	resetSteps  int64
	permitSteps int64
	tripSteps   []int64

	// Air.
	sump        vessel
	valve       float64 // 0 closed, 1 open
	inletM3S    float64
	outM3S      float64
	dischargePa float64 // absolute, at the package outlet

	// Controls.
	state       State
	loadCommand bool
	scheduled   bool
	inState     int64 // steps
	sinceStart  int64 // steps since the last start; large at first
	nextTrip    int
	fault       uint16

	// Heat.
	oilK, aftercoolerK float64

	// Power of the last step, package.
	activeW, reactiveW float64

	count counters
}

// counters are the true integrals of one machine since the world began.
type counters struct {
	EnergyJ     float64
	InletM3     float64
	DeliveredM3 float64
	BlownM3     float64 // lost by blow-down
	runSteps    int64
	loadedSteps int64
	starts      int64
	loadCycles  int64
}

func newCompressor(s *Scenario, m *Machine, index int) *compressor {
	c := &compressor{spec: m, motor: newMotor(&m.Motor), barometerPa: s.BarometerPa}
	factor := m.FlowFactor
	if factor == 0 {
		rng := newRandom(s.Seed, uint64(index+1))
		factor = 0.88 + 0.17*rng.float()
	}
	c.fullM3S = factor * m.RatedFlowM3S
	c.ratedSumpPa = m.RatedPressurePa + m.PackageDropPa + s.BarometerPa
	c.ratio = math.Pow(c.ratedSumpPa/s.BarometerPa, 1/kappa)
	c.inner = (math.Pow(c.ratio, kappa-1)-1)/(kappa-1) - 1
	ratedShaft := c.motor.shaftAt(m.RatedPowerW - m.FanW - m.ControlsW)
	c.mechanicalW = mechanicalPart * ratedShaft
	c.displaceM3S = m.RatedFlowM3S / (1 - ratedSlip*ratedShaft/m.Motor.PowerW)
	indicated := m.RatedFlowM3S * (s.BarometerPa*c.inner + c.ratedSumpPa/c.ratio)
	c.efficiency = indicated / (ratedShaft - c.mechanicalW)
	c.packageDrop = m.PackageDropPa / (m.RatedFlowM3S * m.RatedFlowM3S)

	// A tenth of the way is left after ln 10 time constants V/(Pa·C).
	c.sump = newVessel(m.SumpM3, s.BarometerPa, s.BarometerPa)
	c.blowDown = m.SumpM3 / s.BarometerPa * math.Ln10 / m.BlowDown.Seconds()
	residual := m.ResidualPa + s.BarometerPa
	c.idleM3S = c.blowDown * residual * chokedShare(residual, s.BarometerPa)
	c.strokeStep = stepS / m.InletStroke.Seconds()

	c.wyeSteps = steps(m.Motor.WyeTime)
	if m.Motor.Starting == "direct" {
		c.wyeSteps = 0
	}
	c.permitSteps = c.wyeSteps + max(1, steps(m.Motor.LoadDelay))
	c.noLoadSteps = steps(m.NoLoadStop)
	c.guardSteps = steps(m.LeastStarts)
	c.resetSteps = steps(m.TripReset)
	for _, t := range m.Trips {
		c.tripSteps = append(c.tripSteps, steps(t.After))
	}
	c.sinceStart = math.MaxInt64 / 2
	c.dischargePa = s.InitialPressurePa + s.BarometerPa
	return c
}

// turnMotor is a step of motor and inlet: it sets the inlet flow and power.
func (c *compressor) turnMotor() {
	m := &c.motor
	if !c.state.Running() {
		m.coast()
		c.valve = math.Max(0, c.valve-c.strokeStep)
		c.inletM3S = c.idleM3S * m.speed
		c.activeW, c.reactiveW = c.spec.ControlsW, 0
		return
	}
	if c.loadCommand {
		c.valve = math.Min(1, c.valve+c.strokeStep)
	} else {
		c.valve = math.Max(0, c.valve-c.strokeStep)
	}
	p := c.sump.pressurePa()
	open := c.fullM3S * (1 - flowPerBar*(p-c.ratedSumpPa)/1e5)
	c.inletM3S = (c.idleM3S + (open-c.idleM3S)*c.valve) * m.speed
	switch {
	case c.state == Starting && c.inState < c.wyeSteps:
		m.start(m.startShare)
	case c.state == Starting && m.speed < 1-2*ratedSlip:
		m.start(1)
	default:
		behindValve := c.barometerPa * c.inletM3S / open
		indicated := c.displaceM3S * m.speed * (behindValve*c.inner + p/c.ratio)
		m.run(indicated/c.efficiency + c.mechanicalW)
	}
	c.activeW = m.activeW + c.spec.FanW + c.spec.ControlsW
	c.reactiveW = m.reactiveW + c.spec.FanW*fanTan
}

// moveAir is a step of the sump: in from the inlet, out through the blow-down
// valve and through the minimum-pressure valve into the first vessel of the
// plant, behind the resistance of the parts before it.
func (c *compressor) moveAir(first *vessel, before float64) {
	in := c.inletM3S * stepS
	c.sump.freeM3 += in
	c.count.InletM3 += in
	if !c.loadCommand {
		p := c.sump.pressurePa()
		out := c.blowDown * p * chokedShare(p, c.barometerPa) * stepS
		c.sump.freeM3 -= out
		c.count.BlownM3 += out
	}
	p := c.sump.pressurePa()
	plant := first.pressurePa()
	c.outM3S = 0
	if open := math.Min(1, (p-c.barometerPa-c.spec.MinPressurePa)/valveSpanPa); open > 0 {
		c.outM3S = linkFlow(p-plant, before+c.packageDrop/(open*open), stepS*(c.sump.scale+first.scale))
		out := c.outM3S * stepS
		c.sump.freeM3 -= out
		first.freeM3 += out
		c.count.DeliveredM3 += out
	}
	c.dischargePa = first.pressurePa() + before*c.outM3S*c.outM3S
}

// heat is a second of oil and aftercooler in a room at roomK.
func (c *compressor) heat(roomK float64) {
	loss := float64(stillWK)
	in := 0.0
	if c.state.Running() {
		open := math.Max(0, math.Min(1, (c.oilK-thermostatK)/thermostatSpan))
		loss = bypassWK + (coolerWK-bypassWK)*open
		in = c.motor.activeW * 0.93
	}
	c.oilK = math.Max(minOilK, c.oilK+(in-loss*(c.oilK-roomK))/heatJK)
	want := roomK + c.spec.ApproachK*c.outM3S/c.fullM3S
	c.aftercoolerK += (want - c.aftercoolerK) / 30
}

// airEndK is the discharge temperature.
func (c *compressor) airEndK() float64 {
	return c.oilK + airOverOilK*c.inletM3S/c.fullM3S
}
