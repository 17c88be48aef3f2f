package plainloop

import (
	"math"

	"loadscribe/agent/replay/engine"
)

// state of one machine.
type machine struct {
	*engine.Machine
	inPa, outPa, targetPa float64
	commonPa              float64      // common drop for each squared m³/s
	others                float64      // m³/s of the others
	state                 engine.State // PartLoad stands for Loaded too
	forS, sinceStartS     float64
	fillS                 float64 // until air comes
	closing               bool    // unloaded, and the inlet not yet closed
	closeS                float64 // until it is
	restedS               float64 // of the last rest, for the sump
}

// Play plays the demand in steps, in seconds. The plant has to be valid.
func Play(p *engine.Plant, demand []engine.Stretch, stepS float64) (*engine.Result, error) {
	if err := engine.Validate(p); err != nil {
		return nil, err
	}
	r := &engine.Result{Machines: make([]engine.MachineResult, len(p.Machines)),
		LowestPa: math.Inf(1), HighestPa: math.Inf(-1)}
	for i := range demand {
		playStretch(p, &demand[i], stepS, r)
	}
	for i := range r.Machines {
		r.SuppliedM3 += r.Machines[i].SuppliedM3
	}
	r.MeanPa /= r.Seconds
	return r, nil
}

func playStretch(p *engine.Plant, s *engine.Stretch, stepS float64, r *engine.Result) {
	ms := make([]machine, len(p.Machines))
	tS, pa := s.StartS, s.StartPa
	for i := range ms {
		ms[i].begin(&p.Machines[i], s, i)
	}
	for _, g := range s.Segments {
		for left := g.Seconds; left > 1e-9; {
			dt := min(stepS, left)
			rank(p, ms, tS)
			shared(p, ms, pa)
			for i := range ms {
				ms[i].control(tS, pa, &r.Machines[i])
			}
			shared(p, ms, pa)
			next := nextPa(p, ms, &g, pa, dt)
			account(p, ms, &g, pa, next, dt, r)
			r.StoredM3 += (next - pa) * p.VolumeM3 / p.InletPa
			pa = next
			tS += dt
			left -= dt
		}
	}
}

// shared takes what the others deliver into what each machine reads: of what delivers
// all or nothing its full flow.
func shared(p *engine.Plant, ms []machine, pa float64) {
	if p.CommonDropPa == 0 {
		return
	}
	for i := range ms {
		m := &ms[i]
		m.commonPa, m.others = p.CommonDropPa/p.CommonM3S/p.CommonM3S, 0
		for j := range ms {
			switch o := &ms[j]; {
			case i == j:
			case o.steady():
				m.others += o.share(pa) * o.FullFlowM3S
			case m.steady() || m.share(pa) == 0: // else two that match the demand
				m.others += o.flow(pa)
			}
		}
	}
}

func (m *machine) steady() bool {
	return m.Control == engine.LoadUnload || m.Control == engine.StartStop
}

func (m *machine) begin(of *engine.Machine, s *engine.Stretch, i int) {
	*m = machine{Machine: of, sinceStartS: math.Inf(1), forS: math.Inf(1), restedS: math.Inf(1)}
	if s.Begin != nil {
		b := s.Begin[i]
		m.state, m.forS, m.sinceStartS = b.State, b.ForS, b.SinceS
		m.fillS = m.DelayS - b.ForS
	} else if math.IsInf(m.NoLoadStopS, 1) {
		m.state = engine.Unloaded
	}
}

// rank gives each machine the band of its rank in its rotation.
func rank(p *engine.Plant, ms []machine, tS float64) {
	for i := range ms {
		ms[i].inPa, ms[i].outPa, ms[i].targetPa = ms[i].CutInPa, ms[i].CutOutPa, ms[i].TargetPa
	}
	for _, r := range p.Rotations {
		turns := 0
		if !math.IsInf(r.EveryS, 1) && tS >= r.FirstS {
			turns = 1 + int((tS-r.FirstS)/r.EveryS)
		}
		order := make([]int, 0, len(r.Members))
		for i := range r.Members {
			order = append(order, r.Members[(i+turns)%len(r.Members)])
		}
		lead := &p.Machines[r.Members[0]]
		for i, k := range order {
			lower := float64(i) * r.StepPa
			ms[k].inPa, ms[k].outPa, ms[k].targetPa = lead.CutInPa-lower, lead.CutOutPa-lower, ms[k].TargetPa-lower
			for _, v := range r.Members {
				if p.Machines[v].Control == engine.VariableSpeed {
					ms[k].targetPa = p.Machines[v].TargetPa - lower
					break
				}
			}
		}
	}
}

