package main

import (
	"fmt"
	"io"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
)

// sizeCmd are the sums that an audit works by hand: each is one formula of package
// air, with the source in its help. They know no uncertainty; the figures do.
type sizeCmd struct {
	Leak       sizeLeakCmd       `cmd:"" help:"What leaks through a round hole: choked flow, the coefficient named."`
	LeakTest   sizeLeakTestCmd   `cmd:"" help:"Leak share from the loaded and the other time of a test without users (DOE Sourcebook)."`
	BleedDown  sizeBleedDownCmd  `cmd:"" help:"Leak from a fall of pressure without supply."`
	Receiver   sizeReceiverCmd   `cmd:"" help:"Receiver volume that feeds an event by itself (compressed-air handbook)."`
	Cycle      sizeCycleCmd      `cmd:"" help:"Load and unload times of one machine on a volume, and the demand at which it cycles most."`
	Efficiency sizeEfficiencyCmd `cmd:"" help:"Isentropic efficiency of a package (ISO 1217, from memory) beside what 10 CFR 431.345 asks."`
	Flow       sizeFlowCmd       `cmd:"" help:"One flow in every reference condition: free air, FAD, scfm, normal, ANR."`
}

// reader turns flags into SI and keeps the first mistake.
type reader struct{ err error }

func (r *reader) fail(flag string, err error) {
	if r.err == nil {
		r.err = misuse{fmt.Errorf("--%s: %w", flag, err)}
	}
}

func (r *reader) quantity(flag, text string, d quantity.Dimension) quantity.Quantity {
	q, err := quantity.ParseDim(text, d)
	if err != nil {
		r.fail(flag, err)
	}
	return q
}

// positive reads a quantity above zero.
func (r *reader) positive(flag, text string, d quantity.Dimension) float64 {
	si := r.quantity(flag, text, d).SI()
	if !(si > 0) {
		r.fail(flag, fmt.Errorf("%q is not above zero", text))
	}
	return si
}

// outside is the absolute pressure of the air outside, whether or not its unit says
// so.
func (r *reader) outside(text string) float64 {
	return r.positive("barometer", text, quantity.Pressure)
}

// absolute reads a pressure; one that its unit does not call absolute is gauge.
func (r *reader) absolute(flag, text string, outsidePa float64) float64 {
	q := r.quantity(flag, text, quantity.Pressure)
	pa := q.SI()
	if !q.Unit.Absolute {
		pa += outsidePa
	}
	if r.err == nil && pa <= 0 {
		r.fail(flag, fmt.Errorf("%q is below a vacuum", text))
	}
	return pa
}

// freeAir reads a flow of free air.
func (r *reader) freeAir(flag, text string) float64 {
	q := r.quantity(flag, text, quantity.Flow)
	if r.err == nil && q.Unit.Basis != quantity.FreeAir {
		r.fail(flag, fmt.Errorf("%q is not free air at the inlet: write cfm, m³/min or l/s (loadscribe size flow converts)", text))
	}
	return r.positive(flag, text, quantity.Flow)
}

func flowText(m3s float64) string {
	return fmt.Sprintf("%.4g cfm (%.4g m³/min) of free air", quantity.US.Unit(quantity.Flow).FromSI(m3s), quantity.SI.Unit(quantity.Flow).FromSI(m3s))
}

type sizeLeakCmd struct {
	Hole        string  `required:"" help:"Its diameter, like \"1/8 in\" or \"3 mm\"." placeholder:"LENGTH"`
	Pressure    string  `required:"" help:"Before the hole, like \"100 psi\"." placeholder:"PRESSURE"`
	Coefficient float64 `required:"" help:"The jet's area by the hole's: 1 as in handbook tables, 0.97 well rounded (the DOE's table has it in already), 0.61 to 0.65 sharp." placeholder:"C"`
	Holes       int     `help:"How many of them." default:"1" placeholder:"N"`
	Barometer   string  `help:"Pressure of the air outside, absolute." default:"14.7 psia"`
	Temperature string  `help:"Of the air." default:"70 °F"`
}

