package replay

import (
	"fmt"
	"math"

	"loadscribe/agent/analysis"
	"loadscribe/agent/gum"
)

// costs prices slots of the window; without prices each amount says why.
type costs struct {
	pricer *analysis.SlotPricer // nil: no source to price from
	why    string
	scale  float64 // from the replay's energies to the measured
	slots  int
	base   []float64 // the present run's slots, brought to the measured energy
	was    analysis.SlotPrice
	years  []float64 // how often a year holds each slot; nil: the window's weeks count
	words  string    // what a year is taken to be, or why not by its days
}

// priced prepares the prices.
func (e *evaluation) priced() (*costs, error) {
	st := e.st
	c := &costs{scale: e.energy.V / e.present.nominal[mEnergyJ], slots: int(math.Ceil(st.seconds(st.rec.ToMS)/st.slotS - 1e-9))}
	c.base = c.scaled(e.present.result.SlotJ)
	minutes := make([]int64, len(st.rec.Minutes))
	for i := range minutes {
		minutes[i] = st.rec.Minutes[i].StartMS
	}
	c.years, c.words = analysis.SlotYears(st.site, st.rec.FromMS, int64(st.slotS*1000), c.slots, minutes)
	if st.src == nil {
		c.why = "no record to price from"
		return c, nil
	}
	var err error
	if c.pricer, err = analysis.NewSlotPricer(st.src, st.site, st.q.System, st.rec.FromMS, st.rec.ToMS, st.q.NowMS); err != nil {
		return nil, fmt.Errorf("replay %s: prices: %w", st.q.System, err)
	}
	c.was = c.pricer.Price(c.base, c.base)
	return c, nil
}

// scaled are a play's energies by slot, as many as the window has.
func (c *costs) scaled(slotJ []float64) []float64 {
	all := make([]float64, c.slots)
	for i := range min(len(all), len(slotJ)) {
		all[i] = slotJ[i] * c.scale
	}
	return all
}

// priceOf is what a plan's energies cost, and by how much chance in the demand
// spreads the difference of its demand charge to the present's.
func (c *costs) priceOf(present, of *plays) (p analysis.SlotPrice, demandU float64) {
	p = c.pricer.Price(c.base, c.scaled(of.result.SlotJ))
	if c.pricer.DemandAbsent != "" {
		return p, 0
	}
	var sum, n float64
	for i := range of.slots {
		if of.slots[i] == nil || present.slots[i] == nil {
			continue
		}
		base := c.scaled(present.slots[i])
		saved := c.pricer.Price(base, base).DemandMoney - c.pricer.Price(base, c.scaled(of.slots[i])).DemandMoney
		d := saved - (c.was.DemandMoney - p.DemandMoney)
		sum += d * d
		n++
	}
	if n > 0 {
		demandU = math.Sqrt(sum / n)
	}
	return p, demandU
}

// money puts costs and emissions into an outcome, and says what is saved of them.
// saved is the energy, J.
func (c *costs) money(e *evaluation, of *plays, saved gum.Value, o *Outcome) (cost, kg, year Amount) {
	if c.pricer == nil {
		o.Cost.Note, o.DemandCost.Note, o.Emissions.Note = c.why, c.why, c.why
		return o.Cost, o.Emissions, o.Cost
	}
	p, demandU := c.priceOf(e.present, of)
	energyU := math.Abs(saved.U())
	if perJ := c.was.Kg / e.energy.V; c.pricer.EmissionsAbsent == "" {
		kg = with(c.was.Kg-p.Kg, energyU*perJ)
		o.Emissions = with(p.Kg, math.Abs(e.energy.Minus(saved).U()*perJ))
	} else {
		o.Emissions.Note, kg.Note = c.pricer.EmissionsAbsent, c.pricer.EmissionsAbsent
	}
	if c.pricer.EnergyAbsent != "" {
		o.Cost.Note, cost.Note, year.Note = c.pricer.EnergyAbsent, c.pricer.EnergyAbsent, c.pricer.EnergyAbsent
		o.DemandCost.Note = c.pricer.DemandAbsent
		return cost, kg, year
	}
	perJ := c.was.EnergyMoney / e.energy.V
	energySaved, demandSaved := c.was.EnergyMoney-p.EnergyMoney, c.was.DemandMoney-p.DemandMoney
	// A demand charge is off by what the energy is off, and by chance.
	if saved.V != 0 {
		demandU = math.Hypot(demandU, demandSaved*saved.U()/saved.V)
	}
	cost = with(energySaved+demandSaved, math.Hypot(energyU*perJ, demandU))
	o.Cost = with(p.EnergyMoney+p.DemandMoney, math.Hypot(e.energy.Minus(saved).U()*perJ, demandU))
	if o.DemandCost = with(p.DemandMoney, demandU); c.pricer.DemandAbsent != "" {
		o.DemandCost = Amount{Note: c.pricer.DemandAbsent}
		o.Cost.Note = "energy only: " + c.pricer.DemandAbsent
	}
	demandYears := analysis.BillsIn(e.st.site, e.st.rec.FromMS, e.st.rec.ToMS)
	energyYear, energyYears := c.yearly(e, of, energySaved, c.pricer.EnergyMoney)
	year = with(energyYear+demandSaved*demandYears, math.Hypot(energyU*perJ*energyYears, demandU*demandYears))
	return cost, kg, year
}

