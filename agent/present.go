package agent

import "loadscribe/agent/scan"

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

// durableSeq is the last scan that is safe on the disk.
func (a *Agent) durableSeq() uint64 {
	if a.refuge != nil {
		return 0
	}
	return a.store.DurableSeq()
}
