package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
)

const (
	// A moment tells the drop where air has flowed, or has not, for so long before
	// and after it.
	steadyLoadedMS, steadyIdleMS, steadyAfterMS = 10_000, 20_000, 3_000
	looseAfterDelayMS, looseU                   = 1_000, 2_000.0 // what does for short loads, and for what in Pa
	leastDropShare                              = 0.5            // of full flow
	leastMoments                                = 10
	mostMoments                                 = 4000 // of each kind; of more, the first
	// What two gauges of the trade may differ by at rest; more is no pressure of the
	// same stores (common practice, no source).
	mostGaugePa = 60_000.0
)

func gaugeInput(machine string) string {
	return "gauge of " + machine + " against that of the stores"
}

// gauges finds, by the moments at which both are read, what each machine's gauge
// shows above that of the stores at rest and at full flow.
func (r *replayMaker) gauges() *replayGauge {
	n := len(r.machines)
	all := &replayGauge{gauge: make([]gum.Value, n), drop: make([]gum.Value, n), gaugeBasis: make([]string, n), dropBasis: make([]string, n)}
	if all.joint(r) {
		return all
	}
	for k, s := range r.machines {
		own := s.pressureOf()
		switch {
		case own == nil:
			all.gaugeBasis[k] = "no pressure of its own is read: that of the stores is taken"
			all.assumeDrop(r, k)
		case r.b.names.gauge == accuracyInput(own):
			all.gaugeBasis[k] = own.id + " is the pressure of the stores too"
			all.drop[k] = r.b.drop
			all.dropBasis[k] = "read where the air is stored"
			if r.b.drop.V > 0 {
				all.dropBasis[k] = r.b.method
			}
		default:
			all.compare(r, k, own)
		}
	}
	return all
}

func (a *replayGauge) assumeDrop(r *replayMaker, k int) {
	a.drop[k] = gum.New(dropMiddlePa, rectangular(dropLimitPa), dropInput(r.sys.Name))
	a.dropBasis[k] = fmt.Sprintf("assumed, %.0f ± %.0f kPa", dropMiddlePa/1000, dropLimitPa/1000)
}

// compare takes the differences of a machine's gauge and the stores' at the minutes'
// beginnings.
func (a *replayGauge) compare(r *replayMaker, k int, own *chanSpec) {
	name := r.b.machines[k]
	rest, flowing := r.differences(k, own, steadyLoadedMS)
	if len(rest) >= leastMoments {
		middle, u, _ := middleOf(rest)
		if math.Abs(middle) <= mostGaugePa {
			a.gauge[k] = gum.New(middle, quad(u, resolutionU(own.countSI)), gaugeInput(name))
			a.gaugeBasis[k] = fmt.Sprintf("%s less the pressure of the stores at %d moments without flow", own.id, len(rest))
		}
	}
	if a.gaugeBasis[k] == "" {
		u := own.accuracyU(r.meanPa())
		a.gauge[k] = gum.New(0, quad(u, u), gaugeInput(name))
		a.gaugeBasis[k] = "the two gauges are taken to agree: too few moments without flow show how they differ"
	}
	loose := 0.0
	if len(flowing) < leastMoments {
		loose = looseU
		_, flowing = r.differences(k, own, int64(r.b.delay[k].V*1000)+looseAfterDelayMS)
	}
	if len(flowing) < leastMoments {
		a.assumeDrop(r, k)
		return
	}
	// Each moment tells the drop of full flow by the square of its own.
	drops := make([]float64, len(flowing))
	for i, f := range flowing {
		drops[i] = (f.apartPa - a.gauge[k].V) / float64(f.share*f.share)
	}
	middle, u, _ := middleOf(drops)
	drop := gum.New(middle, quad(u, resolutionU(own.countSI), loose), dropSeenInput(name)).
		Minus(a.gauge[k].Minus(gum.Exact(a.gauge[k].V)))
	drop.V = max(0, drop.V)
	a.drop[k] = drop
	a.dropBasis[k] = fmt.Sprintf("%s less the pressure of the stores at %d moments of flow, against those without", own.id, len(flowing))
}

// flowMoment is a moment at which a machine gave a share of its flow, and by how much
// its gauge stood above the stores.
type flowMoment struct{ apartPa, share float64 }

// steadyShares are the shares of full flow that a machine gave at the minutes'
// beginnings, for so long already where it gave any; NaN where that was not steady.
func (r *replayMaker) steadyShares(k int, loadedMS int64) []float64 {
	b, s := r.b, r.machines[k]
	all := make([]float64, len(b.minutes))
	for i := range all {
		all[i] = math.NaN()
	}
	shares := b.partShares(s)
	for _, t := range s.g.stretches() {
		least := int64(steadyIdleMS)
		if t.state.delivering() {
			least = loadedMS
		}
		last := t.to - min(steadyAfterMS, least/2)
		b.over(t.from+least-minuteMS, last, func(i int, _ int64) {
			at := b.minutes[i].startMS
			switch {
			case at < t.from+least || at >= last:
			case !t.state.delivering():
				all[i] = 0
			default:
				all[i] = shares(i, t.state)
			}
		})
	}
	return all
}

