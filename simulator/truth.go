package simulator

import (
	"fmt"
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
	outages  []outage
	clock    []clockJump
	valves   []valveSpan
	low      [NumPlaces][]lowSpan
	lowest   []lowestMinute
}

type machineTruth struct {
	transitions []transition
	commands    []command
	faults      []faultSpan
	unloads     []unloadLog
	loads       []loadLog
	marks       []machineMark
}

type transition struct {
	step    int64
	state   State
	restart bool   // into Starting, by itself after a power failure
	fault   uint16 // into Tripped
	pa      [NumPlaces]float64
}

// machineMark and plantMark are integrals by a step.
type machineMark struct {
	step int64
	sum  [numMachineSums]float64
}

type plantMark struct {
	step int64
	sum  [numPlantSums]float64
}

// The integrals that marks hold.
const (
	sumEnergy = iota
	sumMotor
	sumFan
	sumControls
	sumInlet
	sumBlown
	sumDelivered
	sumIsothermal
	sumShareS
	sumDischargePaS
	sumStateJ
	numMachineSums = sumStateJ + int(NumStates)
)

const (
	sumUsed = iota
	sumHeader
	sumLeaked
	sumPurged
	sumDrained
	sumStored
	sumLow
	sumReceiverPaS
	sumHeaderPaS
	numPlantSums
)

// Transition is the moment at which a machine entered a state.
type Transition struct {
	Time  time.Time `json:"time"`
	State State     `json:"state"`
	// Restart marks a start that the machine made by itself after a power
	// failure, Fault the code of a trip.
	Restart bool   `json:"restart,omitempty"`
	Fault   uint16 `json:"fault,omitempty"`
	// PressurePa is the gauge pressure at each Place at that moment.
	PressurePa [NumPlaces]float64 `json:"pressure_pa"`
}

// Totals is what one machine did in a window.
type Totals struct {
	States       [NumStates]time.Duration // time in each state
	Starts       int                      // entries into Starting
	Restarts     int                      // of these, by themselves after a power failure
	Failed       int                      // starts that ended in a trip
	LoadCycles   int                      // entries into Loaded or PartLoad from neither
	EnergyJ      float64                  // package input: the next three
	MotorJ       float64                  // with its drive
	FanJ         float64
	ControlsJ    float64
	InletM3      float64            // free air taken in
	BlownM3      float64            // free air that left through the blow-down valve
	StateJ       [NumStates]float64 // package input in each state
	ShareS       float64            // share of the full flow it was set to, times seconds, while running
	DeliveredM3  float64            // free air that left through the minimum-pressure valve
	IsothermalJ  float64            // least work for that air, at the discharge pressure
	DischargePaS float64            // gauge discharge pressure, times seconds, while running
}

// Running is the time with the motor connected.
func (t *Totals) Running() time.Duration {
	return t.States[Starting] + t.States[Unloaded] + t.States[Loaded] + t.States[PartLoad]
}

// MeanShare is the mean share of its full flow that a machine was set to while
// it ran; 0 if it did not.
func (t *Totals) MeanShare() float64 {
	if t.Running() == 0 {
		return 0
	}
	return t.ShareS / t.Running().Seconds()
}

// PlantTotals is what the plant did in a window, in free air.
type PlantTotals struct {
	UsedM3    float64
	LeakedM3  float64
	HeaderM3  float64       // through the flow meter, into the last volume
	PurgedM3  float64       // by heatless dryers
	DrainedM3 float64       // by timed drains
	StoredM3  float64       // gain of what receivers, pipes and sumps hold
	Low       time.Duration // with the receiver below the users' minimum pressure
	// Gauge pressures, times seconds.
	ReceiverPaS, HeaderPaS float64
}

func newTruth(w *World) *Truth {
	return &Truth{world: w, machines: make([]machineTruth, len(w.machines))}
}

// begin logs the state of things at the start.
func (t *Truth) begin() {
	for i, c := range t.world.machines {
		t.machines[i].transitions = append(t.machines[i].transitions, transition{step: 0, state: c.state, pa: t.world.pressures(i)})
	}
	t.mark(0)
}

// changed logs machine i's new state.
func (t *Truth) changed(i int, step int64) {
	m, c := &t.machines[i], t.world.machines[i]
	tr := transition{step: step, state: c.state, pa: t.world.pressures(i)}
	switch c.state {
	case Starting:
		tr.restart = c.restarted
	case Tripped:
		tr.fault = c.fault
	}
	m.watchUnload(c, m.transitions[len(m.transitions)-1].state, step)
	m.transitions = append(m.transitions, tr)
	t.markMachine(i, step)
}

func (t *Truth) markMachine(i int, step int64) {
	m := &t.machines[i]
	mark := machineMark{step, t.world.machines[i].count.sums()}
	if n := len(m.marks); n > 0 && m.marks[n-1].step == step {
		m.marks[n-1] = mark
		return
	}
	m.marks = append(m.marks, mark)
}

