package analysis

import (
	"fmt"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

const (
	// What the site file says of purge, drains and night users is a data sheet's or
	// somebody's estimate: taken within this share (common practice, no source).
	userLimit = 0.20
	// A dryer's purge is named at 7 bar(g) (ISO 7183, from memory).
	purgeAtPa = 700_000.0
)

// quietUser is what takes air in quiet hours and is no leak.
type quietUser struct {
	name string
	// flow is m³/s at the pressure atPa, absolute, which it follows; atPa 0: it
	// takes the same at any pressure.
	flow gum.Value
	atPa float64
	part string // where it takes it; empty: not known
	// running: it takes it only while a machine runs.
	running bool
	note    string
	known   bool
}

// at is what the user takes over the minutes, at an absolute pressure.
func (u *quietUser) at(pa, runningShare float64) gum.Value {
	f := u.flow
	if u.atPa > 0 {
		f = f.Scaled(pa / u.atPa)
	}
	if u.running {
		f = f.Scaled(runningShare)
	}
	return f
}

// quietUsers lists a system's.
func quietUsers(site *sitefile.Site, sys *sitefile.System) (all []quietUser) {
	outside := site.BarometerPa
	add := func(u quietUser, flowM3S float64) {
		u.known = flowM3S > 0
		u.flow = gum.New(flowM3S, rectangular(userLimit*flowM3S), fmt.Sprintf("%s by the site file (assumed within %.0f %%)", u.name, 100*userLimit))
		all = append(all, u)
	}
	for i := range sys.Parts {
		p := &sys.Parts[i]
		if p.PurgeShare == 0 {
			continue
		}
		u := quietUser{name: "purge of " + p.Name, part: p.Name, atPa: purgeAtPa + outside, running: p.PurgeWhile == sitefile.PurgeRunning,
			note: "share of the rated flow, named at 7 bar(g), follows the absolute pressure"}
		if u.running {
			u.note += ", while a machine runs"
		}
		add(u, float64(p.PurgeShare*ratedFlowM3S(site, sys)))
	}
	for i := range sys.Drains {
		d := &sys.Drains[i]
		u := quietUser{name: d.Name, part: d.Part, note: fmt.Sprintf("open for %s of every %s", inWords(d.Open.Milliseconds()), inWords(d.Every.Milliseconds()))}
		if d.AtPa > 0 {
			u.atPa = d.AtPa + outside
			u.note += ", follows the absolute pressure"
		}
		add(u, float64(d.FlowM3S*(d.Open.Seconds()/d.Every.Seconds())))
	}
	for i := range sys.NightUsers {
		n := &sys.NightUsers[i]
		u := quietUser{name: n.Name, note: "takes the same at any pressure"}
		if n.FlowM3S == 0 {
			u.note = "its flow is not known: not separable, the leak holds it"
		}
		add(u, n.FlowM3S)
	}
	return all
}

// before reports whether a part lies before another in the air's way.
func before(sys *sitefile.System, part, other string) bool {
	at := func(name string) int {
		for i := range sys.Parts {
			if sys.Parts[i].Name == name {
				return i
			}
		}
		return -1
	}
	a, z := at(part), at(other)
	return a >= 0 && z >= 0 && a < z
}

// runningIn is the share of minutes in which a machine of the system runs.
func (b *airBalance) runningIn(minutes []int, machines []*sheet) float64 {
	ran := make(map[int]int64, len(minutes))
	for _, i := range minutes {
		ran[i] = 0
	}
	for _, m := range machines {
		here := map[int]int64{}
		for _, t := range m.g.stretches() {
			if t.state.Running() {
				b.over(t.from, t.to, func(i int, ms int64) { here[i] += ms })
			}
		}
		for i, ms := range here {
			if most, chosen := ran[i]; chosen {
				ran[i] = max(most, ms) // machines that run side by side purge one dryer
			}
		}
	}
	var sum int64
	for _, ms := range ran {
		sum += ms
	}
	if len(minutes) == 0 {
		return 0
	}
	return float64(sum) / float64(int64(len(minutes))*minuteMS)
}
