package agent

import (
	"context"
	"fmt"
	"time"

	"loadscribe/agent/alarm"
	"loadscribe/agent/analysis"
	"loadscribe/agent/sitefile"
)

// slowAlarm is a kind of alarm that takes work to judge.
type slowAlarm struct {
	kind  sitefile.AlarmKind
	judge func([]*alarm.Point) []alarm.Sight // one a point
}

// watchSlowAlarms judges what figures tell, apart from all that records, until ctx
// ends. What fails is blind, and tried again at its next turn.
func (a *Agent) watchSlowAlarms(ctx context.Context) error {
	kinds := a.slowAlarms()
	if len(kinds) == 0 {
		return nil
	}
	due := map[sitefile.AlarmKind]int64{}
	for wait(ctx, slowAlarmsPause) {
		for _, k := range kinds {
			mono, _ := a.clock.Now()
			if at, judged := due[k.kind]; judged && mono < at || ctx.Err() != nil {
				continue
			}
			a.judgeSlow(k)
			due[k.kind] = mono + alarmEveryMS(k.kind) - slowAlarmsPause.Milliseconds()/2
		}
	}
	return nil
}

// slowAlarms are the kinds that the site has rules of.
func (a *Agent) slowAlarms() []slowAlarm {
	var all []slowAlarm
	for _, k := range []slowAlarm{{sitefile.AlarmCycling, a.judgeCycling}, {sitefile.AlarmService, a.judgeService},
		{sitefile.AlarmCalibration, a.judgeCalibration}, {sitefile.AlarmQuiet, a.judgeQuiet}} {
		if len(a.alarms.byKind[k.kind]) > 0 {
			all = append(all, k)
		}
	}
	return all
}

// judgeSlow judges a kind once.
func (a *Agent) judgeSlow(k slowAlarm) {
	points := a.alarms.byKind[k.kind]
	sights := k.judge(points)
	mono, wall := a.clock.Now()
	a.alarms.mu.Lock()
	defer a.alarms.mu.Unlock()
	for i := range sights {
		sights[i].MonoMS, sights[i].WallMS = mono, wall
		if k.kind == sitefile.AlarmCycling && mono < a.alarms.unsureUntil {
			sights[i] = alarm.Sight{MonoMS: mono, WallMS: wall, Why: "the computer's clock was set: the load cycles of the last hour are not sure"}
		}
		a.see(points[i], sights[i])
	}
}

// unseen is a sight of nothing.
func unseen(format string, args ...any) alarm.Sight {
	return alarm.Sight{Why: fmt.Sprintf(format, args...)}
}

// leastObserved is the share of the last hour that must be observed for few load
// cycles to mean few.
const leastObserved = 0.9

// judgeCycling takes the figure load_cycles of the last hour.
func (a *Agent) judgeCycling(points []*alarm.Point) []alarm.Sight {
	now := a.end().UnixMilli()
	sights := make([]alarm.Sight, len(points))
	for i, p := range points {
		report, err := a.Figures(now-time.Hour.Milliseconds(), now, p.Subject)
		if err != nil || len(report.Machines) == 0 {
			sights[i] = unseen("its figures cannot be told: %v", err)
			continue
		}
		sights[i] = cycling(p, report.Machines[0].Figures)
	}
	return sights
}

func cycling(p *alarm.Point, figures []analysis.Figure) alarm.Sight {
	var cycles, observed *analysis.Figure
	for i := range figures {
		switch figures[i].Name {
		case "load_cycles":
			cycles = &figures[i]
		case "observed_time":
			observed = &figures[i]
		}
	}
	switch {
	case cycles == nil || cycles.Value == nil:
		why := "there is no such figure"
		if cycles != nil {
			why = cycles.Absent
		}
		return unseen("its load cycles cannot be told: %s", why)
	case observed == nil || observed.Value == nil:
		return unseen("nothing was read in the last hour")
	}
	s := alarm.Sight{Seen: true, Value: *cycles.Value, Verdict: p.Limit.Judge(*cycles.Value)}
	if s.Verdict != alarm.Bad && *observed.Value < leastObserved*time.Hour.Seconds() {
		return unseen("only %.0f %% of the last hour were read", *observed.Value/time.Hour.Seconds()*100)
	}
	return s
}

