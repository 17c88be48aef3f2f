package replaytruth

import (
	"fmt"
	"math"
	"time"

	"loadscribe/simulator"
)

// Truth is what a plant did in the replayed minutes.
type Truth struct {
	EnergyKWh     float64
	Starts, Loads int
	LowestPa      float64       // gauge, of the receiver, in the shifts' hours
	AirM3         float64       // delivered
	MinimumPa     float64       // what the users need at the receiver
	Low           time.Duration // below it, in the shifts' hours
	// LeastKWh is what the air delivered would have taken of the plant's best
	// machine at full load throughout: a machine whose power fell with its flow in
	// proportion. NaN where none was ever loaded.
	LeastKWh float64
}

// truthOf sums a world over spans of whole minutes.
func truthOf(w *simulator.World, spans []span) (Truth, error) {
	if len(spans) == 0 {
		return Truth{}, fmt.Errorf("no minute was replayed")
	}
	truth := w.Truth()
	t := Truth{LowestPa: math.Inf(1), MinimumPa: w.Scenario().MinimumPressurePa}
	best := math.Inf(1) // J/m³
	for _, name := range truth.Machines() {
		full, err := truth.TrueFlowM3S(name)
		if err != nil {
			return Truth{}, err
		}
		var loadedJ, loadedS float64
		for _, s := range spans {
			sum, err := truth.Totals(name, s.from, s.to)
			if err != nil {
				return Truth{}, err
			}
			t.EnergyKWh += sum.EnergyJ / 3.6e6
			t.Starts += sum.Starts
			t.Loads += sum.LoadCycles
			t.AirM3 += sum.DeliveredM3
			loadedJ += sum.StateJ[simulator.Loaded]
			loadedS += sum.States[simulator.Loaded].Seconds()
		}
		if loadedS > 0 {
			best = min(best, loadedJ/loadedS/full)
		}
	}
	t.LeastKWh = t.AirM3 * best / 3.6e6
	if math.IsInf(best, 1) {
		t.LeastKWh = math.NaN()
	}
	return t, t.pressures(w, spans)
}

// pressures looks at the shifts' minutes: at night a plant bleeds down, whatever
// machine it has.
func (t *Truth) pressures(w *simulator.World, spans []span) error {
	sc, truth := w.Scenario(), w.Truth()
	for _, s := range spans {
		for at := s.from; at.Before(s.to); at = at.Add(time.Minute) {
			if len(sc.Shifts) > 0 && !sc.InShift(at) {
				continue
			}
			low, err := truth.LowestPa(simulator.AtReceiver, at, at.Add(time.Minute))
			if err != nil {
				return err
			}
			t.LowestPa = min(t.LowestPa, low)
			t.Low += truth.Plant(at, at.Add(time.Minute)).Low
		}
	}
	return nil
}
