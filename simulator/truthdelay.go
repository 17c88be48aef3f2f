package simulator

import "time"

// loadLog is a load: the machine began to deliver by its state, and later air
// came through the minimum-pressure valve.
type loadLog struct {
	from, air int64 // air is -1 until then
}

// watchDelay logs a step of machine i for the delay of its air.
func (m *machineTruth) watchDelay(c *compressor, before State, step int64) {
	if c.state.delivering() && !before.delivering() {
		m.loads = append(m.loads, loadLog{from: step, air: -1})
	}
	if n := len(m.loads); n > 0 && m.loads[n-1].air < 0 && c.state.delivering() && c.outM3S > 0 {
		m.loads[n-1].air = step
	}
}

// DeliveryDelays lists how long after each entry into Loaded or PartLoad in
// [from, to) the first air left the package. A load that ended before is left out.
func (t *Truth) DeliveryDelays(machine string, from, to time.Time) ([]time.Duration, error) {
	i, err := t.index(machine)
	if err != nil {
		return nil, err
	}
	var list []time.Duration
	for _, l := range t.machines[i].loads {
		if at := t.time(l.from); l.air >= 0 && !at.Before(from) && at.Before(to) {
			list = append(list, time.Duration(l.air-l.from)*stepDur)
		}
	}
	return list, nil
}
