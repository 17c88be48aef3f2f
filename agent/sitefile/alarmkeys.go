package sitefile

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// alarmKeys reads what the kind has of its own.
func (l *loader) alarmKeys(s *section, a *Alarm) {
	after := time.Duration(0)
	switch a.On {
	case AlarmTemperature:
		l.alarmMachine(s, a)
		a.Role = s.alarmRole(scan.DischargeTemperature, scan.DischargeTemperature, scan.OilTemperature, scan.AmbientTemperature,
			scan.AftercoolerTemp, scan.WaterInTemperature, scan.WaterOutTemperature, scan.DewPoint)
		l.alarmLimits(s, a, quantity.Temperature, alarmBackK)
	case AlarmPressure:
		l.alarmPressure(s, a)
	case AlarmMinimum:
		after = alarmMinimumAfter
		l.alarmSystem(s, a)
		l.alarmHasMinimum(s, a)
		a.Back = s.difference("back", quantity.Pressure, alarmBackPa)
		l.alarmWhen(s, a)
	case AlarmStarts:
		l.alarmMachine(s, a)
		a.Limit = s.alarmLimit("limit", 0, mostStartsLimit)
		l.alarmHasStarts(s, a)
	case AlarmCycling:
		l.alarmMachine(s, a)
		a.Limit = s.alarmLimit("limit", alarmCycles, 1000)
	case AlarmNoData:
		after = alarmNoDataAfter
		l.alarmDevice(s, a)
	case AlarmService:
		l.alarmMachine(s, a)
		a.Ahead = s.duration("ahead", 0, 0, `write it like "14 d"`)
	case AlarmQuiet:
		l.alarmSystem(s, a)
		s.alarmGrown(a)
	case AlarmFault:
		l.alarmMachine(s, a)
		l.alarmDevice(s, a)
	case AlarmDisk:
		a.FreeBytes = s.bytes("free_below", alarmFreeBytes)
	case AlarmCalibration:
		l.alarmDevice(s, a)
		a.Ahead = s.duration("ahead", 0, 0, `write it like "30 d"`)
	case AlarmReading:
		l.alarmChannel(s, a)
	case AlarmUndelivered:
		after = alarmUndelivered
		l.alarmDelivery(s, a)
	}
	a.After = s.duration("after", after, 0, alarmDelayMend)
}

// alarmPressure reads a limit of a machine's pressure or of a system's.
func (l *loader) alarmPressure(s *section, a *Alarm) {
	l.alarmMachine(s, a)
	l.alarmSystem(s, a)
	if a.System != "" && s.table.find("machine") != nil {
		s.problem(s.table.find("machine").at, "machine", "keep one of the two", "both machine and system are named")
	}
	fallback := scan.DischargePressure
	if a.System != "" {
		fallback = ""
	}
	a.Role = s.alarmRole(fallback, scan.DischargePressure, scan.SumpPressure, scan.ReceiverPressure, scan.HeaderPressure,
		scan.SeparatorDrop, scan.FilterDrop, scan.DryerDrop)
	if a.System != "" && a.Role != "" {
		s.problem(s.table.find("role").at, "role", "leave it out", "a system's pressure is that of its last tap: it has no role")
	}
	l.alarmLimits(s, a, quantity.Pressure, alarmBackPa)
	l.alarmWhen(s, a)
}

// alarmGrown reads by what share of itself the quiet demand may grow.
func (s *section) alarmGrown(a *Alarm) {
	a.Above = pointer(alarmGrowth)
	if q, ok := s.quantity("above", quantity.Ratio); ok {
		if a.Above = pointer(q.SI()); *a.Above < 0.01 || *a.Above > 10 {
			s.problem(s.table.find("above").value.at, "above", `write by how much it may grow, like above = "20 %"`, "%s is outside 1 %% to 1000 %%", q)
		}
	}
}

