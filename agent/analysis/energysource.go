package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// Energy comes, by what is there, from the energy counter; from power that is
// metered, or reckoned from volts, amperes and power factor; from the motor's
// current and two spot readings of power; from the current, the nameplate's
// volts and assumed power factors. Current is never simply scaled: unloaded,
// the power factor falls.

// Assumed for a current without power factor or spot readings: common practice,
// no source. The bounds are limits.
const (
	loadedFactor, loadedFactorLimit     = 0.85, 0.07
	unloadedFactor, unloadedFactorLimit = 0.60, 0.20
	nameplateVoltsLimit                 = 0.05 // supply against nameplate, as a share
	// A motor's current does not have the package's fan and controls in it, a few
	// per cent; nothing is added for them, the interval is widened.
	packageLimit = 0.06
	motorOnly    = "; of the motor alone: fan and controls are not in it"
)

// drawModel makes energy of the sums of the draw channel.
type drawModel struct {
	machine string
	c       *chanSpec
	method  string
	inputs  []string
	factors gum.Value // parts of reckoned power, relative; none: the channel's own accuracy
	spots   []spotLine
	scaled  bool    // by the nameplate: W of a loaded machine per ampere in perLoaded
	loadedW float64 // W per A
	idleW   float64
}

// drawn is a part of the draw channel's sums.
type drawn struct{ all, running, unloaded sum }

func drawnOf(byState *[numStates]sum) (d drawn) {
	for st := range byState {
		d.all.merge(byState[st])
		if State(st).Running() {
			d.running.merge(byState[st])
		}
	}
	d.unloaded = byState[Unloaded]
	return d
}

// takes is the integral of a sum in SI·s.
func (m *drawModel) takes(s sum) float64 {
	if s.ms == 0 {
		return 0
	}
	return float64(m.c.mean(s).v * float64(s.ms) / 1000)
}

// joules is the energy of sums from about a moment, and the unloaded part.
func (m *drawModel) joules(d *drawn, atMS int64) (all, unloaded float64) {
	switch {
	case len(m.spots) > 0:
		line := spotAt(m.spots, atMS)
		of := func(s sum) float64 {
			return float64(line.a*float64(s.ms)/1000) + float64(line.b*m.takes(s))
		}
		return of(d.running), of(d.unloaded)
	case m.scaled:
		idle := m.takes(d.unloaded)
		unloaded = float64(idle * m.idleW)
		return float64((m.takes(d.running)-idle)*m.loadedW) + unloaded, unloaded
	}
	return m.takes(d.all), m.takes(d.unloaded)
}

// ofState is the energy of a sum that belongs to one state.
func (m *drawModel) ofState(st State, s sum, atMS int64) float64 {
	d := drawn{all: s}
	if st.Running() {
		d.running = s
	}
	if st == Unloaded {
		d.unloaded = s
	}
	all, _ := m.joules(&d, atMS)
	return all
}

// spread gives the energy v of sums by state, in J, its uncertainty.
func (m *drawModel) spread(v float64, byState *[numStates]sum, atMS int64) gum.Value {
	var all sum
	var spots, loaded, idle float64
	for st := range byState {
		s := byState[st]
		all.merge(s)
		if s.ms == 0 || !State(st).Running() {
			continue
		}
		seconds := float64(s.ms) / 1000
		switch {
		case len(m.spots) > 0:
			line := spotAt(m.spots, atMS)
			amps := m.c.mean(s)
			reading := resolutionU(m.c.countSI)
			if !line.logged {
				reading = amps.u // its scale is in neither point
			}
			// The line's error is the same at every moment: it adds up.
			spots += float64(seconds * quad(line.u(amps.v), line.b*reading))
		case State(st) == Unloaded:
			idle += m.ofState(Unloaded, s, atMS)
		default:
			loaded += m.ofState(State(st), s, atMS)
		}
	}
	if all.ms == 0 {
		return gum.Exact(v)
	}
	part := func(u float64, input string) gum.Value { return gum.New(0, u, input) }
	seconds := float64(all.ms) / 1000
	reading := m.c.value(m.c.mean(all).v)
	switch {
	case len(m.spots) > 0:
		return gum.New(v, spots, spotsInput(m.machine))
	case m.scaled:
		both := loaded + idle
		relative := gum.Exact(0)
		if reading.V != 0 {
			relative = reading.Scaled(both / reading.V)
		}
		return gum.Sum(gum.Exact(v), part(loaded*rectangular(loadedFactorLimit/loadedFactor), loadedFactorInput),
			part(idle*rectangular(unloadedFactorLimit/unloadedFactor), unloadedFactorInput),
			part(both*rectangular(nameplateVoltsLimit), motorVolts), part(both*rectangular(packageLimit), packageFans),
			gum.Linear(0, gum.Term{C: 1, X: relative}))
	case m.factors.U() > 0:
		return gum.Linear(v, gum.Term{C: float64(reading.V * seconds), X: m.factors},
			gum.Term{C: seconds, X: part(resolutionU(m.c.countSI), resolutionInput(m.c, "mean"))})
	}
	return gum.Linear(v, gum.Term{C: seconds, X: reading})
}

