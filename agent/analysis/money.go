package analysis

import (
	"fmt"

	"loadscribe/agent/sitefile"
)

// MoneyQuery says whose money, and when. One of Machine and System may be named;
// with neither it is the first system, or the only machine.
type MoneyQuery struct {
	Machine, System     string
	FromMS, ToMS, NowMS int64
}

// Money is where the electricity of a window went and what it cost, hour by hour,
// and what the air was that it made. The JSON is the contract of /api/v1/money.
type Money struct {
	Kind    string `json:"kind"` // machine or system
	Subject string `json:"subject"`
	From    string `json:"from"` // RFC 3339 UTC
	To      string `json:"to"`
	// Currency is empty where the site file has no price: costs are left out then.
	Currency string       `json:"currency,omitempty"`
	Prices   []MoneyPrice `json:"prices"`
	Figures  []Figure     `json:"figures"` // those of /figures for the same window
	Year     []Figure     `json:"year"`    // YearOf
	Split    MoneySplit   `json:"split"`
	Hours    MoneyHours   `json:"hours"`
	Bills    []MoneyBill  `json:"bills"` // none where demand is not charged
	Air      MoneyAir     `json:"air"`
	// Duration is for how long a system's demand was above what.
	Duration MoneyDuration  `json:"duration"`
	Pressure []PressureCost `json:"pressure"`
	// Instruments are the records behind the figures.
	Instruments []sitefile.InstrumentFacts `json:"instruments"`
	Notes       []string                   `json:"notes"`
}

// MoneyPrice is one price of the tariff, in its order.
type MoneyPrice struct {
	Name   string  `json:"name"`
	PerKWh float64 `json:"per_kwh"` // currency
}

// MoneyBill is one charge for demand of one billing month.
type MoneyBill struct {
	Charge string  `json:"charge"`
	From   string  `json:"from"` // of the billing month, RFC 3339 UTC
	To     string  `json:"to"`
	PerKW  float64 `json:"per_kw"` // currency
	// Peak is the month's highest demand of whom the bill is made to, and when.
	PeakKW   float64 `json:"peak_kw"`
	PeakFrom string  `json:"peak_from"`
	PeakTo   string  `json:"peak_to"`
	BilledKW float64 `json:"billed_kw"` // more than the peak where a ratchet holds
	OwnKW    float64 `json:"own_kw"`    // the subject's part of it
	Share    float64 `json:"share"`     // of the month that lies in the window
	Cost     float64 `json:"cost"`
	AtLeast  bool    `json:"at_least,omitempty"`
	Note     string  `json:"note"`
}

// moneyFigures are told of the subject.
func moneyFigures() []string {
	return []string{"energy", "energy_cost", "demand_cost", "peak_demand", "energy_unloaded", "energy_off_shift", "emissions",
		"air_delivered", "air_cost", "specific_power", "specific_energy", "specific_power_loaded", "specific_power_rated", "full_load_flow",
		"isentropic_efficiency", "air_demand_mean", "air_demand_peak", "pressure_mean"}
}

// MoneyOf makes the money and air of a window.
func MoneyOf(src Source, site *sitefile.Site, q MoneyQuery) (Money, error) {
	kind, subject, _, err := subjectOf(site, q.Machine, q.System)
	if err != nil {
		return Money{}, err
	}
	to := max(q.FromMS, min(q.ToMS, q.NowMS))
	if n := len(LocalDays(site.Location, q.FromMS, to)); n > MostDays {
		return Money{}, wrongly("from", "%d days are asked for: at most %d can be at once", n, MostDays)
	}
	c, err := computeAny(src, site, q.FromMS, q.ToMS, q.NowMS, only(kind, subject))
	if err != nil {
		return Money{}, err
	}
	s := c.machines[subject]
	if kind == "system" {
		s = c.systems[subject]
	}
	m := Money{Kind: kind, Subject: subject, From: c.From, To: c.To, Prices: []MoneyPrice{}, Bills: []MoneyBill{}, Pressure: []PressureCost{},
		Figures: named(s.list(), moneyFigures()), Instruments: c.Instruments, Notes: append([]string{}, c.Notes...)}
	if site.Tariff.Currency != "" && len(site.Tariff.Energy) > 0 {
		m.Currency = site.Tariff.Currency
		for i := range site.Tariff.Energy {
			m.Prices = append(m.Prices, MoneyPrice{site.Tariff.Energy[i].Name, site.Tariff.Energy[i].PerKWh})
		}
	}
	hours, err := moneyHours(src, site, &q, kind, subject)
	if err != nil {
		return Money{}, err
	}
	e := s.energyOf()
	m.Hours = s.moneyHours(&e)
	m.Split = s.moneySplit(&e)
	m.bills(s)
	m.Year = YearOf(site, hours, s.list(), q.FromMS, to)
	m.Air = moneyAir(s, hours)
	m.Duration = s.moneyDuration()
	return m, m.pressures(src, site, &q, s)
}

// moneyHours are the hours of the subject.
func moneyHours(src Source, site *sitefile.Site, q *MoneyQuery, kind, subject string) (Hours, error) {
	h := HoursQuery{FromMS: q.FromMS, ToMS: q.ToMS, NowMS: q.NowMS, LeastCoverage: LeastDrawnHour, System: subject}
	if kind == "machine" {
		h.Machine, h.System = subject, ""
	}
	hours, err := HoursOf(src, site, h)
	if err != nil {
		return hours, fmt.Errorf("hours of %s: %w", subject, err)
	}
	return hours, nil
}

// energyOf is the energy of a machine, or of a system's machines together.
func (s *sheet) energyOf() energyResult {
	if s.g.sp.system {
		return sumEnergy(s.machines)
	}
	return s.energy
}

// subjects are the machines of a system, or the machine itself.
func (s *sheet) subjects() []*sheet {
	if s.g.sp.system {
		return s.machines
	}
	return []*sheet{s}
}

// bills sets what demand is charged.
func (m *Money) bills(s *sheet) {
	if s.billing == nil || s.figures["demand_cost"].Value == nil {
		return
	}
	all := s.billing.bills()
	for i := range all {
		v := &all[i]
		m.Bills = append(m.Bills, MoneyBill{Charge: v.charge.Name, From: stamp(v.from), To: stamp(v.to), PerKW: v.charge.PerKW,
			PeakKW: v.top.watts / wattsPerKW, PeakFrom: stamp(v.top.begin), PeakTo: stamp(v.top.end), BilledKW: v.billedW / wattsPerKW,
			OwnKW: v.ownW / wattsPerKW, Share: v.share, Cost: v.money, AtLeast: v.atLeast, Note: s.billing.note(v)})
	}
}
