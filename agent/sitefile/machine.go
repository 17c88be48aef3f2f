package sitefile

import (
	"time"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

func (l *loader) readMachines(root *section) {
	for _, s := range root.subs("machine") {
		m := Machine{Name: s.label("name", `name the machine, like name = "comp1"`)}
		m.Control = Control(s.choice("control", string(LoadUnload), string(LoadUnload), string(ModulateThenUnload),
			string(Modulating), string(VariableDisplacement), string(VariableSpeed), string(StartStop)))
		m.RatedFlowM3S = l.freeAir(s, "rated_flow")
		if m.RatedFlowM3S > 0 {
			m.RatedFlowText = s.table.find("rated_flow").value.text
		}
		m.RatedPressurePa = l.gauge(s, "rated_pressure")
		m.RatedPowerW = s.positive("rated_power", quantity.Power)
		m.CutInPa = l.gauge(s, "cut_in")
		m.CutOutPa = l.gauge(s, "cut_out")
		if m.CutInPa > 0 && m.CutOutPa > 0 && m.CutInPa >= m.CutOutPa {
			s.problem(s.table.find("cut_in").value.at, "cut_in", "the machine loads at cut_in, the lower, and unloads at cut_out",
				"cut_in is not below cut_out")
		}
		m.NoLoadStop = s.duration("no_load_stop", 0, time.Second, `write it like "5 min"`)
		m.LeastBetweenStarts = s.duration("least_between_starts", 0, time.Second, `write the least time from start to start that the controller is set to, like "6 min"`)
		m.TripTemperatureK = s.tripTemperature("trip_temperature")
		m.Motor = s.motor("motor")
		m.Service = s.service("service")
		m.Roles = l.fillRoles(s)
		s.done()
		if m.Name == "" || !l.machines.add(s, "name", m.Name) {
			continue
		}
		l.warnBlind(s, &m)
		l.warnUnlikely(s, &m)
		l.site.Machines = append(l.site.Machines, m)
	}
}

// gauge reads a pressure above zero and returns it gauge: an absolute one is
// taken down by the barometer.
func (l *loader) gauge(s *section, key string) float64 {
	q, ok := s.quantity(key, quantity.Pressure)
	if !ok {
		return 0
	}
	pa := q.SI()
	if q.Unit.Absolute {
		pa -= l.site.BarometerPa
	}
	if pa <= 0 {
		s.problem(s.table.find(key).value.at, key, "write a gauge pressure above zero, or leave the key out", "%s is not above the air outside", q)
		return 0
	}
	return pa
}

// tripTemperature reads the discharge temperature at which a machine trips. One
// that no machine has is taken for a slip of unit.
func (s *section) tripTemperature(key string) float64 {
	q, ok := s.quantity(key, quantity.Temperature)
	if !ok {
		return 0
	}
	if k := q.SI(); k >= 333.15 && k <= 423.15 {
		return k
	}
	s.problem(s.table.find(key).value.at, key, `write the discharge temperature at which the controller trips, like "230 °F" or "110 °C"`,
		"%s is outside 60 °C to 150 °C", q)
	return 0
}

// freeAir reads a flow and returns it as free air at the inlet; one that is counted
// in another condition is brought to that of ISO 1217.
func (l *loader) freeAir(s *section, key string) float64 {
	si := s.positive(key, quantity.Flow)
	if si == 0 {
		return 0
	}
	v := s.table.find(key).value
	q, err := quantity.ParseDim(v.text, quantity.Flow)
	if err != nil || q.Unit.Basis == quantity.FreeAir {
		return si
	}
	if from, ok := air.Reference(q.Unit.Basis, l.site.Scfm()); ok {
		si *= from.VolumeAt(air.FAD())
	}
	s.warn(v.at, key, "write the free air delivered (cfm, m³/min, l/s) if the data sheet has it",
		"%s is taken as %s of free air at 100 kPa and 20 °C, dry", q, quantity.Format(si, quantity.Flow, quantity.SI))
	return si
}

func (s *section) motor(key string) Motor {
	var m Motor
	t := s.sub(key)
	if t == nil {
		return m
	}
	m.PowerW = t.positive("power", quantity.Power)
	m.Volts = t.positive("volts", quantity.Voltage)
	m.Poles = int(t.integer("poles", 0, 2, 48, "write the number of poles, like 2, 4 or 6"))
	if m.Poles%2 != 0 {
		t.problem(t.table.find("poles").value.at, "poles", "write the number of poles, like 2, 4 or 6", "%d poles do not make pairs", m.Poles)
	}
	m.Starting = t.choice("starting", "", "direct", "wye-delta", "soft starter", "drive")
	m.StartsPerHour = t.number("starts_per_hour", 0)
	if m.StartsPerHour < 0 {
		t.problem(t.table.find("starts_per_hour").value.at, "starts_per_hour", "write the motor's greatest number of starts an hour",
			"%g is below zero", m.StartsPerHour)
	}
	t.done()
	return m
}

func (s *section) service(key string) []ServiceItem {
	var items []ServiceItem
	seen := names{}
	for _, t := range s.subs(key) {
		it := ServiceItem{Item: t.label("item", `name what is serviced, like item = "oil"`)}
		it.Hours, it.Months = t.number("hours", 0), t.number("months", 0)
		if it.Hours < 0 || it.Months < 0 || it.Hours == 0 && it.Months == 0 {
			t.problem(t.table.at, "", "give hours, months or both, above zero", "it is not said when %q is due", it.Item)
		}
		t.done()
		if it.Item != "" && seen.add(t, "item", it.Item) {
			items = append(items, it)
		}
	}
	return items
}

// warnBlind tells of a machine whose states cannot be known.
func (l *loader) warnBlind(s *section, m *Machine) {
	for _, r := range []scan.Role{scan.Loaded, scan.LoadCommand, scan.MotorRunning, scan.Power, scan.MotorCurrent} {
		if m.Roles[r] != "" {
			return
		}
	}
	s.warn(s.table.at, "channels", `name its devices, like channels = { controller = "*" }`,
		"machine %q has no channel for loaded, load_command, motor_running, power or motor_current, so its state cannot be told", m.Name)
}

// noteRole warns of a channel that two machines call their own. Pressures,
// temperatures and humidity may well be shared.
func (l *loader) noteRole(s *section, r scan.Role, got filling) {
	switch r {
	case scan.MotorRunning, scan.LoadCommand, scan.Loaded, scan.Standby, scan.Speed, scan.DriveFrequency, scan.LoadFraction,
		scan.MotorCurrent, scan.Power, scan.Energy, scan.Flow, scan.Volume, scan.RunHours, scan.LoadedHours, scan.StartCount:
	default:
		return
	}
	name := s.table.find("name")
	if name == nil {
		return
	}
	key := string(r) + " " + got.id
	if other, taken := l.roleOf[key]; taken && other != name.value.text {
		s.warn(got.at, "channels", "name each machine's own channel",
			"%s fills %q of machine %q too, so it counts twice", got.id, r, other)
	}
	l.roleOf[key] = name.value.text
}
