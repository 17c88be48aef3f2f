package stage

import (
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/configs"
	"loadscribe/simulator"
)

// writtenBy marks a site file that may be written over.
const writtenBy = "# Written by loadscribe for its scenario"

// SiteOptions say where the written site finds its plant.
type SiteOptions struct {
	Address string // of the plant's Modbus TCP server; empty: 127.0.0.1:1502
	Listen  string // of the agent's page; empty: 127.0.0.1:8477
	// Begin is when the plant's story begins: its instruments were calibrated
	// some months before. Zero: nothing is said of that.
	Begin time.Time
}

// WriteSite writes dir/site.toml and dir/maps/, which fit the scenario, so that
// every command works with --site dir/site.toml. A site.toml that this has
// written before is written over; one of somebody else's is refused.
func WriteSite(dir string, s *simulator.Scenario, o SiteOptions) error {
	old, err := os.ReadFile(filepath.Join(dir, SiteFile))
	if err == nil && !strings.Contains(string(old), writtenBy) {
		return fmt.Errorf("%s has a %s that was not written for a scenario: give another directory", dir, SiteFile)
	}
	if err := WriteMaps(dir); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, SiteFile), []byte(siteText(s, o)), 0o644); err != nil {
		return fmt.Errorf("write the scenario's site file: %w", err)
	}
	return nil
}

// WriteMaps writes the example register maps to dir/maps, one for each layout
// that the simulator knows.
func WriteMaps(dir string) error {
	if err := os.MkdirAll(filepath.Join(dir, "maps"), 0o755); err != nil {
		return fmt.Errorf("make the directory of the maps: %w", err)
	}
	maps, err := fs.Glob(configs.Maps, "maps/*.toml")
	if err != nil {
		return fmt.Errorf("list the example maps: %w", err)
	}
	for _, name := range maps {
		text, err := configs.Maps.ReadFile(name)
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), text, 0o644)
		}
		if err != nil {
			return fmt.Errorf("write the example maps: %w", err)
		}
	}
	return nil
}

// siteText is a site file for a scenario.
func siteText(s *simulator.Scenario, o SiteOptions) string {
	if o.Address == "" {
		o.Address = "127.0.0.1:1502"
	}
	if o.Listen == "" {
		o.Listen = "127.0.0.1:8477"
	}
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("# %s: an invented plant of the simulator.", s.Title)
	line("%s %q.\n", writtenBy, s.Name)
	line("[site]\nname = %q\ntimezone = %q\nunits = \"us\"\nbarometer = %q", s.Title, s.Location, inUnit(s.BarometerPa, "kPa"))
	shifts := make([]string, len(s.Shifts))
	for i := range s.Shifts {
		shifts[i] = strconv.Quote(s.Shifts[i].String())
	}
	line("shifts = [%s]\nweeks_per_year = 50\n", strings.Join(shifts, ", "))
	line("[agent]\ndata = \"data\"\nlisten = %q\n", o.Listen)
	line("[tariff] # invented, the same for every scenario\ncurrency = \"USD\"")
	line(`energy = [{ price = 0.118 }, { price = 0.171, when = "Mon-Fri 12:00-18:00" }]`)
	line("demand = { price = 14.20, window = \"15m\" }\nemissions = \"0.39 kg/kWh\"\n")
	line("[[line]]\nname = \"plant\"\nkind = \"modbus-tcp\"\naddress = %q\n", o.Address)
	for i := range s.Devices {
		writeDevice(line, &s.Devices[i], o.Begin)
	}
	for i := range s.Machines {
		writeMachine(line, s, &s.Machines[i])
	}
	writeSystem(line, s)
	return b.String()
}

func writeDevice(line func(string, ...any), d *simulator.Device, begin time.Time) {
	accuracy := map[string]string{}
	switch d.Layout {
	case "power-meter":
		accuracy["power"], accuracy["energy"], accuracy["voltage"] = "1 % of reading", "1 % of reading", "0.5 %"
	case "air-module":
		accuracy["pressure"], accuracy["flow"] = "0.5 % of span", "3 % of reading"
	default:
		accuracy["pressure"], accuracy["temperature"], accuracy["current"] = "1 % of span", "3 °F", "2 %"
	}
	maps.Copy(accuracy, d.Accuracy)
	kinds := slices.Sorted(maps.Keys(accuracy))
	for i, kind := range kinds {
		kinds[i] = fmt.Sprintf("%s = %q", kind, accuracy[kind])
	}
	line("[[device]]\nname = %q\nline = \"plant\"\nunit = %d\nmap = \"maps/%s.toml\"\nevery = \"%dms\"",
		d.Name, d.Unit, d.Layout, d.Poll.Milliseconds())
	line("[device.instrument] # invented\nserial = \"SIM-%03d\"", d.Unit)
	if !begin.IsZero() {
		line("calibrated = %q\ncalibration_months = 24", begin.AddDate(0, -5, -int(d.Unit)).UTC().Format(time.DateOnly))
	}
	line("accuracy = { %s }\n", strings.Join(kinds, ", "))
}

