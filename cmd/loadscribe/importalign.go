package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"loadscribe/agent/align"
	"loadscribe/agent/intake"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// recordName is the other store among the loggers to align to.
const recordName = "record"

// found is what aligning one logger came to.
type found struct {
	logger, by string
	alignment  align.Alignment
	err        error
}

// transitionRoles are the roles whose transitions are compared, the sharpest
// first.
var transitionRoles = []scan.Role{scan.Loaded, scan.LoadCommand, scan.Power, scan.MotorCurrent, scan.MotorRunning, scan.Flow,
	scan.DischargePressure, scan.ReceiverPressure, scan.HeaderPressure}

// follows reports a role that goes up only some seconds after the machine
// loads: the sump must fill first.
func follows(r scan.Role) bool { return r == scan.Flow || turns(r) }

// turns reports a role whose turning points tell of loads and unloads.
func turns(r scan.Role) bool {
	return r == scan.DischargePressure || r == scan.ReceiverPressure || r == scan.HeaderPressure
}

// track is one channel of one logger over the whole time.
type track struct {
	id       string
	role     scan.Role
	periodMS int64
	times    []int64
	values   []float64
}

func (t *track) edges(o align.Options) []align.Edge {
	o.Turns = turns(t.role)
	return align.Edges(t.times, t.values, o)
}

// align finds the clocks of all loggers but the reference, and sets them in the
// mapping.
func (b *bringing) align() error {
	reference, err := b.reference()
	if err != nil {
		return misuse{err}
	}
	tracks, err := b.tracks()
	if err != nil {
		return err
	}
	for i := range b.mapping.Loggers {
		l := &b.mapping.Loggers[i]
		if l.Name == reference || b.read(l.Name) == nil {
			continue
		}
		f := alignOne(tracks[reference], tracks[l.Name], l.Clock != intake.Clock{})
		f.logger = l.Name
		b.found = append(b.found, f)
		b.answer.Aligned = append(b.answer.Aligned, shownAlignment(&f, reference))
		if f.err == nil {
			l.Clock = alignedClock(l.Clock, &f.alignment)
		}
	}
	if len(b.found) == 0 {
		return misuse{errors.New("--align: there is one logger only; two are needed, or --record")}
	}
	for _, f := range b.found {
		if f.err != nil && b.c.Yes {
			return fmt.Errorf("the clock of %s is not found: %w; nothing was imported; give its clock in the mapping as [logger.clock] offset, or leave --align out", f.logger, f.err)
		}
	}
	return b.check() // with the clocks as they are now
}

// read is what was found of a logger, nil if it has no file.
func (b *bringing) read(name string) *intake.LoggerReport {
	i := slices.IndexFunc(b.answer.report.Loggers, func(l intake.LoggerReport) bool { return l.Name == name })
	if i < 0 {
		return nil
	}
	return &b.answer.report.Loggers[i]
}

func (b *bringing) reference() (string, error) {
	name := b.c.AlignTo
	switch {
	case name == recordName || name == "" && b.record != nil:
		return recordName, nil
	case name == "":
		return b.mapping.Loggers[0].Name, nil
	case b.mapping.Logger(name) == nil:
		var names []string
		for i := range b.mapping.Loggers {
			names = append(names, b.mapping.Loggers[i].Name)
		}
		return "", fmt.Errorf("--align-to %s: the mapping's loggers are %s", name, strings.Join(names, ", "))
	}
	return name, nil
}

// tracks reads the channels whose transitions tell of a machine's, by logger.
func (b *bringing) tracks() (map[string][]*track, error) {
	owner := map[string]string{}
	for _, l := range b.answer.report.Loggers {
		for _, g := range l.Groups {
			owner[g.Device+" "+g.Every] = l.Name
		}
	}
	all := tracking{roles: map[string]scan.Role{}, tracks: map[string][]*track{}, of: map[*scan.Group][]*track{}}
	for i := range b.site.Machines {
		for role, id := range b.site.Machines[i].Roles {
			all.roles[id] = role
		}
	}
	err := b.in.Scans(b.s.ctx, nil, func(s *scan.Scan) error {
		all.take(owner[s.Group.Device+" "+s.Group.Name], s)
		return nil
	})
	if err != nil || b.record == nil {
		return all.tracks, err
	}
	const reachMS = 26 * 3600_000 // how far clocks may be apart
	r := &b.answer.report
	err = b.record.Scans(store.ScanQuery{FromMS: r.FromMS - reachMS, ToMS: r.ToMS + reachMS}, func(s *scan.Scan) error {
		all.take(recordName, s)
		return b.s.ctx.Err()
	})
	return all.tracks, err
}

