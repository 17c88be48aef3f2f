package simulator

import (
	"encoding/json"
	"fmt"
	"io"
	"sort"
	"time"
)

// Truth is the log of what really happened in a World: every transition of
// every machine, and the true integrals at each whole minute and transition.
// It is read under the same lock as its World.
type Truth struct {
	world    *World
	machines []machineTruth
	plant    []plantMark
}

type machineTruth struct {
	transitions []transition
	marks       []machineMark
}

type transition struct {
	step  int64
	state State
}

type machineMark struct {
	step                          int64
	energyJ, inletM3, deliveredM3 float64
}

type plantMark struct {
	step                       int64
	usedM3, leakedM3, storedM3 float64
}

// Transition is the moment at which a machine entered a state.
type Transition struct {
	Time  time.Time `json:"time"`
	State State     `json:"state"`
}

// Totals is what one machine did in a window.
type Totals struct {
	States      [NumStates]time.Duration // time in each state
	Starts      int                      // entries into Starting
	LoadCycles  int                      // entries into Loaded
	EnergyJ     float64                  // package input
	InletM3     float64                  // free air taken in
	DeliveredM3 float64                  // free air that left through the minimum-pressure valve
}

// Running is the time with the motor connected.
func (t *Totals) Running() time.Duration {
	return t.States[Starting] + t.States[Unloaded] + t.States[Loaded] + t.States[PartLoad]
}

// PlantTotals is what the plant did in a window, in free air.
type PlantTotals struct {
	UsedM3   float64
	LeakedM3 float64
	StoredM3 float64 // gain of what receivers, pipes and sumps hold
}

func newTruth(w *World) *Truth {
	return &Truth{world: w, machines: make([]machineTruth, len(w.machines))}
}

// begin logs the state of things at the start.
func (t *Truth) begin() {
	for i, c := range t.world.machines {
		t.machines[i].transitions = append(t.machines[i].transitions, transition{0, c.state})
	}
	t.mark(0)
}

// changed logs machine i's new state.
func (t *Truth) changed(i int, step int64) {
	m := &t.machines[i]
	m.transitions = append(m.transitions, transition{step, t.world.machines[i].state})
	t.markMachine(i, step)
}

func (t *Truth) markMachine(i int, step int64) {
	c, m := &t.world.machines[i].count, &t.machines[i]
	mark := machineMark{step, c.EnergyJ, c.InletM3, c.DeliveredM3}
	if n := len(m.marks); n > 0 && m.marks[n-1].step == step {
		m.marks[n-1] = mark
		return
	}
	m.marks = append(m.marks, mark)
}

func (t *Truth) mark(step int64) {
	for i := range t.machines {
		t.markMachine(i, step)
	}
	w := t.world
	t.plant = append(t.plant, plantMark{step, w.plant.UsedM3, w.plant.LeakedM3, w.storedM3()})
}

// Machines lists the machines' names.
func (t *Truth) Machines() []string {
	names := make([]string, len(t.machines))
	for i, c := range t.world.machines {
		names[i] = c.spec.Name
	}
	return names
}

// Span is the time the log covers.
func (t *Truth) Span() (from, to time.Time) { return t.world.start, t.world.Now() }

// TrueFlowM3S is a machine's true flow at rated pressure.
func (t *Truth) TrueFlowM3S(machine string) (float64, error) {
	i, err := t.index(machine)
	if err != nil {
		return 0, err
	}
	return t.world.machines[i].fullM3S, nil
}

func (t *Truth) index(machine string) (int, error) {
	for i, c := range t.world.machines {
		if c.spec.Name == machine {
			return i, nil
		}
	}
	return 0, fmt.Errorf("%w: no machine %q; there are %q", ErrScenario, machine, t.Machines())
}

// Transitions lists a machine's transitions in [from, to), oldest first; the
// state it began the world in counts as one.
func (t *Truth) Transitions(machine string, from, to time.Time) ([]Transition, error) {
	i, err := t.index(machine)
	if err != nil {
		return nil, err
	}
	var list []Transition
	for _, tr := range t.machines[i].transitions {
		if at := t.time(tr.step); !at.Before(from) && at.Before(to) {
			list = append(list, Transition{at, tr.state})
		}
	}
	return list, nil
}