// alarmWhen reads whether it is judged in the shifts alone: a plant that is off at
// night is empty in the morning.
func (l *loader) alarmWhen(s *section, a *Alarm) {
	const always, shifts = "always", "shifts"
	a.InShifts = s.choice("when", always, always, shifts) == shifts
	if a.InShifts && len(l.site.Shifts) == 0 {
		s.problem(s.table.find("when").value.at, "when", `write shifts = ["Mon-Fri 07:00-16:00"] into [site], or when = "always"`, "the site has no shifts")
	}
}

func (l *loader) alarmMachine(s *section, a *Alarm) {
	if a.Machine = s.text("machine", ""); a.Machine != "" {
		if _, known := l.machines[a.Machine]; !known {
			s.problem(s.table.find("machine").value.at, "machine", l.machines.mend(a.Machine), "there is no machine %q", a.Machine)
		}
	} else if a.On != AlarmPressure && a.On != AlarmFault {
		l.alarmNeeds(s, len(l.site.Machines) > 0, "[[machine]]")
	}
}

// alarmDelivery reads to whom nothing gets through.
func (l *loader) alarmDelivery(s *section, a *Alarm) {
	known := l.site.Deliveries()
	if a.Target = s.text("target", ""); a.Target != "" && !slices.Contains(known, a.Target) {
		mend := "there are " + quotedList(known)
		if near := quantity.Nearest(a.Target, known); near != "" {
			mend = fmt.Sprintf("did you mean %q?", near)
		}
		if len(known) == 0 {
			mend = "the file has no [[remote_write]], [mail] or [[webhook]]: add one"
		}
		s.problem(s.table.find("target").value.at, "target", mend, "nothing is sent to %q", a.Target)
		return
	}
	l.alarmNeeds(s, len(known) > 0, "[[remote_write]], [mail] or [[webhook]]")
}

func (l *loader) alarmSystem(s *section, a *Alarm) {
	if a.System = s.text("system", ""); a.System != "" {
		if _, known := l.systems[a.System]; !known {
			s.problem(s.table.find("system").value.at, "system", l.systems.mend(a.System), "there is no system %q", a.System)
		}
	} else if a.On != AlarmPressure {
		l.alarmNeeds(s, len(l.site.Systems) > 0, "[[system]]")
	}
}

func (l *loader) alarmDevice(s *section, a *Alarm) {
	if a.Device = s.text("device", ""); a.Device != "" {
		l.device(s, "device", a.Device, s.table.find("device").value.at)
	}
}

// alarmNeeds complains of an alarm that nothing of the file could raise.
func (l *loader) alarmNeeds(s *section, has bool, what string) {
	if !has && len(l.found.problems) == 0 {
		s.problem(s.table.at, "on", "add one, or take the alarm out", "this alarm is of a %s, and the file has none", what)
	}
}

func (s *section) alarmRole(fallback scan.Role, allowed ...scan.Role) scan.Role {
	words := make([]string, len(allowed))
	for i := range allowed {
		words[i] = string(allowed[i])
	}
	return scan.Role(s.choice("role", string(fallback), words...))
}

// alarmLimits reads above or below, and back.
func (l *loader) alarmLimits(s *section, a *Alarm, d quantity.Dimension, back float64) {
	a.Above, a.Below = l.alarmEnd(s, "above", d), l.alarmEnd(s, "below", d)
	switch above, below := s.table.find("above"), s.table.find("below"); {
	case above == nil && below == nil:
		s.problem(s.table.at, "above", "write above = "+exampleOf(d)+" or below = …", "it is not said when it is raised")
	case above != nil && below != nil:
		s.problem(below.at, "below", "write two alarms, one for each", "both above and below are given")
	}
	a.Back = s.difference("back", d, back)
}

func exampleOf(d quantity.Dimension) string {
	switch d {
	case quantity.Temperature:
		return `"105 °C"`
	case quantity.Pressure:
		return `"7.5 bar"`
	case quantity.Plain:
		return "3"
	}
	return `"30 kW"`
}

