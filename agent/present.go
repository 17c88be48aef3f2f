package agent

import (
	"loadscribe/agent/analysis"
	"loadscribe/agent/publish"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// State returns what is known now. The caller owns it.
func (a *Agent) State() State {
	mono, wall := a.clock.Now()
	st := State{
		DurableSeq: a.durableSeq(), LastSeq: a.store.LastSeq(), Time: Stamp(wall), Started: StampOf(a.started),
		Version: a.version, Machines: []MachineState{}, Channels: map[string]ChannelState{},
		Devices: []DeviceState{}, Lines: []LineState{}, Store: a.storeState(), Awake: a.Awake(),
	}
	for i := range a.site.Machines {
		st.Machines = append(st.Machines, a.machineState(a.site.Machines[i].Name))
	}
	a.board.each(a.groups, func(g *scan.Group, s *scan.Scan) {
		if !a.site.Polled(g.Device) {
			return // what is imported says nothing of now
		}
		for i := range g.Channels {
			st.Channels[g.Channels[i].ID()] = channelState(g, s, i, mono)
		}
	})
	status := a.poller.Status()
	for _, d := range status.Devices {
		st.Devices = append(st.Devices, deviceState(d))
	}
	for _, l := range status.Lines {
		st.Lines = append(st.Lines, lineState(l))
	}
	return st
}

// channelState is one channel of a group's last scan s; nil: none yet.
func channelState(g *scan.Group, s *scan.Scan, i int, nowMonoMS int64) ChannelState {
	if s == nil {
		return ChannelState{Reason: scan.Timeout.String(), Stale: true}
	}
	return ChannelState{
		Value: ReadingOf(s, i), Time: Stamp(s.WallMS), Reason: s.ReasonOf(i).String(),
		Stale: nowMonoMS-s.MonoMS > g.GapMS(),
	}
}

func (a *Agent) machineState(machine string) MachineState {
	mono, wall := a.clock.Now()
	l, _ := a.folder.Live(machine, mono, wall)
	return MachineState{
		Machine: machine, State: l.State.String(), Since: Stamp(l.SinceMS), SinceKnown: l.SinceKnown, Reason: l.Reason,
		Method: l.Method, StartsLastHour: int64(l.StartsLastHour), PressureTrend: l.PressureTrend,
	}
}

// Ready reports whether the store is writing and at least one line answers; if
// not, why.
func (a *Agent) Ready() (ok bool, why string) {
	if s := a.storeState(); !s.OK {
		return false, "the store is not writing: " + s.Detail
	}
	why = "the site has no device that is polled"
	for _, d := range a.poller.Status().Devices {
		if d.Up {
			return true, ""
		}
		why = "no device answers: " + d.Detail
	}
	return false, why
}

// Metrics implements publish.Source.
func (a *Agent) Metrics() publish.Snapshot {
	mono, _ := a.clock.Now()
	snap := publish.Snapshot{Store: a.storeMetrics()}
	failures := a.store.Failures()
	for _, d := range a.poller.Status().Devices {
		snap.Devices = append(snap.Devices, publish.Device{Name: d.Device, Up: d.Up, LastGoodMS: d.LastGoodMS,
			Errors: countsOf(failures[d.Device]), Durations: a.board.spent[d.Device]})
	}
	readings := a.readings(mono)
	for i := range a.site.Machines {
		m := &a.site.Machines[i]
		out := publish.Machine{Name: m.Name, State: a.machineState(m.Name).State}
		for _, role := range scan.Roles() {
			if r, ok := readings[m.Roles[role]]; ok {
				r.Role = role
				out.Readings = append(out.Readings, r)
			}
		}
		out.Totals = a.totals(m)
		snap.Machines = append(snap.Machines, out)
	}
	return snap
}

func countsOf(errors map[scan.Reason]uint64) map[scan.Reason]int64 {
	counts := make(map[scan.Reason]int64, len(errors))
	for reason, n := range errors {
		counts[reason] = int64(n)
	}
	return counts
}

// readings are the good last values by channel id, in SI.
func (a *Agent) readings(nowMonoMS int64) map[string]publish.Reading {
	all := map[string]publish.Reading{}
	a.board.each(a.groups, func(g *scan.Group, s *scan.Scan) {
		if s == nil {
			return
		}
		for i := range g.Channels {
			c := &g.Channels[i]
			value := ReadingOf(s, i)
			unit, err := quantity.ParseUnit(c.Unit)
			if value == nil || err != nil { // a unit of a checked map always parses
				continue
			}
			all[c.ID()] = publish.Reading{Dimension: unit.Dimension, SI: unit.ToSI(*value), Absolute: unit.Absolute,
				AgeMS: nowMonoMS - s.MonoMS, PeriodMS: g.PeriodMS}
		}
	})
	return all
}

func (a *Agent) totals(m *sitefile.Machine) publish.Totals {
	t, ok := a.folder.Totals(m)
	if !ok {
		return publish.Totals{}
	}
	out := publish.Totals{StateMS: map[string]int64{}, Starts: t.Starts, LoadCycles: t.LoadCycles}
	for i, seconds := range t.StateS {
		out.StateMS[analysis.State(i).String()] = int64(seconds * 1000)
	}
	if t.EnergyKnown {
		out.EnergyJ = &t.EnergyJ
	}
	if t.AirKnown {
		out.AirM3 = &t.AirM3
	}
	return out
}

// durableSeq is the last scan that is safe on the disk.
func (a *Agent) durableSeq() uint64 {
	if a.refuge != nil {
		return 0
	}
	return a.store.DurableSeq()
}
