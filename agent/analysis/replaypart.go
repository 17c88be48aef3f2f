package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

const (
	// A part-load curve is seen where so many quarter hours lie over so much of the
	// flow share.
	leastCurveCells, leastCurveSpread = 12, 0.2
	leastPartMS                       = 300_000 // of a quarter hour delivering
	curvePoints                       = 6
	// Of the least shares seen: this one of a hundred is taken, and is known to so much.
	leastShareQuantile, leastShareLimit = 0.02, 0.04
	leastShareMinutes                   = 30
	seenLeast                           = 5 // unloads from part load, for its least share to have been reached
	// Modulation is told by the line of flow share over pressure.
	leastModulationMinutes = 30
	leastModulationFit     = 0.6 // of the variance that the line explains
)

// handbookSlope is d(power)/d(flow), both shares of full load, near full load, and
// how far it may be off: modulation takes 70 % at no flow (controls sheet of the
// sourcebook), variable speed some 12 % (average-power table), variable displacement
// lies between (all from memory).
func handbookSlope(c sitefile.Control) (slope, limit float64) {
	switch c {
	case sitefile.VariableSpeed:
		return 0.95, 0.20
	case sitefile.VariableDisplacement:
		return 0.60, 0.30
	}
	return 0.30, 0.15
}

// partLoad sets what only a machine has that gives a part of its flow: the curve,
// full-load power by the same fit, the least share, modulation and target.
func (r *replayMaker) partLoad(k int, m *ReplayMachine) {
	s := r.machines[k]
	if !m.Machine.Control.PartLoad() {
		return
	}
	r.target(k, m)
	if s.g.sp.fraction < 0 {
		m.Basis["least_share"] = "no load fraction is read"
	} else {
		r.leastShare(k, m)
		if m.Machine.Control != sitefile.VariableSpeed {
			r.modulation(k, m)
		}
	}
	r.curve(k, m)
}

// fullLoadKnown is full-load power and its pressure where the machine was seen at
// full load near the pressure at which it usually works. One that throttles is at
// full load below its modulation only.
func (r *replayMaker) fullLoadKnown(k int, m *ReplayMachine) bool {
	if r.machines[k].g.total.power.all[Loaded].ms < leastPartMS || r.machines[k].draw == nil {
		return false
	}
	if m.ModulationPa.V > 0 && m.CutInPa.V > 0 {
		begin := m.CutOutPa.V - float64(m.ModulationPa.V*(1-m.LeastShare.V))
		if begin > m.CutInPa.V && m.LoadedPa > m.CutInPa.V {
			middle := (begin + m.CutInPa.V) / 2
			off := gum.New(1, rectangular(m.PowerPerPa.V*(begin-m.CutInPa.V)/4), "pressure at full load of "+r.b.machines[k])
			m.LoadedPa, m.LoadedPower = middle, m.LoadedPower.Times(off)
		}
	}
	return math.Abs(m.LoadedPa-m.FlowPa) <= 2*nearLoadedPa
}

// cellShares are the mean flow shares while air flowed, by quarter hour; NaN where
// it is not known.
func (r *replayMaker) cellShares(k int) []float64 {
	s := r.machines[k]
	sums := map[int64]*sum{}
	byFlow := s.g.sp.fraction < 0
	for i := range s.g.total.minutes {
		mark := &s.g.total.minutes[i]
		part := mark.fraction
		if byFlow {
			part = mark.flow
		}
		at := cellOf(mark.at)
		if sums[at] == nil {
			sums[at] = &sum{}
		}
		sums[at].merge(part)
	}
	all := make([]float64, len(s.g.cells))
	for i := range all {
		all[i] = math.NaN()
		part, d := sums[s.g.cells[i].from], &s.g.cells[i].d
		ms := d.power[PartLoad].ms + d.power[Loaded].ms
		switch {
		case part == nil || part.ms == 0 || ms == 0:
		case byFlow && s.g.sp.flow >= 0 && r.full[k].V > 0:
			c := &s.g.sp.chans[s.g.sp.flow]
			all[i] = s.metered(c, c.mean(*part).v).V * float64(part.ms) / float64(ms) / r.full[k].V
		case !byFlow:
			all[i] = s.g.sp.chans[s.g.sp.fraction].mean(*part).v * s.g.sp.fractionScale()
		}
	}
	return all
}

