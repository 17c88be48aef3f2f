package replay

import (
	"context"
	"fmt"
	"math"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/gum"
	"loadscribe/agent/replay/engine"
)

// coverageFactor of the stated intervals, about 95 %.
const coverageFactor = 2

const kWh = 3.6e6 // J

// Evaluate plays the window with the present settings and each alternative, with all
// their uncertainties. A setting that is wrong is a *RequestError; one that cannot be
// played is a result that says why.
func (st *Study) Evaluate(ctx context.Context, alts []Alternative, progress func(done, total int)) (Answer, error) {
	a := st.answer()
	plans := []plan{st.base}
	for i := range alts {
		if st.rec.Absent != "" {
			break
		}
		p, err := st.planOf(alts[i])
		if err != nil {
			return Answer{}, err
		}
		plans = append(plans, p)
	}
	if st.rec.Absent != "" {
		a.Absent = st.rec.Absent
		return a, nil
	}
	all, err := st.playAll(ctx, plans, progress)
	if err != nil {
		return Answer{}, err
	}
	e := &evaluation{st: st, present: &all[0]}
	if e.present.failed != "" {
		a.Absent = "the plant as the record shows it cannot be played: " + e.present.failed
		return a, nil
	}
	e.measure()
	if e.costs, err = e.priced(); err != nil {
		return Answer{}, err
	}
	a.Measured, a.Fit = e.measured(), e.fit()
	a.Present = e.outcome(&plans[0], e.present)
	e.costs.measuredMoney(e, &a.Measured)
	_, none := e.energyOf(&plans[0], e.present)
	e.costs.money(e, e.present, none, &a.Present)
	a.Remarks = append(a.Remarks, e.remarks()...)
	for i := range alts {
		a.Results = append(a.Results, e.result(alts[i], &plans[i+1], &all[i+1]))
	}
	return a, nil
}

// Meets plays the window once with the present settings and says how well that meets
// what was measured: the Fit of Evaluate, without its plays for intervals. Where nothing
// can be replayed it is poor.
func (st *Study) Meets(ctx context.Context) (Fit, error) {
	if st.rec.Absent != "" {
		return Fit{Poor: true, Words: st.rec.Absent}, nil
	}
	r, err := st.play(ctx, &st.base, job{})
	if ctx.Err() != nil {
		return Fit{}, err
	}
	p := &plays{}
	if p.put(job{}, r, err); p.failed != "" {
		return Fit{Poor: true, Words: p.failed}, nil
	}
	e := &evaluation{st: st, present: p}
	e.measure()
	return e.fit(), nil
}

