package simulator

// The kinds of fault, as a machine keeps them.
const (
	valveShut = iota
	valveOpen
	blowDownFails
	coolerFouled
	startFails
	numFaults
)

// faultKinds are the words of a scenario, in that order.
func faultKinds() [numFaults]string {
	return [numFaults]string{faultValveShut, faultValveOpen, faultBlowDown, faultCoolerFouled, faultStart}
}

func faultIndex(kind string) (int, bool) {
	for i, k := range faultKinds() {
		if k == kind {
			return i, true
		}
	}
	return 0, false
}

// worstFouling bounds what dirt can take.
const worstFouling = 0.9

// suffer sets what is wrong with the machine at a moment, days after the world
// began, and returns what was wrong before.
func (c *compressor) suffer(now Moment, days float64) (before [numFaults]bool) {
	before, c.broken = c.broken, [numFaults]bool{}
	fouled := c.spec.CoolerFouling + c.spec.FoulingPerDay*days
	for i := range c.spec.Faults {
		f := &c.spec.Faults[i]
		if !now.within(f.From, f.Until) {
			continue
		}
		k, _ := faultIndex(f.Kind) // Validate has seen it
		c.broken[k] = true
		if k == coolerFouled {
			fouled += f.Share
		}
	}
	c.fouled = min(fouled, worstFouling)
	return before
}

// supplied reports whether the shop has its supply, and lets everybody know.
func (w *World) supplied(now Moment) {
	there := true
	for _, f := range w.scenario.PowerFailures {
		if now.within(f.At, (f.At+Moment(f.For/1e9))%weekS) {
			there = false
		}
	}
	if there == !w.dark {
		return
	}
	w.dark = !there
	w.truth.supply(there, w.now)
	for _, c := range w.machines {
		c.supply(there)
	}
	for _, r := range w.devices {
		r.wakes = w.now + bootSteps
	}
}

// takeTurns lowers the bands of the machines whose turn is not the first.
func (w *World) takeTurns() {
	r := &w.scenario.Rotation
	n := len(r.Machines)
	if n == 0 {
		return
	}
	turn := 0
	if r.Every > 0 {
		turn = int(int64(w.Now().Sub(w.start)) / int64(r.Every))
	}
	for i, name := range r.Machines {
		for _, c := range w.machines {
			if c.spec.Name == name {
				c.lagPa = r.OffsetPa * float64((i+n-turn%n)%n)
			}
		}
	}
}
