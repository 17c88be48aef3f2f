package simulator

import (
	"fmt"
	"path"
	"strings"
	"time"

	"loadscribe/agent/quantity"
)

// scenarioFile is a scenario as written: quantities are texts with units.
type scenarioFile struct {
	Title           string        `toml:"title"`
	Seed            uint64        `toml:"seed"`
	Timezone        string        `toml:"timezone"`
	Barometer       string        `toml:"barometer"`
	InitialPressure string        `toml:"initial_pressure"`
	MinimumPressure string        `toml:"minimum_pressure"`
	Shifts          []string      `toml:"shifts"`
	Breaks          []string      `toml:"breaks"`
	Weather         weatherFile   `toml:"weather"`
	Leak            leakFile      `toml:"leak"`
	Machines        []machineFile `toml:"machine"`
	Parts           []partFile    `toml:"part"`
	Users           []userFile    `toml:"user"`
	Devices         []deviceFile  `toml:"device"`
}

type weatherFile struct {
	Mean   string  `toml:"mean"`
	SwingK float64 `toml:"swing_k"`
	DayK   float64 `toml:"day_k"`
	RoomK  float64 `toml:"room_k"`
}

type leakFile struct {
	Flow string `toml:"flow"`
	At   string `toml:"at"`
}

type machineFile struct {
	Name            string      `toml:"name"`
	Control         string      `toml:"control"`
	RatedFlow       string      `toml:"rated_flow"`
	RatedPressure   string      `toml:"rated_pressure"`
	RatedPower      string      `toml:"rated_power"`
	TrueFlow        float64     `toml:"true_flow"`
	CutIn           string      `toml:"cut_in"`
	CutOut          string      `toml:"cut_out"`
	NoLoadStop      string      `toml:"no_load_stop"`
	LeastStarts     string      `toml:"least_between_starts"`
	Schedule        []string    `toml:"schedule"`
	Fan             string      `toml:"fan"`
	Controls        string      `toml:"controls"`
	SumpVolume      string      `toml:"sump_volume"`
	Residual        string      `toml:"residual_pressure"`
	BlowDown        string      `toml:"blow_down"`
	StartSump       string      `toml:"start_sump_pressure"`
	MinimumPressure string      `toml:"minimum_pressure"`
	PackageDrop     string      `toml:"package_drop"`
	InletStroke     string      `toml:"inlet_stroke"`
	ApproachK       float64     `toml:"approach_k"`
	TripTemperature string      `toml:"trip_temperature"`
	TripReset       string      `toml:"trip_reset"`
	Motor           motorFile   `toml:"motor"`
	Initial         initialFile `toml:"initial"`
	Trips           []tripFile  `toml:"trip"`
}

type motorFile struct {
	Power       string `toml:"power"`
	Poles       int    `toml:"poles"`
	Volts       string `toml:"volts"`
	Starting    string `toml:"starting"`
	WyeTime     string `toml:"wye_time"`
	LoadDelay   string `toml:"load_delay"`
	DirectStart string `toml:"direct_start_current"`
}

type initialFile struct {
	RunHours    float64 `toml:"run_hours"`
	LoadedHours float64 `toml:"loaded_hours"`
	Starts      uint32  `toml:"starts"`
	EnergyWh    uint64  `toml:"energy_wh"`
}

type tripFile struct {
	After string `toml:"after"`
	Code  uint16 `toml:"code"`
	Text  string `toml:"text"`
}

type partFile struct {
	Name   string `toml:"name"`
	Kind   string `toml:"kind"`
	Volume string `toml:"volume"`
	Drop   string `toml:"drop"`
	DropAt string `toml:"drop_at"`
}

type userFile struct {
	Name      string `toml:"name"`
	Count     *int   `toml:"count"`
	Flow      string `toml:"flow"`
	Regulated string `toml:"regulated"`
	At        string `toml:"at"`
	On        string `toml:"on"`
	Rest      string `toml:"rest"`
	Always    bool   `toml:"always"`
}

