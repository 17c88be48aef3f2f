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

// differences are a machine's pressure less the stores' at moments without and with
// flow, that for so long already. At rest the other machines give nothing either, where there are
// enough such moments.
func (r *replayMaker) differences(k int, own *chanSpec, loadedMS int64) (rest []float64, flowing []flowMoment) {
	b := r.b
	flow := make([]float64, len(b.minutes)) // at the minute's beginning: its share, -1 none; 0 neither
	other := make([]bool, len(b.minutes))
	shares := b.partShares(r.machines[k])
	for j, s := range r.machines {
		for _, t := range s.g.stretches() {
			delivering := t.state.delivering()
			least := int64(steadyIdleMS)
			if delivering {
				least = loadedMS
			}
			last := t.to - min(steadyAfterMS, least/2)
			b.over(t.from+least-minuteMS, last, func(i int, _ int64) {
				at := b.minutes[i].startMS
				switch {
				case at < t.from+least || at >= last:
				case j != k:
					other[i] = other[i] || delivering
				case !delivering:
					flow[i] = -1
				case shares(i, t.state) >= leastDropShare:
					flow[i] = shares(i, t.state)
				}
			})
		}
	}
	var besides []float64
	for i := range r.machines[k].g.total.minutes {
		mark := &r.machines[k].g.total.minutes[i]
		m := b.at(mark.at)
		if m == nil || !mark.hasPressure || !m.hasPressure {
			continue
		}
		at := int((mark.at - b.minutes[0].startMS) / minuteMS)
		apart := own.si(float64(mark.pressure)/16) - (m.startPa - float64(b.drop.V*m.startDrop))
		switch {
		case flow[at] > 0 && len(flowing) < mostMoments:
			flowing = append(flowing, flowMoment{apart, flow[at]})
		case flow[at] < 0 && !other[at] && len(rest) < mostMoments:
			rest = append(rest, apart)
		case flow[at] < 0 && len(besides) < mostMoments:
			besides = append(besides, apart)
		}
	}
	if len(rest) < leastMoments {
		rest = besides
	}
	return rest, flowing
}
