package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// unloadFit is the exponential of a machine's unloaded power: settled + (first -
// settled)·e^(-t/τ) at the time t since it unloaded.
type unloadFit struct {
	spans []unloadSpan
	cells []cellSum
	model *drawModel
}

// unloadSpan is a time unloaded; from is when it unloaded, 0 where the sump was
// empty already: after a start, or where nobody saw it unload.
type unloadSpan struct{ from, begin, end int64 }

// unloadSpans are a machine's times unloaded.
func (g *gathered) unloadSpans() (all []unloadSpan) {
	var before stretch
	for _, t := range g.stretches() {
		if t.state == Unloaded {
			u := unloadSpan{begin: t.from, end: t.to}
			if before.to == t.from && before.state.delivering() {
				u.from = t.from
			}
			all = append(all, u)
		}
		before = t
	}
	return all
}

// decayed are the seconds ∫e^(-t/τ)dt of a span within [from, to).
func (u *unloadSpan) decayed(from, to int64, tauS float64) float64 {
	from, to = max(from, u.begin), min(to, u.end)
	if u.from == 0 || from >= to {
		return 0
	}
	at := func(ms int64) float64 { return math.Exp(-float64(ms-u.from) / 1000 / tauS) }
	return float64(tauS * (at(from) - at(to)))
}

// byCell are the decayed seconds of each cell.
func (u *unloadFit) byCell(tauS float64) []float64 {
	all := make([]float64, len(u.cells))
	first := 0
	for i := range u.cells {
		c := &u.cells[i]
		for first < len(u.spans) && u.spans[first].end <= c.from {
			first++
		}
		for k := first; k < len(u.spans) && u.spans[k].begin < c.to; k++ {
			all[i] += u.spans[k].decayed(c.from, c.to, tauS)
		}
	}
	return all
}

// The grid of time constants, each a fifth above the one before: 2 s to 140 s.
const (
	tauSteps          = 24
	leastTauS, tauBy  = 2.0, 1.2
	leastUnloadedMS   = 30_000
	settledU          = 0.01 // of settled power, beside its instrument
	timeConstantsOf90 = 2.302585092994046
)

// unloadedFit sets unloaded power and blow-down: least squares over the quarter
// hours of energy while unloaded, for each time constant of a grid, weighed by how
// well it fits and by what single unloads show.
func (r *replayMaker) unloadedFit(k int, m *ReplayMachine) {
	s, name, full := r.machines[k], r.b.machines[k], m.LoadedPower.V
	if m.LoadedPower.V <= 0 { // never loaded and no nameplate
		full = s.meanPower()
	}
	prior := []float64{float64(unloadedShare * full), float64(unloadStartShare * full)}
	u := []float64{rectangular(unloadedShareLimit * full), rectangular(unloadStartLimit * full)}
	tau, tauU, how := s.blowDownSeen()
	basis := fmt.Sprintf("15 to 35 %% of full load (handbook), and %s unloaded, none of which settled", inWords(s.g.total.power.all[Unloaded].ms))
	if s.g.total.settled.ms > 0 {
		settled := s.draw.mean(Unloaded, s.g.total.settled, r.to)
		prior[0], u[0] = settled.V, float64(settledU*settled.V)
		basis = fmt.Sprintf("settled power of %s and least squares over the quarter hours", inWords(s.g.total.settled.ms))
	}
	fit := unloadFit{spans: s.g.unloadSpans(), cells: s.g.cells, model: s.draw}
	v, cov, rows := fit.overGrid(prior, u, tau, tauU, float64(leastPowerNoise*full))
	if rows == 0 {
		basis, how = "not seen unloaded: 15 to 35 % of full load (handbook)", "not seen unloaded: tens of seconds (assumed)"
	}
	values := correlated(v, cov, []string{"blow-down of " + name, "unloaded power of " + name, "power right after an unload of " + name})
	ref := m.LoadedPower
	if part := s.g.total.power.all[Unloaded]; part.ms > 0 {
		ref = s.draw.mean(Unloaded, part, r.to)
	}
	m.BlowDownS, m.UnloadedPower, m.UnloadStartPower = values[0], alike(values[1], ref), alike(values[2], ref)
	m.Basis["unloaded_power"], m.Basis["blow_down"] = basis, how
	m.Basis["unload_start_power"] = fmt.Sprintf("least squares over %d quarter hours: what the energy unloaded is above settled power", rows)
}

