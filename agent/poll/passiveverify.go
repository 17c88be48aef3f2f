package poll

import (
	"fmt"

	"loadscribe/agent/modbus"
	"loadscribe/agent/scan"
)

// overheardConstants looks, in what another master reads, for the values that a
// device's map expects. What that master does not read is not checked.
type overheardConstants struct {
	verify *verifier
	heard  *overheard
}

// constantsOf returns the expectations of the line's devices.
func constantsOf(units []*unit) ([]overheardConstants, error) {
	var all []overheardConstants
	for _, u := range units {
		if u.verify == nil {
			continue
		}
		heard, err := newOverheard(u.verify.poller.device, u.verify.poller.group)
		if err != nil {
			return nil, err
		}
		all = append(all, overheardConstants{u.verify, heard})
	}
	return all, nil
}

// take notes whether what was heard is as the map expects.
func (c *overheardConstants) take(h *modbus.Heard) {
	c.heard.take(h)
	for i := range c.verify.expected {
		x := &c.verify.expected[i]
		switch {
		case c.heard.at[i].IsZero():
		case c.heard.quality[i] == scan.Implausible:
			c.verify.mismatch(x, fmt.Sprintf("holds 0x%04X, which is no %s", c.heard.values[i], x.Channel.Type))
			return
		case c.heard.values[i] != x.Equals:
			c.verify.mismatch(x, fmt.Sprintf("is %d", c.heard.values[i]))
			return
		}
	}
	c.verify.forget()
}