// control takes what the pressure and the timers ask for.
func (m *machine) control(tS, pa float64, r *engine.MachineResult) {
	may := m.On == nil
	for _, on := range m.On {
		may = may || tS >= on.FromS && tS < on.ToS
	}
	switch m.state {
	case engine.Stopped:
		if may && pa+m.drop(pa) <= m.inPa && m.sinceStartS >= m.LeastBetweenStarts {
			m.to(engine.Starting)
			m.sinceStartS, m.restedS = 0, math.Inf(1)
			r.Starts++
		}
	case engine.Starting:
		if m.forS >= m.StartS {
			m.load(r)
		}
	case engine.Unloaded:
		switch {
		case pa+m.drop(pa) <= m.inPa || m.Control == engine.Modulating:
			m.restedS = m.forS
			m.load(r)
		case m.forS >= m.NoLoadStopS:
			m.to(engine.Stopped)
		}
	default:
		if !m.closing && m.Control != engine.Modulating && pa+m.drop(pa) >= m.outPa {
			m.closing, m.closeS = true, m.RunOnS
			if m.fillS > 0 { // no air has come yet
				m.closeS = 0
			}
		}
		if m.closing && m.closeS <= 0 {
			m.to(engine.Unloaded)
			if m.Control == engine.StartStop {
				m.to(engine.Stopped)
			}
		}
	}
	if !may && m.state != engine.Stopped {
		m.to(engine.Stopped)
	}
}

func (m *machine) to(s engine.State) { m.state, m.forS, m.closing = s, 0, false }

func (m *machine) load(r *engine.MachineResult) {
	m.to(engine.PartLoad)
	r.Loads++
	m.fillS = m.DelayS
	if m.BlowDownS > 0 {
		m.fillS *= 1 - math.Exp(-m.restedS/m.BlowDownS)
	}
}

// drop is what the controls read above the stores.
func (m *machine) drop(pa float64) float64 {
	return m.above(m.share(pa))
}

func (m *machine) above(share float64) float64 {
	all := m.others + share*m.FullFlowM3S
	return m.DropPa*share*share + m.commonPa*all*all
}

// share of its full flow that it delivers at a pressure of the stores.
func (m *machine) share(pa float64) float64 {
	if m.state != engine.PartLoad && m.state != engine.Loaded || m.fillS > 0 {
		return 0
	}
	least, fullPa, leastPa := m.LeastShare, m.outPa-m.ModulationPa, m.outPa
	switch m.Control {
	case engine.LoadUnload, engine.StartStop:
		return 1
	case engine.Modulating:
		least = 0
	case engine.VariableSpeed:
		const within = 100 // Pa either side of the target
		fullPa, leastPa = m.targetPa-within, m.targetPa+within
	}
	// The pressure at the controls, pa + above(s), asks for s = (leastPa + least·slope
	// - at the controls)/slope: a quadratic equation in s, a·s² + b·s = c.
	slope := (leastPa - fullPa) / (1 - least)
	a := m.DropPa + m.commonPa*m.FullFlowM3S*m.FullFlowM3S
	b := slope + 2*m.commonPa*m.others*m.FullFlowM3S
	c := leastPa + least*slope - pa - m.commonPa*m.others*m.others
	s := c / b
	if a > 0 && c > 0 {
		s = (math.Sqrt(b*b+4*a*c) - b) / (2 * a)
	}
	return min(1, max(least, s))
}

// flow is what it delivers at a pressure of the stores.
func (m *machine) flow(pa float64) float64 {
	s := m.share(pa)
	return s * m.FullFlowM3S * (1 - m.FlowPerPa*(pa+m.above(s)-m.RatedPa))
}

