package simulator

import "time"

// settledPart of the way from the sump pressure at the unload to the residual
// pressure is left when the sump counts as at rest.
const settledPart = 0.02

// Unload is a time that a machine ran unloaded right after it had delivered air.
// Pressures are gauge and the sump's own, whatever a register shows of it.
type Unload struct {
	From    time.Time     `json:"from"`
	Lasted  time.Duration `json:"lasted_ns"` // until its end, or until now
	StartPa float64       `json:"start_pa"`
	EndPa   float64       `json:"end_pa"` // when it was told to load again, or stopped
	// BlownDown is when a tenth was left of the way to the residual pressure of
	// the scenario; 0: it did not come to that.
	BlownDown time.Duration `json:"blown_down_ns"`
	// Settled is the time from which a fiftieth was left, until it was told to
	// load again or stopped, and SettledJ the package input in it.
	Settled  time.Duration `json:"settled_ns"`
	SettledJ float64       `json:"settled_j"`
}

// unloadLog is an Unload in steps.
type unloadLog struct {
	from, to       int64 // to is -1 while it lasts
	startPa, endPa float64
	blownDown      int64 // steps after from; 0: not
	settledFrom    int64 // 0: not
	settled        int64
	settledJ       float64
}

// watchUnload begins an unload or ends the one that lasts, at a change of state.
func (m *machineTruth) watchUnload(c *compressor, before State, step int64) {
	if n := len(m.unloads); n > 0 && m.unloads[n-1].to < 0 {
		m.unloads[n-1].to = step
	}
	if before.delivering() && c.state == Unloaded {
		p := c.sump.pressurePa() - c.barometerPa
		m.unloads = append(m.unloads, unloadLog{from: step, to: -1, startPa: p, endPa: p})
	}
}

// follow logs a step of an unload that lasts; the step ends at step.
func (t *Truth) follow(i int, step int64) {
	m := &t.machines[i]
	c, n := t.world.machines[i], len(m.unloads)
	if n == 0 || m.unloads[n-1].to >= 0 || c.loadCommand {
		return
	}
	u := &m.unloads[n-1]
	p := c.sump.pressurePa() - c.barometerPa
	u.endPa = p
	if u.settledFrom > 0 {
		u.settled++
		u.settledJ += c.activeW * stepS
	}
	left, way := p-c.spec.ResidualPa, u.startPa-c.spec.ResidualPa
	if u.blownDown == 0 && left <= 0.1*way {
		u.blownDown = max(step-u.from, 1)
	}
	if u.settledFrom == 0 && left <= settledPart*way {
		u.settledFrom = step
	}
}

// Unloads lists the unloads of a machine that began in [from, to), oldest first.
func (t *Truth) Unloads(machine string, from, to time.Time) ([]Unload, error) {
	i, err := t.index(machine)
	if err != nil {
		return nil, err
	}
	var list []Unload
	for k := range t.machines[i].unloads {
		u := &t.machines[i].unloads[k]
		at := t.time(u.from)
		if at.Before(from) || !at.Before(to) {
			continue
		}
		end := u.to
		if end < 0 {
			end = t.world.now
		}
		list = append(list, Unload{From: at, Lasted: time.Duration(end-u.from) * stepDur, StartPa: u.startPa, EndPa: u.endPa,
			BlownDown: time.Duration(u.blownDown) * stepDur, Settled: time.Duration(u.settled) * stepDur, SettledJ: u.settledJ})
	}
	return list, nil
}