// judgeService takes the service list as the page shows it.
func (a *Agent) judgeService(points []*alarm.Point) []alarm.Sight {
	sights := make([]alarm.Sight, len(points))
	all, err := a.Service()
	now := a.Now()
	for i, p := range points {
		sights[i] = unseen("it cannot be told when it is due: %v", err)
		for k := range all {
			for j := range all[k].Items {
				if it := &all[k].Items[j]; err == nil && all[k].Machine == p.Subject && it.Item == p.Part {
					sights[i] = service(it, now, p.Rule.Ahead, a.site.Location)
				}
			}
		}
	}
	return sights
}

func service(it *analysis.ServiceItem, now time.Time, ahead time.Duration, loc *time.Location) alarm.Sight {
	due, err := time.Parse(time.RFC3339, it.Due)
	day := due.In(loc).Format(time.DateOnly)
	s := alarm.Sight{Seen: true, Verdict: alarm.Fine}
	switch {
	case it.Overdue && it.HoursLeft != nil && *it.HoursLeft < 0:
		s.Verdict, s.Why = alarm.Bad, fmt.Sprintf("due, %.0f running hours over", -*it.HoursLeft)
	case it.Overdue && err == nil:
		s.Verdict, s.Why = alarm.Bad, "due since "+day
	case it.Overdue:
		s.Verdict, s.Why = alarm.Bad, "due"
	case err != nil && it.Absent != "":
		return unseen("%s", it.Absent)
	case err != nil:
		return unseen("it cannot be told when it is due")
	case due.Sub(now) <= ahead && ahead > 0:
		s.Verdict, s.Why = alarm.Bad, "due on "+day
	}
	return s
}

// judgeCalibration takes the instruments' records.
func (a *Agent) judgeCalibration(points []*alarm.Point) []alarm.Sight {
	sights := make([]alarm.Sight, len(points))
	now := a.Now().In(a.site.Location)
	records := a.site.Instruments()
	for i, p := range points {
		sights[i] = unseen("there is no such instrument")
		for k := range records {
			if records[k].Subject == p.Part {
				sights[i] = calibration(&records[k], now, p.Rule.Ahead)
			}
		}
	}
	return sights
}

func calibration(r *sitefile.InstrumentRecord, now time.Time, ahead time.Duration) alarm.Sight {
	standing := r.Standing(now.Add(ahead), now)
	facts := r.Facts(standing)
	switch standing {
	case sitefile.Expired:
		return alarm.Sight{Seen: true, Verdict: alarm.Bad, Why: facts.CalibrationText()}
	case sitefile.NoDate, sitefile.NoEnd, sitefile.InFuture:
		return unseen("%s", facts.CalibrationText())
	}
	return alarm.Sight{Seen: true, Verdict: alarm.Fine}
}

// The weeks that quiet demand is compared over.
const (
	latestNights = 7 * 24 * time.Hour
	beforeNights = 28 * 24 * time.Hour
)

// judgeQuiet compares the nights of the last week with those of the four weeks before.
func (a *Agent) judgeQuiet(points []*alarm.Point) []alarm.Sight {
	sights := make([]alarm.Sight, len(points))
	now := a.end()
	split := now.Add(-latestNights).UnixMilli()
	for i, p := range points {
		nights, err := a.Nights(p.Subject, split-beforeNights.Milliseconds(), now.UnixMilli())
		if err != nil {
			sights[i] = unseen("its quiet hours cannot be told: %v", err)
			continue
		}
		sights[i] = quietGrowth(p, &nights, split, a.site.BarometerPa)
	}
	return sights
}

func quietGrowth(p *alarm.Point, nights *analysis.Nights, splitMS int64, barometerPa float64) alarm.Sight {
	if nights.Absent != "" {
		return unseen("%s", nights.Absent)
	}
	g := analysis.GrowthOf(nights.Nights, splitMS, barometerPa)
	if g.Absent != "" {
		return unseen("%s", g.Absent)
	}
	s := alarm.Sight{Seen: true, Value: g.Share, Verdict: p.Limit.Judge(g.Share)}
	s.Why = fmt.Sprintf("± %.0f %%, of %d quiet nights against %d before", 100*g.Half, g.Latest, g.Before)
	if s.Verdict == alarm.Bad && !g.Surely() {
		s.Verdict = alarm.Between
	}
	return s
}
