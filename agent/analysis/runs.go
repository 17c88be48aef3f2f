package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Run is an unbroken stretch of one state. Times are Unix ms UTC, half open.
type Run struct {
	State        State
	FromMS, ToMS int64
	Reason       string // why unobserved; empty where it is not known
}

// StateRuns returns what the machine did in the window, without holes: what is
// not known is a Run of Unobserved.
func StateRuns(src Source, site *sitefile.Site, machine string, fromMS, toMS int64) ([]Run, error) {
	sp, err := specOf(src, site, machine)
	if err != nil || fromMS >= toMS {
		return nil, err
	}
	g := &gathered{sp: sp}
	if sp.hasStates {
		if g, err = gather(src, sp, fromMS, toMS, nil); err != nil {
			return nil, err
		}
	}
	return g.runs(fromMS, toMS), nil
}

// runs is what was gathered, cut to a window in it.
func (g *gathered) runs(fromMS, toMS int64) []Run {
	sp := g.sp
	if !sp.hasStates {
		return []Run{{Unobserved, fromMS, toMS, sp.statesAbsent}}
	}
	b := &band{at: fromMS, to: toMS}
	if g.entry != nil {
		if g.entry.known {
			b.state = g.entry.state
		} else if g.entry.hasLast {
			b.reason = g.entry.bad.String()
		}
	}
	gaps := g.total.gaps
	for _, t := range g.total.transitions {
		if t.fresh {
			if len(gaps) > 0 && gaps[0].to == t.wall {
				b.until(gaps[0].from, Unobserved, gaps[0].reason.String())
				b.reason = gaps[0].reason.String()
				gaps = gaps[1:]
			}
		}
		b.until(t.wall, t.state, "")
	}
	// After a start of the agent, or a step of the clock, the state is not known
	// until the first good scan: the one before ended with the last good scan.
	if g.exit != nil && g.exit.hasLast && (!g.exit.known || toMS-g.exit.lastWall > sp.chans[sp.master].gapMS) {
		why := g.exit.bad
		if why == scan.Good {
			why = scan.AgentStopped
		}
		b.until(g.exit.lastWall, Unobserved, why.String())
	}
	b.until(toMS, Unobserved, "")
	return b.runs
}

func specOf(src Source, site *sitefile.Site, machine string) (*spec, error) {
	m, ok := site.MachineByName(machine)
	if !ok {
		return nil, fmt.Errorf("machine %q is not in the site file", machine)
	}
	return machineSpec(site, sitefile.Groups(site), m, calibrationsOf(src)[m.Name]), nil
}

// band builds runs from left to right.
type band struct {
	runs   []Run
	at, to int64
	state  State
	reason string
}

// until ends the current run at a wall time and sets what follows. Times that
// lie outside the window, or behind after a step of the clock, are moved in.
func (b *band) until(wall int64, next State, reason string) {
	wall = min(max(wall, b.at), b.to)
	if wall > b.at {
		last := len(b.runs) - 1
		if last >= 0 && b.runs[last].State == b.state && b.runs[last].Reason == b.reason {
			b.runs[last].ToMS = wall
		} else {
			b.runs = append(b.runs, Run{b.state, b.at, wall, b.reason})
		}
		b.at = wall
	}
	b.state, b.reason = next, reason
}

// Interval is one 15-minute cell of one machine, for /api/v1/intervals.
type Interval struct {
	Start      string             `json:"start"` // RFC 3339 UTC
	ObservedS  float64            `json:"observed_s"`
	States     map[string]float64 `json:"states"`               // s by state
	EnergyKWh  *float64           `json:"energy_kwh,omitempty"` // left out where not read
	Starts     int64              `json:"starts"`
	LoadCycles int64              `json:"load_cycles"`
}

// Intervals returns the cells that overlap the window, whole. Cells in which
// nothing was recorded are left out.
func Intervals(src Source, site *sitefile.Site, machine string, fromMS, toMS int64) ([]Interval, error) {
	sp, err := specOf(src, site, machine)
	if err != nil || fromMS >= toMS {
		return nil, err
	}
	g, err := gather(src, sp, cellOf(fromMS), cellOf(toMS-1)+cellMS, nil)
	if err != nil {
		return nil, err
	}
	counter := sp.find(scan.Energy)
	all := make([]Interval, 0, len(g.cells))
	for i := range g.cells {
		c := &g.cells[i]
		v := Interval{Start: stamp(c.from), States: map[string]float64{}, Starts: c.d.starts, LoadCycles: c.d.loads}
		for st, ms := range c.d.stateMS {
			v.ObservedS += float64(ms) / 1000
			if ms > 0 && State(st) != Unobserved {
				v.States[State(st).String()] = float64(ms) / 1000
			}
		}
		joules := math.NaN()
		if drawn := c.d.drawn(); sp.drawsPower() && drawn.ms > 0 {
			joules = sp.chans[sp.draw].integral(drawn).v
		} else if counter >= 0 && c.d.counterMS[sp.chans[counter].slot] > 0 {
			joules = sp.chans[counter].rise(c.d.counters[sp.chans[counter].slot]).V
		}
		if !math.IsNaN(joules) {
			kWh := joules / joulesPerKWh
			v.EnergyKWh = &kWh
		}
		all = append(all, v)
	}
	return all, nil
}