// apart visits the moments at which both a machine's gauge and that of the stores
// were read, with the minute's place and by how much the first stood higher.
func (r *replayMaker) apart(k int, own *chanSpec, visit func(i int, pa float64)) {
	b := r.b
	for j := range r.machines[k].g.total.minutes {
		mark := &r.machines[k].g.total.minutes[j]
		m := b.at(mark.at)
		if m == nil || !mark.hasPressure || !m.hasPressure {
			continue
		}
		visit(int((mark.at-b.minutes[0].startMS)/minuteMS), own.si(float64(mark.pressure)/16)-(m.startPa-float64(b.drop.V*m.startDrop)))
	}
}

// differences are a machine's pressure less the stores' at moments without and with
// flow, that for so long already. At rest the other machines give nothing either,
// where there are enough such moments.
func (r *replayMaker) differences(k int, own *chanSpec, loadedMS int64) (rest []float64, flowing []flowMoment) {
	flow := r.steadyShares(k, loadedMS)
	other := make([]bool, len(flow))
	for j := range r.machines {
		if j == k {
			continue
		}
		for i, share := range r.steadyShares(j, steadyLoadedMS) {
			other[i] = other[i] || share != 0
		}
	}
	var besides []float64
	r.apart(k, own, func(i int, pa float64) {
		switch share := flow[i]; {
		case share >= leastDropShare && len(flowing) < mostMoments:
			flowing = append(flowing, flowMoment{pa, share})
		case share == 0 && !other[i] && len(rest) < mostMoments:
			rest = append(rest, pa)
		case share == 0 && len(besides) < mostMoments:
			besides = append(besides, pa)
		}
	})
	if len(rest) < leastMoments {
		rest = besides
	}
	return rest, flowing
}

// What is known of drops beforehand: each machine's own and the common one lie within
// some 0.4 bar (common practice, no source).
const dropPriorPa, dropPriorU, dropLawLimit = 15_000.0, 12_000.0, 0.15

// joint splits the drops of several machines into each one's own, by the square of
// its flow, and that of what the air of all passes, by the square of their joint flow:
// least squares over the moments at which all were steady. It is false where there is
// only one machine, or a gauge is lacking.
func (a *replayGauge) joint(r *replayMaker) bool {
	n := len(r.machines)
	total := gum.Sum(r.full...).V
	if n < 2 || total <= 0 {
		return false
	}
	shares := make([][]float64, n)
	f := priorFit{leastNoise: 1000, prior: make([]float64, 2*n+1), u: make([]float64, 2*n+1)}
	names := make([]string, 2*n+1)
	for k, s := range r.machines {
		own := s.pressureOf()
		if own == nil || r.b.names.gauge == accuracyInput(own) {
			return false
		}
		shares[k] = r.steadyShares(k, steadyLoadedMS)
		u := own.accuracyU(r.meanPa())
		f.u[k], names[k] = quad(u, u), gaugeInput(r.b.machines[k])
		f.prior[n+k], f.u[n+k], names[n+k] = dropPriorPa, dropPriorU, dropSeenInput(r.b.machines[k])
	}
	f.prior[2*n], f.u[2*n], names[2*n] = dropPriorPa, dropPriorU, dropOf+"all machines of "+r.sys.Name+", as their gauges show it"
	joint := make([]float64, len(shares[0]))
	for i := range joint {
		for k := range shares {
			joint[i] += float64(shares[k][i]*r.full[k].V) / total
		}
	}
	for k, s := range r.machines {
		rows := 0
		r.apart(k, s.pressureOf(), func(i int, pa float64) {
			if math.IsNaN(joint[i]) || rows >= mostMoments {
				return
			}
			x := make([]float64, 2*n+1)
			x[k], x[n+k], x[2*n] = 1, float64(shares[k][i]*shares[k][i]), float64(joint[i]*joint[i])
			f.add(pa, 1, x...)
			rows++
		})
	}
	if len(f.rows) < leastMoments*n || !f.solve() {
		return false
	}
	v := correlated(f.theta, f.cov, names)
	for k := range r.machines {
		a.gauge[k], a.drop[k] = v[k], v[n+k]
		a.drop[k].V = max(0, a.drop[k].V)
		a.gaugeBasis[k] = fmt.Sprintf("least squares over %d moments at which all machines were steady", len(f.rows))
		a.dropBasis[k] = a.gaugeBasis[k] + "; the drop that the joint flow makes is apart from it"
	}
	// A drop goes with the square of the flow to a tenth or so (common practice, no
	// source).
	common := v[2*n].Plus(gum.New(0, rectangular(dropLawLimit*v[2*n].V), names[2*n]+", law"))
	common.V = max(0, common.V)
	r.rec.CommonDropPa, r.rec.CommonM3S = common, total
	return true
}
