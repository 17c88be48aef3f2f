package simulator

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Validate reports every contradiction in the scenario. The error wraps
// ErrScenario. A band of any height and a no-load stop of any time are fine.
func (s *Scenario) Validate() error {
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("%w: "+format, append([]any{ErrScenario}, args...)...))
	}
	if s.Location == nil {
		bad("timezone is missing")
	}
	if !(s.BarometerPa > 30e3 && s.BarometerPa < 120e3) {
		bad("barometer: %.1f kPa absolute is nowhere on earth; write the station pressure like \"98.8 kPa(a)\"", s.BarometerPa/1e3)
	}
	if !(s.InitialPressurePa >= 0) {
		bad("initial_pressure: must not be negative")
	}
	if len(s.Machines) == 0 {
		bad("no [[machine]]")
	}
	machines := map[string]bool{}
	for i := range s.Machines {
		m := &s.Machines[i]
		if m.Name == "" || machines[m.Name] {
			bad("machine %d: name %q is empty or taken", i+1, m.Name)
		}
		machines[m.Name] = true
		m.validate(func(format string, args ...any) { bad("machine %q: "+format, append([]any{m.Name}, args...)...) })
	}
	s.validatePlant(bad)
	s.validateEvents(machines, bad)
	s.validateDevices(machines, bad)
	return errors.Join(errs...)
}

func (m *Machine) validate(bad func(string, ...any)) {
	positive := []struct {
		key   string
		value float64
	}{
		{"rated_flow", m.RatedFlowM3S}, {"rated_pressure", m.RatedPressurePa}, {"rated_power", m.RatedPowerW},
		{"cut_in", m.CutInPa}, {"cut_out", m.CutOutPa}, {"sump_volume", m.SumpM3},
		{"blow_down", m.BlowDown.Seconds()}, {"inlet_stroke", m.InletStroke.Seconds()},
		{"motor.power", m.Motor.PowerW}, {"motor.volts", m.Motor.Volts},
	}
	for _, p := range positive {
		if !(p.value > 0) || math.IsInf(p.value, 0) {
			bad("%s: must be above zero", p.key)
		}
	}
	m.validateControl(bad)
	m.validateFaults(bad)
	if m.CutInPa >= m.CutOutPa {
		bad("cut_in: must lie below cut_out")
	}
	if m.FlowFactor < 0 || m.NoLoadStop < 0 || m.LeastStarts < 0 || m.FanW < 0 || m.ControlsW < 0 || m.PackageDropPa < 0 || m.ResidualPa < 0 {
		bad("true_flow, no_load_stop, least_between_starts, fan, controls, package_drop and residual_pressure must not be negative")
	}
	if m.RatedPowerW <= m.FanW+m.ControlsW+0.2*m.Motor.PowerW {
		bad("rated_power: too little for a %.0f kW motor and its fan", m.Motor.PowerW/1e3)
	}
	switch m.Motor.Starting {
	case "wye-delta", "direct", "drive":
	default:
		bad("motor.starting: %q is not simulated; wye-delta, direct and drive are", m.Motor.Starting)
	}
	if m.Motor.Poles < 2 || m.Motor.Poles%2 != 0 || m.Motor.Poles > 12 {
		bad("motor.poles: %d is not an even number from 2 to 12", m.Motor.Poles)
	}
	if m.SumpM3 > 0 && m.SumpM3 < 0.005 {
		bad("sump_volume: less than 5 l cannot be integrated at 50 ms")
	}
	if m.MinPressurePa >= m.CutOutPa {
		bad("minimum_pressure: the valve must open below cut_out")
	}
}

// validateControl checks what the kind of control needs.
func (m *Machine) validateControl(bad func(string, ...any)) {
	kind := controlOf(m.Control)
	if kind == numControls {
		known := make([]string, numControls)
		for k := range numControls {
			known[k] = k.String()
		}
		bad("control: %q is not simulated; %s are", m.Control, strings.Join(known, ", "))
	}
	if (m.Motor.Starting == "drive") != (kind == variableSpeed) {
		bad("motor.starting: a drive goes with control = \"variable speed\", and that with a drive")
	}
	switch kind {
	case modulating, modulateThenUnload, variableDisplacement:
		if !(m.ModulationPa > 0) || m.CutOutPa-m.ModulationPa < m.CutInPa {
			bad("modulation: must be above zero and fit into the band from cut_in to cut_out")
		}
	default:
		if m.ModulationPa != 0 {
			bad("modulation: is for modulating, modulate then unload and variable displacement")
		}
	}
	least := kind == modulateThenUnload || kind == variableDisplacement || kind == variableSpeed
	if least && !(m.LeastShare >= 0.1 && m.LeastShare <= 0.9) {
		bad("least_share: %s needs one from 0.1 to 0.9", m.Control)
	} else if !least && m.LeastShare != 0 {
		bad("least_share: is for modulate then unload, variable displacement and variable speed")
	}
	if m.TargetPa != 0 && (kind != variableSpeed || m.TargetPa <= m.CutInPa || m.TargetPa >= m.CutOutPa) {
		bad("target: is what a variable-speed machine holds, between cut_in and cut_out")
	}
}

