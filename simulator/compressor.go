package simulator

import "math"

const (
	kappa          = 1.4
	seepPart       = 20    // a stopped screw lets its sump seep away as through a blow-down this many times smaller
	flowPerBar     = 0.008 // share of flow lost for each bar of sump pressure
	mechanicalPart = 0.04  // of rated shaft power: bearings, gears, oil
	valveSpanPa    = 100e3 // minimum-pressure valve, closed to open
)

// compressor is one package: air end, sump, valves, motor, and its controls.
type compressor struct {
	spec  *Machine
	motor motor
	kind  controlKind

	// Fixed by the scenario.
	barometerPa float64
	size        float64 // of its heat, next to sizeW
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
	waitSteps   int64 // after a power failure
	tripSteps   []int64

	// Air.
	sump        vessel
	valve       float64 // 0 closed, 1 open
	length      float64 // of the rotors that compress, share
	inletM3S    float64
	outM3S      float64
	dischargePa float64 // absolute, at the package outlet

	// Controls.
	state       State
	loadCommand bool
	scheduled   bool
	lagPa       float64 // how far the band is lowered: the machine's turn
	regulator   regulator
	inState     int64 // steps
	sinceStart  int64 // steps since the last start; large at first
	nextTrip    int
	fault       uint16
	history     [faultsKept]pastFault // newest first

	// Supply.
	dead     bool  // no supply
	resume   bool  // it ran when the supply failed
	waitsFor int64 // steps until it may start again

	unattended bool // the supply has come back, and there is no automatic restart
	restarted  bool // the last start was an automatic restart

	// What is wrong.
	broken [numFaults]bool
	fouled float64 // share of the coolers' conductance that is lost

	// Heat.
	oilK, aftercoolerK float64
	fanStopped         bool

	// Power of the last step, package and its fan.
	activeW, reactiveW, fanNowW float64

	count counters
}

// counters are the true integrals of one machine since the world began.
type counters struct {
	EnergyJ      float64 // of the package: motor (with its drive), fan and controls
	MotorJ       float64
	FanJ         float64
	ControlsJ    float64
	StateJ       [NumStates]float64 // EnergyJ by state
	ShareS       float64            // share of the full flow it is set to, over running time
	DischargePaS float64            // gauge discharge pressure over running time
	HeatJ        float64            // that came into the oil
	CooledJ      float64            // that left it
	IsothermalJ  float64            // least work to bring the delivered air to the discharge pressure
	InletM3      float64
	DeliveredM3  float64
	BlownM3      float64 // lost by blow-down
	runSteps     int64
	loadedSteps  int64
	starts       int64
	restarts     int64 // starts that were automatic restarts
	loadCycles   int64
}

