package analysis

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/sitefile"
)

// SlotPricer prices energy by slots of a window: energy at the prices of its hours,
// demand at the margin, and what is emitted. It may be used by several goroutines at
// once.
type SlotPricer struct {
	Currency string
	// Why there is no price of a kind; empty: there is.
	EnergyAbsent, DemandAbsent, EmissionsAbsent string
	SlotMS                                      int64 // length of a slot
	fromMS                                      int64
	perKWh                                      []float64 // by slot
	kgPerJ                                      float64
	billing                                     *billing
	before                                      []bill
	demand                                      float64 // money, of what was recorded
}

// SlotPrice is what the energy of slots costs and emits. What is absent is 0.
type SlotPrice struct{ EnergyMoney, DemandMoney, Kg float64 }

// NewSlotPricer prepares the prices of a system's slots in [fromMS, toMS), which are
// whole quarter hours.
func NewSlotPricer(src Source, site *sitefile.Site, system string, fromMS, toMS, nowMS int64) (*SlotPricer, error) {
	sys := systemNamed(site, system)
	if sys == nil {
		return nil, badDemand("system", "system %q is not in the site file", system)
	}
	if mod(fromMS, cellMS) != 0 || mod(toMS, cellMS) != 0 || toMS < fromMS {
		return nil, badDemand("from", "slots are priced over whole quarter hours of UTC only")
	}
	p := &SlotPricer{Currency: site.Tariff.Currency, SlotMS: slotLength(site), fromMS: fromMS}
	p.energyPrices(site, toMS)
	if site.Tariff.EmissionsProvided {
		p.kgPerJ = site.Tariff.EmissionsKgPerJ
	} else {
		p.EmissionsAbsent = "no emission factor in the site file"
	}
	return p, p.bill(src, site, sys, toMS, nowMS)
}

// slotLength is by what steps demand is charged.
func slotLength(site *sitefile.Site) int64 {
	if site.Tariff.FineDemand() {
		return slotMS
	}
	return cellMS
}

func (p *SlotPricer) energyPrices(site *sitefile.Site, toMS int64) {
	t := &site.Tariff
	if t.Currency == "" || len(t.Energy) == 0 {
		p.EnergyAbsent = "no energy price in the site file"
		return
	}
	cal := newCalendar(site)
	p.perKWh = make([]float64, (toMS-p.fromMS)/p.SlotMS)
	for i := range p.perKWh {
		at := p.fromMS + int64(i)*p.SlotMS
		k := cal.price(at)
		if k < 0 {
			p.EnergyAbsent = "the tariff has no price for " + millis(at).In(site.Location).Format("Mon 15:04")
			return
		}
		p.perKWh[i] = t.Energy[k].PerKWh
	}
}

// bill makes the bills of what was recorded.
func (p *SlotPricer) bill(src Source, site *sitefile.Site, sys *sitefile.System, toMS, nowMS int64) error {
	priced := false
	for i := range site.Tariff.Demand {
		priced = priced || site.Tariff.Demand[i].PerKW > 0
	}
	if !priced || site.Tariff.Currency == "" {
		p.DemandAbsent = "no demand price in the site file"
		return nil
	}
	s, absent, err := priceSheet(src, site, sys, p.fromMS, min(toMS, nowMS), nowMS)
	if err != nil || absent != "" {
		p.DemandAbsent = absent
		return err
	}
	if p.billing, err = s.newBilling(); err != nil {
		return err
	}
	if len(p.billing.basis.joules) == 0 {
		p.DemandAbsent = "the plant meter was not read in the billing months of this window"
		return nil
	}
	p.before = p.billing.bills()
	for i := range p.before {
		if !p.before[i].top.seen {
			p.DemandAbsent = "no whole demand window was observed in the billing month from " + p.billing.date(p.before[i].from)
			return nil
		}
		p.demand += p.before[i].money
	}
	if len(p.before) == 0 {
		p.DemandAbsent = "no charge for demand holds in this window"
	}
	return nil
}

// priceSheet is a system's sheet with no more than the load of its machines.
func priceSheet(src Source, site *sitefile.Site, sys *sitefile.System, from, to, now int64) (s *sheet, absent string, err error) {
	groups, levels := sitefile.Groups(site), calibrationsOf(src)
	q, err := newQuestion(src, site, groups, now, false)
	if err != nil {
		return nil, "", err
	}
	s = newSheet(newGathered(systemSpec(site, groups, sys, levels), from, to, nil), q)
	for _, name := range sys.Machines {
		m, ok := site.MachineByName(name)
		if !ok {
			continue
		}
		sp := machineSpec(site, groups, m, levels[name])
		sp.fine = site.Tariff.FineDemand()
		g, err := gather(src, sp, from, to, nil)
		if err != nil {
			return nil, "", err
		}
		of := newSheet(g, q)
		of.draw, of.drawAbsent = of.newDrawModel(m)
		if of.findEnergy(m); of.energy.absent != "" {
			return nil, fmt.Sprintf("not known for every machine: %s: %s", name, of.energy.absent), nil
		}
		s.machines = append(s.machines, of)
	}
	if len(s.machines) == 0 {
		return nil, "the system has no machine", nil
	}
	return s, "", nil
}

// Price is what other, energy in J by slot, costs and emits in place of base, the
// energy by slot that was recorded, or that a replay puts in its place: demand by
// what the billed peaks of the record would be with the difference of the two. A
// slot that either does not know (NaN) counts nothing.
func (p *SlotPricer) Price(base, other []float64) SlotPrice {
	var v SlotPrice
	for i, j := range other {
		if math.IsNaN(j) {
			continue
		}
		v.Kg += float64(j * p.kgPerJ)
		if p.EnergyAbsent == "" && i < len(p.perKWh) {
			v.EnergyMoney += float64(j / joulesPerKWh * p.perKWh[i])
		}
	}
	if p.DemandAbsent == "" {
		v.DemandMoney = p.demand - p.demandSaved(base, other)
	}
	return v
}

// demandSaved is by how much the bills fall; a ratchet that was set in the months
// before stays.
func (p *SlotPricer) demandSaved(base, other []float64) (money float64) {
	b := p.billing
	rest := b.basis.less(func(at int64) float64 {
		i := (at - p.fromMS) / p.SlotMS
		if at < p.fromMS || i >= int64(min(len(base), len(other))) {
			return 0
		}
		if d := base[i] - other[i]; !math.IsNaN(d) {
			return d
		}
		return 0
	})
	local := func(ms int64) time.Time { return millis(ms).In(b.s.site.Location) }
	for i := range p.before {
		v := &p.before[i]
		after := b.bill(v.charge, local(v.from), local(v.to), rest)
		money += float64((v.billedW - after.billedW) / wattsPerKW * v.charge.PerKW * v.share)
	}
	return money
}
