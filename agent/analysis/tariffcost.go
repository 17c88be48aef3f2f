package analysis

import (
	"fmt"

	"loadscribe/agent/gum"
)

// period is what one price of the tariff was paid for.
type period struct {
	joules, money float64
	ms            int64 // observed
}

// priced is energy by the prices of the tariff.
type priced struct {
	by     []period  // in the tariff's order
	gaps   period    // counted over gaps that reach over several prices, at the middle of them
	unsure float64   // money: half of what those prices leave open
	edges  []float64 // money that a count on the wrong side of a change of price makes
	seen   float64   // money of the energy while observed
	cells  []float64 // the same of each cell of the energy
	at     []int     // the price that each cell had, by its place in the tariff
}

func (p *priced) total() (all period) {
	for _, part := range append(p.by[:len(p.by):len(p.by)], p.gaps) {
		all.joules += part.joules
		all.money += part.money
		all.ms += part.ms
	}
	return all
}

// price splits energy by the tariff's prices. Quarter hours, and the parts that
// shifts cut them into, each have one. absent says why it cannot be done.
func (s *sheet) price(e *energyResult) (p priced, absent string) {
	t := &s.site.Tariff
	p.by = make([]period, len(t.Energy))
	cal := newCalendar(s.site)
	at := func(ms int64) (*period, int, float64) {
		i := cal.price(ms)
		if i < 0 {
			absent = "the tariff has no price for " + millis(ms).In(s.site.Location).Format("Mon 15:04")
			return &period{}, i, 0
		}
		return &p.by[i], i, t.Energy[i].PerKWh
	}
	before := 0.0
	for i := range e.cells {
		c := &e.cells[i]
		part, place, perKWh := at(c.from)
		money := float64(c.joules / joulesPerKWh * perKWh)
		part.joules += c.joules
		part.money += money
		p.seen += money
		p.cells, p.at = append(p.cells, money), append(p.at, place)
		part.ms += c.ms
		if i > 0 && perKWh != before && e.step > 0 {
			p.edges = append(p.edges, rectangular(e.step/joulesPerKWh*(perKWh-before)))
		}
		before = perKWh
	}
	for _, b := range e.bridged {
		kWh := b.joules / joulesPerKWh
		low, high, ok := cal.pricesIn(b.from, b.to)
		switch {
		case !ok:
			at(b.from)
		case t.Energy[low].PerKWh == t.Energy[high].PerKWh:
			p.by[low].joules += b.joules
			p.by[low].money += float64(kWh * t.Energy[low].PerKWh)
		default:
			p.gaps.joules += b.joules
			p.gaps.money += float64(kWh * (t.Energy[low].PerKWh + t.Energy[high].PerKWh) / 2)
			p.unsure += float64(kWh * (t.Energy[high].PerKWh - t.Energy[low].PerKWh) / 2)
		}
	}
	return p, absent
}

// cost sets energy_cost and the table behind it.
func (s *sheet) cost(e *energyResult) {
	const name = "energy_cost"
	t := &s.site.Tariff
	if t.Currency == "" || len(t.Energy) == 0 {
		e.moneyAbsent = "no energy price in the site file"
		s.absent(e.moneyAbsent, name)
		return
	}
	p, absent := s.price(e)
	if absent != "" {
		e.moneyAbsent = absent
		s.absent(absent, name)
		return
	}
	all := p.total()
	method := "energy by quarter hour of local time, times the price that holds then"
	if p.unsure > 0 {
		method += fmt.Sprintf("; %.1f kWh counted over gaps that reach over several prices are taken at the middle of them", p.gaps.joules/joulesPerKWh)
	}
	edges := gum.New(0, quad(p.edges...), counterEdges)
	v := gum.Sum(e.cell.Scaled(all.money), gum.New(0, rectangular(p.unsure), coverageInput(s.g.sp.name)), edges)
	e.money = e.cell.Scaled(p.seen).Plus(edges)
	s.boundValue(name, t.Currency, v, e.atLeast, method, append([]string{"tariff"}, e.inputs...))
	s.periodTable(e, &p)
}

func (s *sheet) periodTable(e *energyResult, p *priced) {
	t := &s.site.Tariff
	table := Table{
		Name:   "energy_by_period",
		Method: "energy by the tariff's periods; the prices' rows add up to energy_cost; all rows share the meter's error",
		Columns: []Column{{"observed", "s"}, {"energy", "kWh"}, {"uncertainty", "kWh"},
			{"price", t.Currency + "/kWh"}, {"cost", t.Currency}},
	}
	row := func(name string, part period, perKWh *float64) {
		kWh := part.joules / joulesPerKWh
		table.Rows = append(table.Rows, Row{Name: name,
			Values: []*float64{number64(float64(part.ms) / 1000), number64(kWh), number64(coverageFactor * kWh * e.cell.U()), perKWh, number64(part.money)}})
	}
	for i := range t.Energy {
		row(t.Energy[i].Name, p.by[i], number64(t.Energy[i].PerKWh))
	}
	if p.gaps.joules > 0 {
		row("counted over gaps, period not known", p.gaps, nil)
	}
	row("all", p.total(), nil)
	s.tables = append(s.tables, table)
}
