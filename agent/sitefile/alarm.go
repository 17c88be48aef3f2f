package sitefile

import (
	"fmt"
	"slices"
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
	AlarmUndelivered AlarmKind = "not delivered"
)

// AlarmKinds lists all kinds.
func AlarmKinds() []AlarmKind {
	return []AlarmKind{AlarmTemperature, AlarmMinimum, AlarmPressure, AlarmStarts, AlarmCycling, AlarmNoData,
		AlarmService, AlarmQuiet, AlarmFault, AlarmDisk, AlarmCalibration, AlarmReading, AlarmUndelivered}
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
	Target          string    // of not delivered: a receiver or who is told; empty: all
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
	alarmUndelivered  = 30 * time.Minute // a receiver that is updated or a network that is down for a while is nobody's errand
	alarmBackK        = 2.0              // K
	alarmBackPa       = 10_000           // Pa
	alarmCycles       = 60               // load cycles in an hour, as the report's finding
	alarmGrowth       = 0.2              // share
	alarmFreeBytes    = 1e9              // bytes
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

// Deliveries are the names of all that something is sent to: Targets and receivers of
// samples. Never nil.
func (s *Site) Deliveries() []string {
	all := s.Targets()
	for i := range s.RemoteWrites {
		all = append(all, s.RemoteWrites[i].Name)
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