func writeMachine(line func(string, ...any), s *simulator.Scenario, m *simulator.Machine) {
	line("[[machine]]\nname = %q\ncontrol = %q", m.Name, m.Control)
	line("rated_flow = %q\nrated_pressure = %q\nrated_power = %q",
		inUnit(m.RatedFlowM3S, "cfm"), inUnit(m.RatedPressurePa, "psi"), inUnit(m.RatedPowerW, "kW"))
	line("cut_in = %q\ncut_out = %q", inUnit(m.CutInPa, "psi"), inUnit(m.CutOutPa, "psi"))
	if m.NoLoadStop > 0 {
		line("no_load_stop = \"%g s\"", m.NoLoadStop.Seconds())
	}
	if m.LeastStarts > 0 {
		line("least_between_starts = \"%g s\"", m.LeastStarts.Seconds())
	}
	if m.TripK > 0 {
		line("trip_temperature = %q", inUnit(m.TripK, "°F"))
	}
	line("motor = { power = %q, poles = %d, volts = %q, starting = %q }",
		inUnit(m.Motor.PowerW, "hp"), m.Motor.Poles, inUnit(m.Motor.Volts, "V"), m.Motor.Starting)
	var channels []string
	for i := range s.Devices {
		d := &s.Devices[i]
		switch {
		case d.Machine == m.Name && d.Layout != "air-module":
			channels = append(channels, d.Name+` = "*"`)
		case d.Layout == "air-module" && len(s.Machines) == 1:
			// Its flow is that behind the dryer: the system's tap has it.
			channels = append(channels, d.Name+` = ["dryer_drop", "purge_valve", "dew_point", "ambient_humidity"]`)
		}
	}
	line("channels = { %s }", strings.Join(channels, ", "))
	line("service = [{ item = \"oil\", hours = 4000, months = 12 }, { item = \"air filter\", hours = 2000 }]\n")
}

func writeSystem(line func(string, ...any), s *simulator.Scenario) {
	names := make([]string, len(s.Machines))
	for i := range s.Machines {
		names[i] = strconv.Quote(s.Machines[i].Name)
	}
	line("[[system]]\nname = \"main\"\nmachines = [%s]", strings.Join(names, ", "))
	if s.MinimumPressurePa > 0 {
		line("minimum_pressure = %q", inUnit(s.MinimumPressurePa, "psi"))
	}
	line("parts = [")
	receiver, last := "", ""
	for _, p := range s.Parts {
		more := ""
		if p.VolumeM3 > 0 {
			more = fmt.Sprintf(", volume = %q", inUnit(p.VolumeM3, "gal"))
			last = p.Name
		}
		if p.Purge.FlowM3S > 0 {
			more = fmt.Sprintf(", purge = \"%.3g %%\"", 100*meanPurgeM3S(&p)/ratedFlowM3S(s))
			if p.Purge.Running {
				more += `, purge_while = "running"`
			}
		}
		if p.Kind == "receiver" {
			receiver = p.Name
		}
		line("  { name = %q, kind = %q%s },", p.Name, p.Kind, more)
	}
	line("]\ntaps = [")
	for i := range s.Devices {
		d := &s.Devices[i]
		if (d.Layout == "screw-controller" || d.Layout == "part-load-controller") && receiver != "" {
			line("  { at = %q, pressure = \"%s.receiver_pressure\" },", receiver, d.Name)
			receiver = "" // one is enough: all show the same
		}
		if d.Layout == "air-module" {
			line("  { at = %q, pressure = \"%s.header_pressure\", flow = \"%s.flow\" },", last, d.Name, d.Name)
		}
	}
	line("]")
	open := false
	for i := range s.Drains {
		d := &s.Drains[i]
		if d.Every == 0 { // a vent that a person opens: no site file knows of it
			continue
		}
		if !open {
			open = true
			line("drains = [")
		}
		line("  { name = %q, flow = %q, at = %q, open = \"%g s\", every = \"%g s\", part = %q },", d.Name,
			inUnit(d.FlowM3S, "cfm"), inUnit(d.AtPa, "psi"), d.Open.Seconds(), d.Every.Seconds(), d.Part)
	}
	if open {
		line("]")
	}
}

// meanPurgeM3S is what a dryer's purge takes in the mean, as its data sheet
// says it: at the pressure where the flow was named.
func meanPurgeM3S(p *simulator.Part) float64 { return p.Purge.FlowM3S * simulator.PurgeOpenShare }

func ratedFlowM3S(s *simulator.Scenario) float64 {
	sum := 0.0
	for i := range s.Machines {
		sum += s.Machines[i].RatedFlowM3S
	}
	return sum
}

// inUnit writes an SI value with a unit, to six digits: what a nameplate says.
func inUnit(si float64, unit string) string {
	u, err := quantity.ParseUnit(unit)
	if err != nil {
		panic("stage: " + err.Error())
	}
	return strconv.FormatFloat(u.FromSI(si), 'g', 6, 64) + " " + unit
}
