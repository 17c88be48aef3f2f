package analysis

import (
	"fmt"
	"strings"
	"time"

	"loadscribe/agent/sitefile"
)

// demand sets peak_demand and demand_cost.
func (s *sheet) demand(e *energyResult) {
	t := &s.site.Tariff
	c := sitefile.DemandCharge{Window: 15 * time.Minute}
	if len(t.Demand) > 0 {
		c = t.Demand[0]
		c.Period = sitefile.Period{} // the peak of all times, whatever it costs
	}
	own := newLoad(e.fine(), s.step(), e.hasUnloaded)
	top := own.peak(s.site, &c, s.g.from, s.g.to)
	minutes := c.Window.Minutes()
	s.demandCost(e)
	if !top.seen {
		s.absent(fmt.Sprintf("no whole demand window of %.0f min lies in this window", minutes), "peak_demand")
		return
	}
	kind := "clock-aligned window"
	if c.Rolling {
		kind = "window that moves on by 5 min"
	}
	kW := top.watts / wattsPerKW
	s.boundValue("peak_demand", "kW", e.fineCell.Scaled(kW), !top.full,
		fmt.Sprintf("greatest mean power over a %s of %.0f min; it began on %s", kind, minutes,
			millis(top.begin).In(s.site.Location).Format("Mon 2006-01-02 15:04")), e.inputs)
	s.moment("peak_demand", top.begin, top.end)
}

// bill is what one charge asks for one billing month.
type bill struct {
	charge      *sitefile.DemandCharge
	from, to    int64
	share       float64 // of the month's days that lie in the window and in the charge's months
	top         peak    // of the plant, where it is metered, else of the subject
	floorW      float64 // what the ratchet asks at least
	floor       peak    // where it was set
	known, want int     // months that the ratchet looked at, and those it asks for
	billedW     float64
	ownW        float64 // the subject's part of what is billed
	money       float64
	atLeast     bool
}

// billing is all that demand is charged by.
type billing struct {
	s     *sheet
	basis *load // whose peak is charged
	own   *load
	peaks map[monthOf]peak // found so far
}

type monthOf struct {
	charge *sitefile.DemandCharge
	from   int64
}

func (s *sheet) demandCost(e *energyResult) {
	const name = "demand_cost"
	t := &s.site.Tariff
	priced := false
	for i := range t.Demand {
		priced = priced || t.Demand[i].PerKW > 0
	}
	if !priced || t.Currency == "" {
		s.absent("no demand price in the site file", name)
		return
	}
	b, err := s.newBilling()
	if err != nil {
		s.err = err
		return
	}
	if len(b.basis.joules) == 0 {
		s.absent("the plant meter was not read in the billing months of this window", name)
		return
	}
	bills := b.bills()
	if len(bills) == 0 {
		s.absent("no charge for demand holds in this window", name)
		return
	}
	var money float64
	atLeast := false
	for i := range bills {
		if !bills[i].top.seen {
			s.absent("no whole demand window was observed in the billing month from "+b.date(bills[i].from), name)
			return
		}
		money += bills[i].money
		atLeast = atLeast || bills[i].atLeast
	}
	inputs := append([]string{"tariff"}, e.inputs...)
	if s.q.plant != nil {
		inputs = append(inputs, s.q.plant.draw.inputsOr(t.PlantMeter)...)
	}
	s.boundValue(name, t.Currency, e.fineCell.Scaled(money), false, b.method(bills), inputs)
	if atLeast {
		s.atLeast(name, "a billing month is not over or was not wholly seen")
	}
	s.demandTable(b, bills)
	s.billing = b
}

func (m *drawModel) inputsOr(id string) []string {
	if m == nil {
		return []string{id}
	}
	return m.inputs
}

// newBilling gathers the loads of every billing month that the window touches,
// and of those that a ratchet looks back on.
func (s *sheet) newBilling() (*billing, error) {
	t := &s.site.Tariff
	back := 0
	for i := range t.Demand {
		back = max(back, t.Demand[i].RatchetMonths)
	}
	from, _ := s.site.BillingMonth(millis(s.g.from))
	from = from.AddDate(0, -back, 0)
	_, to := s.site.BillingMonth(millis(s.g.to - 1))
	begin, end := cellOf(from.UnixMilli()), to.UnixMilli()
	if s.q.now < end {
		end = cellOf(s.q.now-1) + cellMS
	}
	b := &billing{s: s, peaks: map[monthOf]peak{}}
	var err error
	if b.own, err = s.loadOver(begin, end); err != nil {
		return nil, err
	}
	if b.basis = b.own; s.q.plant != nil {
		b.basis, err = s.q.plant.loadOver(begin, end)
	}
	return b, err
}

// bills makes the bill of every charge and billing month that the window
// touches and in which something was recorded.
func (b *billing) bills() []bill {
	s := b.s
	var all []bill
	first := max(s.g.from, b.own.from)
	from, to := s.site.BillingMonth(millis(first))
	for ; from.UnixMilli() < min(s.g.to, b.own.end()); from, to = to, to.AddDate(0, 1, 0) {
		for i := range s.site.Tariff.Demand {
			one := b.bill(&s.site.Tariff.Demand[i], from, to, b.basis)
			if one.share > 0 {
				all = append(all, one)
			}
		}
	}
	return all
}

