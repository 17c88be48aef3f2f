package simulator

import (
	"fmt"
	"path"
	"strings"
	"time"

	"loadscribe/agent/quantity"
)

func (f *scenarioFile) scenario(r *reader) *Scenario {
	s := &Scenario{
		Name:              strings.TrimSuffix(path.Base(strings.ReplaceAll(r.file, `\`, "/")), ".toml"),
		Title:             f.Title,
		Seed:              f.Seed,
		BarometerPa:       r.absolute("barometer", f.Barometer, "101.325 kPa(a)"),
		InitialPressurePa: r.gauge("initial_pressure", f.InitialPressure, ""),
		MinimumPressurePa: r.gauge("minimum_pressure", f.MinimumPressure, ""),
		Shifts:            r.windows("shifts", f.Shifts),
		Breaks:            r.windows("breaks", f.Breaks),
		Weather: Weather{
			MeanK:  r.si("weather.mean", f.Weather.Mean, "20 °C", quantity.Temperature),
			SwingK: f.Weather.SwingK, DayK: f.Weather.DayK, RoomK: f.Weather.RoomK, Humidity: 0.5,
		},
		Leak: Leak{FlowM3S: r.flow("leak.flow", f.Leak.Flow), AtPa: r.gauge("leak.at", f.Leak.At, "100 psi"),
			Growth: f.Leak.GrowthPerWeek},
		Rotation: Rotation{Machines: f.Rotation.Machines, OffsetPa: r.gauge("rotation.offset", f.Rotation.Offset, ""),
			Every: r.duration("rotation.every", f.Rotation.Every, "")},
		Length:    r.duration("length", f.Length, "168 h"),
		Unbalance: f.UnbalancePct / 100,
	}
	if f.Weather.HumidityPct != nil {
		s.Weather.Humidity = *f.Weather.HumidityPct / 100
	}
	if f.Timezone == "" {
		r.fail("timezone", fmt.Errorf("missing; write it like \"America/Chicago\""))
	} else if loc, err := time.LoadLocation(f.Timezone); err != nil {
		r.fail("timezone", err)
	} else {
		s.Location = loc
	}
	for i := range f.Machines {
		s.Machines = append(s.Machines, f.Machines[i].machine(r, fmt.Sprintf("machine %q: ", f.Machines[i].Name)))
	}
	f.plant(r, s)
	f.events(r, s)
	for _, d := range f.Devices {
		key := fmt.Sprintf("device %q: ", d.Name)
		s.Devices = append(s.Devices, Device{
			Name: d.Name, Machine: d.Machine, Layout: d.Layout, Unit: d.Unit,
			Refresh: r.duration(key+"refresh", d.Refresh, "200ms"),
			Poll:    r.duration(key+"poll", d.Poll, "1s"),
			Wiring:  d.Wiring, InvertedLoad: d.InvertedLoad, LoadByCommand: d.LoadByCommand,
			Accuracy: d.Accuracy, Bias: d.Bias.bias(r, d.Name),
		})
	}
	return s
}

// plant reads parts, drains and users.
func (f *scenarioFile) plant(r *reader, s *Scenario) {
	for _, p := range f.Parts {
		key := fmt.Sprintf("part %q: ", p.Name)
		s.Parts = append(s.Parts, Part{
			Name: p.Name, Kind: p.Kind,
			VolumeM3:  r.si(key+"volume", p.Volume, "", quantity.Volume),
			DropPa:    r.gauge(key+"drop", p.Drop, ""),
			DropAtM3S: r.flow(key+"drop_at", p.DropAt),
			Purge: Purge{FlowM3S: r.flow(key+"purge", p.Purge), AtPa: r.gauge(key+"purge_at", p.PurgeAt, "100 psi"),
				Half: r.duration(key+"purge_half_cycle", p.PurgeHalf, "5m"), Running: p.PurgeRunning},
		})
	}
	for _, d := range f.Drains {
		key := fmt.Sprintf("drain %q: ", d.Name)
		drain := Drain{Name: d.Name, Part: d.Part, FlowM3S: r.flow(key+"flow", d.Flow),
			AtPa: r.gauge(key+"at", d.At, "100 psi"), Open: r.duration(key+"open", d.Open, ""), Every: r.duration(key+"every", d.Every, "")}
		if d.From != "" || d.Until != "" {
			drain.From, drain.Until = r.moment(key+"from", d.From), r.moment(key+"until", d.Until)
		}
		s.Drains = append(s.Drains, drain)
	}
	for i := range f.Valves {
		s.Valves = append(s.Valves, f.Valves[i].valve(r))
	}
	for _, u := range f.Users {
		key := fmt.Sprintf("user %q: ", u.Name)
		count := 1
		if u.Count != nil {
			count = *u.Count
		}
		s.Users = append(s.Users, User{
			Name: u.Name, Count: count, Always: u.Always,
			FlowM3S:     r.flow(key+"flow", u.Flow),
			RegulatedPa: r.gauge(key+"regulated", u.Regulated, ""),
			AtPa:        r.gauge(key+"at", u.At, "100 psi"),
			On:          r.duration(key+"on", u.On, ""),
			Rest:        r.duration(key+"rest", u.Rest, ""),
			When:        r.windows(key+"when", u.When),
		})
	}
}

// events reads what happens to supply and clock.
func (f *scenarioFile) events(r *reader, s *Scenario) {
	for i, p := range f.PowerFailures {
		key := fmt.Sprintf("power_failure %d: ", i+1)
		s.PowerFailures = append(s.PowerFailures, PowerFailure{At: r.moment(key+"at", p.At), For: r.duration(key+"for", p.For, "")})
	}
	for i, c := range f.ClockSteps {
		key := fmt.Sprintf("clock_step %d: ", i+1)
		by, back := strings.CutPrefix(strings.TrimSpace(c.By), "-")
		d := r.duration(key+"by", by, "")
		if back {
			d = -d
		}
		s.ClockSteps = append(s.ClockSteps, ClockStep{At: r.moment(key+"at", c.At), By: d})
	}
}

func (f *machineFile) machine(r *reader, at string) Machine {
	m := Machine{
		Name: f.Name, Control: f.Control, FlowFactor: f.TrueFlow,
		RatedFlowM3S:    r.flow(at+"rated_flow", f.RatedFlow),
		RatedPressurePa: r.gauge(at+"rated_pressure", f.RatedPressure, ""),
		RatedPowerW:     r.si(at+"rated_power", f.RatedPower, "", quantity.Power),
		CutInPa:         r.gauge(at+"cut_in", f.CutIn, ""),
		CutOutPa:        r.gauge(at+"cut_out", f.CutOut, ""),
		TargetPa:        r.gauge(at+"target", f.Target, ""),
		ModulationPa:    r.gauge(at+"modulation", f.Modulation, ""),
		LeastShare:      f.LeastShare,
		NoLoadStop:      r.duration(at+"no_load_stop", f.NoLoadStop, ""),
		LeastStarts:     r.duration(at+"least_between_starts", f.LeastStarts, ""),
		Schedule:        r.windows(at+"schedule", f.Schedule),
		FanW:            r.si(at+"fan", f.Fan, "", quantity.Power),
		FanOnK:          r.si(at+"fan_on", f.FanOn, "", quantity.Temperature),
		FanOffK:         r.si(at+"fan_off", f.FanOff, "", quantity.Temperature),
		CoolerFouling:   f.CoolerFouling, FoulingPerDay: f.FoulingPerDay,
		RestartDelay:  r.duration(at+"restart_delay", f.RestartDelay, ""),
		ControlsW:     r.si(at+"controls", f.Controls, "", quantity.Power),
		SumpM3:        r.si(at+"sump_volume", f.SumpVolume, "45 l", quantity.Volume),
		ResidualPa:    r.gauge(at+"residual_pressure", f.Residual, "22 psi"),
		BlowDown:      r.duration(at+"blow_down", f.BlowDown, "40s"),
		StartSumpPa:   r.gauge(at+"start_sump_pressure", f.StartSump, "7 psi"),
		MinPressurePa: r.gauge(at+"minimum_pressure", f.MinimumPressure, "65 psi"),
		PackageDropPa: r.gauge(at+"package_drop", f.PackageDrop, "5 psi"),
		InletStroke:   r.duration(at+"inlet_stroke", f.InletStroke, "1s"),
		ApproachK:     f.ApproachK,
		TripK:         r.si(at+"trip_temperature", f.TripTemperature, "110 °C", quantity.Temperature),
		TripReset:     r.duration(at+"trip_reset", f.TripReset, "30m"),
		InitialRunH:   f.Initial.RunHours, InitialLoadedH: f.Initial.LoadedHours,
		InitialStarts: f.Initial.Starts, InitialWh: f.Initial.EnergyWh,
		Motor: Motor{
			PowerW: r.si(at+"motor.power", f.Motor.Power, "", quantity.Power),
			Poles:  f.Motor.Poles, Starting: f.Motor.Starting,
			Volts:        r.si(at+"motor.volts", f.Motor.Volts, "", quantity.Voltage),
			WyeTime:      r.duration(at+"motor.wye_time", f.Motor.WyeTime, "5s"),
			LoadDelay:    r.duration(at+"motor.load_delay", f.Motor.LoadDelay, "2s"),
			DirectStartA: r.si(at+"motor.direct_start_current", f.Motor.DirectStart, "", quantity.Current),
		},
	}
	for i, t := range f.Trips {
		m.Trips = append(m.Trips, Trip{After: r.duration(fmt.Sprintf("%strip %d: after", at, i+1), t.After, ""), Code: t.Code, Text: t.Text})
	}
	for i, t := range f.Faults {
		key := fmt.Sprintf("%sfault %d: ", at, i+1)
		fault := Fault{Kind: t.Kind, Share: t.Share}
		if t.From != "" || t.Until != "" {
			fault.From, fault.Until = r.moment(key+"from", t.From), r.moment(key+"until", t.Until)
		}
		m.Faults = append(m.Faults, fault)
	}
	return m
}
