package agent

import (
	"context"
	"time"

	"loadscribe/agent/alarm"
	"loadscribe/agent/poll"
	"loadscribe/agent/publish"
	"loadscribe/agent/publish/samples"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Metrics implements publish.Source. It asks neither the disk nor a line.
func (a *Agent) Metrics() publish.Snapshot {
	mono, _ := a.clock.Now()
	snap := publish.Snapshot{Store: a.storeMetrics(), Alarms: a.alarmMetrics(), Messages: a.messageMetrics(), RemoteWrite: a.remoteMetrics(), StartedMS: a.started.UnixMilli()}
	snap.Devices = a.deviceMetrics()
	readings := a.readings(mono)
	for i := range a.site.Machines {
		m := &a.site.Machines[i]
		state := a.machineState(m.Name)
		out := publish.Machine{Name: m.Name, State: state.State, RecentStarts: state.StartsLastHour, StartsLimit: m.Motor.StartsPerHour}
		for _, role := range scan.Roles() {
			if r, ok := readings[m.Roles[role]]; ok {
				r.Role = role
				out.Readings = append(out.Readings, r)
			}
		}
		if t, ok := a.folder.Totals(m); ok {
			out.Totals = publish.TotalsOf(&t)
		}
		snap.Machines = append(snap.Machines, out)
	}
	looked := a.looked.Load()
	for i := range a.site.Systems {
		s := &a.site.Systems[i]
		out := publish.System{Name: s.Name, Taps: tapsOf(s, readings)}
		if looked != nil {
			out.QuietM3S = looked.quietM3S[s.Name]
		}
		snap.Systems = append(snap.Systems, out)
	}
	return snap
}

func (a *Agent) deviceMetrics() (all []publish.Device) {
	failures := a.store.Failures()
	status := a.poller.Status()
	lines := map[string]*poll.LineStatus{}
	for i := range status.Lines {
		lines[status.Lines[i].Line] = &status.Lines[i]
	}
	for _, d := range status.Devices {
		out := publish.Device{Name: d.Device, Up: d.Up, LastGoodMS: d.LastGoodMS, Errors: countsOf(failures[d.Device]), Durations: a.board.spent[d.Device]}
		if l := lines[d.Line]; l != nil {
			out.LineRestarts, out.LineMissed = int64(l.Restarted), int64(l.Missed)
		}
		all = append(all, out)
	}
	return all
}

func countsOf(errors map[scan.Reason]uint64) map[scan.Reason]int64 {
	counts := make(map[scan.Reason]int64, len(errors))
	for reason, n := range errors {
		counts[reason] = int64(n)
	}
	return counts
}

// readings are the good last values by channel id, in SI, with the map's roles.
func (a *Agent) readings(nowMonoMS int64) map[string]publish.Reading {
	all := map[string]publish.Reading{}
	a.board.each(a.groups, func(g *scan.Group, s *scan.Scan) {
		if s == nil {
			return
		}
		for i := range g.Channels {
			c := &g.Channels[i]
			raw, ok := s.Get(i)
			if !ok {
				continue
			}
			if r, ok := samples.ReadingOf(c, raw); ok {
				r.AgeMS, r.PeriodMS = nowMonoMS-s.MonoMS, g.PeriodMS
				all[c.ID()] = r
			}
		}
	})
	return all
}

// tapsOf are the readings of a system's taps, each channel once.
func tapsOf(s *sitefile.System, readings map[string]publish.Reading) (all []publish.Tap) {
	seen := map[string]bool{}
	for i := range s.Taps {
		for _, id := range []string{s.Taps[i].Pressure, s.Taps[i].Flow} {
			if r, ok := readings[id]; ok && !seen[id] {
				seen[id] = true
				all = append(all, publish.Tap{Channel: id, Reading: r})
			}
		}
	}
	return all
}

func (a *Agent) alarmMetrics() (out publish.Alarms) {
	mono, wall := a.clock.Now()
	a.alarms.mu.Lock()
	defer a.alarms.mu.Unlock()
	e := a.alarms.engine
	at := map[string]int{}
	states := map[alarm.RuleState]int64{}
	for _, r := range e.Rules() {
		if _, known := at[string(r.On)]; !known {
			at[string(r.On)] = len(out.Kinds)
			out.Kinds = append(out.Kinds, publish.AlarmKind{On: string(r.On)})
		}
		state, _, _ := e.StateOf(r, mono)
		states[state]++
	}
	for _, s := range e.Book().Standing(wall) {
		i, known := at[s.On]
		switch {
		case !known: // of a rule that is gone: it has ended
		case s.ReturnedMS != 0:
			out.Kinds[i].Returned++
		case s.AckMS != 0:
			out.Kinds[i].Acknowledged++
		case s.ShelvedUntil != 0:
			out.Kinds[i].Shelved++
		default:
			out.Kinds[i].Raised++
		}
	}
	for _, state := range alarm.RuleStates() {
		out.Rules = append(out.Rules, publish.RuleCount{State: string(state), Count: states[state]})
	}
	return out
}

func (a *Agent) messageMetrics() *publish.Messages {
	if a.messages == nil {
		return nil
	}
	var out publish.Messages
	for _, t := range a.messages.State() {
		out.Waiting += int64(t.Waiting)
		out.Sent += int64(t.Sent)
		out.GivenUp += int64(t.GivenUp)
		if t.FailingSinceMS != 0 {
			out.Failing++
		} else {
			out.Working++
		}
	}
	return &out
}

func (a *Agent) storeMetrics() publish.Store {
	stats := a.store.Remembered()
	if a.refuge != nil {
		stats.DurableSeq = 0
	}
	out := publish.Store{
		OK: a.refuge == nil && stats.Trouble == nil && stats.StalledMS == 0, FreeBytes: -1,
		Scans: int64(stats.LastSeq), DurableScans: int64(stats.DurableSeq),
		WaitingScans: int64(stats.LastSeq-stats.DurableSeq) + int64(a.queue.Waiting()),
		DroppedScans: a.droppedScans(), FreePageBytes: stats.FreePageBytes, OldestMS: stats.OldestMS,
		DroppedDays: stats.Cleanup.Days, CleanupMS: stats.Cleanup.WallMS, CleanupOK: stats.Cleanup.Error == "",
	}
	// A disk that hangs answers no look: what was seen before says nothing of now.
	mono, _ := a.clock.Now()
	if l := a.looked.Load(); l != nil && mono-l.freeMonoMS <= 3*lookEvery.Milliseconds() {
		out.FreeBytes = l.freeBytes
	}
	if l := a.looked.Load(); l != nil && l.measured && mono-l.filesMonoMS <= 3*filesEvery.Milliseconds() {
		out.Measured, out.DirectoryBytes, out.DatabaseBytes = true, l.directoryBytes, l.databaseBytes
	}
	return out
}

// looked is what a scrape shows and must not ask for: it takes the disk, or work. What
// holds it is never changed.
type looked struct {
	freeMonoMS, freeBytes         int64 // negative: not known
	measured                      bool
	filesMonoMS                   int64
	directoryBytes, databaseBytes int64
	quietM3S                      map[string]*float64 // by system; nil: not known
}

const (
	// lookEvery is how often the free space is looked at, filesEvery the files, whose
	// folder is walked.
	lookEvery, filesEvery = time.Minute, 5 * time.Minute
	// firstLook lets a start's own work come first.
	firstLook = 5 * time.Second
	// quietEvery is how often quiet demand is reckoned: nights come one a day, and all
	// figures of seven days are made for it.
	quietEvery = 6 * time.Hour
	// quietSpan are the nights that the metric is of.
	quietSpan = 7 * 24 * time.Hour
)

// lookForMetrics keeps what scrapes show of the disk and of the nights, until ctx ends.
func (a *Agent) lookForMetrics(ctx context.Context) error {
	var filesDue, quietDue int64
	for pause := firstLook; wait(ctx, pause); pause = lookEvery {
		mono, _ := a.clock.Now()
		a.lookAtDisk(mono >= filesDue)
		if mono >= filesDue {
			filesDue = mono + filesEvery.Milliseconds()
		}
		if mono >= quietDue {
			a.lookAtNights(ctx)
			quietDue = mono + quietEvery.Milliseconds()
		}
	}
	return nil
}

func (a *Agent) before() looked {
	if l := a.looked.Load(); l != nil {
		return *l
	}
	return looked{freeBytes: -1}
}

// lookAtDisk asks what is free, and what the files take where files is true.
func (a *Agent) lookAtDisk(files bool) {
	now := a.before()
	if files {
		stats := a.store.Stats()
		now.directoryBytes, now.databaseBytes = stats.DirectoryBytes, stats.DatabaseBytes
	}
	if a.refuge == nil {
		now.freeBytes = a.store.Free()
	} else if free, known := freeBytes(a.site.Agent.DataDir); known {
		now.freeBytes = free
	} else {
		now.freeBytes = -1
	}
	mono, _ := a.clock.Now() // after the answers
	now.freeMonoMS = mono
	if files {
		now.measured, now.filesMonoMS = true, mono
	}
	a.looked.Store(&now)
}

func (a *Agent) lookAtNights(ctx context.Context) {
	now := a.before()
	now.quietM3S = a.quietDemands(ctx)
	a.looked.Store(&now)
}

// quietDemands are the figures quiet_demand of the last nights by system.
func (a *Agent) quietDemands(ctx context.Context) map[string]*float64 {
	all := map[string]*float64{}
	end := a.end()
	for i := range a.site.Systems {
		name := a.site.Systems[i].Name
		if ctx.Err() != nil {
			break
		}
		switch m3s, ok, err := a.quietDemand(name, end); {
		case err != nil:
			a.log.Warn("quiet demand for the metrics cannot be told", "system", name, "err", err)
		case ok:
			all[name] = &m3s
		}
	}
	return all
}
