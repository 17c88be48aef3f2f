package agent

import (
	"context"
	"fmt"
	"time"

	"loadscribe/agent/alarm"
	"loadscribe/agent/analysis"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// watchAlarms looks at what is cheap to see and not in a scan, until ctx ends.
func (a *Agent) watchAlarms(ctx context.Context) error {
	if len(a.alarms.engine.Rules()) == 0 {
		return nil
	}
	for wait(ctx, alarmLook) {
		a.lookAtAlarms()
	}
	return nil
}

// lookAtAlarms looks once.
func (a *Agent) lookAtAlarms() {
	mono, wall := a.clock.Now()
	devices := a.poller.Status().Devices
	lives := map[string]analysis.Live{}
	for _, p := range a.alarms.byKind[sitefile.AlarmStarts] {
		lives[p.Subject], _ = a.folder.Live(p.Subject, mono, wall)
	}
	var undelivered map[string]string
	if len(a.alarms.byKind[sitefile.AlarmUndelivered]) > 0 {
		undelivered = a.undelivered()
	}
	l := a.alarms
	l.mu.Lock()
	defer l.mu.Unlock()
	l.watchClock(mono, wall)
	ended, untold := l.engine.Sweep(wall)
	a.alarmsHappened(ended)
	for i := range untold {
		a.handOn(&untold[i])
	}
	at := alarm.Sight{MonoMS: mono, WallMS: wall}
	for _, p := range l.byKind[sitefile.AlarmNoData] {
		a.see(p, noData(at, devices, p.Subject))
	}
	for _, p := range l.byKind[sitefile.AlarmStarts] {
		live := lives[p.Subject]
		a.see(p, l.starts(at, p, &live))
	}
	for _, p := range l.byKind[sitefile.AlarmUndelivered] {
		a.see(p, delivery(at, undelivered, p.Subject))
	}
}

// seeDisk judges the disk by what watchStore, which may have to wait for it, has found.
func (a *Agent) seeDisk(trouble string, stats *store.Stats) {
	mono, wall := a.clock.Now()
	a.alarms.mu.Lock()
	defer a.alarms.mu.Unlock()
	for _, p := range a.alarms.byKind[sitefile.AlarmDisk] {
		a.see(p, disk(alarm.Sight{MonoMS: mono, WallMS: wall}, p, trouble, stats))
	}
}

// see judges a sight; alarms.mu is held.
func (a *Agent) see(p *alarm.Point, s alarm.Sight) { a.alarmsHappened(a.alarms.engine.See(p, &s)) }

// watchClock notes when the wall clock was set: starts of the last hour are told by
// its labels, and are not sure until an hour has gone by.
func (l *alarms) watchClock(mono, wall int64) {
	const noticedMS = 2000
	off := wall - mono
	if step := off - l.clockOffMS; l.clockKnown && (step > noticedMS || step < -noticedMS) {
		l.unsureUntil = mono + time.Hour.Milliseconds() + min(max(step, -step), 24*time.Hour.Milliseconds())
	}
	l.clockOffMS, l.clockKnown = off, true
}

// noData is what is seen of a device's answers.
func noData(s alarm.Sight, devices []poll.DeviceStatus, name string) alarm.Sight {
	for _, d := range devices {
		if d.Device != name {
			continue
		}
		s.Seen, s.Verdict = true, alarm.Fine
		if !d.Up {
			s.Verdict, s.Why = alarm.Bad, d.Detail
			if s.Why == "" {
				s.Why = d.LastReason.String()
			}
			if d.LastGoodMS == 0 && d.LastReason == scan.Good {
				s.Why = "it has not answered since the recording started"
			}
		}
		return s
	}
	s.Why = "it is not polled"
	return s
}

// delivery is what is seen of what is sent to somebody.
func delivery(s alarm.Sight, undelivered map[string]string, name string) alarm.Sight {
	why, known := undelivered[name]
	if !known {
		s.Why = "nothing is sent to it"
		return s
	}
	s.Seen, s.Verdict = true, alarm.Fine
	if why != "" {
		s.Verdict, s.Why = alarm.Bad, why
	}
	return s
}

// starts is what is seen of a motor's starts in the last hour. A count that part of
// the hour may be missing from can be too many, but not few enough.
func (l *alarms) starts(s alarm.Sight, p *alarm.Point, live *analysis.Live) alarm.Sight {
	if s.MonoMS < l.unsureUntil {
		s.Why = "the computer's clock was set: the starts of the last hour are not sure"
		return s
	}
	if live.Reason != "" {
		l.lastUnseenMS[p.Subject] = s.MonoMS
	}
	s.Seen, s.Value = true, float64(live.StartsLastHour)
	s.Verdict = p.Limit.Judge(s.Value)
	if s.Verdict == alarm.Bad {
		return s
	}
	if live.Reason != "" {
		s.Seen, s.Why = false, live.Reason
	} else if at, ok := l.lastUnseenMS[p.Subject]; ok && s.MonoMS-at < time.Hour.Milliseconds() {
		s.Verdict = alarm.Between
	}
	return s
}

// freeAgain is by how much more than the limit must be free for an alarm to return.
const freeAgain = 1.1

// disk is what is seen of the disk of the data directory.
func disk(s alarm.Sight, p *alarm.Point, trouble string, stats *store.Stats) alarm.Sight {
	least := float64(p.Rule.FreeBytes)
	free := float64(stats.FreeBytes)
	s.Seen, s.Verdict = true, alarm.Fine
	switch {
	case trouble != "":
		s.Verdict, s.Why = alarm.Bad, trouble
	case free < 0:
	case free < least:
		s.Verdict, s.Why = alarm.Bad, fmt.Sprintf("%.3g GB free, less than %.3g GB", free/1e9, least/1e9)
	case free < least*freeAgain:
		s.Verdict = alarm.Between
	}
	return s
}