// curve is power over flow share: least squares over the quarter hours of a parabola
// through full load, with the handbook's slope known to its limits.
func (r *replayMaker) curve(k int, m *ReplayMachine) {
	const key = "curve"
	s, name := r.machines[k], r.b.machines[k]
	if s.draw == nil {
		m.Basis[key] = "handbook: no power is read"
		return
	}
	shares, pa := r.cellShares(k), r.flowingByCell(k, m)
	full, fullU := m.LoadedPower.V, rectangular(2*ratedPowerLimit*m.LoadedPower.V)
	low, high := math.Inf(1), math.Inf(-1)
	if r.fullLoadKnown(k, m) {
		by := math.Exp(float64(m.PowerPerPa.V * (m.FlowPa - m.LoadedPa)))
		own := m.LoadedPower.Part("pressure at full load of " + name)
		full, fullU, high = float64(m.LoadedPower.V*by), quad(own, float64(0.01*full)), 1
	} else if rated := r.nameplateAt(k, m.FlowPa); rated > 0 {
		full, fullU = rated, rectangular(2*ratedPowerLimit*rated)
	}
	slope, limit := handbookSlope(m.Machine.Control)
	f := priorFit{prior: []float64{full, float64(slope * full), 0},
		u:          []float64{fullU, rectangular(limit * full), 0.2 * full},
		leastNoise: float64(leastPowerNoise * full)}
	for i := range s.g.cells {
		d, x := &s.g.cells[i].d, shares[i]
		ms := d.power[PartLoad].ms + d.power[Loaded].ms
		if math.IsNaN(x) || ms < leastPartMS || math.Abs(pa[i]-m.FlowPa) > nearLoadedPa {
			continue
		}
		from := s.g.cells[i].from
		watts := (s.draw.ofState(PartLoad, d.power[PartLoad], from) + s.draw.ofState(Loaded, d.power[Loaded], from)) / float64(ms) * 1000
		at := 1 + float64(m.PowerPerPa.V*(pa[i]-m.FlowPa))
		f.add(watts/at, float64(ms)/cellMS, 1, x-1, float64((x-1)*(x-1)))
		low, high = min(low, x), max(high, x)
	}
	if len(f.rows) < leastCurveCells || high-low < leastCurveSpread || !f.solve() {
		m.Basis[key] = fmt.Sprintf("handbook: %d quarter hours show part load, over %.2f of the flow; %d over %.1f are needed",
			len(f.rows), max(0, high-low), leastCurveCells, leastCurveSpread)
		return
	}
	part := s.g.total.power.all[PartLoad]
	part.merge(s.g.total.power.all[Loaded])
	v := correlated(f.theta, f.cov, []string{"full-load power of " + name + ", by its part-load curve", "part-load curve of " + name, "bend of the part-load curve of " + name})
	m.LoadedPower, m.LoadedPa = alike(v[0], s.draw.mean(PartLoad, part, r.to)), m.FlowPa
	m.DelayPower = m.LoadedPower
	m.Basis["loaded_power"] = fmt.Sprintf("part-load curve led to full flow, over %d quarter hours with flow shares from %.2f to %.2f", len(f.rows), low, high)
	m.Basis["delay_power"] = "that of full load"
	top := max(min(high, 1), low+leastCurveSpread)
	for i := range curvePoints {
		x := low + float64((top-low)*float64(i)/(curvePoints-1))
		p := gum.Linear(v[0].V+float64(v[1].V*(x-1))+float64(v[2].V*(x-1)*(x-1)),
			gum.Term{C: 1, X: v[0]}, gum.Term{C: x - 1, X: v[1]}, gum.Term{C: float64((x - 1) * (x - 1)), X: v[2]}).Over(v[0])
		m.Curve = append(m.Curve, ReplayPoint{Flow: x, Power: p.V, U: p.U()})
	}
	if top < 1 {
		m.Curve = append(m.Curve, ReplayPoint{Flow: 1, Power: 1})
	}
	m.Basis[key] = fmt.Sprintf("least squares over %d quarter hours with flow shares from %.2f to %.2f", len(f.rows), low, high)
}

// flowingByCell is the mean pressure at the outlet while air flowed, by quarter
// hour.
func (r *replayMaker) flowingByCell(k int, m *ReplayMachine) []float64 {
	keep := m.LoadedPa
	defer func() { m.LoadedPa = keep }()
	m.LoadedPa = m.FlowPa
	return r.loadedPa(k, m)
}

// nameplateAt is the rated power at another pressure; 0: there is none.
func (r *replayMaker) nameplateAt(k int, gaugePa float64) float64 {
	m, inlet := r.of[k], r.machines[k].barometerPa()
	if m.RatedPowerW <= 0 || m.RatedPressurePa <= 0 || gaugePa <= 0 || inlet <= 0 {
		return m.RatedPowerW
	}
	// As the isentropic slope has it, of which a real machine shows the most.
	by := float64(isentropicSlope(inlet, float64((gaugePa+m.RatedPressurePa)/2)+inlet) * (gaugePa - m.RatedPressurePa))
	return float64(m.RatedPowerW * math.Exp(by))
}

// ownAt is a machine's own pressure, on the gauge of the stores, at the minutes'
// beginnings.
func (r *replayMaker) ownAt(k int) map[int64]float64 {
	s := r.machines[k]
	c := s.pressureOf()
	if c == nil {
		return nil
	}
	at := map[int64]float64{}
	for i := range s.g.total.minutes {
		if mark := &s.g.total.minutes[i]; mark.hasPressure {
			at[mark.at] = c.si(float64(mark.pressure)/16) - r.seen.gauge[k].V
		}
	}
	return at
}