// Run prints the flow.
func (c *sizeLeakCmd) Run(s *surroundings) error {
	var r reader
	outside := r.outside(c.Barometer)
	before := r.absolute("pressure", c.Pressure, outside)
	kelvin := r.positive("temperature", c.Temperature, quantity.Temperature)
	d := r.hole(c.Hole)
	switch {
	case r.err != nil:
		return r.err
	case !(c.Coefficient > 0 && c.Coefficient <= 1):
		return misuse{fmt.Errorf("--coefficient %g: it is above 0 and at most 1", c.Coefficient)}
	case c.Holes < 1:
		return misuse{fmt.Errorf("--holes %d: write 1 or more", c.Holes)}
	case !air.Choked(before, outside):
		return misuse{fmt.Errorf("--pressure %q: the formula holds where the flow is choked, from 1.893 times the absolute pressure outside on", c.Pressure)}
	}
	free := air.Condition{PressurePa: outside, TemperatureK: kelvin}
	flow := float64(c.Holes) * air.OrificeKgS(c.Coefficient, d, before, kelvin) / free.Density()
	fmt.Fprintf(s.stdout, "%d × %s at %s, coefficient %g: %s\n", c.Holes, c.Hole, c.Pressure, c.Coefficient, flowText(flow))
	return nil
}

// hole reads a length that may be a fraction, as drills are named.
func (r *reader) hole(text string) float64 {
	m, err := quantity.ParseLength(text)
	switch {
	case err != nil:
		r.fail("hole", err)
	case !(m > 0):
		r.fail("hole", fmt.Errorf("%q is not above zero", text))
	}
	return m
}

type sizeLeakTestCmd struct {
	Loaded   string `required:"" help:"Time loaded, like \"7.5 min\"." placeholder:"TIME"`
	Other    string `required:"" help:"Time unloaded or stopped." placeholder:"TIME"`
	Capacity string `help:"The machine's full flow, to say what leaks." placeholder:"FLOW"`
}

// Run prints the share.
func (c *sizeLeakTestCmd) Run(s *surroundings) error {
	var r reader
	share := air.LeakShare(r.positive("loaded", c.Loaded, quantity.Duration), r.positive("other", c.Other, quantity.Duration))
	capacity := 0.0
	if c.Capacity != "" {
		capacity = r.freeAir("capacity", c.Capacity)
	}
	if r.err != nil {
		return r.err
	}
	fmt.Fprintf(s.stdout, "%.4g %% of the capacity leaks", 100*share)
	if capacity > 0 {
		fmt.Fprintf(s.stdout, ": %s", flowText(share*capacity))
	}
	fmt.Fprintln(s.stdout)
	return nil
}

type sizeBleedDownCmd struct {
	Volume    string `required:"" help:"Receivers and piping, like \"240 gal\"." placeholder:"VOLUME"`
	From      string `required:"" help:"Pressure at its begin." placeholder:"PRESSURE"`
	To        string `required:"" help:"Pressure at its end." placeholder:"PRESSURE"`
	Over      string `required:"" help:"How long it took." placeholder:"TIME"`
	Handbook  bool   `help:"By the handbooks' rule with its factor of 1.25, which holds for a fall to about half the pressure."`
	Barometer string `help:"Pressure of the air outside, absolute." default:"14.7 psia"`
}

// Run prints the leak at the pressure the fall began with.
func (c *sizeBleedDownCmd) Run(s *surroundings) error {
	var r reader
	outside := r.outside(c.Barometer)
	volume, seconds := r.positive("volume", c.Volume, quantity.Volume), r.positive("over", c.Over, quantity.Duration)
	from, to := r.absolute("from", c.From, outside), r.absolute("to", c.To, outside)
	switch {
	case r.err != nil:
		return r.err
	case to >= from:
		return misuse{fmt.Errorf("--to %q is not below --from %q", c.To, c.From)}
	case !air.Choked(to, outside):
		return misuse{fmt.Errorf("--to %q: leaks follow the pressure only where they are choked, from 1.893 times the absolute pressure outside on", c.To)}
	}
	leak, how := air.BleedDownM3S(volume, from, to, seconds, outside), "exact, isothermal"
	if c.Handbook {
		leak, how = air.BleedDownHandbookM3S(volume, from, to, seconds, outside), "handbook, factor 1.25"
	}
	fmt.Fprintf(s.stdout, "leak at %s (%s): %s\n", c.From, how, flowText(leak))
	return nil
}

