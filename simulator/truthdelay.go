package simulator

import "time"

// loadLog is a load: the machine began to deliver by its state, and later air
// came through the minimum-pressure valve.
type loadLog struct {
	from, air   int64 // air is -1 until then
	begin       float64
	early, late float64 // delivered since begin, after earlyStep and lateStep; 0: it did not last so long
}

// By then the flow is that of full load: what is missing is told from the two.
const (
	earlySteps = int64(12 * time.Second / stepDur)
	lateSteps  = int64(14 * time.Second / stepDur)
)

// watchDelay logs a step of machine i for the delay of its air.
func (m *machineTruth) watchDelay(c *compressor, before State, step int64) {
	if c.state.delivering() && !before.delivering() {
		m.loads = append(m.loads, loadLog{from: step, air: -1, begin: c.count.DeliveredM3})
	}
	n := len(m.loads)
	if n == 0 || !c.state.delivering() {
		return
	}
	l := &m.loads[n-1]
	if l.air < 0 && c.outM3S > 0 {
		l.air = step
	}
	switch step - l.from {
	case earlySteps:
		l.early = c.count.DeliveredM3 - l.begin
	case lateSteps:
		l.late = c.count.DeliveredM3 - l.begin
	}
}

// DeliveryDelay is how late the air of one load came.
type DeliveryDelay struct {
	First time.Duration // until the first air left the package
	// Missing is how long full flow takes to deliver what was missing after 14 s;
	// Lasted is false where the load did not last so long.
	Missing time.Duration
	Lasted  bool
}

// DeliveryDelays lists the delay after each entry into Loaded or PartLoad in
// [from, to). A load that ended before its first air is left out.
func (t *Truth) DeliveryDelays(machine string, from, to time.Time) ([]DeliveryDelay, error) {
	i, err := t.index(machine)
	if err != nil {
		return nil, err
	}
	var list []DeliveryDelay
	for _, l := range t.machines[i].loads {
		at := t.time(l.from)
		if l.air < 0 || at.Before(from) || !at.Before(to) {
			continue
		}
		d := DeliveryDelay{First: time.Duration(l.air-l.from) * stepDur}
		if d.Lasted = l.late > l.early; d.Lasted {
			flow := (l.late - l.early) / float64(lateSteps-earlySteps)
			d.Missing = time.Duration((float64(lateSteps) - l.late/flow) * float64(stepDur))
		}
		list = append(list, d)
	}
	return list, nil
}
