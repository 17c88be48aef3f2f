package engine

import (
	"errors"
	"fmt"
	"math"
)

// ErrInvalid is in the error of a plant or demand that cannot be played.
var ErrInvalid = errors.New("cannot be played")

// Invalid names what of a plant or demand cannot be played, and the mend.
type Invalid struct {
	Machine string // "" for the plant and the demand
	Field   string // as in the types of this package
	Problem string
}

// Error is the sentence with its subject.
func (e *Invalid) Error() string {
	if e.Machine == "" {
		return e.Field + ": " + e.Problem
	}
	return e.Machine + ": " + e.Field + ": " + e.Problem
}

// Unwrap makes it an ErrInvalid.
func (e *Invalid) Unwrap() error { return ErrInvalid }

// Validate says the first thing of a plant that cannot be played, as *Invalid.
func Validate(p *Plant) error {
	if len(p.Machines) == 0 {
		return &Invalid{"", "Machines", "there is none"}
	}
	err := first("",
		check{"VolumeM3", p.VolumeM3, 0, math.MaxFloat64, true},
		check{"InletPa", p.InletPa, 0, math.MaxFloat64, true},
		check{"OutsidePa", p.OutsidePa, 0, math.MaxFloat64, true},
		check{"MinimumPa", p.MinimumPa, 0, math.MaxFloat64, false},
		check{"SlotS", p.SlotS, 0, math.MaxFloat64, false})
	if err == nil && p.CommonDropPa != 0 {
		err = first("", check{"CommonDropPa", p.CommonDropPa, 0, math.MaxFloat64, false}, check{"CommonM3S", p.CommonM3S, 0, math.MaxFloat64, true})
	}
	if err == nil {
		err = validateSpans("", "Watch", p.Watch)
	}
	if err != nil {
		return err
	}
	for i := range p.Machines {
		if err := p.Machines[i].validate(); err != nil {
			return err
		}
	}
	return p.validateRotations()
}

// check is a value that has to lie between two others; above: and not at the least.
type check struct {
	field       string
	value       float64
	least, most float64
	above       bool
}

func first(machine string, checks ...check) error {
	for _, c := range checks {
		problem := ""
		switch {
		case math.IsNaN(c.value):
			problem = "not a number"
		case c.above && c.value <= c.least:
			problem = fmt.Sprintf("%g has to be more than %g", c.value, c.least)
		case c.value < c.least:
			problem = fmt.Sprintf("%g has to be %g or more", c.value, c.least)
		case c.value > c.most:
			problem = fmt.Sprintf("%g has to be %g or less", c.value, c.most)
		default:
			continue
		}
		return &Invalid{machine, c.field, problem}
	}
	return nil
}

func (m *Machine) validate() error {
	most, endless := math.MaxFloat64, math.Inf(1)
	err := first(m.Name,
		check{"FullFlowM3S", m.FullFlowM3S, 0, most, true},
		check{"FlowPerPa", m.FlowPerPa, 0, most, false},
		check{"RatedPa", m.RatedPa, 0, most, false},
		check{"FullPowerW", m.FullPowerW, 0, most, true},
		check{"PowerPerPa", m.PowerPerPa, -most, most, false},
		check{"UnloadedW", m.UnloadedW, 0, most, false},
		check{"UnloadStartW", m.UnloadStartW, 0, most, false},
		check{"BlowDownS", m.BlowDownS, 0, most, false},
		check{"StoppedW", m.StoppedW, 0, most, false},
		check{"StartS", m.StartS, 0, most, false},
		check{"StartW", m.StartW, 0, most, false},
		check{"DelayS", m.DelayS, 0, most, false},
		check{"RunOnS", m.RunOnS, 0, most, false},
		check{"DelayW", m.DelayW, 0, most, false},
		check{"DropPa", m.DropPa, 0, most, false},
		check{"CutInPa", m.CutInPa, 0, most, true},
		check{"CutOutPa", m.CutOutPa, m.CutInPa, most, true},
		check{"NoLoadStopS", m.NoLoadStopS, 0, endless, false},
		check{"LeastBetweenStarts", m.LeastBetweenStarts, 0, most, false})
	if err != nil {
		return err
	}
	if m.Control > VariableSpeed {
		return &Invalid{m.Name, "Control", fmt.Sprintf("there is no control %d", m.Control)}
	}
	if err := m.validateCurve(); err != nil {
		return err
	}
	if err := m.validateBand(band{m.CutInPa, m.CutOutPa, m.TargetPa}); err != nil {
		return err
	}
	return validateSpans(m.Name, "On", m.On)
}

func validateSpans(machine, field string, spans []Span) error {
	for i, s := range spans {
		if !(s.FromS < s.ToS) || i > 0 && !(spans[i-1].ToS < s.FromS) {
			return &Invalid{machine, field, fmt.Sprintf("span %d from %g to %g s is not in order", i, s.FromS, s.ToS)}
		}
	}
	return nil
}