func (c *counters) sums() [numMachineSums]float64 {
	sums := [numMachineSums]float64{c.EnergyJ, c.MotorJ, c.FanJ, c.ControlsJ, c.InletM3, c.BlownM3, c.DeliveredM3, c.IsothermalJ, c.ShareS, c.DischargePaS}
	copy(sums[sumStateJ:], c.StateJ[:])
	return sums
}

func (w *World) plantSums() [numPlantSums]float64 {
	p := &w.plant
	return [numPlantSums]float64{p.UsedM3, p.HeaderM3, p.LeakedM3, p.PurgedM3, p.DrainedM3, w.storedM3(), float64(p.lowSteps), p.ReceiverPaS, p.HeaderPaS}
}

func (t *Truth) mark(step int64) {
	for i := range t.machines {
		t.markMachine(i, step)
	}
	t.plant = append(t.plant, plantMark{step, t.world.plantSums()})
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
			list = append(list, Transition{at, tr.state, tr.restart, tr.fault, tr.pa})
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
	return t.stateAt(i, t.clamp(at)), nil
}

func (t *Truth) stateAt(i int, step int64) State {
	list := t.machines[i].transitions
	k := sort.Search(len(list), func(k int) bool { return list[k].step > step })
	return list[max(k-1, 0)].state
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
			before := Off
			if k > 0 {
				before = list[k-1].state
			}
			sum.count(before, &list[k])
		}
	}
	sum.integrals(t.machineAt(i, a), t.machineAt(i, b))
	return sum, nil
}

func (t *Totals) count(before State, tr *transition) {
	switch {
	case tr.state == Starting:
		t.Starts++
		if tr.restart {
			t.Restarts++
		}
	case tr.state == Tripped && before == Starting:
		t.Failed++
	case tr.state.delivering() && !before.delivering():
		t.LoadCycles++
	}
}

func (t *Totals) integrals(begin, end [numMachineSums]float64) {
	into := [sumStateJ]*float64{&t.EnergyJ, &t.MotorJ, &t.FanJ, &t.ControlsJ, &t.InletM3, &t.BlownM3, &t.DeliveredM3, &t.IsothermalJ, &t.ShareS, &t.DischargePaS}
	for k, p := range into {
		*p = end[k] - begin[k]
	}
	for k := range t.StateJ {
		t.StateJ[k] = end[sumStateJ+k] - begin[sumStateJ+k]
	}
}

// Plant sums the plant over [from, to), cut to the span; exact at whole
// minutes after the start.
func (t *Truth) Plant(from, to time.Time) PlantTotals {
	a, b := t.plantAt(t.clamp(from)), t.plantAt(t.clamp(to))
	d := func(k int) float64 { return b[k] - a[k] }
	return PlantTotals{UsedM3: d(sumUsed), HeaderM3: d(sumHeader), LeakedM3: d(sumLeaked), PurgedM3: d(sumPurged), DrainedM3: d(sumDrained),
		StoredM3: d(sumStored), Low: time.Duration(d(sumLow)+0.5) * stepDur, ReceiverPaS: d(sumReceiverPaS), HeaderPaS: d(sumHeaderPaS)}
}

func (t *Truth) time(step int64) time.Time {
	return t.world.start.Add(time.Duration(step) * stepDur)
}

func (t *Truth) clamp(at time.Time) int64 {
	return max(0, min(int64(at.Sub(t.world.start)/stepDur), t.world.now))
}

// machineAt is the integrals of machine i at a step.
func (t *Truth) machineAt(i int, step int64) [numMachineSums]float64 {
	marks := t.machines[i].marks
	k := sort.Search(len(marks), func(k int) bool { return marks[k].step > step })
	before := marks[max(k-1, 0)]
	after := machineMark{t.world.now, t.world.machines[i].count.sums()}
	if k < len(marks) {
		after = marks[k]
	}
	between(before.sum[:], after.sum[:], before.step, after.step, step)
	return before.sum
}

// plantAt is the integrals of the plant at a step.
func (t *Truth) plantAt(step int64) [numPlantSums]float64 {
	marks := t.plant
	k := sort.Search(len(marks), func(k int) bool { return marks[k].step > step })
	before := marks[max(k-1, 0)]
	after := plantMark{t.world.now, t.world.plantSums()}
	if k < len(marks) {
		after = marks[k]
	}
	between(before.sum[:], after.sum[:], before.step, after.step, step)
	return before.sum
}

// between moves sums, which hold at step a, on to step, in a straight line to
// after, which holds at step b.
func between(sums, after []float64, a, b, step int64) {
	if a == b {
		return
	}
	x := float64(step-a) / float64(b-a)
	for k := range sums {
		sums[k] += x * (after[k] - sums[k])
	}
}