// answer is what every answer has.
func (st *Study) answer() Answer {
	stamp := func(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z") }
	return Answer{
		System: st.q.System, From: stamp(st.rec.FromMS), To: stamp(st.rec.ToMS),
		Coverage: st.rec.Coverage, Resolution: st.rec.Resolution, Currency: st.site.Tariff.Currency,
		Calibrated: st.calibrated(), Settings: st.settingsNow(), Results: []Result{}, Remarks: []string{},
		Method: "the demand of each minute, by " + st.rec.Method + "; played event by event with what the record shows of each machine, first as it is, then with other settings; " +
			"energies are brought to the measured one, and each input of the calibration is moved by its uncertainty in both",
		Inputs: st.rec.Inputs,
	}
}

// evaluation holds what all alternatives are held against.
type evaluation struct {
	st      *Study
	present *plays
	energy  gum.Value // measured, J; where it is not, the present's own
	metered bool
	fitted  Fit
	counts  counts
	costs   *costs
}

// measure finds what the energies are brought to.
func (e *evaluation) measure() {
	e.energy = e.st.rec.Measured.Energy
	e.metered = e.energy.V > 0
	if !e.metered {
		e.energy = valueOf(e.present, e.present, func(p, _ measures) float64 { return p[mEnergyJ] })
	}
	var runningS float64
	for i := range e.st.rec.Measured.ByMachine {
		d := &e.st.rec.Measured.ByMachine[i]
		e.counts.starts, e.counts.loads = e.counts.starts+float64(d.Starts), e.counts.loads+float64(d.Loads)
		for s, seconds := range d.StateS {
			if s.Running() {
				runningS += seconds
			}
		}
	}
	if runningS > 0 {
		e.counts.loadsHour = e.counts.loads / (runningS / 3600)
	}
	e.fitted = e.makeFit()
}

func (e *evaluation) fit() Fit { return e.fitted }

// ratio is an alternative's energy over the present's.
func (e *evaluation) ratio(p *plays) gum.Value {
	return valueOf(e.present, p, func(present, other measures) float64 { return other[mEnergyJ] / present[mEnergyJ] })
}

// miss is the relative standard uncertainty that an alternative's energy has from
// what the model does not have: so much as the present run misses the measured
// energy, the less the more alike the plants are.
func (e *evaluation) miss(p *plan, ratio float64) float64 {
	off := leastMiss
	if e.metered {
		off = math.Hypot(off, e.fitted.EnergyShare)
	}
	return off * math.Hypot(1-ratio, kinship(p))
}

// leastMiss is what a model of minutes misses at the best, by which its energies
// may differ from the truth where they meet it by chance.
const leastMiss = 0.01

// kinship is how much of the present run's miss an alternative may not share: all of
// it for another machine or control, less for other settings, none without a change.
func kinship(p *plan) float64 {
	if len(p.keys) == 0 {
		return 0
	}
	for i := range p.units {
		if p.units[i].another || p.units[i].refitted {
			return 1
		}
	}
	return 0.3
}

// energyOf is a plan's energy and what it saves, J.
func (e *evaluation) energyOf(p *plan, of *plays) (energy, saved gum.Value) {
	ratio := e.ratio(of)
	ratio = ratio.Plus(gum.New(0, e.miss(p, ratio.V), missInput))
	energy = e.energy.Times(ratio)
	return energy, e.energy.Minus(energy)
}

// amount is a value with its interval.
func amount(v gum.Value) Amount {
	half := coverageFactor * v.U()
	return Amount{Value: &v.V, Interval: &half}
}

// outcome is what a plan comes to.
func (e *evaluation) outcome(p *plan, of *plays) Outcome {
	own := func(m measure) gum.Value {
		return valueOf(e.present, of, func(_, other measures) float64 { return other[m] })
	}
	energy, _ := e.energyOf(p, of)
	o := Outcome{
		Energy:        amount(energy.Scaled(1 / kWh)),
		Starts:        e.counted(mStarts, of),
		StartsHourMax: e.counted(mStartsHour, of),
		Loads:         e.counted(mLoads, of),
		LoadsHour:     e.counted(mLoadsHour, of),
		LowestPa:      e.lowest(of),
		MeanPa:        e.mean(own(mMeanPa)),
		ShortS:        of.result.ShortS, ShortM3: &of.result.ShortM3,
		Machines: machinesOf(p, of.result, energy.V/of.nominal[mEnergyJ]),
	}
	if e.st.rec.MinimumPa > 0 {
		o.BelowS = amount(own(mBelowS))
	} else {
		o.BelowS.Note = "no minimum_pressure in the site file"
	}
	if served := own(mServedM3); served.V > 0 {
		o.SpecificPower = amount(energy.Over(served))
	}
	if e.st.q.Trace {
		o.Trace = e.st.traceOf(of.result)
	}
	return o
}

// counted is a number of turns. Where enough of them were counted it is brought to
// that number, as energies are: what makes the present run turn too often does so
// in the other too, and their shared inputs cancel. What the present run misses
// widens it in proportion, and what is a matter of chance says so.
func (e *evaluation) counted(m measure, of *plays) Amount {
	was, off := 0.0, 0.0
	switch m {
	case mStarts:
		was, off = e.counts.starts, e.fitted.startsShare
	case mStartsHour:
		off = e.fitted.startsShare
	case mLoads:
		was, off = e.counts.loads, e.fitted.Loads
	case mLoadsHour:
		was, off = e.counts.loadsHour, e.fitted.Loads
	}
	v := valueOf(e.present, of, func(present, other measures) float64 {
		if min(e.counts.of(m), e.present.nominal[few(m)]) < fewTurns || present[m] == 0 {
			return other[m]
		}
		return was * other[m] / present[m]
	})
	a := amount(v.Plus(gum.New(0, math.Abs(off)*max(v.V, 1), missInput)).Plus(gum.New(0, countU(m), "a turn more or less at the window's ends")))
	if spread := math.Abs(v.Part(chanceInput)); spread > chaoticShare*max(v.V, leastChaotic) {
		a.Note = fmt.Sprintf("chaotic here: small differences in the demand make it %.3g to %.3g", of.least(m), of.most(m))
	}
	return a
}

// countU is what one turn more or less makes of a number.
func countU(m measure) float64 {
	if m == mLoadsHour {
		return 0
	}
	return 0.5
}

// counts are the turns that were measured.
type counts struct{ starts, loads, loadsHour float64 }

// of is how many were counted behind a measure; most in an hour are too few.
func (c *counts) of(m measure) float64 {
	switch m {
	case mStarts:
		return c.starts
	case mLoads, mLoadsHour:
		return c.loads
	}
	return 0
}

// few is the number that a measure is a rate of.
func few(m measure) measure {
	if m == mLoadsHour {
		return mLoads
	}
	return m
}

// A number of turns is called chaotic where chance in the demand spreads it by more
// than this share, counted of at least so many.
const chaoticShare, leastChaotic = 0.15, 10

func (p *plays) least(m measure) float64 {
	v := p.nominal[m]
	for i := range p.noisy {
		v = min(v, p.noisy[i][m])
	}
	return v
}

func (p *plays) most(m measure) float64 {
	v := p.nominal[m]
	for i := range p.noisy {
		v = max(v, p.noisy[i][m])
	}
	return v
}

func (e *evaluation) mean(v gum.Value) Amount {
	off := 0.0
	if m := e.st.rec.Measured.MeanPa; m.V > 0 {
		off = e.present.nominal[mMeanPa] - m.V
	}
	v.V -= off / 2
	return amount(v.Plus(gum.New(0, math.Abs(off)/2, missInput)))
}

// seconds is a time in words.
func seconds(s float64) string {
	switch {
	case s < 120:
		return fmt.Sprintf("%.0f s", s)
	case s < 7200:
		return fmt.Sprintf("%.3g min", s/60)
	}
	return fmt.Sprintf("%.1f h", s/3600)
}

// machinesOf are the machines' parts, their energies brought to the measured sum.
func machinesOf(p *plan, r *engine.Result, scale float64) (all []MachineOutcome) {
	for i := range r.Machines {
		m := MachineOutcome{Machine: p.units[i].name, StateKWh: map[string]float64{}, StateS: map[string]float64{},
			Starts: r.Machines[i].Starts, Loads: r.Machines[i].Loads}
		for s := range engine.NumStates {
			if r.Machines[i].Seconds[s] == 0 {
				continue
			}
			energy := r.Machines[i].EnergyJ[s] * scale / kWh
			m.EnergyKWh += energy
			m.StateKWh[stateWord(s)], m.StateS[stateWord(s)] = energy, r.Machines[i].Seconds[s]
		}
		all = append(all, m)
	}
	return all
}

// stateWord is a state as the figures call it.
func stateWord(s engine.State) string {
	return [engine.NumStates]analysis.State{analysis.Stopped, analysis.Starting, analysis.Unloaded, analysis.PartLoad, analysis.Loaded}[s].String()
}

func (st *Study) traceOf(r *engine.Result) []TracePoint {
	all := make([]TracePoint, len(r.Trace))
	for i := range r.Trace {
		from := &r.Trace[i]
		p := TracePoint{AtMS: st.rec.FromMS + int64(math.Round(from.AtS*1000)), Pa: from.Pa, Gap: from.Break && i > 0}
		for _, s := range from.States {
			p.States = append(p.States, stateWord(s))
		}
		all[i] = p
	}
	return all
}
