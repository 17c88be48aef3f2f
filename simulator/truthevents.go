package simulator

import "time"

// faultSpan is a time with something wrong; to is -1 while it lasts.
type faultSpan struct {
	kind     int
	from, to int64
}

// outage is a power failure; to is -1 while it lasts.
type outage struct{ from, to int64 }

type clockJump struct {
	step int64
	by   time.Duration
}

// FaultSpan is a time in which something was wrong with a machine, whether or
// not anybody could see it; To is zero while it lasts.
type FaultSpan struct {
	Kind string    `json:"kind"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// Outage is a time without a supply; To is zero while it lasts.
type Outage struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// supply logs that the supply went or came.
func (t *Truth) supply(there bool, step int64) {
	if !there {
		t.outages = append(t.outages, outage{step, -1})
	} else if n := len(t.outages); n > 0 {
		t.outages[n-1].to = step
	}
}

// Outages lists the times without a supply that began in [from, to).
func (t *Truth) Outages(from, to time.Time) []Outage {
	var list []Outage
	for _, o := range t.outages {
		if at := t.time(o.from); at.Before(from) || !at.Before(to) {
			continue
		}
		out := Outage{From: t.time(o.from)}
		if o.to >= 0 {
			out.To = t.time(o.to)
		}
		list = append(list, out)
	}
	return list
}

// wrong logs that something became wrong with machine i, or right again.
func (t *Truth) wrong(i, kind int, on bool, step int64) {
	m := &t.machines[i]
	if on {
		m.faults = append(m.faults, faultSpan{kind, step, -1})
		return
	}
	for k := range m.faults {
		if f := &m.faults[k]; f.kind == kind && f.to < 0 {
			f.to = step
		}
	}
}

// Faults lists what went wrong with a machine from a time in [from, to) on.
// Dirt that comes by the day is not among them.
func (t *Truth) Faults(machine string, from, to time.Time) ([]FaultSpan, error) {
	i, err := t.index(machine)
	if err != nil {
		return nil, err
	}
	var list []FaultSpan
	for _, f := range t.machines[i].faults {
		if at := t.time(f.from); at.Before(from) || !at.Before(to) {
			continue
		}
		span := FaultSpan{Kind: faultKinds()[f.kind], From: t.time(f.from)}
		if f.to >= 0 {
			span.To = t.time(f.to)
		}
		list = append(list, span)
	}
	return list, nil
}

// ClockJump is a jump of the recording clock, at a true time.
type ClockJump struct {
	Time time.Time     `json:"time"`
	By   time.Duration `json:"by_ns"`
}

func (t *Truth) clockStep(step int64, by time.Duration) {
	t.clock = append(t.clock, clockJump{step, by})
}

// ClockJumps lists the jumps of the recording clock in [from, to).
func (t *Truth) ClockJumps(from, to time.Time) []ClockJump {
	var list []ClockJump
	for _, c := range t.clock {
		if at := t.time(c.step); !at.Before(from) && at.Before(to) {
			list = append(list, ClockJump{at, c.by})
		}
	}
	return list
}
