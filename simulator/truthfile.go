package simulator

import (
	"encoding/json"
	"fmt"
	"io"
	"time"
)

// truthFile is what WriteJSON writes.
type truthFile struct {
	Scenario string             `json:"scenario"`
	Seed     uint64             `json:"seed"`
	From     time.Time          `json:"from"`
	To       time.Time          `json:"to"`
	Machines []machineTruthFile `json:"machines"`
	UsedM3   float64            `json:"used_m3"`
	LeakedM3 float64            `json:"leaked_m3"`
	StoredM3 float64            `json:"stored_gain_m3"`
}

type machineTruthFile struct {
	Name        string             `json:"name"`
	TrueFlow    float64            `json:"true_flow_m3s"`
	Starts      int                `json:"starts"`
	LoadCycles  int                `json:"load_cycles"`
	EnergyJ     float64            `json:"energy_j"`
	InletM3     float64            `json:"inlet_m3"`
	DeliveredM3 float64            `json:"delivered_m3"`
	StatesS     map[string]float64 `json:"states_s"`
	Transitions []Transition       `json:"transitions"`
}

// WriteJSON writes the whole log, indented, in SI units.
func (t *Truth) WriteJSON(out io.Writer) error {
	from, to := t.Span()
	plant := t.Plant(from, to)
	file := truthFile{
		Scenario: t.world.scenario.Name, Seed: t.world.scenario.Seed, From: from.UTC(), To: to.UTC(),
		UsedM3: plant.UsedM3, LeakedM3: plant.LeakedM3, StoredM3: plant.StoredM3,
	}
	for i, name := range t.Machines() {
		sum, err := t.Totals(name, from, to)
		if err != nil {
			return err
		}
		m := machineTruthFile{
			Name: name, TrueFlow: t.world.machines[i].fullM3S, Starts: sum.Starts, LoadCycles: sum.LoadCycles,
			EnergyJ: sum.EnergyJ, InletM3: sum.InletM3, DeliveredM3: sum.DeliveredM3, StatesS: map[string]float64{},
		}
		for s, d := range sum.States {
			m.StatesS[State(s).String()] = d.Seconds()
		}
		for _, tr := range t.machines[i].transitions {
			m.Transitions = append(m.Transitions, Transition{t.time(tr.step).UTC(), tr.state, tr.restart, tr.fault})
		}
		file.Machines = append(file.Machines, m)
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	if err := enc.Encode(file); err != nil {
		return fmt.Errorf("write truth: %w", err)
	}
	return nil
}
