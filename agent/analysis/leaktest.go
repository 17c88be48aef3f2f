package analysis

import (
	"fmt"
	"time"

	"loadscribe/agent/gum"
)

// oldTestDays is after how long a leak test no longer speaks for today's leaks
// (common practice, no source).
const oldTestDays = 30

// leakTest takes a guided leak test as a method: by the fall of pressure in the
// known volume, and by the share of the time in which the machine loaded.
func (b *airBalance) leakTest(tests *tests, endMS int64, outsidePa float64, where *time.Location) []leakMethod {
	t, ok := tests.leak(b.sys.Name, endMS)
	if !ok {
		return nil
	}
	name := fmt.Sprintf("leak test of %s by %s", time.UnixMilli(t.ToMS).In(where).Format("2 Jan 2006 15:04"), t.Who)
	if days := (endMS - t.ToMS) / dayMS; days > oldTestDays {
		return []leakMethod{invalid(name, "%d days before the end of this window; leaks change: do it again", days)}
	}
	var all []leakMethod
	add := func(how string, flow gum.Value, cycles int, ran float64) {
		m := leakMethod{name: name + ", " + how, flow: flow, pa: t.PressurePa + outsidePa, seconds: float64(t.ToMS-t.FromMS) / 1000, cycles: cycles, ran: ran, note: t.Method}
		m.flow = m.flow.Plus(m.ownU())
		all = append(all, m)
	}
	if t.FlowM3S.V > 0 {
		add("bleed-down", t.FlowM3S, 0, 0) // the machine is off
	}
	for k, machine := range b.machines {
		if machine == t.Machine && t.Share.V > 0 && b.flow[k].V > 0 {
			add("loaded share", t.Share.Times(b.flow[k]), t.Cycles, 1)
		}
	}
	return all
}
