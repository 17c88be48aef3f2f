package simulator

// startGuard is how long a start that fails lasts, in steps.
const startGuard = 3 * perS

// faultsKept is how many faults a controller remembers.
const faultsKept = 4

// pastFault is a fault that a controller remembers, with its hour meter then.
type pastFault struct {
	code    uint16
	tenthsH uint32
}

// control is a step of the package's controls. It reports whether the state
// changed. now counts steps since the world began.
func (c *compressor) control(now int64) bool {
	c.inState++
	c.sinceStart++
	before := c.state
	switch {
	case c.dead:
		c.state, c.loadCommand = Off, false
	case c.tripped(now):
	default:
		c.decide()
	}
	if c.state != before {
		c.inState = 0
		if c.state.delivering() && !before.delivering() {
			c.count.loadCycles++
		}
	}
	if c.state.Running() {
		c.count.runSteps++
		c.count.ShareS += c.share() * stepS
		c.count.DischargePaS += (c.dischargePa - c.barometerPa) * stepS
	}
	if c.state.delivering() {
		c.count.loadedSteps++
	}
	return c.state != before
}

// supply tells the machine whether there is a supply.
func (c *compressor) supply(there bool) {
	switch {
	case !there && !c.dead:
		c.dead, c.resume = true, c.state.Running()
	case there && c.dead:
		c.dead, c.waitsFor = false, c.waitSteps
		if c.resume && c.waitSteps == 0 {
			c.resume, c.unattended = false, true
		}
	}
}

// tripped stops the machine on a fault, and keeps it stopped until reset.
func (c *compressor) tripped(now int64) bool {
	if c.unattended {
		c.unattended = false
		c.trip(powerCode)
	} else if c.nextTrip < len(c.tripSteps) && now >= c.tripSteps[c.nextTrip] {
		c.trip(c.spec.Trips[c.nextTrip].Code)
		c.nextTrip++
	} else if c.state.Running() && c.airEndK() > c.spec.TripK {
		c.trip(hotCode)
	} else if c.state == Starting && c.broken[startFails] && c.inState >= startGuard {
		c.trip(startCode)
	}
	if c.state != Tripped {
		return false
	}
	if c.inState >= c.resetSteps && c.airEndK() <= c.spec.TripK {
		c.fault = 0
		c.state = Off
		return false
	}
	return true
}

func (c *compressor) trip(code uint16) {
	c.state, c.fault, c.loadCommand, c.inState = Tripped, code, false, 0
	copy(c.history[1:], c.history[:faultsKept-1])
	c.history[0] = pastFault{code, tenthsOfHours(c.spec.InitialRunH, c.count.runSteps)}
}

// decide moves between the states of a machine in order.
func (c *compressor) decide() {
	gauge := c.dischargePa - c.barometerPa
	if !c.scheduled {
		c.state, c.loadCommand, c.resume = Off, false, false
		return
	}
	switch c.state {
	case Off, Standby:
		c.state = Standby
		if c.waitsFor > 0 {
			c.waitsFor--
		} else if (gauge <= c.cutInPa() || c.resume) && c.sinceStart >= c.guardSteps &&
			c.sump.pressurePa()-c.barometerPa <= c.spec.StartSumpPa {
			c.start()
		}
	case Starting:
		if c.inState >= c.permitSteps {
			c.state = Unloaded
			c.loadCommand = gauge < c.cutOutPa() // it started because air was wanted
		}
	case Unloaded, Loaded, PartLoad:
		switch {
		case gauge <= c.cutInPa():
			c.loadCommand = true
		case gauge >= c.cutOutPa() && c.kind != modulating:
			c.loadCommand = false
		}
		c.runState()
	}
}

func (c *compressor) start() {
	c.state, c.sinceStart = Starting, 0
	c.count.starts++
	if c.restarted = c.resume; c.resume {
		c.resume = false
		c.count.restarts++
	}
	c.regulator = regulator{speed: c.spec.LeastShare}
}

// runState follows the inlet valve, and stops a machine that has run unloaded
// for the no-load time; one that knows only start and stop, at once.
func (c *compressor) runState() {
	now := c.running()
	switch {
	case c.kind == startStop && !c.loadCommand:
		c.state = Standby
	case now != c.state:
		c.state = now
	case now == Unloaded && (!c.loadCommand || c.kind == modulating) && c.noLoadSteps > 0 && c.inState >= c.noLoadSteps:
		c.state, c.loadCommand = Standby, false
	}
}