// StateAt is a machine's state at a time within the span.
func (t *Truth) StateAt(machine string, at time.Time) (State, error) {
	i, err := t.index(machine)
	if err != nil {
		return 0, err
	}
	list := t.machines[i].transitions
	step := t.clamp(at)
	k := sort.Search(len(list), func(k int) bool { return list[k].step > step })
	return list[max(k-1, 0)].state, nil
}

// Totals sums a machine over [from, to), cut to the span. Times and counts are
// exact; energy and air are exact at whole minutes after the start and at
// transitions, and straight between those.
func (t *Truth) Totals(machine string, from, to time.Time) (Totals, error) {
	i, err := t.index(machine)
	if err != nil {
		return Totals{}, err
	}
	var sum Totals
	a, b := t.clamp(from), t.clamp(to)
	list := t.machines[i].transitions
	for k, tr := range list {
		end := t.world.now
		if k+1 < len(list) {
			end = list[k+1].step
		}
		if lo, hi := max(tr.step, a), min(end, b); hi > lo {
			sum.States[tr.state] += time.Duration(hi-lo) * stepDur
		}
		if tr.step >= a && tr.step < b {
			switch tr.state {
			case Starting:
				sum.Starts++
			case Loaded:
				sum.LoadCycles++
			}
		}
	}
	begin, end := t.machineAt(i, a), t.machineAt(i, b)
	sum.EnergyJ = end.energyJ - begin.energyJ
	sum.InletM3 = end.inletM3 - begin.inletM3
	sum.DeliveredM3 = end.deliveredM3 - begin.deliveredM3
	return sum, nil
}

// Plant sums the plant over [from, to), cut to the span; exact at whole
// minutes after the start.
func (t *Truth) Plant(from, to time.Time) PlantTotals {
	a, b := t.plantAt(t.clamp(from)), t.plantAt(t.clamp(to))
	return PlantTotals{UsedM3: b.usedM3 - a.usedM3, LeakedM3: b.leakedM3 - a.leakedM3, StoredM3: b.storedM3 - a.storedM3}
}

func (t *Truth) time(step int64) time.Time {
	return t.world.start.Add(time.Duration(step) * stepDur)
}

func (t *Truth) clamp(at time.Time) int64 {
	return max(0, min(int64(at.Sub(t.world.start)/stepDur), t.world.now))
}

// machineAt is the integrals of machine i at a step.
func (t *Truth) machineAt(i int, step int64) machineMark {
	c, marks := &t.world.machines[i].count, t.machines[i].marks
	k := sort.Search(len(marks), func(k int) bool { return marks[k].step > step })
	before := marks[max(k-1, 0)]
	after := machineMark{t.world.now, c.EnergyJ, c.InletM3, c.DeliveredM3}
	if k < len(marks) {
		after = marks[k]
	}
	if after.step == before.step {
		return before
	}
	x := float64(step-before.step) / float64(after.step-before.step)
	between := func(a, b float64) float64 { return a + x*(b-a) }
	return machineMark{
		step, between(before.energyJ, after.energyJ),
		between(before.inletM3, after.inletM3), between(before.deliveredM3, after.deliveredM3),
	}
}

func (t *Truth) plantAt(step int64) plantMark {
	w, marks := t.world, t.plant
	k := sort.Search(len(marks), func(k int) bool { return marks[k].step > step })
	before := marks[max(k-1, 0)]
	after := plantMark{w.now, w.plant.UsedM3, w.plant.LeakedM3, w.storedM3()}
	if k < len(marks) {
		after = marks[k]
	}
	if after.step == before.step {
		return before
	}
	x := float64(step-before.step) / float64(after.step-before.step)
	between := func(a, b float64) float64 { return a + x*(b-a) }
	return plantMark{
		step, between(before.usedM3, after.usedM3),
		between(before.leakedM3, after.leakedM3), between(before.storedM3, after.storedM3),
	}
}

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
			m.Transitions = append(m.Transitions, Transition{t.time(tr.step).UTC(), tr.state})
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