// blowDownSeen is the time constant that single unloads show, or what is assumed.
func (s *sheet) blowDownSeen() (tau, u float64, how string) {
	var took []int64
	for i := range s.g.total.falls {
		f := &s.g.total.falls[i]
		if f.verdict != blownDown {
			continue
		}
		if t := f.power.ms; t > 0 {
			took = append(took, t)
		} else if t := f.sump.ms; t > 0 {
			took = append(took, t)
		}
	}
	if len(took) == 0 {
		return blowDownMiddleS, rectangular(blowDownLimitS), "tens of seconds (assumed), and least squares over the quarter hours: no unload was long enough to show it"
	}
	tau = medianCount(took) / 1000 / timeConstantsOf90
	u = quad(medianSpread(took)/1000, rectangular(s.periodS()), rectangular(1), float64(0.1*tau)) / timeConstantsOf90
	return tau, max(u, float64(0.05*tau)), fmt.Sprintf("nine tenths of the fall took %.0f s (median of %d unloads), and least squares over the quarter hours", medianCount(took)/1000, len(took))
}

// gridPoint is the fit at one time constant.
type gridPoint struct {
	tau, priorChi2, scatter, weight float64
	theta                           []float64
	cov                             [][]float64
}

// overGrid is the mean and covariance of time constant, settled and first power.
func (u *unloadFit) overGrid(prior, priorU []float64, tau, tauU, noise float64) (v []float64, cov [][]float64, rows int) {
	var grid []gridPoint
	least := math.Inf(1)
	try := func(t float64) {
		f := priorFit{prior: prior, u: priorU, leastNoise: noise}
		for i, g := range u.byCell(t) {
			d := &u.cells[i].d
			if d.power[Unloaded].ms < leastUnloadedMS {
				continue
			}
			seconds := float64(d.power[Unloaded].ms) / 1000
			g = min(g, seconds) / seconds
			f.add(u.model.ofState(Unloaded, d.power[Unloaded], u.cells[i].from)/seconds, seconds/900, 1-g, g)
		}
		if rows = len(f.rows); !f.solve() {
			return
		}
		off := (t - tau) / tauU
		least = min(least, f.scatter)
		grid = append(grid, gridPoint{t, f.priorChi2 + float64(off*off), f.scatter, 0, f.theta, f.cov})
	}
	for i := range tauSteps {
		try(float64(leastTauS * math.Pow(tauBy, float64(i))))
	}
	for i := -8; i <= 8; i++ { // where single unloads put it
		if t := tau + float64(tauU*float64(i)/4); t > 0.5 {
			try(t)
		}
	}
	slices.SortFunc(grid, func(a, b gridPoint) int { return cmp.Compare(a.tau, b.tau) })
	lowest := math.Inf(1)
	for i := range grid {
		g := &grid[i]
		by := g.scatter / least
		g.weight = g.priorChi2 + float64(float64(rows)*float64(by*by)/2)
		lowest = min(lowest, g.weight)
	}
	for i := range grid { // each stands for its part of the axis
		width := grid[min(i+1, len(grid)-1)].tau - grid[max(i-1, 0)].tau
		grid[i].weight = float64(math.Exp(-(grid[i].weight-lowest)/2) * width)
	}
	v, cov = mixed(grid)
	return v, cov, rows
}

// mixed is the mean and covariance of time constant and powers over a grid.
func mixed(grid []gridPoint) (mean []float64, cov [][]float64) {
	const dim = 3
	at := func(g *gridPoint) [dim]float64 { return [dim]float64{g.tau, g.theta[0], g.theta[1]} }
	mean, cov = make([]float64, dim), make([][]float64, dim)
	var total float64
	for i := range grid {
		g := &grid[i]
		total += g.weight
		for a, x := range at(g) {
			mean[a] += float64(g.weight * x)
		}
	}
	for a := range mean {
		mean[a] /= total
		cov[a] = make([]float64, dim)
	}
	for i := range grid {
		g := &grid[i]
		x := at(g)
		for a := range dim {
			for b := range dim {
				c := float64((x[a] - mean[a]) * (x[b] - mean[b]))
				if a > 0 && b > 0 {
					c += g.cov[a-1][b-1]
				}
				cov[a][b] += float64(g.weight / total * c)
			}
		}
	}
	return mean, cov
}
