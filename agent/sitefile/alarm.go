package sitefile

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// AlarmKind is what an alarm watches.
type AlarmKind string

// The kinds of alarm.
const (
	AlarmTemperature AlarmKind = "temperature"
	AlarmMinimum     AlarmKind = "pressure below minimum"
	AlarmPressure    AlarmKind = "pressure"
	AlarmStarts      AlarmKind = "starts at the limit"
	AlarmCycling     AlarmKind = "short cycling"
	AlarmNoData      AlarmKind = "no data"
	AlarmService     AlarmKind = "service due"
	AlarmQuiet       AlarmKind = "quiet demand grown"
	AlarmFault       AlarmKind = "fault"
	AlarmDisk        AlarmKind = "disk"
	AlarmCalibration AlarmKind = "calibration expired"
	AlarmReading     AlarmKind = "reading"
)

// AlarmKinds lists all kinds.
func AlarmKinds() []AlarmKind {
	return []AlarmKind{AlarmTemperature, AlarmMinimum, AlarmPressure, AlarmStarts, AlarmCycling, AlarmNoData,
		AlarmService, AlarmQuiet, AlarmFault, AlarmDisk, AlarmCalibration, AlarmReading}
}

// AlarmPriority is how soon somebody should look.
type AlarmPriority string

// The priorities.
const (
	HighPriority   AlarmPriority = "high"
	MediumPriority AlarmPriority = "medium"
	LowPriority    AlarmPriority = "low"
)

// Alarm is one rule of the site file: what is watched and when it is told. An
// empty Machine, System or Device means all that the kind can be of.
type Alarm struct {
	Name            string
	On              AlarmKind
	Machine, System string
	Device          string
	Role            scan.Role // temperature, and pressure of a machine
	Channel         string    // id; of reading alone
	// Above and Below are limits, of which a rule of a reading has one: Pa gauge, K,
	// SI of the channel's dimension, or a share (quiet demand grown); nil: not given.
	Above, Below *float64
	// Back is the deadband: so far inside the limit a reading must be to count as
	// back; SI.
	Back float64
	// InShifts: outside the site's shifts a pressure counts as well. Key: when.
	InShifts bool
	// Limit is how many starts or load cycles in an hour are too many; 0: the
	// motor's starts_per_hour.
	Limit float64
	// Ahead is how long before a service or the end of a calibration it is told.
	Ahead time.Duration
	// FreeBytes is what must stay free on the disk.
	FreeBytes int64
	// After is the on-delay, ClearAfter the off-delay.
	After, ClearAfter time.Duration
	Priority          AlarmPriority
	// Tell names where messages go; TellAll where the key is left out.
	Tell    []string
	TellAll bool
}

// Defaults of alarms. The delay of AlarmMinimum is the wish of the trade that a
// sag of seconds is nobody's errand; deadbands are a few times the noise of common
// instruments. Common practice, no source.
const (
	alarmClearAfter   = time.Minute
	alarmMinimumAfter = 2 * time.Minute
	alarmNoDataAfter  = time.Minute
	alarmBackK        = 2.0    // K
	alarmBackPa       = 10_000 // Pa
	alarmCycles       = 60     // load cycles in an hour, as the report's finding
	alarmGrowth       = 0.2    // share
	alarmFreeBytes    = 1e9    // bytes
	mostAlarms        = 200
	mostStartsLimit   = 32 // as many starts of the last hour are known at most
)

const alarmDelayMend = `write it like "30s" or "2 min"`

// readAlarms reads [[alarm]], which names machines, systems, devices and channels.
func (l *loader) readAlarms(root *section) {
	taken := names{}
	for i, s := range root.subs("alarm") {
		if i == mostAlarms {
			s.problem(s.table.at, "", "leave out what nobody would act on", "more than %d alarms", mostAlarms)
			return
		}
		a := Alarm{Name: s.label("name", `name the alarm, like name = "air end hot"`), Priority: MediumPriority, TellAll: true}
		kinds := make([]string, len(AlarmKinds()))
		for i, k := range AlarmKinds() {
			kinds[i] = string(k)
		}
		if s.need("on", "write one of "+quotedList(kinds)) != nil {
			a.On = AlarmKind(s.choice("on", "", kinds...))
		}
		a.Priority = AlarmPriority(s.choice("priority", string(MediumPriority), string(HighPriority), string(MediumPriority), string(LowPriority)))
		l.alarmTargets(s, &a)
		l.alarmKeys(s, &a)
		a.ClearAfter = s.duration("clear_after", a.On.clearAfter(), 0, alarmDelayMend)
		if a.On == "" { // what else it may say hangs on that
			continue
		}
		s.done()
		if a.Name != "" && taken.add(s, "name", a.Name) {
			l.site.Alarms = append(l.site.Alarms, a)
		}
	}
}

// Targets are the names of all who may be told: "mail" and the webhooks. Never nil.
func (s *Site) Targets() []string {
	all := []string{}
	if s.Mail != nil {
		all = append(all, mailName)
	}
	for _, w := range s.Webhooks {
		all = append(all, w.Name)
	}
	return all
}

// alarmTargets reads tell, whose names are those of Targets.
func (l *loader) alarmTargets(s *section, a *Alarm) {
	known := l.site.Targets()
	for _, v := range s.texts("tell") {
		if !slices.Contains(known, v.text) {
			mend := "the file has neither [mail] nor [[webhook]]: add one, or write tell = [] for the page alone"
			if len(known) > 0 {
				mend = "there are " + quotedList(known)
			}
			if near := quantity.Nearest(v.text, known); near != "" {
				mend = fmt.Sprintf("did you mean %q?", near)
			}
			s.problem(v.at, "tell", mend, "there is nobody %q to tell", v.text)
			continue
		}
		if !slices.Contains(a.Tell, v.text) {
			a.Tell = append(a.Tell, v.text)
		}
	}
	a.TellAll = s.table.find("tell") == nil
}

// clearAfter is the off-delay where none is written: what changes by the hour or the
// day needs none.
func (k AlarmKind) clearAfter() time.Duration {
	switch k {
	case AlarmStarts, AlarmCycling, AlarmService, AlarmQuiet, AlarmCalibration:
		return 0
	}
	return alarmClearAfter
}

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
		a.Above = pointer(alarmGrowth)
		if q, ok := s.quantity("above", quantity.Ratio); ok {
			if a.Above = pointer(q.SI()); *a.Above < 0.01 || *a.Above > 10 {
				s.problem(s.table.find("above").value.at, "above", `write by how much it may grow, like above = "20 %"`, "%s is outside 1 %% to 1000 %%", q)
			}
		}
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
	}
	a.After = s.duration("after", after, 0, alarmDelayMend)
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
