package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// PressureCost is what a little more or less pressure costs one machine.
type PressureCost struct {
	Machine string `json:"machine"`
	Absent  string `json:"absent,omitempty"` // why it is not known
	// Pressure is the gauge pressure at the outlet around which it holds.
	Pressure float64 `json:"pressure_kpa"`
	Basis    string  `json:"basis,omitempty"`
	// Steps are a tenth of a bar and two psi.
	Steps []PressureStep `json:"steps"`
	// Handbook is the rule of thumb, for comparison: share for each step.
	Handbook string `json:"handbook"`
}

// PressureStep is what one step brings: a share of the power under load, in per
// cent, energy of the window, and money of the window and of a year.
type PressureStep struct {
	Step    float64  `json:"step_kpa"`
	Figures []Figure `json:"figures"`
}

// Steps of pressure that people set a control by. 1 psi is 6894.757 Pa (NIST SP 811,
// appendix B.8, from memory).
const (
	tenthBarPa = 10_000.0
	twoPsiPa   = 13_789.514
)

// handbookRule is the rule of the DOE's Compressed Air Sourcebook for Industry
// (read).
const handbookRule = "the rule of thumb is 1 % of power for 2 psi near 100 psi (DOE, Compressed Air Sourcebook for Industry); users without a regulator take more air beside it"

// pressures sets what pressure costs here, by the slopes that a replay uses.
func (m *Money) pressures(src Source, site *sitefile.Site, q *MoneyQuery, s *sheet) error {
	system := m.Subject
	if m.Kind == "machine" {
		sys := systemOf(site, m.Subject)
		if sys == nil {
			for _, one := range s.subjects() {
				m.Pressure = append(m.Pressure, PressureCost{Machine: one.g.sp.name, Steps: []PressureStep{}, Handbook: handbookRule,
					Absent: "the machine is in no [[system]] of the site file, and the pressure it works against is told with one"})
			}
			return nil
		}
		system = sys.Name
	}
	rec, err := ReplayOf(src, site, system, q.FromMS, q.ToMS, q.NowMS)
	if err != nil {
		return fmt.Errorf("slope of power over pressure: %w", err)
	}
	year := yearFactor(m)
	for _, one := range s.subjects() {
		p := PressureCost{Machine: one.g.sp.name, Steps: []PressureStep{}, Handbook: handbookRule, Absent: rec.Absent}
		for k := range rec.Machines {
			if r := &rec.Machines[k]; r.Machine.Name == p.Machine && rec.Absent == "" {
				p.Pressure, p.Basis = r.LoadedPa/pascalsPerKPa, r.Basis["power_per_pa"]
				p.fill(one, r, m.Currency, year)
			}
		}
		if p.Absent == "" && len(p.Steps) == 0 {
			p.Absent = "its power under load is not known"
		}
		m.Pressure = append(m.Pressure, p)
	}
	return nil
}

// yearFactor is how much a year costs over what the window cost, with the year's own
// relative uncertainty; no value: there is no year.
func yearFactor(m *Money) gum.Value {
	year, window := figureNamedIn(m.Year, "energy_cost_year"), figureNamedIn(m.Figures, "energy_cost")
	if year == nil || window == nil || *window.Value <= 0 || year.Uncertainty == nil {
		return gum.Value{}
	}
	return gum.New(*year.Value / *window.Value, *year.Uncertainty/coverageFactor / *window.Value, "the year's days")
}

func figureNamedIn(all []Figure, name string) *Figure {
	for i := range all {
		if all[i].Name == name && all[i].Value != nil {
			return &all[i]
		}
	}
	return nil
}

// fill makes the steps of a machine.
func (p *PressureCost) fill(s *sheet, r *ReplayMachine, currency string, year gum.Value) {
	if s.draw == nil || !s.g.sp.hasStates {
		p.Absent = "energy is not known by state: " + s.drawAbsent + s.g.sp.statesAbsent
		return
	}
	var only [numStates]sum
	joules, money := 0.0, 0.0
	for _, st := range []State{Loaded, PartLoad} {
		only[st] = s.g.total.power.all[st]
	}
	s.eachState(currency != "", func(_ int, st State, _ sum, j, m float64) {
		if st == Loaded || st == PartLoad {
			joules += j
			money += m
		}
	})
	if joules <= 0 {
		p.Absent = "the machine made no air in this window"
		return
	}
	energy := s.draw.spread(joules, &only, s.g.to).Scaled(1 / joulesPerKWh)
	how := "slope of full-load power over pressure: " + p.Basis + fmt.Sprintf(" (around %s)", s.shownPressure(r.LoadedPa))
	for _, pa := range []float64{tenthBarPa, twoPsiPa} {
		share := r.PowerPerPa.Scaled(pa)
		step := PressureStep{Step: pa / pascalsPerKPa}
		put := func(name, unit string, v gum.Value, method string) {
			step.Figures = append(step.Figures, s.pressureFigure(name, unit, v, method))
		}
		put("pressure_step_power", "%", share.Scaled(100), how+"; of the power under load")
		put("pressure_step_energy", "kWh", share.Times(energy), how+"; times the energy used under load in this window. The same air is made: that leaks and users without a regulator take more at more pressure is not in it")
		if currency != "" {
			cost := share.Times(energy).Scaled(money / energy.V)
			put("pressure_step_cost", currency, cost, how+"; times what the energy used under load in this window cost; without demand charges, and for the same air")
			if year.V > 0 {
				put("pressure_step_cost_year", currency, cost.Times(year), how+"; times what that energy costs in a year of such days; without demand charges, and for the same air")
			}
		}
		p.Steps = append(p.Steps, step)
	}
}

// pressureFigure is one figure of a step. Its inputs are the slope and the power.
func (s *sheet) pressureFigure(name, unit string, v gum.Value, method string) Figure {
	half, cover, value := math.Abs(float64(coverageFactor*v.U())), s.coverage, v.V
	return Figure{Name: name, Value: &value, Unit: unit, Uncertainty: &half, Level: stated, Coverage: &cover, AtLeast: s.partial && unit != "%",
		Method: method, Inputs: eachOnce(append([]string{}, s.draw.inputs...)), Budget: budget(v)}
}
