package simulator

import (
	"fmt"
	"time"
)

// Valve is shut by hand each week between two moments, and keeps everything
// behind a part from the air before it: users and leaks take what the volumes
// behind it hold.
type Valve struct {
	Name        string
	After       string // a part with a volume, not the last one
	From, Until Moment
	// LeakM3S passes it while shut, at a difference of LeakAtPa.
	LeakM3S  float64
	LeakAtPa float64
}

// valve is one in the plant: it sits in a link.
type valve struct {
	spec       *Valve
	link       int
	shut       bool
	resistance float64 // while shut; 0: tight
}

// buildValves puts the scenario's valves into the links behind their parts.
func (w *World) buildValves() {
	volume, at := 0, map[string]int{}
	for _, p := range w.scenario.Parts {
		if p.VolumeM3 > 0 {
			at[p.Name] = volume
			volume++
		}
	}
	for i := range w.scenario.Valves {
		v := valve{spec: &w.scenario.Valves[i]}
		v.link = at[v.spec.After]
		if q := v.spec.LeakM3S; q > 0 {
			v.resistance = v.spec.LeakAtPa / (q * q)
		}
		w.valves = append(w.valves, v)
	}
}

// turnValves opens and shuts them.
func (w *World) turnValves(now Moment) {
	for i := range w.valves {
		v := &w.valves[i]
		if shut := now.within(v.spec.From, v.spec.Until); shut != v.shut {
			v.shut = shut
			w.truth.valve(v.spec.Name, shut, w.now)
		}
	}
}

// passes is the flow through a link that has no valve shut, or what such a
// valve lets by.
func (w *World) passes(i int, deltaPa float64) float64 {
	l := &w.links[i]
	for k := range w.valves {
		if v := &w.valves[k]; v.shut && v.link == i {
			if v.resistance == 0 {
				return 0
			}
			return linkFlow(deltaPa, l.resistance+v.resistance, l.stepPaSM3)
		}
	}
	return linkFlow(deltaPa, l.resistance, l.stepPaSM3)
}

// validateValves checks that each sits between two volumes.
func (s *Scenario) validateValves(bad func(string, ...any)) {
	between := map[string]bool{}
	last := ""
	for _, p := range s.Parts {
		if p.VolumeM3 > 0 {
			if last != "" {
				between[last] = true
			}
			last = p.Name
		}
	}
	names := map[string]bool{}
	for i, v := range s.Valves {
		if v.Name == "" || names[v.Name] {
			bad("valve %d: name %q is empty or taken", i+1, v.Name)
		}
		names[v.Name] = true
		if !between[v.After] {
			bad("valve %q: after: %q is not a receiver or piping with another one behind it", v.Name, v.After)
		}
		if v.From == v.Until {
			bad("valve %q: from, until: it is shut between two moments that differ, like from = \"Sun 09:00\" until = \"Sun 11:00\"", v.Name)
		}
		if v.LeakM3S < 0 || v.LeakM3S > 0 && !(v.LeakAtPa > 0) {
			bad("valve %q: leak must not be negative, leak_at above zero", v.Name)
		}
	}
}

// ValveSpan is a time in which a valve was shut; To is zero while it lasts.
type ValveSpan struct {
	Name string    `json:"name"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

type valveSpan struct {
	name     string
	from, to int64 // to is -1 while it lasts
}

// valve logs that a valve was shut or opened.
func (t *Truth) valve(name string, shut bool, step int64) {
	if shut {
		t.valves = append(t.valves, valveSpan{name, step, -1})
		return
	}
	for k := range t.valves {
		if v := &t.valves[k]; v.name == name && v.to < 0 {
			v.to = step
		}
	}
}

// Valves lists the times from [from, to) on in which a valve was shut.
func (t *Truth) Valves(from, to time.Time) []ValveSpan {
	var list []ValveSpan
	for _, v := range t.valves {
		if at := t.time(v.from); at.Before(from) || !at.Before(to) {
			continue
		}
		span := ValveSpan{Name: v.name, From: t.time(v.from)}
		if v.to >= 0 {
			span.To = t.time(v.to)
		}
		list = append(list, span)
	}
	return list
}

// valveFile reads a valve of a scenario's file.
type valveFile struct {
	Name   string `toml:"name"`
	After  string `toml:"after"`
	From   string `toml:"from"`
	Until  string `toml:"until"`
	Leak   string `toml:"leak"`
	LeakAt string `toml:"leak_at"`
}

func (f *valveFile) valve(r *reader) Valve {
	key := fmt.Sprintf("valve %q: ", f.Name)
	return Valve{Name: f.Name, After: f.After, From: r.moment(key+"from", f.From), Until: r.moment(key+"until", f.Until),
		LeakM3S: r.flow(key+"leak", f.Leak), LeakAtPa: r.gauge(key+"leak_at", f.LeakAt, "100 psi")}
}

// Shut reports whether a valve of the scenario is shut at a time in Unix ms.
func (s *Scenario) Shut(v *Valve, wallMS int64) bool {
	return momentOf(time.UnixMilli(wallMS).In(s.Location)).within(v.From, v.Until)
}