func (m *Machine) validateFaults(bad func(string, ...any)) {
	if (m.FanOnK != 0 || m.FanOffK != 0) && !(m.FanOffK < m.FanOnK && m.FanOffK > 0) {
		bad("fan_on, fan_off: the fan starts at the higher temperature, fan_on, and stops at fan_off")
	}
	if m.CoolerFouling < 0 || m.CoolerFouling > worstFouling || m.FoulingPerDay < 0 {
		bad("cooler_fouling: is a share from 0 to %g, cooler_fouling_per_day not negative", worstFouling)
	}
	for i, f := range m.Faults {
		k, ok := faultIndex(f.Kind)
		switch {
		case !ok:
			kinds := faultKinds()
			bad("fault %d: kind: %q is unknown; %s are known", i+1, f.Kind, strings.Join(kinds[:], ", "))
		case k == coolerFouled && !(f.Share > 0 && f.Share < 1):
			bad("fault %d: share: %s needs one between 0 and 1", i+1, f.Kind)
		case k != coolerFouled && f.Share != 0:
			bad("fault %d: share: %s has none", i+1, f.Kind)
		}
	}
	for i, t := range m.Trips {
		if t.Code <= 9 {
			bad("trip %d: code: 1 to 9 are kept for what the physics brings about", i+1)
		}
	}
}

// validateEvents checks what happens to supply, clock and turns.
func (s *Scenario) validateEvents(machines map[string]bool, bad func(string, ...any)) {
	for i, p := range s.PowerFailures {
		if p.For < time.Second || p.For >= weekS*time.Second {
			bad("power_failure %d: for: must be from a second to less than a week", i+1)
		}
	}
	for i, c := range s.ClockSteps {
		if c.By == 0 || c.By.Abs() > 24*time.Hour || c.By%time.Millisecond != 0 {
			bad("clock_step %d: by: must be whole milliseconds, not zero and within a day", i+1)
		}
	}
	r := &s.Rotation
	for _, name := range r.Machines {
		if !machines[name] {
			bad("rotation: machine %q is not defined", name)
		}
	}
	if len(r.Machines) == 1 || len(r.Machines) > 0 && !(r.OffsetPa > 0) || r.Every != 0 && r.Every < time.Minute {
		bad("rotation: needs two machines or more, an offset above zero, and every of a minute or more")
	}
	if s.Length < time.Minute {
		bad("length: must be a minute or more")
	}
	if s.Unbalance < 0 || s.Unbalance > 0.1 || s.Weather.Humidity < 0 || s.Weather.Humidity > 1 {
		bad("voltage_unbalance_pct: from 0 to 10; weather.humidity_pct: from 0 to 100")
	}
}

// mostUsers of one kind: each is worked out by itself, every second.
const mostUsers = 1000