func newCompressor(s *Scenario, m *Machine, index int) *compressor {
	c := &compressor{spec: m, motor: newMotor(&m.Motor), kind: controlOf(m.Control), barometerPa: s.BarometerPa, length: 1,
		size: m.RatedPowerW / sizeW}
	factor := m.FlowFactor
	if factor == 0 {
		rng := newRandom(s.Seed, uint64(index+1))
		factor = 0.88 + 0.17*rng.float()
	}
	c.fullM3S = factor * m.RatedFlowM3S
	c.ratedSumpPa = m.RatedPressurePa + m.PackageDropPa + s.BarometerPa
	c.ratio = math.Pow(c.ratedSumpPa/s.BarometerPa, 1/kappa)
	c.inner = (math.Pow(c.ratio, kappa-1)-1)/(kappa-1) - 1
	ratedMotorW := m.RatedPowerW - m.FanW - m.ControlsW
	if c.kind == variableSpeed {
		ratedMotorW = (ratedMotorW - driveConstant*m.Motor.PowerW) / (1 + driveLossPart)
	}
	ratedShaft := c.motor.shaftAt(ratedMotorW)
	c.mechanicalW = mechanicalPart * ratedShaft
	c.displaceM3S = m.RatedFlowM3S / (1 - ratedSlip*ratedShaft/m.Motor.PowerW)
	if c.kind == variableSpeed {
		c.displaceM3S = m.RatedFlowM3S // no slip: full speed is what the drive makes it
	}
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
	if m.Motor.Starting != "wye-delta" {
		c.wyeSteps = 0
	}
	c.permitSteps = c.wyeSteps + max(1, steps(m.Motor.LoadDelay))
	c.noLoadSteps = steps(m.NoLoadStop)
	c.guardSteps = steps(m.LeastStarts)
	c.resetSteps = steps(m.TripReset)
	c.waitSteps = steps(m.RestartDelay)
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
		c.inletM3S = c.idleFlow() * m.speed
		c.spend(0)
		return
	}
	c.moveValve()
	p := c.sump.pressurePa()
	open := c.fullM3S * (1 - flowPerBar*(p-c.ratedSumpPa)/1e5)
	idle := c.idleFlow()
	// The nameplate's flow is that at the speed of rated load, below synchronous.
	full := open * c.length * c.displaceM3S / c.spec.RatedFlowM3S
	share := idle + (full-idle)*c.valve
	fill := m.speed
	if c.kind == variableSpeed {
		fill = math.Max(0, (m.speed-speedLeak)/(1-speedLeak))
	}
	c.inletM3S = share * fill
	switch {
	case c.kind == variableSpeed:
		c.turnDrive(p, share/open)
	case c.state == Starting && c.inState < c.wyeSteps:
		m.start(m.startShare)
	case c.state == Starting && m.speed < 1-2*ratedSlip:
		m.start(1)
	default:
		behindValve := c.barometerPa * c.inletM3S / (open * c.length)
		indicated := c.displaceM3S * c.length * m.speed * (behindValve*c.inner + p/c.ratio)
		m.run(indicated/(c.efficiency*c.shortLoss()) + c.mechanicalW)
	}
	c.spend(c.fanW())
}

// spend sets the package's power of this step and counts its energy. Without a
// supply nothing is spent.
func (c *compressor) spend(fanW float64) {
	controlsW := c.spec.ControlsW
	if c.dead {
		controlsW = 0
	}
	c.activeW = c.motor.activeW + fanW + controlsW
	c.reactiveW = c.motor.reactiveW + fanW*fanTan
	c.fanNowW = fanW
	c.count.EnergyJ += c.activeW * stepS
	c.count.StateJ[c.state] += c.activeW * stepS
	c.count.MotorJ += c.motor.activeW * stepS
	c.count.FanJ += fanW * stepS
	c.count.ControlsJ += controlsW * stepS
}

// idleFlow is the inlet flow with the valve closed: what the open blow-down
// lets out at the residual pressure. A valve that modulates seals.
func (c *compressor) idleFlow() float64 {
	if c.kind == modulating {
		return 0
	}
	return c.idleM3S
}

// moveAir is a step of the sump: in from the inlet, out through the blow-down
// valve and through the minimum-pressure valve into the first vessel of the
// plant, behind the resistance of the parts before it.
func (c *compressor) moveAir(first *vessel, before float64) {
	in := c.inletM3S * stepS
	c.sump.freeM3 += in
	c.count.InletM3 += in
	if !c.loadCommand && !c.broken[blowDownFails] {
		p := c.sump.pressurePa()
		out := c.blowDown * p * chokedShare(p, c.barometerPa) * stepS
		c.sump.freeM3 -= out
		c.count.BlownM3 += out
	}
	if c.broken[blowDownFails] && !c.state.Running() {
		p := c.sump.pressurePa()
		out := c.blowDown / seepPart * p * chokedShare(p, c.barometerPa) * stepS
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
	if c.outM3S > 0 {
		c.count.IsothermalJ += c.outM3S * stepS * c.barometerPa * math.Log(c.dischargePa/c.barometerPa)
	}
}
