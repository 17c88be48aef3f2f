package simulator

import "math"

// controlKind is how a machine matches its air to the demand.
type controlKind uint8

const (
	loadUnload controlKind = iota
	modulateThenUnload
	modulating
	variableDisplacement
	variableSpeed
	startStop
	numControls
)

// String is the kind as a site file says it.
func (k controlKind) String() string {
	return [numControls]string{"load/unload", "modulate then unload", "modulating", "variable displacement",
		"variable speed", "start/stop"}[k]
}

// controlOf returns numControls for a word it does not know.
func controlOf(word string) controlKind {
	for k := range numControls {
		if k.String() == word {
			return k
		}
	}
	return numControls
}

// partLoad reports whether the machine can deliver between nothing and all.
func (k controlKind) partLoad() bool { return k != loadUnload && k != startStop }

const (
	shortestRotor = 0.5  // share of the rotors that variable displacement leaves at least; below it throttles
	shortLossPart = 0.30 // of the efficiency, lost when no rotor were left (common practice, no source)
	speedLeak     = 0.06 // share of full speed whose flow leaks back inside (common practice, no source)
	deliverShare  = 0.05 // below this share of its flow a part-load machine counts as unloaded
	fullShare     = 0.98 // from this share on it counts as loaded, until it falls below
	stillFull     = 0.96

	// The drive.
	driveLossPart  = 0.030 // of what it passes on
	driveConstant  = 0.010 // of the motor's nameplate
	driveTan       = 0.33  // reactive over active power at the mains: power factor 0.95
	driveSlewS     = 6.0   // from standstill to full speed
	speedPerBar    = 2.5   // proportional part of the pressure control, of full speed
	speedPerBarS   = 0.06  // integral part
	magnetisingPU  = 0.42  // of the rated current
	motorNoLoadExp = 1.5   // how the constant losses follow speed
)

// regulator is the pressure control of a variable-speed machine.
type regulator struct {
	speed float64 // wanted, of full speed
	error float64 // of the last step, bar
}

// The machine's band as it stands in its turn.
func (c *compressor) cutInPa() float64  { return c.spec.CutInPa - c.lagPa }
func (c *compressor) cutOutPa() float64 { return c.spec.CutOutPa - c.lagPa }

// throttle is the share of its flow that the regulator of a part-load machine
// asks for: full up to ModulationPa below cut-out, LeastShare at cut-out.
func (c *compressor) throttle() float64 {
	least := c.spec.LeastShare
	above := c.dischargePa - c.barometerPa - (c.cutOutPa() - c.spec.ModulationPa)
	return math.Max(least, math.Min(1, 1-(1-least)*above/c.spec.ModulationPa))
}

// moveValve moves the inlet valve, and the rotor's length, towards what the
// controls want, at the speed of the stroke.
func (c *compressor) moveValve() {
	want := 0.0
	if c.loadCommand {
		want = 1
	}
	switch {
	case !c.loadCommand:
	case c.kind == modulating, c.kind == modulateThenUnload:
		want = c.throttle()
	case c.kind == variableDisplacement:
		share := c.throttle()
		c.length = towards(c.length, math.Max(share, shortestRotor), c.strokeStep)
		want = math.Min(1, share/c.length)
	}
	switch {
	case c.broken[valveShut]:
		want = 0
	case c.broken[valveOpen]:
		want = math.Max(want, c.valve)
	}
	c.valve = towards(c.valve, want, c.strokeStep)
}

// towards moves from to want by at most step.
func towards(from, want, step float64) float64 {
	if from < want {
		return math.Min(want, from+step)
	}
	return math.Max(want, from-step)
}

// shortLoss is the share of the efficiency that rotors of this length keep.
func (c *compressor) shortLoss() float64 { return 1 - shortLossPart*(1-c.length) }

// share is the share of its full flow that a machine is set to.
func (c *compressor) share() float64 {
	if c.kind == variableSpeed {
		return c.valve * math.Max(0, (c.motor.speed-speedLeak)/(1-speedLeak))
	}
	return c.valve * c.length
}

// turnDrive is a step of a motor on a drive; p is the sump's pressure, open
// how far the inlet is.
func (c *compressor) turnDrive(p, open float64) {
	m := &c.motor
	want := c.spec.LeastShare
	if c.loadCommand {
		want = c.regulate()
	}
	m.speed = towards(m.speed, want, stepS/driveSlewS)
	indicated := c.displaceM3S * m.speed * (c.barometerPa*open*c.inner + p/c.ratio)
	m.runOnDrive(indicated/c.efficiency + c.mechanicalW*m.speed)
}

// regulate is a step of the pressure control, a PI controller in its
// incremental form: the speed rests at its ends without winding up.
func (c *compressor) regulate() float64 {
	target := c.spec.TargetPa
	if target == 0 {
		target = (c.spec.CutInPa + c.spec.CutOutPa) / 2
	}
	off := (target - c.lagPa - (c.dischargePa - c.barometerPa)) / 1e5
	r := &c.regulator
	r.speed += speedPerBar*(off-r.error) + speedPerBarS*off*stepS
	r.speed = math.Max(c.spec.LeastShare, math.Min(1, r.speed))
	r.error = off
	return r.speed
}

// running tells a running machine's state from its inlet valve and what it is
// set to.
func (c *compressor) running() State {
	if !c.kind.partLoad() {
		if c.valve >= 0.5 {
			return Loaded
		}
		return Unloaded
	}
	switch share := c.share(); {
	case share < deliverShare:
		return Unloaded
	case share >= fullShare, c.state == Loaded && share >= stillFull:
		return Loaded
	}
	return PartLoad
}
