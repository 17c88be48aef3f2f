package analysis

import (
	"cmp"

	"loadscribe/agent/gum"
)

// MoneySplit is energy and its cost by what the machines did and by the tariff's
// prices.
type MoneySplit struct {
	Absent string       `json:"absent,omitempty"` // why it is not known by state
	Method string       `json:"method,omitempty"`
	States []MoneyState `json:"states"` // those that were seen, in the order of work
	// Rest is what belongs to no state: counted over gaps, and by how much a counter
	// and the power over the observed time do not agree.
	RestKWh  float64  `json:"rest_kwh"`
	RestCost *float64 `json:"rest_cost,omitempty"`
}

// MoneyState is one state's part; times of several machines add up.
type MoneyState struct {
	State     string  `json:"state"` // unobserved: the state is not known
	TimeS     float64 `json:"time_s"`
	EnergyKWh float64 `json:"energy_kwh"`
	// Uncertainties are half widths of the 95 % interval.
	EnergyU   float64  `json:"uncertainty_kwh"`
	Cost      *float64 `json:"cost,omitempty"`
	CostU     *float64 `json:"cost_uncertainty,omitempty"`
	Share     float64  `json:"energy_share"` // of the energy
	CostShare *float64 `json:"cost_share,omitempty"`
	// ByPrice has an entry for each price of the tariff; none where there is no price.
	ByPrice []MoneyPart `json:"by_price"`
}

// MoneyPart is what was paid for at one price.
type MoneyPart struct {
	EnergyKWh float64 `json:"energy_kwh"`
	Cost      float64 `json:"cost"`
}

// statePart adds up a state's energy over machines.
type statePart struct {
	ms     int64
	joules gum.Value
	money  float64
	by     []period
}

// workOrder is the states as a picture stacks them.
func workOrder() []State {
	return []State{Loaded, PartLoad, Unloaded, Starting, Standby, Stopped, Off, Tripped, Unobserved}
}

// moneySplit splits the energy of a machine, or of a system's machines, by the
// machines' states, as energy_by_state does, and by prices.
func (s *sheet) moneySplit(e *energyResult) MoneySplit {
	v := MoneySplit{States: []MoneyState{}}
	t := &s.site.Tariff
	cost := s.figures["energy_cost"].Value
	n := len(t.Energy)
	if cost == nil {
		n = 0
	}
	var parts [numStates]statePart
	for i, m := range s.subjects() {
		switch {
		case m.draw == nil:
			v.Absent = m.g.sp.name + ": " + cmp.Or(m.drawAbsent, m.figures["energy"].Absent)
		case !m.g.sp.hasStates:
			v.Absent = m.g.sp.name + ": " + m.g.sp.statesAbsent
		case e.absent != "":
			v.Absent = e.absent
		}
		if v.Absent != "" {
			return v
		}
		if i == 0 {
			v.Method = "a pair of readings belongs to the state at its start; " + m.draw.method
		}
		m.addStates(&parts, n)
	}
	money, joules := 0.0, 0.0
	for _, st := range workOrder() {
		p := &parts[st]
		if p.ms == 0 {
			continue
		}
		joules += p.joules.V
		money += p.money
		v.States = append(v.States, p.told(st, e.total.V, cost))
	}
	v.RestKWh = (e.total.V - joules) / joulesPerKWh
	if cost != nil {
		v.RestCost = number64(*cost - money)
	}
	return v
}

// addStates adds a machine's states to parts.
func (s *sheet) addStates(parts *[numStates]statePart, prices int) {
	var own [numStates]statePart
	for st := range own {
		own[st].by = make([]period, prices)
	}
	joules := [numStates]float64{}
	s.eachState(prices > 0, func(price int, st State, _ sum, j, money float64) {
		joules[st] += j
		own[st].money += money
		if price >= 0 && price < prices {
			own[st].by[price].joules += j
			own[st].by[price].money += money
		}
	})
	for st := range own {
		part := s.g.total.power.all[st]
		if part.ms == 0 {
			continue
		}
		var only [numStates]sum
		only[st] = part
		p := &parts[st]
		if p.by == nil {
			p.by = make([]period, prices)
		}
		p.ms += part.ms
		p.joules = p.joules.Plus(s.draw.spread(joules[st], &only, s.g.to))
		p.money += own[st].money
		for k := range own[st].by {
			p.by[k].joules += own[st].by[k].joules
			p.by[k].money += own[st].by[k].money
		}
	}
}

// told is a state's row, of so many joules and so much money in all.
func (p *statePart) told(st State, allJ float64, cost *float64) MoneyState {
	r := MoneyState{State: st.String(), TimeS: float64(p.ms) / 1000, EnergyKWh: p.joules.V / joulesPerKWh,
		EnergyU: float64(coverageFactor * p.joules.U() / joulesPerKWh), ByPrice: []MoneyPart{}}
	if allJ > 0 {
		r.Share = p.joules.V / allJ
	}
	if cost == nil {
		return r
	}
	r.Cost, r.CostU = number64(p.money), number64(0)
	if p.joules.V > 0 {
		r.CostU = number64(float64(coverageFactor*p.joules.U()) / p.joules.V * p.money)
	}
	if *cost > 0 {
		r.CostShare = number64(p.money / *cost)
	}
	for i := range p.by {
		r.ByPrice = append(r.ByPrice, MoneyPart{p.by[i].joules / joulesPerKWh, p.by[i].money})
	}
	return r
}
