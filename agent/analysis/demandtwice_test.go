package analysis

import (
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// TestPeakOfAnHourTwice: a clock that is set back by an hour goes over four quarter
// hours twice. A machine of 30 kW throughout has still drawn 30 kW at most (power is
// energy over time), and a demand charge is of that.
func TestPeakOfAnHourTwice(t *testing.T) {
	site := &sitefile.Site{Location: time.UTC}
	charge := &sitefile.DemandCharge{Window: 15 * time.Minute}
	var cells []cellEnergy
	for i := range int64(8) {
		c := cellEnergy{from: i * cellMS, joules: 30e3 * 900, unloaded: 3e3 * 900, ms: cellMS}
		if i >= 2 && i < 6 {
			c.joules, c.unloaded, c.ms = 2*c.joules, 2*c.unloaded, 2*c.ms
		}
		if i == 7 {
			c.joules, c.ms = c.joules/2, c.ms/2 // not seen is not made up
		}
		cells = append(cells, c)
	}
	l := newLoad(cells, cellMS, true)
	top := l.peak(site, charge, 0, 8*cellMS)
	near(t, "peak, W", top.watts, 30e3, 1e-6)
	near(t, "unloaded of the third, J", l.unloaded[2], 3e3*900, 1e-6)
	near(t, "energy of the last, J", l.joules[7], 15e3*900, 1e-6)
}
