package poll

import (
	"math"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// signalLimits judges a measured current or voltage before it counts as the
// quantity it stands for. The zero value lets everything pass.
type signalLimits struct {
	given         bool
	scale, offset float64
	below, above  float64 // at or beyond: a broken wire or transmitter
	low, high     float64 // outside: no measurement
}

func newSignalLimits(g *sitefile.Signal) signalLimits {
	if g == nil {
		return signalLimits{}
	}
	l := signalLimits{given: true, scale: g.Scale, offset: g.Offset,
		below: math.Inf(-1), above: math.Inf(1), low: math.Inf(-1), high: math.Inf(1)}
	// What lies exactly on a limit must stay there whatever rounding does:
	// 3600 counts of 0.001 are the 3.6 of the limit.
	slack := func(edge float64) float64 { return 1e-12 * (math.Abs(edge) + math.Abs(g.Offset)) }
	if g.FaultBelow != nil {
		l.below = *g.FaultBelow + slack(*g.FaultBelow)
	}
	if g.FaultAbove != nil {
		l.above = *g.FaultAbove - slack(*g.FaultAbove)
	}
	if g.Sound != nil {
		l.low, l.high = g.Sound[0]-slack(g.Sound[0]), g.Sound[1]+slack(g.Sound[1])
	}
	return l
}

// judge returns the quality of a signal, from the raw value's number.
func (l *signalLimits) judge(counts float64) scan.Reason {
	if !l.given {
		return scan.Good
	}
	switch v := counts*l.scale + l.offset; {
	case v <= l.below || v >= l.above:
		return scan.SensorFault
	case v < l.low || v > l.high:
		return scan.Implausible
	}
	return scan.Good
}
