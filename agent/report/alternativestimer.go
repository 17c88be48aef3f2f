package report

import (
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

// timersS are no-load stops that are tried where a shorter one is.
func timersS() []float64 { return []float64{180, 300, 600} }

// Between what is tried at all.
const (
	leastTimerStops = 3 // stops that show a timer
	longestTimerS   = 1800
)

// timer: a longer no-load stop where starts come near their limit, else the shortest
// that spares unloaded running and keeps the starts within it.
func (a *alternatives) timer() *replay.Alternative {
	for _, m := range a.machines {
		if m.Control.PartLoad() && m.Control != sitefile.ModulateThenUnload || m.Control == sitefile.StartStop {
			continue
		}
		unloads := unloadsOf(a.b.data.Runs[m.Name])
		limit, startsMost, short := a.startsOf(m)
		now := unloads.timerS(m.NoLoadStop.Seconds())
		if short && now > 0 && 2*now <= longestTimerS && startsMost >= limit/2 && unloads.spared(2*now) {
			return a.stop(m, "longer", 60*math.Round(2*now/60))
		}
		if s := unloads.shorter(now, limit); s > 0 {
			return a.stop(m, "shorter", s)
		}
	}
	return nil
}

func (a *alternatives) stop(m machineAt, word string, s float64) *replay.Alternative {
	name := word + " no-load stop"
	if len(a.machines) > 1 {
		name += " of " + m.Name
	}
	value := fmt.Sprintf("%.0f s", s)
	if s == float64(int(s/60)*60) {
		value = fmt.Sprintf("%.0f min", s/60)
	}
	return &replay.Alternative{Name: name + ", " + value, Set: []replay.Setting{{Key: m.Name + ".no_load_stop", Value: value}}}
}

// startsOf are the most starts an hour that the motor should make, those it made, and
// whether either they or the shortest rest are beyond what it should.
func (a *alternatives) startsOf(m machineAt) (limit, most float64, beyond bool) {
	limit = usualStarts
	if r := a.b.ofMachine(m.at, "starts_per_hour_max"); r.has() {
		most = *r.Value
		if r.Limit != nil {
			limit = *r.Limit
		}
	}
	beyond = most > limit
	if r := a.b.ofMachine(m.at, "shortest_rest"); r.has() && r.Limit != nil {
		beyond = beyond || *r.Value < *r.Limit
	}
	return limit, most, beyond
}

// unloaded is the time a machine ran without load at a stretch.
type unloaded struct {
	fromMS int64
	s      float64
	stops  bool    // the motor stopped at its end
	restS  float64 // how long it then stood
}

type unloads []unloaded

func unloadsOf(runs []analysis.Run) (all unloads) {
	for i, run := range runs {
		if run.State != analysis.Unloaded {
			continue
		}
		one := unloaded{fromMS: run.FromMS, s: float64(run.ToMS-run.FromMS) / 1000}
		for _, then := range runs[i+1:] {
			if then.State != analysis.Off && then.State != analysis.Standby && then.State != analysis.Stopped {
				break
			}
			one.stops = true
			one.restS += float64(then.ToMS-then.FromMS) / 1000
		}
		all = append(all, one)
	}
	return all
}

// spared reports a timer that would have left out half of the stops: those after
// which air was wanted again before it had run out.
func (u unloads) spared(timerS float64) bool {
	stops, left := 0, 0
	for _, one := range u {
		if one.stops {
			stops++
			if one.s+one.restS > timerS {
				left++
			}
		}
	}
	return stops > 0 && 2*left <= stops
}

// timerS is after how long it stops: as seen, else as the site file has it; 0: never.
func (u unloads) timerS(fileS float64) float64 {
	var lengths []float64
	for _, one := range u {
		if one.stops {
			lengths = append(lengths, one.s)
		}
	}
	if len(lengths) < leastTimerStops {
		return fileS
	}
	slices.Sort(lengths)
	return lengths[len(lengths)/2]
}

// shorter is the shortest timer that spares a twentieth of the unloaded time and stops
// the motor no more often in any hour than it may start; 0: there is none.
func (u unloads) shorter(nowS, limit float64) float64 {
	var all float64
	for _, one := range u {
		all += one.s
	}
	for _, s := range timersS() {
		if nowS > 0 && s > 0.8*nowS {
			break
		}
		var spared float64
		for _, one := range u {
			spared += max(0, one.s-s)
		}
		if spared >= worthShare*all && spared > 0 && float64(u.mostIn(3_600_000, s)) <= limit {
			return s
		}
	}
	return 0
}

// mostIn is how many unloads longer than a timer lie in any such time.
func (u unloads) mostIn(windowMS int64, timerS float64) (most int) {
	var ends []int64
	for _, one := range u {
		if one.s <= timerS {
			continue
		}
		ends = append(ends, one.fromMS+int64(timerS*1000))
		for ends[len(ends)-1]-ends[0] >= windowMS {
			ends = ends[1:]
		}
		most = max(most, len(ends))
	}
	return most
}