type sizeReceiverCmd struct {
	Flow      string `required:"" help:"Net flow that the receiver gives: the event's less what machines deliver meanwhile." placeholder:"FLOW"`
	For       string `required:"" help:"How long." placeholder:"TIME"`
	From      string `required:"" help:"Pressure at its begin." placeholder:"PRESSURE"`
	To        string `required:"" help:"Least pressure at its end." placeholder:"PRESSURE"`
	Barometer string `help:"Pressure of the air outside, absolute." default:"14.7 psia"`
}

// Run prints the volume.
func (c *sizeReceiverCmd) Run(s *surroundings) error {
	var r reader
	outside := r.outside(c.Barometer)
	flow, seconds := r.freeAir("flow", c.Flow), r.positive("for", c.For, quantity.Duration)
	from, to := r.absolute("from", c.From, outside), r.absolute("to", c.To, outside)
	if r.err == nil && to >= from {
		return misuse{fmt.Errorf("--to %q is not below --from %q", c.To, c.From)}
	}
	if r.err != nil {
		return r.err
	}
	m3 := air.EventVolumeM3(seconds, flow, outside, from, to)
	fmt.Fprintf(s.stdout, "receiver of %.4g m³ (%.4g ft³, %.4g gal)\n", m3, inUnit(m3, "ft³"), inUnit(m3, "gal"))
	return nil
}

// inUnit converts SI to a unit of quantity's table.
func inUnit(si float64, symbol string) float64 {
	u, err := quantity.ParseUnit(symbol)
	if err != nil {
		panic(err) // a unit of our own that the table lacks
	}
	return u.FromSI(si)
}

type sizeCycleCmd struct {
	Volume    string `required:"" help:"Receivers and piping." placeholder:"VOLUME"`
	Band      string `required:"" help:"Cut-out less cut-in, like \"10 psi\"." placeholder:"PRESSURE"`
	Capacity  string `required:"" help:"The machine's full flow." placeholder:"FLOW"`
	Demand    string `help:"What is used; without it, the demand at which the machine cycles most." placeholder:"FLOW"`
	Barometer string `help:"Pressure of the air outside, absolute." default:"14.7 psia"`
}

// Run prints the times.
func (c *sizeCycleCmd) Run(s *surroundings) error {
	var r reader
	outside := r.outside(c.Barometer)
	volume, band, capacity := r.positive("volume", c.Volume, quantity.Volume), r.positive("band", c.Band, quantity.Pressure), r.freeAir("capacity", c.Capacity)
	demand := 0.0
	if c.Demand != "" {
		demand = r.freeAir("demand", c.Demand)
	}
	if r.err != nil {
		return r.err
	}
	most := air.MostCycles(volume, band, outside, capacity)
	if demand >= capacity {
		return misuse{fmt.Errorf("--demand %q is not below --capacity %q: the machine never unloads", c.Demand, c.Capacity)}
	}
	if demand > 0 {
		printCycle(s.stdout, "at "+c.Demand, air.LoadCycle(volume, band, outside, capacity, demand))
	}
	printCycle(s.stdout, "at most, at half the capacity", most)
	return nil
}

func printCycle(out io.Writer, when string, c air.Cycle) {
	fmt.Fprintf(out, "%s: %.4g s loaded, %.4g s unloaded, %.4g cycles an hour\n", when, c.LoadedS, c.UnloadedS, c.PerHour)
}