// yearly is what the saved amount of a play's slots comes to in a year, and how often
// the year holds what was replayed. amount is of energies by slot, J; saved the
// window's.
func (c *costs) yearly(e *evaluation, of *plays, saved float64, amount func(slotJ []float64) float64) (year, years float64) {
	if c.years == nil {
		years = e.weeks()
		return saved * years, years
	}
	each := func(slotJ []float64) float64 {
		all := make([]float64, len(slotJ))
		for i := range all {
			all[i] = slotJ[i] * c.years[i]
		}
		return amount(all)
	}
	was := each(c.base)
	if once := amount(c.base); once != 0 {
		years = was / once
	}
	return was - each(c.scaled(of.result.SlotJ)), years
}

func joules(slotJ []float64) (sum float64) {
	for _, j := range slotJ {
		sum += j
	}
	return sum
}

// with is a value with its standard uncertainty as an Amount.
func with(v, u float64) Amount {
	half := coverageFactor * u
	return Amount{Value: &v, Interval: &half}
}

const weekS = 7 * dayS

// weeks are how often the weeks worked in a year hold the replayed time.
func (e *evaluation) weeks() float64 {
	return e.st.site.WeeksPerYear * weekS / e.present.result.Seconds
}

// assumesYear says what a saving for a year takes for granted.
func (e *evaluation) assumesYear(c *costs) string {
	like, days := "the one day that was", e.present.result.Seconds/dayS
	if whole := math.Round(days); math.Abs(days-whole) < 0.01 {
		days = whole // but for the last reading
	}
	if days != 1 {
		like = fmt.Sprintf("the %.3g days that were", days)
	}
	text := fmt.Sprintf("%.3g weeks a year like %s replayed, the other days left out: %s", e.st.site.WeeksPerYear, like, c.words)
	if c.years != nil {
		text = "a year of days like those replayed, " + c.words
	}
	if c.pricer != nil && c.pricer.EnergyAbsent == "" && c.pricer.DemandAbsent == "" {
		text += ", and demand charges all year like those of the window"
	}
	if e.present.result.Seconds < 0.9*weekS {
		text += "; less than a week is no sample of a year"
	}
	return text
}

// measuredMoney puts what was measured into the measured outcome.
func (c *costs) measuredMoney(e *evaluation, o *Outcome) {
	if c.pricer == nil || !e.metered {
		return
	}
	p := c.pricer.Price(e.st.rec.Measured.SlotJ, e.st.rec.Measured.SlotJ)
	share := math.Abs(e.energy.U() / e.energy.V)
	if c.pricer.EmissionsAbsent == "" {
		o.Emissions = with(p.Kg, p.Kg*share)
	}
	if c.pricer.EnergyAbsent == "" {
		o.Cost = with(p.EnergyMoney+p.DemandMoney, p.EnergyMoney*share)
		if c.pricer.DemandAbsent == "" {
			o.DemandCost = with(p.DemandMoney, 0)
		}
	}
}