type deviceFile struct {
	Name    string `toml:"name"`
	Machine string `toml:"machine"`
	Layout  string `toml:"layout"`
	Unit    uint8  `toml:"unit"`
	Refresh string `toml:"refresh"`
	Poll    string `toml:"poll"`
	Wiring  string `toml:"wiring"`

	InvertedLoad bool `toml:"inverted_load"`
}

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
			SwingK: f.Weather.SwingK, DayK: f.Weather.DayK, RoomK: f.Weather.RoomK,
		},
		Leak: Leak{FlowM3S: r.flow("leak.flow", f.Leak.Flow), AtPa: r.gauge("leak.at", f.Leak.At, "100 psi")},
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
	for _, p := range f.Parts {
		key := fmt.Sprintf("part %q: ", p.Name)
		s.Parts = append(s.Parts, Part{
			Name: p.Name, Kind: p.Kind,
			VolumeM3:  r.si(key+"volume", p.Volume, "", quantity.Volume),
			DropPa:    r.gauge(key+"drop", p.Drop, ""),
			DropAtM3S: r.flow(key+"drop_at", p.DropAt),
		})
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
		})
	}
	for _, d := range f.Devices {
		s.Devices = append(s.Devices, Device{
			Name: d.Name, Machine: d.Machine, Layout: d.Layout, Unit: d.Unit,
			Refresh: r.duration(fmt.Sprintf("device %q: refresh", d.Name), d.Refresh, "200ms"),
			Poll:    r.duration(fmt.Sprintf("device %q: poll", d.Name), d.Poll, "1s"),
			Wiring:  d.Wiring, InvertedLoad: d.InvertedLoad,
		})
	}
	return s
}

func (f *machineFile) machine(r *reader, at string) Machine {
	m := Machine{
		Name: f.Name, Control: f.Control, FlowFactor: f.TrueFlow,
		RatedFlowM3S:    r.flow(at+"rated_flow", f.RatedFlow),
		RatedPressurePa: r.gauge(at+"rated_pressure", f.RatedPressure, ""),
		RatedPowerW:     r.si(at+"rated_power", f.RatedPower, "", quantity.Power),
		CutInPa:         r.gauge(at+"cut_in", f.CutIn, ""),
		CutOutPa:        r.gauge(at+"cut_out", f.CutOut, ""),
		NoLoadStop:      r.duration(at+"no_load_stop", f.NoLoadStop, ""),
		LeastStarts:     r.duration(at+"least_between_starts", f.LeastStarts, ""),
		Schedule:        r.windows(at+"schedule", f.Schedule),
		FanW:            r.si(at+"fan", f.Fan, "", quantity.Power),
		ControlsW:       r.si(at+"controls", f.Controls, "", quantity.Power),
		SumpM3:          r.si(at+"sump_volume", f.SumpVolume, "45 l", quantity.Volume),
		ResidualPa:      r.gauge(at+"residual_pressure", f.Residual, "22 psi"),
		BlowDown:        r.duration(at+"blow_down", f.BlowDown, "40s"),
		StartSumpPa:     r.gauge(at+"start_sump_pressure", f.StartSump, "7 psi"),
		MinPressurePa:   r.gauge(at+"minimum_pressure", f.MinimumPressure, "65 psi"),
		PackageDropPa:   r.gauge(at+"package_drop", f.PackageDrop, "5 psi"),
		InletStroke:     r.duration(at+"inlet_stroke", f.InletStroke, "1s"),
		ApproachK:       f.ApproachK,
		TripK:           r.si(at+"trip_temperature", f.TripTemperature, "110 °C", quantity.Temperature),
		TripReset:       r.duration(at+"trip_reset", f.TripReset, "30m"),
		InitialRunH:     f.Initial.RunHours, InitialLoadedH: f.Initial.LoadedHours,
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
	return m
}
