package analysis

import (
	"fmt"

	"loadscribe/agent/gum"
)

// beforeMeter is what is taken before a system's flow meter, which does not count it:
// a dryer's purge, drains. It is part of what the machines must give.
type beforeMeter struct {
	flow []float64 // m³/s, by place in the balance's minutes
	mean gum.Value // over the replayed minutes
}

// findBeforeMeter sums what the site file says of it up, each user at the minute's
// pressure and, where it takes air only then, while a machine ran.
func (r *replayMaker) findBeforeMeter() {
	at := flowTap(r.sys)
	if !r.b.metered || at == "" {
		return
	}
	ran := r.ranShares()
	for _, u := range quietUsers(r.site, r.sys) {
		if !u.known || !before(r.sys, u.part, at) {
			continue
		}
		if r.before.flow == nil {
			r.before.flow = make([]float64, len(r.b.minutes))
		}
		var mean float64
		for _, i := range r.minutes {
			m := &r.b.minutes[i]
			by := u.at(float64((m.startPa+m.endPa)/2)+r.site.BarometerPa, ran[i]).V
			r.before.flow[i] += by
			mean += by / float64(len(r.minutes))
		}
		if u.flow.V > 0 {
			r.before.mean = r.before.mean.Plus(u.flow.Scaled(mean / u.flow.V))
		}
		r.rec.Inputs = append(r.rec.Inputs, fmt.Sprintf("%s, before the flow meter, by the site file", u.name))
	}
}

// ranShares are the shares of the balance's minutes in which a machine ran.
func (r *replayMaker) ranShares() []float64 {
	all := make([]float64, len(r.b.minutes))
	for _, s := range r.machines {
		here := make([]float64, len(all))
		for _, t := range s.g.stretches() {
			if t.state.Running() {
				r.b.over(t.from, t.to, func(i int, ms int64) { here[i] += float64(ms) / minuteMS })
			}
		}
		for i, share := range here {
			all[i] = max(all[i], min(1, share)) // machines that run side by side purge one dryer
		}
	}
	return all
}

// at is what was taken before the meter in a minute, m³/s.
func (b *beforeMeter) at(i int) float64 {
	if b.flow == nil {
		return 0
	}
	return b.flow[i]
}
