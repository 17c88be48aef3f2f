package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// mostUnbalance is the voltage unbalance in percent above which a motor is not
// to be run at all (NEMA MG 1-14.36, read on a stored page).
const mostUnbalance = 5

// unbalancePct is the largest deviation from the mean by the mean, in percent
// (NEMA MG 1-14.36, read): not the spread, which can be twice as much.
func unbalancePct(v [3]float64) float64 {
	mean := (v[0] + v[1] + v[2]) / 3
	most := 0.0
	for _, x := range v {
		most = math.Max(most, math.Abs(x-mean))
	}
	return 100 * most / mean
}

// derating is the share of its power that a motor may give at a voltage
// unbalance in percent: points of the curve NEMA MG 1 figure 14-1 as tabulated on
// a stored page (read), straight lines between. Readings of the curve differ by
// 0.01. Above 5 % there is none.
func derating(pct float64) (factor float64, ok bool) {
	curve := [][2]float64{{0, 1}, {0.5, 1}, {1, 1}, {1.5, 0.97}, {2, 0.95}, {2.5, 0.93}, {3, 0.89}, {3.5, 0.85}, {4, 0.82}, {4.5, 0.78}, {mostUnbalance, 0.76}}
	for i := 1; i < len(curve); i++ {
		a, b := curve[i-1], curve[i]
		if pct <= b[0] {
			part := (pct - a[0]) / (b[0] - a[0])
			return a[1] + float64(part*(b[1]-a[1])), true
		}
	}
	return 0, false
}

// unbalance sets phase_unbalance and motor_derating.
func (s *sheet) unbalance(m *sitefile.Machine) {
	names := []string{"phase_unbalance", "motor_derating"}
	at, why := s.lineVolts()
	if why != "" {
		s.absent(why, names...)
		return
	}
	var inputs []string
	for _, a := range at {
		inputs = append(inputs, s.healthChan(a).input())
	}
	v, ok := s.volts(s.g.total.health, at)
	if !ok {
		s.absent("no line voltages were read while the motor ran", names...)
		return
	}
	pct := unbalancePct(v)
	worst := pct
	for i := range s.g.cells {
		// A cell with less than a minute of running is more noise than voltage.
		if h := s.g.cells[i].d.health; h != nil && h[at[0]].running.ms >= 60_000 {
			if cell, ok := s.volts(h, at); ok {
				worst = math.Max(worst, unbalancePct(cell))
			}
		}
	}
	e := estimate{pct, s.unbalanceU(v, at)}
	s.ratio("phase_unbalance", "%", e, fmt.Sprintf("largest deviation of the three mean line voltages from their mean, by that mean, while the motor ran (NEMA MG 1-14.36); worst quarter hour %.2f %%", worst),
		"mean line voltage", inputs)
	s.limit("phase_unbalance", mostUnbalance, "NEMA MG 1-14.36: a motor is not to be run above it")
	s.derated(m, e, inputs)
}

// lineVolts finds the three line voltages among the channels of delta.health, or
// says why they are not there.
func (s *sheet) lineVolts() (at [3]int, why string) {
	sp := s.g.sp
	for i, role := range []scan.Role{scan.VoltageAB, scan.VoltageBC, scan.VoltageCA} {
		ch := sp.find(role)
		switch {
		case ch < 0:
			return at, "not all three line voltages are read"
		case !sp.hasStates:
			return at, "when the motor runs is not known: " + sp.statesAbsent
		case sp.chans[ch].unit.Dimension != quantity.Voltage:
			return at, sp.chans[ch].id + " is not in a unit of voltage"
		}
		at[i] = sp.healthAt[ch]
	}
	return at, ""
}

// volts are the three means while the motor ran.
func (s *sheet) volts(h []healthSum, at [3]int) (v [3]float64, ok bool) {
	for i, a := range at {
		if h[a].running.ms == 0 {
			return v, false
		}
		if v[i] = s.g.sp.chans[s.g.sp.health[a]].mean(h[a].running).v; v[i] <= 0 {
			return v, false
		}
	}
	return v, true
}

// unbalanceU takes the three inputs as independent: the deviation of one is two
// thirds of it less a third of each other.
func (s *sheet) unbalanceU(v [3]float64, at [3]int) float64 {
	mean := (v[0] + v[1] + v[2]) / 3
	worst := 0.0
	for i, a := range at {
		worst = math.Max(worst, s.g.sp.chans[s.g.sp.health[a]].reading(v[i]))
	}
	return 100 * quad(worst*2/3, worst/3, worst/3) / mean
}

func (s *sheet) derated(m *sitefile.Machine, pct estimate, inputs []string) {
	const name = "motor_derating"
	factor, ok := derating(pct.v)
	switch {
	case m.Motor.Starting == "drive":
		s.absent("a drive feeds the motor: the unbalance of the supply does not reach it", name)
		return
	case !ok:
		s.absent("the voltage unbalance is above 5 %: a motor is not to be run on it (NEMA MG 1-14.36)", name)
		return
	}
	// 0.01: how far readings of the curve differ.
	half := rectangular(0.01)
	low, _ := derating(math.Min(pct.v+pct.u, mostUnbalance)) // the curve ends there
	high, _ := derating(math.Max(0, pct.v-pct.u))
	half = quad(half, math.Max(high-factor, factor-low))
	s.put(name, "1", estimate{factor, half},
		"share of its rated power that the motor may give at the voltage unbalance found: points of the curve NEMA MG 1 figure 14-1, straight lines between", inputs)
}