type sizeEfficiencyCmd struct {
	Flow          string `required:"" help:"Full-load flow of the package, as free air." placeholder:"FLOW"`
	Pressure      string `required:"" help:"At its discharge." placeholder:"PRESSURE"`
	Power         string `help:"What it takes in; without it, only what the regulation asks." placeholder:"POWER"`
	VariableSpeed bool   `help:"A variable-speed machine."`
	Barometer     string `help:"Pressure at its inlet, absolute." default:"100 kPa(a)"`
}

// Run prints both.
func (c *sizeEfficiencyCmd) Run(s *surroundings) error {
	var r reader
	inlet, flow := r.outside(c.Barometer), r.freeAir("flow", c.Flow)
	discharge := r.absolute("pressure", c.Pressure, inlet)
	power := 0.0
	if c.Power != "" {
		power = r.positive("power", c.Power, quantity.Power)
	}
	if r.err == nil && discharge <= inlet {
		return misuse{fmt.Errorf("--pressure %q is not above the inlet's", c.Pressure)}
	}
	if r.err != nil {
		return r.err
	}
	ideal := air.IsentropicW(flow, inlet, discharge)
	fmt.Fprintf(s.stdout, "isentropic power %.4g kW\n", ideal/1000)
	if power > 0 {
		unit, factor, _ := quantity.US.Display("kW/(m³/min)")
		fmt.Fprintf(s.stdout, "isentropic efficiency %.4g %%, specific power %.4g kW/(m³/min) (%.4g %s)\n", 100*ideal/power, power/1000/(60*flow), factor*power/1000/(60*flow), unit)
	}
	least, regression, ok := air.RegulatedEfficiency(flow, c.VariableSpeed)
	if !ok {
		fmt.Fprintln(s.stdout, "10 CFR 431.345 is for 35 to 1250 cfm")
		return nil
	}
	fmt.Fprintf(s.stdout, "10 CFR 431.345 asks %.4g %% of a new air-cooled rotary lubricated package (regression %.4g %%), at its own full-load pressure\n",
		100*least, 100*regression)
	return nil
}

type sizeFlowCmd struct {
	Flow        string `required:"" help:"Like \"100 scfm\", \"5 m³/min\" or \"10 Nm³/min\"." placeholder:"FLOW"`
	Temperature string `help:"At the inlet." default:"20 °C"`
	Humidity    string `help:"At the inlet, relative." default:"0 %"`
	Barometer   string `help:"At the inlet, absolute." default:"100 kPa(a)"`
	GasTrade    bool   `help:"scfm is the gas trade's, 14.696 psia and 60 °F, not 14.5 psia and 68 °F."`
}

// Run prints the flow in every condition.
func (c *sizeFlowCmd) Run(s *surroundings) error {
	var r reader
	inlet := air.Condition{PressurePa: r.outside(c.Barometer), TemperatureK: r.positive("temperature", c.Temperature, quantity.Temperature)}
	inlet.Humidity = r.quantity("humidity", c.Humidity, quantity.Ratio).SI()
	q, flow := r.quantity("flow", c.Flow, quantity.Flow), r.positive("flow", c.Flow, quantity.Flow)
	if r.err == nil && !(inlet.Humidity >= 0 && inlet.Humidity <= 1) {
		return misuse{fmt.Errorf("--humidity %q: it is from 0 to 100 %%", c.Humidity)}
	}
	if r.err == nil && inlet.DryPa() <= 0 {
		return misuse{fmt.Errorf("--temperature %q: at %s that is steam, no air", c.Temperature, c.Barometer)}
	}
	if r.err != nil {
		return r.err
	}
	scfm := air.ScfmTrade()
	if c.GasTrade {
		scfm = air.ScfmGas()
	}
	from, ok := air.Reference(q.Unit.Basis, scfm)
	if !ok {
		from = inlet
	}
	for _, to := range air.References(inlet, scfm) {
		m3s := flow * from.VolumeAt(to.Condition)
		fmt.Fprintf(s.stdout, "%10.4f cfm  %10.5f m³/min  %s\n", quantity.US.Unit(quantity.Flow).FromSI(m3s), 60*m3s, to.Name)
	}
	return nil
}
