package simulator

import (
	"bufio"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"
)

// truthFile is what WriteJSON writes.
type truthFile struct {
	Scenario   string             `json:"scenario"`
	Seed       uint64             `json:"seed"`
	From       time.Time          `json:"from"`
	To         time.Time          `json:"to"`
	Machines   []machineTruthFile `json:"machines"`
	UsedM3     float64            `json:"used_m3"`
	LeakedM3   float64            `json:"leaked_m3"`
	PurgedM3   float64            `json:"purged_m3"`
	DrainedM3  float64            `json:"drained_m3"`
	HeaderM3   float64            `json:"header_m3"`
	StoredM3   float64            `json:"stored_gain_m3"`
	LowS       float64            `json:"below_minimum_s"`
	LongestLow float64            `json:"longest_below_minimum_s"`
	Outages    []Outage           `json:"outages"`
	ClockSteps []ClockJump        `json:"clock_steps"`
	Valves     []ValveSpan        `json:"valves_shut"`
}

type machineTruthFile struct {
	Name        string             `json:"name"`
	TrueFlow    float64            `json:"true_flow_m3s"`
	Starts      int                `json:"starts"`
	Restarts    int                `json:"starts_after_power_failure"`
	Failed      int                `json:"starts_failed"`
	LoadCycles  int                `json:"load_cycles"`
	EnergyJ     float64            `json:"energy_j"`
	MotorJ      float64            `json:"motor_j"`
	FanJ        float64            `json:"fan_j"`
	ControlsJ   float64            `json:"controls_j"`
	IsothermalJ float64            `json:"isothermal_j"`
	InletM3     float64            `json:"inlet_m3"`
	BlownM3     float64            `json:"blown_off_m3"`
	DeliveredM3 float64            `json:"delivered_m3"`
	MeanShare   float64            `json:"mean_share"`
	StatesS     map[string]float64 `json:"states_s"`
	StatesJ     map[string]float64 `json:"states_j"`
	Faults      []FaultSpan        `json:"faults"`
	Transitions []Transition       `json:"transitions,omitempty"`
	Unloads     []Unload           `json:"unloads,omitempty"`
}

// machineFile sums machine i over the whole log, without its transitions.
func (t *Truth) machineFile(i int, from, to time.Time) machineTruthFile {
	c := t.world.machines[i]
	sum, err := t.Totals(c.spec.Name, from, to)
	if err != nil {
		panic("simulator: " + err.Error()) // the name is the log's own
	}
	m := machineTruthFile{
		Name: c.spec.Name, TrueFlow: c.fullM3S, Starts: sum.Starts, Restarts: sum.Restarts, Failed: sum.Failed,
		LoadCycles: sum.LoadCycles, EnergyJ: sum.EnergyJ, MotorJ: sum.MotorJ, FanJ: sum.FanJ, ControlsJ: sum.ControlsJ,
		IsothermalJ: sum.IsothermalJ, InletM3: sum.InletM3, BlownM3: sum.BlownM3, DeliveredM3: sum.DeliveredM3,
		MeanShare: sum.MeanShare(), StatesS: map[string]float64{}, StatesJ: map[string]float64{}, Faults: []FaultSpan{},
	}
	for s, d := range sum.States {
		m.StatesS[State(s).String()] = d.Seconds()
		m.StatesJ[State(s).String()] = sum.StateJ[s]
	}
	faults, err := t.Faults(c.spec.Name, from, to)
	if err != nil {
		panic("simulator: " + err.Error())
	}
	for _, f := range faults {
		f.From, f.To = f.From.UTC(), f.To.UTC()
		m.Faults = append(m.Faults, f)
	}
	return m
}

func (t *Truth) transitionFile(tr transition) Transition {
	return Transition{t.time(tr.step).UTC(), tr.state, tr.restart, tr.fault, tr.pa}
}

// summaryFile is the log without its transitions.
func (t *Truth) summaryFile() truthFile {
	from, to := t.Span()
	plant := t.Plant(from, to)
	file := truthFile{
		Scenario: t.world.scenario.Name, Seed: t.world.scenario.Seed, From: from.UTC(), To: to.UTC(),
		UsedM3: plant.UsedM3, LeakedM3: plant.LeakedM3, PurgedM3: plant.PurgedM3, DrainedM3: plant.DrainedM3,
		HeaderM3: plant.HeaderM3, StoredM3: plant.StoredM3, LowS: plant.Low.Seconds(),
		Outages: []Outage{}, ClockSteps: []ClockJump{}, Valves: []ValveSpan{},
	}
	for _, l := range t.LowSpans(AtReceiver, from, to) {
		file.LongestLow = max(file.LongestLow, l.To.Sub(l.From).Seconds())
	}
	for i := range t.machines {
		file.Machines = append(file.Machines, t.machineFile(i, from, to))
	}
	for _, o := range t.Outages(from, to) {
		o.From, o.To = o.From.UTC(), o.To.UTC()
		file.Outages = append(file.Outages, o)
	}
	for _, c := range t.ClockJumps(from, to) {
		file.ClockSteps = append(file.ClockSteps, ClockJump{c.Time.UTC(), c.By})
	}
	for _, v := range t.Valves(from, to) {
		v.From, v.To = v.From.UTC(), v.To.UTC()
		file.Valves = append(file.Valves, v)
	}
	return file
}

