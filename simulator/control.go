package simulator

// control is a step of the package's controls. It reports whether the state
// changed. now counts steps since the world began.
func (c *compressor) control(now int64) bool {
	c.inState++
	c.sinceStart++
	before := c.state
	if !c.tripped(now) {
		c.decide()
	}
	if c.state != before {
		c.inState = 0
	}
	if c.state.Running() {
		c.count.runSteps++
	}
	if c.state == Loaded {
		c.count.loadedSteps++
	}
	return c.state != before
}

// tripped stops the machine on a fault, and keeps it stopped until reset.
func (c *compressor) tripped(now int64) bool {
	if c.nextTrip < len(c.tripSteps) && now >= c.tripSteps[c.nextTrip] {
		c.trip(c.spec.Trips[c.nextTrip].Code)
		c.nextTrip++
	} else if c.state.Running() && c.airEndK() > c.spec.TripK {
		c.trip(hotCode)
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
}

// decide moves between the states of a machine in order.
func (c *compressor) decide() {
	gauge := c.dischargePa - c.barometerPa
	if !c.scheduled {
		c.state, c.loadCommand = Off, false
		return
	}
	switch c.state {
	case Off, Standby:
		c.state = Standby
		if gauge <= c.spec.CutInPa && c.sinceStart >= c.guardSteps &&
			c.sump.pressurePa()-c.barometerPa <= c.spec.StartSumpPa {
			c.state, c.sinceStart = Starting, 0
			c.count.starts++
		}
	case Starting:
		if c.inState >= c.permitSteps {
			c.state = Unloaded
			c.loadCommand = gauge < c.spec.CutOutPa // it started because air was wanted
		}
	case Unloaded, Loaded:
		switch {
		case gauge <= c.spec.CutInPa:
			c.loadCommand = true
		case gauge >= c.spec.CutOutPa:
			c.loadCommand = false
		}
		c.runState()
	}
}

// runState tells loaded from unloaded by the inlet valve and stops a machine
// that has run unloaded for the no-load time.
func (c *compressor) runState() {
	switch open := c.valve >= 0.5; {
	case open && c.state == Unloaded:
		c.state = Loaded
		c.count.loadCycles++
	case !open && c.state == Loaded:
		c.state = Unloaded
	case c.state == Unloaded && !c.loadCommand && c.noLoadSteps > 0 && c.inState >= c.noLoadSteps:
		c.state = Standby
	}
}
