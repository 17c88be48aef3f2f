package analysis

import (
	"fmt"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

const (
	// The inlet valve takes up to a second to close, and air flows until then
	// (common practice, no source).
	closingS = 0.5
	// Delays that scatter more than this, or a median outside of what a sump takes
	// to fill, are no delays (common practice, no source).
	mostDelayScatterS, mostDelayS = 3.0, 20.0
	// A machine loads when demand has just risen, more often than not, so that the
	// pressure falls faster at the load than the line before it: up to 0.8 s of full
	// flow (held against the simulator; no source).
	risenDemandS = 0.8
)

// deliveryDelay is the time from a load until its air leaves the package, in
// seconds: as the pressure shows it, else 3 s, anything from 0 to 6.
func (s *sheet) deliveryDelay(m *sitefile.Machine) gum.Value {
	if s.delaySeen() {
		return s.storage.delay
	}
	return gum.New(deliveryDelayS, rectangular(deliveryDelayLimitS), delayInput(m.Name))
}

// delaySeen reports whether the pressure shows the delay.
func (s *sheet) delaySeen() bool { return s.storage != nil && s.storage.delayAbsent == "" }

// delays finds when the air begins to leave: where the line of the pressure after
// the load, less the drop of the flow, meets the one before it.
func (s *sheet) delays(m *sitefile.Machine, st *storage, c *chanSpec) {
	slope := st.slope.V
	// At an unload the flow stops with the valve: by how much the lines miss each
	// other there is the gauge's place, seconds of rise by which it lies before the
	// storage.
	var jumps, kinks []float64
	for i := range st.stops {
		f := &st.stops[i]
		stopS := closingS - float64(f.lateS/2)
		jumps = append(jumps, stopS-f.gap/slope)
	}
	jump, jumpU, _ := middleOf(jumps)
	jumpU = quad(jumpU, rectangular(closingS))
	if place := gaugePlace(st.sys, c); place == 0 || place > 0 && jump > 0 || place < 0 && jump < 0 {
		jump, jumpU = 0, 0
	}
	if jump > 0 {
		st.drop = gum.New(float64(jump*slope), float64(jumpU*slope), dropSeenInput(m.Name))
	}
	var late float64
	for i := range st.loads {
		f := &st.loads[i]
		kinks = append(kinks, jump-f.gap/slope+float64(f.lateS/2))
		late = max(late, f.lateS)
	}
	delay, u, scatter := middleOf(kinks)
	switch {
	case scatter > mostDelayScatterS:
		st.delayAbsent = fmt.Sprintf("the moment at which the pressure turns scatters by %.1f s from load to load: demand changes too much", scatter)
		return
	case delay < -closingS || delay > mostDelayS:
		st.delayAbsent = fmt.Sprintf("by %s air would leave %.1f s after a load, which cannot be: the pressure is not that of this machine's storage, or its registers are older than its load signal", c.id, delay)
		return
	}
	delay = max(delay, 0)
	// The scans have the same phase to the loads at worst, and the gauge may follow
	// as late as that.
	st.delay = gum.New(delay, quad(u, jumpU, rectangular(late/2), rectangular(risenDemandS)), delaySeenInput(m.Name))
	st.delayMethod = fmt.Sprintf("where the line of %s after a load meets the one before it, median of %d loads; 8 of 10 lie between %.1f and %.1f s",
		c.id, len(kinks), quantileOf(kinks, 0.1), quantileOf(kinks, 0.9))
	if jump > 0 {
		st.delayMethod += fmt.Sprintf("; the drop of its flow, %.1f kPa by the unloads, is taken off", float64(jump*slope)/1000)
	} else if jump < 0 {
		st.delayMethod += fmt.Sprintf("; this pressure follows that of the storage %.1f s later by the unloads, which is taken off", -jump)
	}
}

// delayFigure sets delivery_delay.
func (s *sheet) delayFigure() {
	const name = "delivery_delay"
	if st := s.storage; st.delayAbsent != "" {
		s.absent(st.delayAbsent, name)
	} else {
		s.putValue(name, "s", st.delay, st.delayMethod, []string{st.tap})
	}
}
