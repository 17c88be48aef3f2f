package sitefile

import (
	"math"
	"math/big"
	"strconv"

	"loadscribe/agent/quantity"
)

// Signal is the current or voltage that an input module measures in place of
// the quantity itself. MapChannel.Scale and Offset already lead from the raw
// value to the quantity.
type Signal struct {
	// Scale and Offset give the signal in Unit: raw·Scale + Offset.
	Scale, Offset float64
	UnitText      string
	// Sound is the range in which the signal is a measurement; outside it is
	// implausible. Nil: anything is.
	Sound *[2]float64
	// At or below FaultBelow, at or above FaultAbove, the signal says that
	// wire or transmitter is broken. Nil: there is no such level.
	FaultBelow, FaultAbove *float64
}

// The levels of a 4-20 mA loop in mA: NAMUR NE 43, from memory. From 3.8 to
// 20.5 the current is a measurement; at or under 3.6 and at or over 21 it is a
// failure; what lies between is neither.
const (
	loopLeastMA, loopGreatestMA        = 3.8, 20.5
	loopFaultBelowMA, loopFaultAboveMA = 3.6, 21.0
	liveZeroMA                         = 4.0
	pointsForm                         = `write points = [[4, 0], [20, 200]]: twice the signal and what it means in the channel's unit`
	signalForm                         = `write signal = { scale = 0.001, unit = "mA" }: how the register gives current or voltage`
)

// readSignal reads signal and points: a register that holds a current or
// voltage, and the two points of the line that leads to the quantity.
func (s *section) readSignal(c *MapChannel) {
	t := s.sub("signal")
	points, given := s.readPoints()
	if t == nil {
		if given {
			s.problem(s.table.find("points").at, "points", signalForm, "points without a signal")
		}
		return
	}
	for _, key := range []string{"scale", "offset"} {
		if e := s.table.find(key); e != nil {
			s.problem(e.at, key, "move it into signal = { … }; points do the rest", "%q and points exclude each other", key)
		}
	}
	g := &Signal{Scale: t.number("scale", 1), Offset: t.number("offset", 0)}
	if g.Scale == 0 {
		t.problem(t.table.find("scale").value.at, "scale", "leave it out for 1", "a scale of 0 makes every signal the same")
		g.Scale = 1
	}
	unit, ok := t.signalUnit(g)
	below, above := t.optional("fault_below"), t.optional("fault_above")
	t.done()
	if !given {
		if s.table.find("points") == nil {
			s.problem(s.table.find("signal").at, "points", pointsForm, "a signal without points")
		}
		return
	}
	if !ok {
		return
	}
	if unit.Dimension == quantity.Current && min(points[0][0], points[1][0])*unit.Scale >= liveZeroMA/1000*(1-1e-9) {
		mA := func(v float64) float64 { return v / 1000 / unit.Scale }
		low, high := mA(loopFaultBelowMA), mA(loopFaultAboveMA)
		g.Sound = &[2]float64{mA(loopLeastMA), mA(loopGreatestMA)}
		g.FaultBelow, g.FaultAbove = &low, &high
	}
	if below != nil {
		g.FaultBelow = below
	}
	if above != nil {
		g.FaultAbove = above
	}
	if g.FaultBelow != nil && g.FaultAbove != nil && *g.FaultBelow >= *g.FaultAbove {
		t.problem(s.table.find("signal").at, "fault_below", "fault_below is the lower limit, fault_above the upper",
			"fault levels %g and %g leave no signal between them", *g.FaultBelow, *g.FaultAbove)
		return
	}
	scale, offset := lineThrough(g, points)
	if scale == 0 || math.IsInf(scale, 0) || math.IsInf(offset, 0) {
		s.problem(s.table.find("points").value.at, "points", pointsForm, "no line goes through these points")
		return
	}
	c.Signal, c.Scale, c.Offset = g, scale, offset
}

// signalUnit reads the unit of a signal, a current or a voltage.
func (s *section) signalUnit(g *Signal) (quantity.Unit, bool) {
	e := s.need("unit", `write unit = "mA" or "V"`)
	g.UnitText = s.text("unit", "")
	if e == nil || e.value.kind != kindText {
		return quantity.Unit{}, false
	}
	u, err := quantity.ParseUnit(g.UnitText)
	if err != nil {
		s.problem(e.value.at, "unit", "", "%v", err)
		return u, false
	}
	if u.Dimension != quantity.Current && u.Dimension != quantity.Voltage {
		s.problem(e.value.at, "unit", `write unit = "mA" or "V"`, "%q is no unit of current or voltage", g.UnitText)
		return u, false
	}
	return u, true
}

// optional returns a number, or nil where it is missing or wrong.
func (s *section) optional(key string) *float64 {
	e := s.entry(key)
	if e == nil {
		return nil
	}
	f, ok := s.finite(e.value, key)
	if !ok {
		return nil
	}
	return &f
}

// readPoints reads two pairs of signal and quantity.
func (s *section) readPoints() (points [2][2]float64, ok bool) {
	e := s.entry("points")
	if e == nil {
		return points, false
	}
	if e.value.kind != kindList || len(e.value.list) != 2 {
		s.problem(e.value.at, "points", pointsForm, "two points are wanted")
		return points, false
	}
	for i, p := range e.value.list {
		if p.kind != kindList || len(p.list) != 2 {
			s.problem(p.at, "points", pointsForm, "a point is two numbers")
			return points, false
		}
		for j, v := range p.list {
			if points[i][j], ok = s.finite(v, "points"); !ok {
				return points, false
			}
		}
	}
	if points[0][0] == points[1][0] || points[0][1] == points[1][1] {
		s.problem(e.value.at, "points", pointsForm, "the two points must differ in signal and in value")
		return points, false
	}
	return points, true
}

// lineThrough folds the signal's scale and the line through two points into
// one scale and offset. It reckons exactly in the decimals that the map says,
// and rounds once, so that 0.001 mA a count and 12.5 psi/mA are 0.0125 psi.
func lineThrough(g *Signal, p [2][2]float64) (scale, offset float64) {
	sub := func(a, b *big.Rat) *big.Rat { return new(big.Rat).Sub(a, b) }
	x0, y0 := exact(p[0][0]), exact(p[0][1])
	slope := sub(exact(p[1][1]), y0)
	slope.Quo(slope, sub(exact(p[1][0]), x0))
	atZero := sub(exact(g.Offset), x0)
	atZero.Mul(atZero, slope).Add(atZero, y0)
	scale, _ = new(big.Rat).Mul(exact(g.Scale), slope).Float64()
	offset, _ = atZero.Float64()
	return scale, offset
}

// exact is the decimal that prints f most shortly: what was written. f is
// finite.
func exact(f float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(f, 'g', -1, 64))
	return r
}
