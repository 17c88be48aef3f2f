package analysis

import (
	"cmp"
	"slices"
)

// MoneyHours is energy and its cost by hours of the local clock.
type MoneyHours struct {
	Absent string `json:"absent,omitempty"` // why there is none; Rows is empty then
	// CostAbsent says why the hours have no cost.
	CostAbsent string      `json:"cost_absent,omitempty"`
	Method     string      `json:"method,omitempty"`
	Rows       []MoneyHour `json:"rows"`
	Days       []MoneyDay  `json:"days"`
	// GapsKWh was counted over gaps and belongs to no hour; the rows and it are the
	// figure energy, their costs energy_cost.
	GapsKWh  float64  `json:"gaps_kwh"`
	GapsCost *float64 `json:"gaps_cost,omitempty"`
	// Dearest are the places of the rows that took the most, the first first: of
	// the cost, where there are prices, else of the energy.
	Dearest []int `json:"dearest"`
	// HalfHours is how many of the dearest make half of the rows' sum; HalfShare is
	// their share of the hours that the window holds.
	HalfHours int     `json:"half_hours"`
	HalfShare float64 `json:"half_share"`
}

// MoneyHour is one hour of the clock, or the part of it that the window holds.
type MoneyHour struct {
	From      string   `json:"from"` // RFC 3339 UTC
	To        string   `json:"to"`
	ObservedS float64  `json:"observed_s"`
	EnergyKWh float64  `json:"energy_kwh"`
	Cost      *float64 `json:"cost,omitempty"`
	// Price is the place of its price in the tariff; -1 where it has several.
	Price *int `json:"price,omitempty"`
}

// MoneyDay is the hours of one local date together.
type MoneyDay struct {
	Date      string   `json:"date"` // local, like 2026-03-02
	From      string   `json:"from"` // RFC 3339 UTC, of the date within the window
	To        string   `json:"to"`
	ObservedS float64  `json:"observed_s"`
	EnergyKWh float64  `json:"energy_kwh"`
	Cost      *float64 `json:"cost,omitempty"`
}

// mostDearest is how many dear hours are named.
const mostDearest = 10

// moneyHours lays the energy's cells into hours.
func (s *sheet) moneyHours(e *energyResult) MoneyHours {
	h := MoneyHours{Rows: []MoneyHour{}, Days: []MoneyDay{}, Dearest: []int{}}
	if h.Absent = e.absent; h.Absent != "" {
		return h
	}
	h.Method = e.method
	p := s.moneyPriced(e, &h)
	s.layHours(e, p, &h)
	for _, b := range e.bridged {
		h.GapsKWh += b.joules / joulesPerKWh
	}
	if p != nil {
		h.GapsCost = number64(p.total().money - p.seen)
		h.Method += "; each quarter hour at the price that holds then"
	}
	h.days(s)
	h.rank(p != nil, s.clockHours())
	return h
}

// moneyPriced is the energy by the tariff's prices; nil: it has none.
func (s *sheet) moneyPriced(e *energyResult, h *MoneyHours) *priced {
	if s.site.Tariff.Currency == "" || len(s.site.Tariff.Energy) == 0 {
		h.CostAbsent = "no energy price in the site file"
		return nil
	}
	p, absent := s.price(e)
	if h.CostAbsent = absent; absent != "" {
		return nil
	}
	return &p
}

// layHours puts cells into hours of the local clock.
func (s *sheet) layHours(e *energyResult, p *priced, h *MoneyHours) {
	clock := localClock{loc: s.site.Location}
	last := int64(-1)
	for i := range e.cells {
		c := &e.cells[i]
		begin := c.from - mod(clock.at(c.from), hourMS)
		if begin != last {
			last = begin
			row := MoneyHour{From: stamp(max(begin, s.g.from)), To: stamp(min(begin+hourMS, s.g.to))}
			if p != nil {
				at := p.at[i]
				row.Cost, row.Price = number64(0), &at
			}
			h.Rows = append(h.Rows, row)
		}
		row := &h.Rows[len(h.Rows)-1]
		row.ObservedS += float64(c.ms) / 1000
		row.EnergyKWh += c.joules / joulesPerKWh
		if p == nil {
			continue
		}
		*row.Cost += p.cells[i]
		if *row.Price != p.at[i] {
			*row.Price = -1
		}
	}
}

// days adds the hours of each date.
func (h *MoneyHours) days(s *sheet) {
	next := 0
	for _, d := range LocalDays(s.site.Location, s.g.from, s.g.to) {
		day := MoneyDay{Date: d.Date.Format("2006-01-02"), From: stamp(d.FromMS), To: stamp(d.ToMS)}
		for ; next < len(h.Rows) && h.Rows[next].From < day.To; next++ {
			r := &h.Rows[next]
			day.ObservedS += r.ObservedS
			day.EnergyKWh += r.EnergyKWh
			if r.Cost != nil {
				if day.Cost == nil {
					day.Cost = number64(0)
				}
				*day.Cost += *r.Cost
			}
		}
		h.Days = append(h.Days, day)
	}
}

// clockHours is how many hours of the clock the window holds, cut ones too.
func (s *sheet) clockHours() int {
	clock := localClock{loc: s.site.Location}
	begin := func(ms int64) int64 { return ms - mod(clock.at(ms), hourMS) }
	return int((begin(s.g.to-1)-begin(s.g.from))/hourMS) + 1
}

// rank finds the dearest hours, and how few of the window's make half.
func (h *MoneyHours) rank(byCost bool, held int) {
	of := func(i int) float64 {
		if byCost {
			return *h.Rows[i].Cost
		}
		return h.Rows[i].EnergyKWh
	}
	order := make([]int, len(h.Rows))
	all := 0.0
	for i := range order {
		order[i] = i
		all += of(i)
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(of(b), of(a)) })
	if all <= 0 {
		return
	}
	sum := 0.0
	for n, i := range order {
		if sum += of(i); sum >= all/2 {
			h.HalfHours = n + 1
			h.HalfShare = float64(n+1) / float64(held)
			break
		}
	}
	for _, i := range order[:min(mostDearest, len(order))] {
		if of(i) > 0 {
			h.Dearest = append(h.Dearest, i)
		}
	}
}
