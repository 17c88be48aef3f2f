package demo

import (
	"time"

	"loadscribe/agent"
	"loadscribe/simulator"
)

// trip is a fault in the shop's week, and what somebody wrote about it.
type trip struct {
	At   time.Time `json:"at"`
	Code uint16    `json:"code"`
	Note string    `json:"note"`
}

// resetAfter is how long it takes somebody to come and reset a fault.
const resetAfter = 7 * time.Minute

// The invented faults of a week, by working day from its first: the same one comes again until
// its cause is found.
var weekdayTrips = [...]trip{
	{Code: 11, Note: "Tripped on motor overload. Reset, ran on. Supply was low, the saw line had just started."},
	{},
	{Code: 11, Note: "Motor overload again. One terminal in the starter was loose and warm; tightened."},
	{Code: 12, Note: "Emergency stop: leaned a board against it. Moved the rack."},
	{},
}

// trips lays faults into the working days between two times, at 10:40 local.
func trips(from, to time.Time, zone *time.Location, first time.Weekday) []trip {
	var all []trip
	begin := from.In(zone)
	for day := range 8 {
		at := time.Date(begin.Year(), begin.Month(), begin.Day()+day, 10, 40, 0, 0, zone)
		n := int(at.Weekday()-first+7) % 7
		if n >= len(weekdayTrips) || weekdayTrips[n].Code == 0 || !at.After(from) || !at.Before(to) {
			continue
		}
		t := weekdayTrips[n]
		t.At = at.UTC()
		all = append(all, t)
	}
	return all
}

// addTrips puts the story's faults into the plant.
func (s *Shop) addTrips(sc *simulator.Scenario) {
	for _, t := range s.story.Trips {
		sc.Machines[0].Trips = append(sc.Machines[0].Trips, simulator.Trip{After: t.At.Sub(s.story.Begin), Code: t.Code})
		sc.Machines[0].TripReset = resetAfter
	}
}

// The shop's last services, before its record: how many days before it, and how
// many hours less the machine's hour meter showed then.
var lastServices = [...]struct {
	item  string
	days  int
	hours float64
	note  string
}{
	{"oil", 215, 1350, "Oil and oil filter changed. Old oil clean, no water."},
	{"air filter", 96, 590, "Air filter changed, grey with wood dust."},
}

// writeServices keeps what was done to the machine before its record.
func (s *Shop) writeServices(rec *agent.Recorder) error {
	for _, l := range lastServices {
		day, meter := s.story.Begin.In(s.Site.Location).AddDate(0, 0, -l.days), s.hourMeter-l.hours
		at := time.Date(day.Year(), day.Month(), day.Day(), 15, 40, 0, 0, s.Site.Location)
		_, err := rec.Note(agent.Note{Text: l.note, Subject: s.Site.Machines[0].Name, Author: "R. Vale",
			Time: at.Format(time.RFC3339), Service: l.item, HourMeter: &meter})
		if err != nil {
			return err
		}
	}
	return nil
}

// writeNotes keeps what people of the shop wrote down in the week.
func (s *Shop) writeNotes(rec *agent.Recorder) error {
	if err := s.writeServices(rec); err != nil {
		return err
	}
	machine := s.Site.Machines[0].Name
	for i, t := range s.story.Trips {
		n := agent.Note{Text: t.Note, Subject: machine, Author: "R. Vale", Time: t.At.Add(resetAfter + 4*time.Minute).Format(time.RFC3339)}
		e, err := rec.Note(n)
		if err != nil {
			return err
		}
		if i > 0 || len(s.story.Trips) < 2 {
			continue
		}
		// Nobody gets everything right the first time.
		n = agent.Note{Text: "Supply was not low after all: measured 462 V with the saws running.", Subject: machine, Author: "R. Vale", Corrects: e.Seq}
		if _, err := rec.Note(n); err != nil {
			return err
		}
	}
	return nil
}
