package analysis

import "math"

// Table is figures of one kind side by side: by state, by period, by month.
type Table struct {
	Name    string   `json:"name"`
	Columns []Column `json:"columns"`
	Rows    []Row    `json:"rows"`
	Method  string   `json:"method"`
}

// Column is the head of a column.
type Column struct {
	Name string `json:"name"`
	Unit string `json:"unit"`
}

// Row is one line. Values has one entry for each column; nil is "not known".
type Row struct {
	Name   string     `json:"name"`
	Values []*float64 `json:"values"`
	Note   string     `json:"note,omitempty"`
}

func number64(v float64) *float64 { return &v }

// stateTable splits energy, and its cost, by what the machine did.
func (s *sheet) stateTable() {
	if s.draw == nil || !s.g.sp.hasStates {
		return
	}
	t := &s.site.Tariff
	priced := t.Currency != "" && len(t.Energy) > 0
	table := Table{
		Name:    "energy_by_state",
		Method:  "a pair of readings belongs to the state at its start; " + s.draw.method,
		Columns: []Column{{"time", "s"}, {"energy", "kWh"}, {"uncertainty", "kWh"}, {"mean power", "kW"}, {"share of energy", "1"}},
	}
	if priced {
		table.Columns = append(table.Columns, Column{"cost", t.Currency})
	}
	joules, money := s.byState(priced)
	all := s.energy.total.V
	if s.energy.absent != "" {
		all = 0
		for _, j := range joules {
			all += j
		}
	}
	for st := range joules {
		part := s.g.total.power.all[st]
		if part.ms == 0 {
			continue
		}
		var only [numStates]sum
		only[st] = part
		spread := s.draw.spread(joules[st], &only, s.g.to)
		values := []*float64{number64(float64(part.ms) / 1000), number64(joules[st] / joulesPerKWh),
			number64(coverageFactor * spread.U() / joulesPerKWh),
			number64(joules[st] / (float64(part.ms) / 1000) / wattsPerKW), nil}
		if all > 0 {
			values[4] = number64(joules[st] / all)
		}
		if priced {
			values = append(values, number64(money[st]))
		}
		name := State(st).String()
		if State(st) == Unobserved {
			name = "state not known"
		}
		table.Rows = append(table.Rows, Row{Name: name, Values: values, Note: s.otherMean(State(st), *values[3])})
	}
	if len(table.Rows) == 0 {
		return
	}
	if s.energy.absent == "" {
		s.restOfEnergy(&table, &joules)
	}
	s.tables = append(s.tables, table)
}

// otherMean says why a state's mean power here is not the figure's: a pair of readings
// of which the second lies in the next state counts here, and the table adds up.
func (s *sheet) otherMean(st State, kW float64) string {
	name := map[State]string{Loaded: "power_loaded", Unloaded: "power_unloaded_mean"}[st]
	f, ok := s.figures[name]
	if !ok || f.Value == nil || math.Abs(kW / *f.Value - 1) < 1e-3 {
		return ""
	}
	return "its mean power takes in the seconds of each turn to another state, " + name + " does not"
}

// restOfEnergy makes the rows add up to the figure energy: what a counter went on
// counting over gaps belongs to no state, and it never quite agrees with power.
func (s *sheet) restOfEnergy(table *Table, joules *[numStates]float64) {
	e := &s.energy
	rest := e.total.V
	for _, j := range joules {
		rest -= j
	}
	row := func(name, note string, ms int64, j float64) {
		r := Row{Name: name, Note: note, Values: make([]*float64, len(table.Columns))}
		r.Values[1] = number64(j / joulesPerKWh)
		if ms > 0 {
			r.Values[0], r.Values[3] = number64(float64(ms)/1000), number64(j/(float64(ms)/1000)/wattsPerKW)
		}
		if e.total.V > 0 {
			r.Values[4] = number64(j / e.total.V)
		}
		table.Rows = append(table.Rows, r)
	}
	gaps, gapMS := 0.0, int64(0)
	for _, b := range e.bridged {
		gaps += b.joules
		gapMS += b.to - b.from
	}
	if gaps > 0 {
		row("counted over gaps", "what the machine did in them is not known; the price is in energy_by_period", gapMS, gaps)
		rest -= gaps
	}
	if math.Abs(rest) > 1e-6*math.Abs(e.total.V) { // none where energy is the integral itself
		row("counter less power", "the meter's counter, which energy goes by, and its power over the observed time do not quite agree", 0, rest)
	}
	row("all", "", 0, e.total.V)
	last := table.Rows[len(table.Rows)-1].Values
	last[2] = number64(coverageFactor * e.total.U() / joulesPerKWh)
	if len(last) > 5 {
		last[5] = s.figures["energy_cost"].Value
	}
}

// byState is energy and money by state.
func (s *sheet) byState(priced bool) (joules, money [numStates]float64) {
	s.eachState(priced, func(_ int, st State, _ sum, j, m float64) {
		joules[st] += j
		money[st] += m
	})
	return joules, money
}

// eachState tells the energy and money of each state in each cell, and the place of
// its price in the tariff, -1 where there is none. Cells are walked, since prices and
// calibrations change from one to the next.
func (s *sheet) eachState(priced bool, tell func(price int, st State, part sum, joules, money float64)) {
	cal := newCalendar(s.site)
	for i := range s.g.cells {
		c := &s.g.cells[i]
		price, perKWh := -1, 0.0
		if priced {
			if price = cal.price(c.from); price >= 0 {
				perKWh = s.site.Tariff.Energy[price].PerKWh
			}
		}
		for st := range c.d.power {
			if c.d.power[st].ms == 0 {
				continue
			}
			j := s.draw.ofState(State(st), c.d.power[st], c.from)
			tell(price, State(st), c.d.power[st], j, float64(j/joulesPerKWh*perKWh))
		}
	}
}