// WriteJSON writes the whole log as one document, indented, in SI units: sums
// over all of it and every transition.
func (t *Truth) WriteJSON(out io.Writer) error {
	file := t.summaryFile()
	for i := range file.Machines {
		for _, tr := range t.machines[i].transitions {
			file.Machines[i].Transitions = append(file.Machines[i].Transitions, t.transitionFile(tr))
		}
		unloads, err := t.Unloads(file.Machines[i].Name, file.From, file.To)
		if err != nil {
			panic("simulator: " + err.Error()) // the name is the log's own
		}
		for _, u := range unloads {
			u.From = u.From.UTC()
			file.Machines[i].Unloads = append(file.Machines[i].Unloads, u)
		}
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	if err := enc.Encode(file); err != nil {
		return fmt.Errorf("write truth: %w", err)
	}
	return nil
}

// minutes calls f for each whole minute of the log.
func (t *Truth) minutes(f func(step int64, plant [numPlantSums]float64) error) error {
	for i := range t.plant {
		if err := f(t.plant[i].step, t.plant[i].sum); err != nil {
			return fmt.Errorf("write truth: %w", err)
		}
	}
	return nil
}

// WriteCSV writes a row for each whole minute: each machine's state and its
// integrals since the world began, then those of the plant; m³ of free air and
// J. The last row may be up to a minute before the end.
func (t *Truth) WriteCSV(out io.Writer) error {
	w := csv.NewWriter(out)
	header := []string{"time"}
	for _, name := range t.Machines() {
		header = append(header, name+".state", name+".energy_j", name+".inlet_m3", name+".delivered_m3")
	}
	header = append(header, "used_m3", "leaked_m3", "purged_m3", "drained_m3", "header_m3", "stored_m3")
	if err := w.Write(header); err != nil {
		return fmt.Errorf("write truth: %w", err)
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', 12, 64) }
	err := t.minutes(func(step int64, plant [numPlantSums]float64) error {
		row := []string{t.time(step).UTC().Format(time.RFC3339)}
		for i := range t.machines {
			sum := t.machineAt(i, step)
			row = append(row, t.stateAt(i, step).String(), number(sum[sumEnergy]), number(sum[sumInlet]), number(sum[sumDelivered]))
		}
		for _, k := range []int{sumUsed, sumLeaked, sumPurged, sumDrained, sumHeader, sumStored} {
			row = append(row, number(plant[k]))
		}
		return w.Write(row)
	})
	w.Flush()
	if err == nil && w.Error() != nil {
		err = fmt.Errorf("write truth: %w", w.Error())
	}
	return err
}

// truthLine is a line of WriteLines; Kind says which of the rest it has.
type truthLine struct {
	Kind    string    `json:"kind"` // transition, minute, outage, clock_step, and last sums
	Time    time.Time `json:"time"`
	Machine string    `json:"machine,omitempty"`
	State   string    `json:"state,omitempty"`
	Restart bool      `json:"restart,omitempty"`
	Fault   uint16    `json:"fault,omitempty"`

	ForS float64 `json:"for_s,omitempty"`
	ByS  float64 `json:"by_s,omitempty"`

	Plant    *plantLine             `json:"plant,omitempty"`
	Machines map[string]machineLine `json:"machines,omitempty"`
	Sums     *truthFile             `json:"sums,omitempty"`
}

// plantLine and machineLine are integrals since the world began.
type plantLine struct {
	UsedM3    float64 `json:"used_m3"`
	LeakedM3  float64 `json:"leaked_m3"`
	PurgedM3  float64 `json:"purged_m3"`
	DrainedM3 float64 `json:"drained_m3"`
	HeaderM3  float64 `json:"header_m3"`
	StoredM3  float64 `json:"stored_m3"`
}

type machineLine struct {
	EnergyJ     float64 `json:"energy_j"`
	InletM3     float64 `json:"inlet_m3"`
	DeliveredM3 float64 `json:"delivered_m3"`
}

// WriteLines writes the log as JSON lines in the order of time: transitions,
// power failures, clock steps, the integrals at each whole minute, and last the
// sums that WriteJSON begins with.
func (t *Truth) WriteLines(out io.Writer) error {
	var lines []truthLine
	for i, name := range t.Machines() {
		for _, tr := range t.machines[i].transitions {
			lines = append(lines, truthLine{Kind: "transition", Time: t.time(tr.step), Machine: name, State: tr.state.String(),
				Restart: tr.restart, Fault: tr.fault})
		}
	}
	for _, o := range t.outages {
		until := o.to
		if until < 0 {
			until = t.world.now
		}
		lines = append(lines, truthLine{Kind: "outage", Time: t.time(o.from), ForS: float64(until-o.from) * stepS})
	}
	for _, c := range t.clock {
		lines = append(lines, truthLine{Kind: "clock_step", Time: t.time(c.step), ByS: c.by.Seconds()})
	}
	err := t.minutes(func(step int64, plant [numPlantSums]float64) error {
		line := truthLine{Kind: "minute", Time: t.time(step), Machines: map[string]machineLine{}, Plant: &plantLine{
			UsedM3: plant[sumUsed], LeakedM3: plant[sumLeaked], PurgedM3: plant[sumPurged], DrainedM3: plant[sumDrained],
			HeaderM3: plant[sumHeader], StoredM3: plant[sumStored]}}
		for i, name := range t.Machines() {
			sum := t.machineAt(i, step)
			line.Machines[name] = machineLine{sum[sumEnergy], sum[sumInlet], sum[sumDelivered]}
		}
		lines = append(lines, line)
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortStableFunc(lines, func(a, b truthLine) int { return cmp.Compare(a.Time.UnixNano(), b.Time.UnixNano()) })
	sums := t.summaryFile()
	lines = append(lines, truthLine{Kind: "sums", Time: sums.To, Sums: &sums})
	w := bufio.NewWriter(out)
	enc := json.NewEncoder(w)
	for i := range lines {
		lines[i].Time = lines[i].Time.UTC()
		if err := enc.Encode(&lines[i]); err != nil {
			return fmt.Errorf("write truth: %w", err)
		}
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("write truth: %w", err)
	}
	return nil
}