// alarmEnd is a limit in SI; pressures become gauge. What has no unit is written
// without quotes.
func (l *loader) alarmEnd(s *section, key string, d quantity.Dimension) *float64 {
	if d == quantity.Plain {
		e := s.entry(key)
		if e == nil {
			return nil
		}
		n, ok := s.finite(e.value, key)
		if !ok {
			return nil
		}
		return &n
	}
	q, ok := s.quantity(key, d)
	if !ok {
		return nil
	}
	si := q.SI()
	if q.Unit.Absolute {
		si -= l.site.BarometerPa
	}
	return &si
}

// difference reads a distance on the scale of d: "3 K" or "5 °F" is a step there,
// no temperature.
func (s *section) difference(key string, d quantity.Dimension, fallback float64) float64 {
	step, text := fallback, ""
	if d == quantity.Plain {
		step = s.number(key, fallback)
		text = strconv.FormatFloat(step, 'g', -1, 64)
	} else if q, ok := s.quantity(key, d); ok {
		step, text = q.Value*q.Unit.Scale, q.String()
	}
	if step < 0 {
		s.problem(s.table.find(key).value.at, key, "write how far back inside the limit it must be, zero or more", "%s is below zero", text)
		return fallback
	}
	return step
}

func (s *section) alarmLimit(key string, fallback, most float64) float64 {
	n := s.number(key, fallback)
	if e := s.table.find(key); e != nil && (n < 1 || n > most) {
		s.problem(e.value.at, key, fmt.Sprintf("write how many an hour, 1 to %g", most), "%g is no limit", n)
		return fallback
	}
	return n
}

// alarmHasMinimum wants a minimum pressure and a tap of the systems that it is of.
func (l *loader) alarmHasMinimum(s *section, a *Alarm) {
	for i := range l.site.Systems {
		sys := &l.site.Systems[i]
		if a.System != "" && sys.Name != a.System {
			continue
		}
		tapped := slices.ContainsFunc(sys.Taps, func(t Tap) bool { return t.Pressure != "" })
		if sys.MinimumPressurePa > 0 && tapped {
			return
		}
		if a.System != "" {
			s.problem(s.table.find("system").value.at, "system", "give it minimum_pressure and a tap with a pressure", "system %q has no minimum pressure that could be seen", a.System)
			return
		}
	}
	if a.System == "" && len(l.site.Systems) > 0 {
		s.problem(s.table.at, "on", "give a [[system]] minimum_pressure and a tap with a pressure", "no system has a minimum pressure that could be seen")
	}
}

// alarmHasStarts wants to know how many starts are the limit.
func (l *loader) alarmHasStarts(s *section, a *Alarm) {
	if a.Limit > 0 || s.table.find("limit") != nil {
		return
	}
	for i := range l.site.Machines {
		m := &l.site.Machines[i]
		if a.Machine != "" && m.Name != a.Machine {
			continue
		}
		if m.Motor.StartsPerHour < 1 {
			s.problem(s.table.at, "limit", "write limit = 6, or motor = { starts_per_hour = 6 } of the machine", "how many starts an hour machine %q may make is not known", m.Name)
		} else if m.Motor.StartsPerHour > mostStartsLimit {
			s.problem(s.table.at, "limit", fmt.Sprintf("write limit, 1 to %d", mostStartsLimit), "machine %q may start %g times an hour, more than are counted", m.Name, m.Motor.StartsPerHour)
		}
	}
}

// alarmChannel reads what a rule of any channel watches.
func (l *loader) alarmChannel(s *section, a *Alarm) {
	e := s.need("channel", `name a channel, like channel = "inputs.dew_point"`)
	if a.Channel = s.text("channel", ""); e != nil && a.Channel != "" {
		if c, ok := l.channel(s, "channel", e.value); ok {
			l.alarmLimits(s, a, c.Unit.Dimension, 0)
			return
		}
	}
	for _, key := range []string{"above", "below", "back"} { // known keys, of an unknown unit
		s.entry(key)
	}
}

func pointer(v float64) *float64 { return &v }