func (s *Scenario) validatePlant(bad func(string, ...any)) {
	volumes := 0
	names := map[string]bool{}
	for i, p := range s.Parts {
		if p.Name == "" || names[p.Name] {
			bad("part %d: name %q is empty or taken", i+1, p.Name)
		}
		names[p.Name] = true
		if p.Purge.FlowM3S != 0 && (p.Kind != "dryer" || p.Purge.FlowM3S < 0 || p.Purge.Half < 10*time.Second || p.Purge.Half%time.Second != 0) {
			bad("part %q: purge: is a dryer's, above zero, with a purge_half_cycle of whole seconds, 10 s or more", p.Name)
		}
		switch p.Kind {
		case "receiver", "piping":
			volumes++
			if !(p.VolumeM3 > 0.005) {
				bad("part %q: volume: a %s needs one above 5 l", p.Name, p.Kind)
			}
		case "dryer", "filter":
			if p.VolumeM3 != 0 {
				bad("part %q: volume: a %s has none here; add a receiver or piping", p.Name, p.Kind)
			}
		default:
			bad("part %d %q: kind: %q is unknown; dryer, filter, receiver and piping are known", i+1, p.Name, p.Kind)
		}
		if p.DropPa < 0 || p.DropPa > 0 && !(p.DropAtM3S > 0) {
			bad("part %q: drop needs drop_at, the flow at which it was found", p.Name)
		}
	}
	if volumes == 0 {
		bad("no [[part]] of kind receiver or piping: the air has nowhere to go")
	} else if k := s.Parts[len(s.Parts)-1].Kind; k != "receiver" && k != "piping" {
		bad("the last [[part]] must be a receiver or piping: users take air from it")
	}
	if len(s.Machines) > 1 && len(s.Parts) > 0 && s.Parts[0].VolumeM3 == 0 {
		bad("part %q: several machines need a receiver or piping as the first part, where their air meets", s.Parts[0].Name)
	}
	for _, d := range s.Drains {
		if !names[d.Part] {
			bad("drain %q: part: there is no part %q", d.Name, d.Part)
		}
		timed := d.Open >= time.Second && d.Every > d.Open && d.Open%time.Second == 0 && d.Every%time.Second == 0
		byHand := d.Open == 0 && d.Every == 0
		if !(d.FlowM3S > 0) || !timed && !byHand || byHand == (d.From == d.Until) {
			bad("drain %q: flow must be above zero; either open and every, whole seconds, open shorter than every, or from and until, two moments", d.Name)
		}
	}
	s.validateValves(bad)
	if s.Leak.FlowM3S < 0 || s.Leak.Growth < 0 {
		bad("leak: must not be negative, nor growth_per_week")
	}
	for _, u := range s.Users {
		if u.Count < 1 || u.Count > mostUsers || !(u.FlowM3S > 0) || u.On < time.Second || u.Rest < 0 {
			bad("user %q: count must be 1 to %d, flow above zero, on 1 s or more", u.Name, mostUsers)
		}
	}
}

func (s *Scenario) validateDevices(machines map[string]bool, bad func(string, ...any)) {
	names, units := map[string]bool{}, map[uint8]bool{}
	for _, d := range s.Devices {
		if d.Name == "" || names[d.Name] {
			bad("device %q: name is empty or taken", d.Name)
		}
		if units[d.Unit] || d.Unit < 1 || d.Unit > 247 {
			bad("device %q: unit %d is taken or outside 1 to 247", d.Name, d.Unit)
		}
		names[d.Name], units[d.Unit] = true, true
		if !machines[d.Machine] && (d.Layout != layoutAir || d.Machine != "") {
			bad("device %q: machine %q is not defined", d.Name, d.Machine)
		}
		if !slices.Contains(layouts(), d.Layout) {
			bad("device %q: layout: %q is unknown; %s are known", d.Name, d.Layout, strings.Join(layouts(), ", "))
		}
		if d.Poll < 100*time.Millisecond {
			bad("device %q: poll: must be 100 ms or more", d.Name)
		}
		s.validateWiring(&d, bad)
		d.Bias.validate(d.Name, bad)
		checkAccuracy(d.Name, d.Accuracy, bad)
		if d.Refresh < stepDur || d.Refresh%stepDur != 0 {
			bad("device %q: refresh: must be a multiple of 50 ms", d.Name)
		}
	}
}

func (s *Scenario) validateWiring(d *Device, bad func(string, ...any)) {
	mistake, _, err := parseWiring(d.Wiring)
	if err != nil {
		bad("device %q: %w", d.Name, err)
		return
	}
	if d.Wiring != "" && d.Layout != layoutMeter {
		bad("device %q: wiring is a %s's", d.Name, layoutMeter)
	}
	if shows := d.Layout == layoutController || d.Layout == layoutPartLoad || d.Layout == layoutCoarse; !shows && (d.InvertedLoad || d.LoadByCommand) {
		bad("device %q: inverted_load and load_bit_by_command are for controllers with a loaded bit", d.Name)
	}
	for i := range s.Machines {
		if m := &s.Machines[i]; m.Name == d.Machine && mistake == wiringOneLeg && m.Motor.Starting != "wye-delta" {
			bad("device %q: wiring: one_leg needs the six leads of a wye-delta motor", d.Name)
		}
	}
}