// power is what it uses at a pressure of the stores.
func (m *machine) power(pa float64) float64 {
	switch {
	case m.state == engine.Stopped:
		return m.StoppedW
	case m.state == engine.Starting:
		return m.StartW
	case m.state == engine.Unloaded && m.BlowDownS > 0:
		return m.UnloadedW + (m.UnloadStartW-m.UnloadedW)*math.Exp(-m.forS/m.BlowDownS)
	case m.state == engine.Unloaded:
		return m.UnloadedW
	case m.fillS > 0:
		return m.DelayW
	}
	s := m.share(pa)
	return m.FullPowerW * m.part(s) * (1 + m.PowerPerPa*(pa+m.above(s)-m.RatedPa))
}

// part is the share of full power at a share of full flow.
func (m *machine) part(s float64) float64 {
	if m.steady() {
		return 1
	}
	curve := m.Curve
	if len(curve) == 0 {
		curve = []engine.CurvePoint{{Flow: 0, Power: m.UnloadedW / m.FullPowerW}, {Flow: 1, Power: 1}}
	}
	for i := len(curve) - 2; i >= 0; i-- {
		if a, b := curve[i], curve[i+1]; s >= a.Flow {
			return a.Power + (b.Power-a.Power)/(b.Flow-a.Flow)*(s-a.Flow)
		}
	}
	return curve[0].Power
}

// nextPa is the pressure at the step's end.
func nextPa(p *engine.Plant, ms []machine, g *engine.Segment, pa, dt float64) float64 {
	matches := false
	net := func(at float64) float64 {
		m3s, _ := taken(p, g, at)
		m3s = -m3s
		for i := range ms {
			m3s += ms[i].flow(at)
		}
		return m3s
	}
	for i := range ms {
		matches = matches || ms[i].Control != engine.LoadUnload && ms[i].Control != engine.StartStop
	}
	step := dt * p.InletPa / p.VolumeM3
	explicit := pa + step*net(pa)
	if !matches {
		return explicit
	}
	// The root of pa + step·net(at) - at lies between pa and the explicit step, for
	// net falls with the pressure: Illinois.
	over := func(at float64) float64 { return pa + step*net(at) - at }
	a, b := pa, explicit
	fa, fb := over(a), over(b)
	for range 60 {
		if math.Abs(fa-fb) < 1e-12 || math.Abs(b-a) < 1e-6 {
			break
		}
		c := b - fb*(b-a)/(fb-fa)
		fc := over(c)
		if fc*fb < 0 {
			a, fa = b, fb
		} else {
			fa /= 2
		}
		b, fb = c, fc
	}
	return b
}

// taken is what users take at a pressure, and what they ask for: below the least
// pressure an orifice's flow.
func taken(p *engine.Plant, g *engine.Segment, pa float64) (m3s, asked float64) {
	const choke = 0.5283 // outside over inside, absolute
	chokePa := p.OutsidePa/choke - p.OutsidePa
	leastPa := max(p.MinimumPa, chokePa)
	asked = g.DemandM3S + g.FollowM3SPerPa*(max(pa, leastPa)-g.AtPa)
	switch {
	case pa >= leastPa || asked < 0:
		return asked, asked
	case pa >= chokePa:
		return asked * (pa + p.OutsidePa) / (leastPa + p.OutsidePa), asked
	case pa > 0:
		return asked * (chokePa + p.OutsidePa) / (leastPa + p.OutsidePa) * pa / chokePa, asked
	}
	return 0, asked
}

// account adds a step's air, energy and time.
func account(p *engine.Plant, ms []machine, g *engine.Segment, pa, next, dt float64, r *engine.Result) {
	at := next
	r.Seconds += dt
	r.MeanPa += (pa + next) / 2 * dt
	r.LowestPa, r.HighestPa = min(r.LowestPa, next), max(r.HighestPa, next)
	served, asked := taken(p, g, at)
	r.ServedM3 += served * dt
	r.AskedM3 += asked * dt
	r.ShortM3 += (asked - served) * dt
	if asked > served {
		r.ShortS += dt
	}
	for i := range ms {
		m, done := &ms[i], &r.Machines[i]
		state := m.state
		if state == engine.PartLoad && (m.fillS > 0 || m.share(at) == 1) {
			state = engine.Loaded
		}
		joules := m.power(at) * dt
		done.EnergyJ[state] += joules
		done.Seconds[state] += dt
		done.SuppliedM3 += m.flow(at) * dt
		r.EnergyJ += joules
		m.forS += dt
		m.sinceStartS += dt
		m.fillS -= dt
		m.closeS -= dt
	}
}
