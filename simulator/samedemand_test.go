package simulator

import (
	"math"
	"testing"
	"time"
)

// TestUsersDoNotSeeTheMachine: whoever compares two machines at the same demand, as
// the tests of replay do, needs users who come and go the same whatever makes their
// air. Band, timer, tank, control kind and a second machine change nothing of when
// each of them takes air, nor how much through his regulator.
func TestUsersDoNotSeeTheMachine(t *testing.T) {
	edits := map[string]func(*Scenario){
		"band, timer, tank": func(s *Scenario) {
			m := &s.Machines[0]
			m.CutInPa, m.CutOutPa, m.NoLoadStop = m.CutInPa+40e3, m.CutOutPa-30e3, 0
			s.Parts[1].VolumeM3 *= 3
		},
		"variable speed": func(s *Scenario) {
			m := &s.Machines[0]
			m.Control, m.LeastShare, m.Motor.Starting = "variable speed", 0.3, "drive"
		},
		"one more machine and user": func(s *Scenario) {
			m := s.Machines[0]
			m.Name = "comp2"
			s.Machines = append(s.Machines, m)
			s.Parts[0], s.Parts[1] = s.Parts[1], s.Parts[0]
			u := s.Users[0]
			u.Name = "newcomer"
			s.Users = append(s.Users, u)
		},
	}
	for name, edit := range edits {
		t.Run(name, func(t *testing.T) {
			a := world(t, 6*time.Hour, nil)
			b := world(t, 6*time.Hour, edit)
			seen := 0
			for range 3 * 60 {
				a.Advance(a.Now().Add(time.Minute))
				b.Advance(a.Now())
				for i := range a.demand.users {
					ua, ub := &a.demand.users[i], &b.demand.users[i]
					if ua.on != ub.on || ua.leftS != ub.leftS || ua.flow != ub.flow {
						t.Fatalf("%s: %s is on %v, %d s, %g; beside another machine %v, %d s, %g", a.Now(), ua.spec.Name, ua.on, ua.leftS, ua.flow, ub.on, ub.leftS, ub.flow)
					}
					if ua.on {
						seen++
					}
				}
			}
			if seen < 300 {
				t.Fatalf("users were on at %d looks only", seen)
			}
		})
	}
}

// TestLowestPressure holds the truth's lowest pressures to the plant's own, step by
// step.
func TestLowestPressure(t *testing.T) {
	w := world(t, 6*time.Hour+50*time.Minute, nil)
	w.Advance(w.Now().Add(20 * time.Minute))
	from := w.Now()
	receiver, header := math.Inf(1), math.Inf(1)
	for range 40 * minuteAt {
		w.step()
		receiver = min(receiver, w.vessels[w.receiver].pressurePa()-w.scenario.BarometerPa)
		header = min(header, w.vessels[len(w.vessels)-1].pressurePa()-w.scenario.BarometerPa)
	}
	to := w.Now()
	w.Advance(to.Add(10 * time.Hour)) // later, lower pressures do not count
	for place, want := range map[Place]float64{AtReceiver: receiver, AtHeader: header} {
		got, err := w.Truth().LowestPa(place, from, to)
		if err != nil || got != want {
			t.Errorf("place %d: %v Pa, %v; want %v", place, got, err, want)
		}
	}
	if later, err := w.Truth().LowestPa(AtReceiver, from, w.Now()); err != nil || later >= receiver-1e5 {
		t.Errorf("over night %v Pa, %v; want far below %v", later, err, receiver)
	}
	if _, err := w.Truth().LowestPa(AtDischarge, from, to); err == nil {
		t.Error("the discharge has no one lowest pressure: there are several")
	}
	if _, err := w.Truth().LowestPa(AtReceiver, to, to); err == nil {
		t.Error("no time has no lowest pressure")
	}
}
