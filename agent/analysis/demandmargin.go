package analysis

import "time"

// margins prices what could be saved at the margin: energy at the prices of the
// hours in which it was used, demand by as much as the billed peak would fall.
func (s *sheet) margins(e *energyResult) {
	t := &s.site.Tariff
	if t.Currency == "" || len(t.Energy) == 0 {
		return
	}
	table := Table{
		Name: "savings_at_the_margin",
		Method: "what would not have been paid without this use: its energy at the prices of the hours in which it fell, " +
			"and demand by as much as the billed peak of each month would have been lower, which is often nothing; " +
			"a ratchet set in earlier months stays" + e.gapsLeftOut(),
		Columns: []Column{{"energy", "kWh"}, {"energy cost", t.Currency}, {"mean price", t.Currency + "/kWh"},
			{"lower billed demand", "kW"}, {"demand cost", t.Currency}},
	}
	cal := newCalendar(s.site)
	if e.hasUnloaded {
		s.marginRow(&table, e.fine(), "unloaded running", func(c *cellEnergy) float64 { return c.unloaded },
			func(l *load) func(int64) float64 { return func(at int64) float64 { return l.at(at).unloaded } })
	}
	if len(s.site.Shifts) > 0 {
		s.marginRow(&table, e.cells, "use off shift",
			func(c *cellEnergy) float64 {
				if cal.offShift(c.from) {
					return c.joules
				}
				return 0
			},
			func(l *load) func(int64) float64 {
				return func(at int64) float64 {
					if cal.offShift(at) {
						return l.at(at).joules
					}
					return 0
				}
			})
	}
	s.marginRow(&table, e.cells, "all use", func(c *cellEnergy) float64 { return c.joules },
		func(l *load) func(int64) float64 { return func(at int64) float64 { return l.at(at).joules } })
	s.tables = append(s.tables, table)
}

// gapsLeftOut says what the rows lack beside the figures.
func (e *energyResult) gapsLeftOut() string {
	if len(e.bridged) == 0 {
		return ""
	}
	return "; what a counter counted over gaps is not in it, since its hours are not known"
}

// marginRow adds a use: what of each cell belongs to it, and what of each step
// of a load. The cells are those of the figure that the use is told by, so that both
// have the same energy.
func (s *sheet) marginRow(table *Table, cells []cellEnergy, name string, of func(*cellEnergy) float64, part func(*load) func(int64) float64) {
	cal := newCalendar(s.site)
	var kWh, money float64
	for i := range cells {
		c := &cells[i]
		p := cal.price(c.from)
		if p < 0 {
			return
		}
		used := of(c) / joulesPerKWh
		kWh += used
		money += float64(used * s.site.Tariff.Energy[p].PerKWh)
	}
	row := Row{Name: name, Values: []*float64{number64(kWh), number64(money), nil, nil, nil}}
	if kWh > 0 {
		row.Values[2] = number64(money / kWh)
	}
	if b := s.billing; b != nil {
		kW, saved := b.without(part(b.own))
		row.Values[3], row.Values[4] = number64(kW), number64(saved)
	}
	table.Rows = append(table.Rows, row)
}

// without is by how much the billed demand and its cost would be lower without
// a part of the subject's load: kW of the charges' mean over the months, and
// money.
func (b *billing) without(part func(at int64) float64) (kW, money float64) {
	rest := b.basis.less(part)
	before := b.bills()
	var fell, shares float64
	for i := range before {
		v := &before[i]
		local := func(ms int64) time.Time { return millis(ms).In(b.s.site.Location) }
		after := b.bill(v.charge, local(v.from), local(v.to), rest)
		lower := (v.billedW - after.billedW) / wattsPerKW
		fell += float64(lower * v.share)
		shares += v.share
		money += float64(lower * v.charge.PerKW * v.share)
	}
	if shares > 0 {
		fell /= shares
	}
	return fell, money
}