// validateCurve also checks what belongs to part load beside the curve.
func (m *Machine) validateCurve() error {
	least := m.LeastShare
	switch m.Control {
	case LoadUnload, StartStop:
		return nil
	case Modulating:
		least = 0
	}
	if err := first(m.Name, check{"LeastShare", least, 0, 0.999, false}); err != nil {
		return err
	}
	if m.Control != VariableSpeed {
		if err := first(m.Name, check{"ModulationPa", m.ModulationPa, 0, m.CutOutPa, true}); err != nil {
			return err
		}
	}
	for i, c := range m.Curve {
		if !(c.Power >= 0) || !(c.Flow >= 0) || math.IsInf(c.Power, 0) || i > 0 && !(c.Flow > m.Curve[i-1].Flow) {
			return &Invalid{m.Name, "Curve", fmt.Sprintf("point %d (%g, %g) is not in order", i, c.Flow, c.Power)}
		}
	}
	if n := len(m.Curve); n > 0 && (n < 2 || m.Curve[0].Flow > least || m.Curve[n-1].Flow != 1) {
		return &Invalid{m.Name, "Curve", fmt.Sprintf("has to go from a flow of %g or less to 1", least)}
	}
	return nil
}

// validateBand checks what the machine does at the ends of a band.
func (m *Machine) validateBand(b band) error {
	if b.inPa <= 0 {
		return &Invalid{m.Name, "CutInPa", fmt.Sprintf("at the last rank of its rotation it is %g Pa: make StepPa less", b.inPa)}
	}
	if m.Control == VariableSpeed {
		if err := first(m.Name, check{"TargetPa", b.targetPa, 2 * holdPa, b.outPa - 2*holdPa, true}); err != nil {
			return err
		}
	}
	l := lawOf(m, b, common{})
	if b.inPa >= l.outPa {
		return &Invalid{m.Name, "CutOutPa", fmt.Sprintf("lies %g Pa above the cut-in, and the drop to the stores at the flow of unloading is %g Pa: it would unload as soon as it loads",
			b.outPa-b.inPa, b.outPa-l.outPa)}
	}
	for i := range l.pieces {
		if l.pieces[i].flowPerPa > 0 || i > 0 && l.pieces[i].fromPa >= l.pieces[i].toPa {
			return &Invalid{m.Name, "LeastShare", "the flow does not fall with the pressure"}
		}
	}
	lastPiece := &l.pieces[len(l.pieces)-1]
	highPa := max(b.outPa, lastPiece.atPa)
	if f := lastPiece.flowM3S + lastPiece.flowPerPa*(highPa-lastPiece.atPa); f < 0 {
		return &Invalid{m.Name, "FlowPerPa", "no flow is left at the cut-out"}
	}
	if w := l.pieces[0].powerW - l.pieces[0].powerPerPa*l.pieces[0].atPa; w < 0 {
		return &Invalid{m.Name, "PowerPerPa", "no power is left at no pressure"}
	}
	return nil
}

func (p *Plant) validateRotations() error {
	turns := map[int]bool{}
	for i := range p.Rotations {
		r := &p.Rotations[i]
		err := first("", check{"Rotations.EveryS", r.EveryS, 1, math.Inf(1), false},
			check{"Rotations.StepPa", r.StepPa, 0, math.MaxFloat64, false})
		if err != nil {
			return err
		}
		if math.IsNaN(r.FirstS) || math.IsInf(r.FirstS, -1) {
			return &Invalid{"", "Rotations.FirstS", "not a time"}
		}
		for _, m := range r.Members {
			if m < 0 || m >= len(p.Machines) || turns[m] {
				return &Invalid{"", "Rotations.Members", fmt.Sprintf("%d is no machine, or one twice", m)}
			}
			turns[m] = true
		}
		for rank := range r.Members {
			for _, m := range r.Members {
				if err := p.Machines[m].validateBand(r.band(p, m, rank)); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// validateStretches checks the demand.
func validateStretches(p *Plant, demand []Stretch) error {
	endS := math.Inf(-1)
	for i := range demand {
		s := &demand[i]
		field := fmt.Sprintf("stretch %d", i)
		if !(s.StartS >= max(0, endS-1e-6)) || math.IsInf(s.StartS, 0) {
			return &Invalid{"", field, fmt.Sprintf("begins at %g s, before the last ends or the window begins", s.StartS)}
		}
		if !(s.StartPa > -p.OutsidePa) || math.IsInf(s.StartPa, 0) {
			return &Invalid{"", field, fmt.Sprintf("begins at %g Pa", s.StartPa)}
		}
		if s.Begin != nil && len(s.Begin) != len(p.Machines) {
			return &Invalid{"", field, fmt.Sprintf("%d machines begin, and there are %d", len(s.Begin), len(p.Machines))}
		}
		for j := range s.Begin {
			if b := s.Begin[j]; b.State >= NumStates || !(b.ForS >= 0) || !(b.SinceS >= 0) {
				return &Invalid{p.Machines[j].Name, field, fmt.Sprintf("cannot begin as %+v", b)}
			}
		}
		endS = s.StartS
		for j, g := range s.Segments {
			if !(g.Seconds > 0) || math.IsInf(g.Seconds, 0) || !finite(g.DemandM3S) || !finite(g.AtPa) ||
				!finite(g.FollowM3SPerPa) || g.FollowM3SPerPa < 0 {
				return &Invalid{"", fmt.Sprintf("%s, segment %d", field, j), fmt.Sprintf("%+v is no demand", g)}
			}
			endS += g.Seconds
		}
	}
	return nil
}

func finite(f float64) bool { return !math.IsNaN(f) && !math.IsInf(f, 0) }