// partMinutes visits the minutes that a machine was at part load all through, in
// order, with its mean share.
func (r *replayMaker) partMinutes(k int, visit func(at int64, share float64)) {
	s := r.machines[k]
	if s.g.sp.fraction < 0 {
		return
	}
	part := make([]int64, len(r.b.minutes))
	for _, t := range s.g.stretches() {
		if t.state == PartLoad {
			r.b.over(t.from, t.to, func(i int, ms int64) { part[i] += ms })
		}
	}
	c, scale := &s.g.sp.chans[s.g.sp.fraction], s.g.sp.fractionScale()
	for i := range s.g.total.minutes {
		mark := &s.g.total.minutes[i]
		n := (mark.at - r.from) / minuteMS
		if mark.at >= r.from && n < int64(len(part)) && part[n] >= leastMinuteMS && mark.fraction.ms >= leastMinuteMS {
			visit(mark.at, c.mean(mark.fraction).v*scale)
		}
	}
}

// leastShare is the least share of full flow that the machine was seen at.
func (r *replayMaker) leastShare(k int, m *ReplayMachine) {
	const key = "least_share"
	var shares []float64
	r.partMinutes(k, func(_ int64, share float64) { shares = append(shares, share) })
	if len(shares) < leastShareMinutes {
		m.Basis[key] = fmt.Sprintf("only %d whole minutes at part load were seen", len(shares))
		return
	}
	name := r.b.machines[k]
	m.LeastShare = gum.New(quantileOf(shares, leastShareQuantile), rectangular(leastShareLimit), "least flow share of "+name)
	m.Basis[key] = fmt.Sprintf("least of %d minutes at part load, but for the lowest 2 %%", len(shares))
	if r.machines[k].g.total.unloads < seenLeast {
		m.Basis[key] += "; it hardly ever unloaded from there, so that it may go lower"
	}
}

// target is the pressure that a machine with variable speed holds.
func (r *replayMaker) target(k int, m *ReplayMachine) {
	if m.Machine.Control != sitefile.VariableSpeed {
		return
	}
	own := r.ownAt(k)
	var held []float64
	r.partMinutes(k, func(at int64, _ float64) {
		if pa, ok := own[at]; ok {
			held = append(held, pa)
		}
	})
	if len(held) < leastShareMinutes {
		m.Basis["target"] = fmt.Sprintf("only %d minutes at part load with its pressure were seen", len(held))
		return
	}
	middle, u, _ := middleOf(held)
	m.TargetPa = gum.New(middle, u, scatterInput("pressure held", r.b.machines[k]))
	m.Basis["target"] = fmt.Sprintf("median of its pressure at %d minutes at part load", len(held))
}

// modulation is the line of flow share over pressure: from full flow to none. The
// least share is where it meets the cut-out, at which the machine unloads.
func (r *replayMaker) modulation(k int, m *ReplayMachine) {
	const key = "modulation"
	own := r.ownAt(k)
	var x, y []float64
	r.partMinutes(k, func(at int64, share float64) {
		a, okA := own[at]
		b, okB := own[at+minuteMS]
		if okA && okB && share < fractionFull {
			x, y = append(x, (a+b)/2), append(y, share)
		}
	})
	if len(x) < leastModulationMinutes {
		m.Basis[key] = fmt.Sprintf("only %d minutes at part load show flow share and pressure", len(x))
		return
	}
	line := steepLine(x, y)
	if line.fit < leastModulationFit || line.slope >= 0 {
		m.Basis[key] = "the flow share does not follow the pressure"
		return
	}
	name := r.b.machines[k]
	width := -1 / line.slope
	m.ModulationPa = gum.New(width, float64(line.slopeU/math.Abs(line.slope)*width), "modulation of "+name)
	m.Basis[key] = fmt.Sprintf("line of flow share over pressure, %d minutes", len(x))
	if m.Machine.Control == sitefile.Modulating || m.CutOutPa.V <= 0 || m.LeastShare.V <= 0 {
		return
	}
	if at := line.y + float64(line.slope*(m.CutOutPa.V-line.x)); at > 0 && at < m.LeastShare.V {
		m.LeastShare = gum.New(at, rectangular(leastShareLimit), "least flow share of "+name)
		m.Basis["least_share"] = "where the line of flow share over pressure meets the cut-out"
	}
}

// sharesLine is a line through points, both of whose coordinates scatter.
type sharesLine struct{ x, y, slope, slopeU, fit float64 }

// steepLine takes the geometric mean of the two regressions, of y on x and of x on
// y: pressure and share of a minute both scatter, and either alone is too flat.
func steepLine(x, y []float64) sharesLine {
	n := float64(len(x))
	var l sharesLine
	for i := range x {
		l.x += x[i] / n
		l.y += y[i] / n
	}
	var xx, yy, xy float64
	for i := range x {
		dx, dy := x[i]-l.x, y[i]-l.y
		xx += float64(dx * dx)
		yy += float64(dy * dy)
		xy += float64(dx * dy)
	}
	if xx == 0 || yy == 0 {
		return l
	}
	l.fit = float64(xy*xy) / float64(xx*yy)
	l.slope = math.Copysign(math.Sqrt(yy/xx), xy)
	l.slopeU = float64(math.Abs(l.slope)*math.Sqrt(max(0, 1-l.fit)/n)) + float64(math.Abs(l.slope)*(1-math.Sqrt(l.fit)))
	return l
}