// bill makes one. basis is whose peak is charged.
func (b *billing) bill(c *sitefile.DemandCharge, from, to time.Time, basis *load) bill {
	s := b.s
	v := bill{charge: c, from: from.UnixMilli(), to: to.UnixMilli()}
	days := dayShare(s.site.Location, &sitefile.Period{}, v.from, v.to)
	v.share = dayShare(s.site.Location, &c.Period, max(v.from, s.g.from), min(v.to, s.g.to)) / days
	v.top = basis.peak(s.site, c, v.from, v.to)
	v.billedW = v.top.watts
	v.ownW, _ = b.own.mean(v.top.begin, v.top.end)
	v.atLeast = !v.top.full
	if c.RatchetMonths > 0 {
		b.ratchet(&v, from)
		if v.floorW > v.billedW {
			v.billedW = v.floorW
			w, _ := b.own.mean(v.floor.begin, v.floor.end)
			v.ownW = float64(w * c.RatchetShare)
		}
		v.atLeast = v.atLeast || v.known < v.want
	}
	v.money = float64(v.ownW / wattsPerKW * c.PerKW * v.share)
	return v
}

// ratchet finds the highest of the months before.
func (b *billing) ratchet(v *bill, month time.Time) {
	v.want = v.charge.RatchetMonths
	for k := 1; k <= v.want; k++ {
		from, to := month.AddDate(0, -k, 0), month.AddDate(0, 1-k, 0)
		key := monthOf{v.charge, from.UnixMilli()}
		p, ok := b.peaks[key]
		if !ok {
			p = b.basis.peak(b.s.site, v.charge, from.UnixMilli(), to.UnixMilli())
			b.peaks[key] = p
		}
		if !p.seen {
			continue
		}
		v.known++
		if w := float64(p.watts * v.charge.RatchetShare); w > v.floorW {
			v.floorW, v.floor = w, p
		}
	}
}

func (b *billing) date(ms int64) string {
	return millis(ms).In(b.s.site.Location).Format(time.DateOnly)
}

// method says how demand was charged.
func (b *billing) method(bills []bill) string {
	parts := []string{"own peak demand of each billing month times the price: what it costs if the plant's peak falls at the same time"}
	if b.s.q.plant != nil {
		parts[0] = "own power while the plant meter stood at its highest in each billing month, times the price"
	}
	part, ratchet, season := false, false, false
	for i := range bills {
		v := &bills[i]
		whole := v.from >= b.s.g.from && v.to <= b.s.g.to
		part = part || !whole
		season = season || whole && v.share < 1
		ratchet = ratchet || v.floorW > v.top.watts
	}
	if ratchet {
		parts = append(parts, "where the ratchet asks for more, its share of the power at the window that set it")
	}
	if part {
		parts = append(parts, "of a billing month that the window holds in part, the share of its days, since the peak is the whole month's")
	}
	if season {
		parts = append(parts, "a charge that begins or ends within a billing month by its days")
	}
	return strings.Join(parts, "; ")
}

// demandTable lists the bills.
func (s *sheet) demandTable(b *billing, bills []bill) {
	t := &s.site.Tariff
	peakName := "own peak"
	if s.q.plant != nil {
		peakName = "plant's peak"
	}
	table := Table{
		Name:   "demand_by_month",
		Method: b.method(bills),
		Columns: []Column{{peakName, "kW"}, {"billed demand", "kW"}, {"own part", "kW"},
			{"price", t.Currency + "/kW"}, {"share of the month", "1"}, {"cost", t.Currency}},
	}
	for i := range bills {
		v := &bills[i]
		table.Rows = append(table.Rows, Row{
			Name: "from " + b.date(v.from) + ", " + v.charge.Name,
			Values: []*float64{number64(v.top.watts / wattsPerKW), number64(v.billedW / wattsPerKW), number64(v.ownW / wattsPerKW),
				number64(v.charge.PerKW), number64(v.share), number64(v.money)},
			Note: b.note(v),
		})
	}
	s.tables = append(s.tables, table)
}

func (b *billing) note(v *bill) string {
	at := func(ms int64) string { return millis(ms).In(b.s.site.Location).Format("Mon 2006-01-02 15:04") }
	notes := []string{"peak in the window from " + at(v.top.begin)}
	if v.want > 0 {
		switch {
		case v.floorW > v.top.watts:
			notes = append(notes, fmt.Sprintf("the ratchet of %s sets the bill", at(v.floor.begin)))
		default:
			notes = append(notes, fmt.Sprintf("the ratchet asks for %.1f kW at least, which is less", v.floorW/wattsPerKW))
		}
		if v.known < v.want {
			notes = append(notes, fmt.Sprintf("%d of its %d months were recorded", v.known, v.want))
		}
	}
	switch {
	case b.s.q.now < v.to:
		notes = append(notes, "the billing month is not over")
	case !v.top.full:
		notes = append(notes, "parts of the billing month were not observed")
	}
	return strings.Join(notes, "; ")
}