type tracking struct {
	roles  map[string]scan.Role // by channel id, as the machines have them
	tracks map[string][]*track  // by logger
	of     map[*scan.Group][]*track
}

func (t *tracking) take(logger string, s *scan.Scan) {
	list, known := t.of[s.Group]
	if !known {
		list = make([]*track, len(s.Group.Channels))
		for i := range s.Group.Channels {
			c := &s.Group.Channels[i]
			role := c.Role
			if r, ok := t.roles[c.ID()]; ok {
				role = r
			}
			if slices.Contains(transitionRoles, role) {
				list[i] = &track{id: c.ID(), role: role, periodMS: s.Group.PeriodMS}
				t.tracks[logger] = append(t.tracks[logger], list[i])
			}
		}
		t.of[s.Group] = list
	}
	for i, track := range list {
		if track == nil {
			continue
		}
		value := math.NaN()
		if raw, ok := s.Get(i); ok {
			value = s.Group.Channels[i].Value(raw)
		}
		track.times, track.values = append(track.times, s.WallMS), append(track.values, value)
	}
}

// alignOne compares channels of two loggers, those of one role first, until a
// pair tells the clock. hinted: the other's clock was given and is about right.
func alignOne(reference, other []*track, hinted bool) found {
	best := func(list []*track) []*track {
		list = slices.Clone(list)
		slices.SortStableFunc(list, func(x, y *track) int {
			return slices.Index(transitionRoles, x.role) - slices.Index(transitionRoles, y.role)
		})
		return list
	}
	reference, other = best(reference), best(other)
	f := found{err: errors.New("no channel of both shows loads and unloads: one of each must have a role such as loaded, power, motor_current, motor_running, flow or discharge_pressure")}
	for _, same := range []bool{true, false} {
		for _, x := range reference {
			for _, y := range other {
				if (x.role == y.role) != same {
					continue
				}
				a, err := matchTracks(x, y, hinted)
				f = found{by: x.id + " and " + y.id, alignment: a, err: err}
				if err == nil {
					return f
				}
			}
		}
	}
	return f
}

func matchTracks(x, y *track, hinted bool) (align.Alignment, error) {
	o := align.Options{PeriodMS: float64(max(x.periodMS, y.periodMS))}
	if follows(x.role) != follows(y.role) {
		o.Prompt = align.Falls
	}
	a, err := align.Match(x.edges(o), y.edges(o), o)
	if errors.Is(err, align.ErrAmbiguous) && hinted {
		near := 0.0
		o.HintMS = &near
		return align.Match(x.edges(o), y.edges(o), o)
	}
	return a, err
}

// alignedClock is a logger's clock with what alignment found on top of it.
func alignedClock(c intake.Clock, a *align.Alignment) intake.Clock {
	given, more := c.DriftPPM/1e6, a.DriftPPM/1e6
	at := float64(a.AtMS) // a stamp of the logger's own
	t := c.OffsetMS + given*(at-float64(c.AtMS))
	return intake.Clock{AtMS: a.AtMS, OffsetMS: t + a.OffsetMS + more*t, DriftPPM: (given + more + given*more) * 1e6}
}

func shownAlignment(f *found, reference string) importAligned {
	a := importAligned{Logger: f.logger, Against: reference, By: f.by}
	if f.err != nil {
		a.Absent = f.err.Error()
		return a
	}
	a.OffsetS, a.DriftPPM, a.UncertaintyS = f.alignment.OffsetMS/1000, f.alignment.DriftPPM, f.alignment.UncertaintyMS/1000
	a.Matched, a.Of, a.Text = f.alignment.Matched, f.alignment.Of, f.alignment.Describe(f.logger, reference)
	return a
}

// alignedText is the sentence of the event; empty: no clock was aligned.
func (b *bringing) alignedText() string {
	var all []string
	for _, a := range b.answer.Aligned {
		all = append(all, a.Text+" (by "+a.By+")")
	}
	return strings.Join(all, "\n")
}
