package dashboard

import (
	"math"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// siteAnswer is the API's Site. Numbers that are not known are left out.
type siteAnswer struct {
	Name       string       `json:"name"`
	Timezone   string       `json:"timezone"`
	Units      string       `json:"units"`
	BarometerP float64      `json:"barometer_pa"`
	SiteHash   string       `json:"site_hash"`
	Version    string       `json:"version"`
	Currency   string       `json:"currency"`
	Shifts     []string     `json:"shifts"`
	Lines      []siteLine   `json:"lines"`
	Devices    []siteDevice `json:"devices"`
	// Instruments are judged by no time here: /figures has how their
	// calibrations stand.
	Instruments []sitefile.InstrumentFacts `json:"instruments"`
	Channels    []siteChannel              `json:"channels"`
	Machines    []siteMachine              `json:"machines"`
	Systems     []siteSystem               `json:"systems"`
}

type siteLine struct {
	Name  string `json:"name"`
	Kind  string `json:"kind"`
	Where string `json:"where"`
}

type siteDevice struct {
	Name   string `json:"name"`
	Line   string `json:"line"`
	UnitID uint8  `json:"unit_id"`
	Map    string `json:"map"`
}

type siteChannel struct {
	ID       string  `json:"id"`
	Device   string  `json:"device"`
	Name     string  `json:"name"`
	Role     string  `json:"role"`
	Unit     string  `json:"unit"`
	Quantity string  `json:"quantity"`
	SIScale  float64 `json:"si_scale"`
	SIOffset float64 `json:"si_offset"`
	Absolute bool    `json:"absolute"`
	PeriodMS int64   `json:"period_ms"`
	Bit      bool    `json:"bit"`
	// Step is the least difference between two values, in Unit; 0: not known.
	Step  float64     `json:"step,omitempty"`
	Valid *[2]float64 `json:"valid,omitempty"`
	// Faults are the texts of a fault code, by code.
	Faults map[int64]string `json:"faults,omitempty"`
}

type siteMachine struct {
	Name               string            `json:"name"`
	Control            string            `json:"control"`
	RatedFlowM3S       float64           `json:"rated_flow_m3s,omitempty"`
	RatedPressurePa    float64           `json:"rated_pressure_pa,omitempty"`
	RatedPowerW        float64           `json:"rated_power_w,omitempty"`
	CutInPa            float64           `json:"cut_in_pa,omitempty"`
	CutOutPa           float64           `json:"cut_out_pa,omitempty"`
	NoLoadStopS        float64           `json:"no_load_stop_s,omitempty"`
	MotorStartsPerHour float64           `json:"motor_starts_per_hour,omitempty"`
	Channels           map[string]string `json:"channels"`
}

type siteSystem struct {
	Name              string     `json:"name"`
	Machines          []string   `json:"machines"`
	MinimumPressurePa float64    `json:"minimum_pressure_pa,omitempty"`
	Pressure          string     `json:"pressure,omitempty"`
	Parts             []sitePart `json:"parts"`
	Taps              []siteTap  `json:"taps"`
}

type sitePart struct {
	Name     string  `json:"name"`
	Kind     string  `json:"kind"`
	VolumeM3 float64 `json:"volume_m3,omitempty"`
}

type siteTap struct {
	At       string `json:"at"`
	Pressure string `json:"pressure,omitempty"`
	Flow     string `json:"flow,omitempty"`
}

// siteOf returns a site as the API shows it.
func siteOf(s *sitefile.Site, version string) siteAnswer {
	a := siteAnswer{
		Name: s.Name, Timezone: s.Location.String(), Units: "si", BarometerP: s.BarometerPa, SiteHash: s.Hash,
		Version: version, Currency: s.Tariff.Currency, Shifts: []string{}, Lines: []siteLine{},
		Devices: []siteDevice{}, Channels: []siteChannel{}, Machines: []siteMachine{}, Systems: []siteSystem{},
		Instruments: s.InstrumentFacts(time.Time{}, time.Time{}),
	}
	if s.Units == quantity.US {
		a.Units = "us"
	}
	for _, w := range s.Shifts {
		a.Shifts = append(a.Shifts, w.Text)
	}
	for _, l := range s.Lines {
		where := l.Port
		if where == "" {
			where = l.Address
		}
		a.Lines = append(a.Lines, siteLine{l.Name, string(l.Kind), where})
	}
	for i := range s.Devices {
		a.addDevice(&s.Devices[i])
	}
	for i := range s.Machines {
		a.Machines = append(a.Machines, machineOf(&s.Machines[i]))
	}
	for i := range s.Systems {
		a.Systems = append(a.Systems, systemOf(&s.Systems[i]))
	}
	return a
}

func (a *siteAnswer) addDevice(d *sitefile.Device) {
	shown := siteDevice{Name: d.Name, Line: d.Line, UnitID: d.UnitID, Map: d.MapPath}
	if d.Map != nil {
		shown.Map = d.Map.Name
		for i := range d.Map.Channels {
			a.Channels = append(a.Channels, channelOf(d, &d.Map.Channels[i]))
		}
	}
	a.Devices = append(a.Devices, shown)
}

func channelOf(d *sitefile.Device, c *sitefile.MapChannel) siteChannel {
	period := c.Every
	if period == 0 {
		period = d.Every
	}
	return siteChannel{
		ID: d.Name + "." + c.Name, Device: d.Name, Name: c.Name, Role: string(c.Role), Unit: c.UnitText,
		Quantity: quantityName(c.Unit.Dimension), SIScale: c.Unit.Scale, SIOffset: c.Unit.Offset,
		Absolute: c.Unit.Absolute, PeriodMS: period.Milliseconds(),
		Bit:   c.Bit >= 0 || c.Type == "bit" || c.Table == sitefile.Coil || c.Table == sitefile.Discrete,
		Step:  stepOf(c),
		Valid: c.Valid, Faults: c.Faults,
	}
}

// stepOf is the least difference between two values of a channel, in its unit,
// where the map tells it: a count's scale. A reader needs no more decimals.
func stepOf(c *sitefile.MapChannel) float64 {
	if c.Signal != nil {
		return 0
	}
	step := math.Abs(c.Scale)
	switch c.Type {
	case "f32", "f64", "decimal":
		return 0 // as many decimals as the device cares to give
	case "fixed":
		return step * math.Pow10(-c.Text.Decimals)
	}
	return step
}

func machineOf(m *sitefile.Machine) siteMachine {
	channels := make(map[string]string, len(m.Roles))
	for role, id := range m.Roles {
		channels[string(role)] = id
	}
	return siteMachine{
		Name: m.Name, Control: string(m.Control), RatedFlowM3S: m.RatedFlowM3S, RatedPressurePa: m.RatedPressurePa,
		RatedPowerW: m.RatedPowerW, CutInPa: m.CutInPa, CutOutPa: m.CutOutPa, NoLoadStopS: m.NoLoadStop.Seconds(),
		MotorStartsPerHour: m.Motor.StartsPerHour, Channels: channels,
	}
}

func systemOf(s *sitefile.System) siteSystem {
	shown := siteSystem{
		Name: s.Name, Machines: append([]string{}, s.Machines...), MinimumPressurePa: s.MinimumPressurePa,
		Pressure: analysis.PressureTap(s), Parts: []sitePart{}, Taps: []siteTap{},
	}
	for _, p := range s.Parts {
		shown.Parts = append(shown.Parts, sitePart{p.Name, p.Kind, p.VolumeM3})
	}
	for _, t := range s.Taps {
		shown.Taps = append(shown.Taps, siteTap{t.At, t.Pressure, t.Flow})
	}
	return shown
}

// quantityName is the API's word for what a unit measures.
func quantityName(d quantity.Dimension) string {
	switch d {
	case quantity.Pressure:
		return "pressure"
	case quantity.Flow:
		return "flow"
	case quantity.Power:
		return "power"
	case quantity.Energy:
		return "energy"
	case quantity.Temperature:
		return "temperature"
	case quantity.Duration:
		return "duration"
	case quantity.Volume:
		return "volume"
	case quantity.Length:
		return "length"
	case quantity.Current:
		return "current"
	case quantity.Voltage:
		return "voltage"
	case quantity.Frequency:
		return "frequency"
	case quantity.RotationSpeed:
		return "rotation_speed"
	case quantity.Ratio:
		return "ratio"
	case quantity.Mass:
		return "mass"
	case quantity.EmissionFactor:
		return "emission_factor"
	case quantity.ApparentPower:
		return "apparent_power"
	}
	return "plain"
}
