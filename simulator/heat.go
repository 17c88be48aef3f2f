package simulator

import "math"

// Of a package of 37 kW; others have them in proportion to their rated power.
const (
	sizeW          = 37e3
	heatJK         = 76e3   // oil and metal
	stillWK        = 12     // heat lost standing
	bypassWK       = 60     // running with the oil thermostat closed
	coolerWK       = 560    // thermostat open, fan running, coolers clean
	stillAirShare  = 0.15   // of coolerWK with the fan stopped
	thermostatK    = 344.15 // 71 °C begins to open
	thermostatSpan = 12     // K
	airOverOilK    = 5      // discharge over oil temperature at full flow
	minOilK        = 263.15 // physics below is not meant for deep frost
	heatShare      = 0.93   // of the motor's input that the oil takes up
	fanTan         = 0.75   // reactive over active power of the fan: power factor 0.80
)

// heat is a second of oil and aftercooler in a room at roomK.
func (c *compressor) heat(roomK float64) {
	loss := stillWK * c.size
	in := 0.0
	if c.state.Running() {
		open := math.Max(0, math.Min(1, (c.oilK-thermostatK)/thermostatSpan))
		loss = bypassWK*c.size + (c.coolerWK()-bypassWK*c.size)*open
		in = c.motor.activeW * heatShare
	}
	c.count.HeatJ += in
	c.count.CooledJ += loss * (c.oilK - roomK)
	c.oilK = math.Max(minOilK, c.oilK+(in-loss*(c.oilK-roomK))/(heatJK*c.size))
	want := roomK + c.spec.ApproachK/(1-c.fouled)*c.outM3S/c.fullM3S
	c.aftercoolerK += (want - c.aftercoolerK) / 30
	c.switchFan()
}

// coolerWK is the oil cooler's conductance as it is now.
func (c *compressor) coolerWK() float64 {
	wk := coolerWK * c.size * (1 - c.fouled)
	if c.fanStopped {
		wk *= stillAirShare
	}
	return math.Max(wk, bypassWK*c.size)
}

// switchFan is the fan's thermostat, where it has one.
func (c *compressor) switchFan() {
	if c.spec.FanOnK == 0 {
		return
	}
	switch k := c.airEndK(); {
	case k >= c.spec.FanOnK:
		c.fanStopped = false
	case k <= c.spec.FanOffK:
		c.fanStopped = true
	}
}

// fanW is the fan's power while the motor runs.
func (c *compressor) fanW() float64 {
	if c.fanStopped {
		return 0
	}
	return c.spec.FanW
}

// airEndK is the discharge temperature.
func (c *compressor) airEndK() float64 {
	return c.oilK + airOverOilK*c.inletM3S/c.fullM3S
}