// mean is the mean power of a sum that belongs to one state, in W.
func (m *drawModel) mean(st State, s sum, atMS int64) gum.Value {
	var one [numStates]sum
	one[st] = s
	return m.spread(m.ofState(st, s, atMS), &one, atMS).Scaled(1000 / float64(s.ms))
}

// newDrawModel finds how power is known; absent says why it is not.
func (s *sheet) newDrawModel(m *sitefile.Machine) (model *drawModel, absent string) {
	sp := s.g.sp
	if sp.draw < 0 {
		return nil, "no power channel"
	}
	c := &sp.chans[sp.draw]
	model = &drawModel{machine: m.Name, c: c, inputs: []string{c.input()}}
	switch {
	case sp.power >= 0:
		model.method = "integral of power, straight lines between readings"
		return model, ""
	case sp.reckon != nil:
		s.rateReckoned(model)
		return model, ""
	case !sp.hasStates:
		return nil, "no power channel, and current alone needs to know when the machine runs: " + sp.statesAbsent
	case len(s.q.spots[m.Name]) > 0:
		model.spots = s.q.spots[m.Name]
		model.method = fmt.Sprintf("power from current by spot readings at two points (%.4g kW + %.4g kW/A), integrated over running time",
			model.spots[len(model.spots)-1].a/wattsPerKW, model.spots[len(model.spots)-1].b/wattsPerKW)
		model.inputs = append(model.inputs, "spot readings")
		return model, ""
	case m.Motor.Volts <= 0:
		return nil, "no power channel; of current alone nothing can be made without spot readings of power or the motor's volts"
	case sp.runOnly:
		return nil, "no power channel, and the power factor to take with the current needs to know when the machine is loaded"
	}
	model.scaled = true
	perAmp := float64(math.Sqrt(3) * m.Motor.Volts)
	model.loadedW, model.idleW = float64(perAmp*loadedFactor), float64(perAmp*unloadedFactor)
	model.method = fmt.Sprintf("√3 × the motor's volts × current × an assumed power factor: %.2f ± %.2f loaded, %.2f ± %.2f unloaded; two spot readings of power would narrow it down"+motorOnly,
		loadedFactor, loadedFactorLimit, unloadedFactor, unloadedFactorLimit)
	model.inputs = append(model.inputs, "power factor (assumed)", "motor volts (nameplate)")
	return model, ""
}

// rateReckoned gives reckoned power the accuracy that follows from its inputs
// near their means in this window (GUM, 5.1.6: relative parts of a product add
// in squares).
func (s *sheet) rateReckoned(m *drawModel) {
	sp := s.g.sp
	r := sp.reckon
	m.method = "power reckoned at each reading as √3 × volts × amperes × power factor"
	if len(r.volts) == 0 {
		m.method = "power reckoned at each reading as apparent power × power factor"
	}
	m.method += ", integrated with straight lines between readings"
	if len(r.volts) > 0 {
		m.method += motorOnly
	}
	m.inputs = nil
	for _, ch := range append([]int{r.lead, r.pf}, r.volts...) {
		c := &sp.chans[ch]
		m.inputs = append(m.inputs, c.input())
		mean := s.g.total.analog[c.slot].sum
		if mean.ms == 0 {
			continue
		}
		e := c.value(c.mean(mean).v)
		if e.V == 0 {
			continue
		}
		share := 1 / math.Abs(e.V)
		if ch != r.lead && ch != r.pf {
			share /= float64(len(r.volts)) // of their mean, each has a part
		}
		m.factors = m.factors.Plus(e.Scaled(share))
	}
	if len(r.volts) > 0 {
		m.factors = m.factors.Plus(gum.New(0, rectangular(packageLimit), packageFans))
	}
	limit := m.factors.U() * math.Sqrt(3)
	m.c.accuracy, m.c.accuracyGiven = sitefile.Accuracy{OfReading: limit, Text: fmt.Sprintf("%.1f %%", 100*limit)}, true
}
