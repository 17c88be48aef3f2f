package dashboard

import (
	"math"
	"net/http"
	"slices"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// seriesAnswer is the API's SeriesAnswer.
type seriesAnswer struct {
	From    agent.Stamp      `json:"from"`
	To      agent.Stamp      `json:"to"`
	Series  []series         `json:"series"`
	Machine string           `json:"machine,omitempty"`
	Runs    []agent.StateRun `json:"runs,omitzero"`
}

type series struct {
	Channel string       `json:"channel"`
	Unit    string       `json:"unit"`
	StepMS  int64        `json:"step_ms"`
	Cells   []seriesCell `json:"cells"`
	// RawDropped: the cells are wider than asked for, raw readings being gone.
	RawDropped bool `json:"raw_dropped,omitempty"`
}

// seriesCell is one bucket; the numbers are left out of a gap.
type seriesCell struct {
	T     int64    `json:"t"`
	First *float64 `json:"first,omitempty"`
	Last  *float64 `json:"last,omitempty"`
	Min   *float64 `json:"min,omitempty"`
	Max   *float64 `json:"max,omitempty"`
	Sum   *float64 `json:"sum,omitempty"`
	Count int64    `json:"count"`
}

func (s *Server) serveSeries(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"layout", "from", "to", "points"}, "channel", "state")
	columns := q.choice("layout", "cells", "columns") == "columns"
	fromMS, toMS := q.window(s.backend.Now(), s.location(), false)
	points := q.number("points", defaultPoints, maxPoints)
	channels, err := s.channels(q, maxChannels)
	if err != nil {
		return nil, err
	}
	var machines []string // each once
	for _, name := range q.values["state"] {
		switch {
		case name == "" || slices.Contains(machines, name):
		case !s.hasMachine(name):
			return nil, s.noMachine("state", name)
		default:
			machines = append(machines, name)
		}
	}
	if len(channels) == 0 && len(machines) == 0 {
		return nil, badParameter("channel", "give channel=device.channel, state=machine, or both")
	}
	if len(channels)*points > maxCells {
		return nil, badParameter("points", "%d points of %d channels are more than %d cells: ask for fewer of either", points, len(channels), maxCells)
	}
	if columns {
		return s.columns(channels, machines, fromMS, toMS, points)
	}
	if len(machines) > 1 {
		return nil, badParameter("state", "%d machines are given: cells have the states of one; layout=columns takes several", len(machines))
	}
	a := seriesAnswer{From: agent.Stamp(fromMS), To: agent.Stamp(toMS), Series: []series{}}
	for _, c := range channels {
		one, err := s.oneSeries(c, fromMS, toMS, points)
		if err != nil {
			return nil, err
		}
		a.Series = append(a.Series, one)
	}
	if len(machines) == 1 {
		machine := machines[0]
		runs, err := s.backend.StateRuns(machine, fromMS, toMS)
		if err != nil {
			return nil, unavailable("states of %s: %v", machine, err)
		}
		a.Machine, a.Runs = machine, append([]agent.StateRun{}, runs...)
	}
	return a, nil
}

func (s *Server) oneSeries(c *scan.Channel, fromMS, toMS int64, points int) (series, *apiError) {
	found, err := s.backend.Series(c.ID(), fromMS, toMS, points)
	if err != nil {
		return series{}, unavailable("series of %s: %v", c.ID(), err)
	}
	one := series{Channel: c.ID(), Unit: c.Unit, StepMS: found.StepMS, Cells: make([]seriesCell, len(found.Cells)), RawDropped: found.RawDropped}
	for i := range found.Cells {
		one.Cells[i] = cellOf(&found.Cells[i])
	}
	return one, nil
}

func cellOf(c *store.Cell) seriesCell {
	shown := seriesCell{T: c.StartMS, Count: c.Count}
	if c.Count == 0 {
		return shown
	}
	shown.First, shown.Last, shown.Min = finite(&c.First), finite(&c.Last), finite(&c.Min)
	shown.Max, shown.Sum = finite(&c.Max), finite(&c.Sum)
	return shown
}

// finite returns nil for what JSON cannot say.
func finite(v *float64) *float64 {
	if math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	return v
}

// channels returns the channels a query names, each once. The channel's latest
// group gives its unit; one that left the site file can still be asked for.
func (s *Server) channels(q *query, most int) ([]*scan.Channel, *apiError) {
	if q.err != nil {
		return nil, q.err
	}
	ids := q.values["channel"]
	if len(ids) > most {
		return nil, badParameter("channel", "%d channels are more than %d: ask in parts", len(ids), most)
	}
	known := map[string]*scan.Channel{}
	var names []string
	for _, g := range s.backend.Groups() {
		for i := range g.Channels {
			c := &g.Channels[i]
			if known[c.ID()] == nil {
				names = append(names, c.ID())
			}
			known[c.ID()] = c
		}
	}
	var found []*scan.Channel
	seen := map[string]bool{}
	for _, id := range ids {
		c := known[id]
		if c == nil {
			return nil, notFound("channel", "channel %q is not known: there are %s", clip(id), list(names))
		}
		if !seen[id] {
			seen[id] = true
			found = append(found, c)
		}
	}
	return found, nil
}

func (s *Server) hasMachine(name string) bool {
	for i := range s.backend.Site().Machines {
		if s.backend.Site().Machines[i].Name == name {
			return true
		}
	}
	return false
}

func (s *Server) noMachine(field, name string) *apiError {
	var names []string
	for i := range s.backend.Site().Machines {
		names = append(names, s.backend.Site().Machines[i].Name)
	}
	return notFound(field, "machine %q is not in the site file: there are %s", clip(name), list(names))
}
