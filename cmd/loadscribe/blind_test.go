package main

import (
	"log/slog"
	"math"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/stage"
)

// blinded is how much of a machine is read.
type blinded struct {
	name string
	away []scan.Role // roles taken away
}

func blindings() []blinded {
	bits := []scan.Role{scan.MotorRunning, scan.Loaded, scan.LoadCommand, scan.Standby, scan.LoadFraction}
	return []blinded{
		{"signals", nil},
		{"power", append([]scan.Role{scan.MotorCurrent}, bits...)},
		{"current", append([]scan.Role{scan.Power, scan.PowerFactor, scan.ApparentPower}, bits...)},
	}
}

// of is the site as though its machines lacked the roles.
func (b *blinded) of(whole *sitefile.Site) *sitefile.Site {
	site := *whole
	site.Machines = append(site.Machines[:0:0], whole.Machines...)
	for i := range site.Machines {
		m := &site.Machines[i]
		m.Roles = map[scan.Role]string{}
		for r, id := range whole.Machines[i].Roles {
			m.Roles[r] = id
		}
		for _, r := range b.away {
			delete(m.Roles, r)
		}
	}
	return &site
}

// tellBlind tells the load/unload machines of a recorded scenario from their
// power alone and from their current alone, with levels learnt from the same
// record: starts exact, load cycles but for those too short to be seen, and duty
// within half a point. A machine that loads less than three times shows no level
// of its own and is told by assumed ones.
func tellBlind(t *testing.T, s *stage.Stage) {
	for _, b := range blindings()[1:] {
		site := b.of(s.Site)
		a, err := agent.Open(site, agent.Options{Version: "test", Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		for i := range site.Machines {
			m := &site.Machines[i]
			if m.Control != sitefile.LoadUnload {
				continue
			}
			held, err := a.ChangeLevels(t.Context(), agent.LevelsChange{Machine: m.Name, Learn: true,
				From: agent.StampOf(s.From), To: agent.StampOf(s.To)})
			if err != nil {
				t.Fatal(err)
			}
			got := storyOf(t, a, s, m.Name)
			got.loadsLow -= shortLoads(t, s.World.Truth(), m.Name, s.From, s.To)
			t.Logf("%s from %s alone: starts %d of %d, loads %d of %d, duty %.4f truly %.4f, %+.2f points; levels %s %s", m.Name, b.name,
				got.starts, got.startsHigh, got.loads, got.loadsHigh, got.duty, got.trueDuty, 100*(got.duty-got.trueDuty), held.Source, held.Missing)
			got.checkCounts(t, m.Name)
			if !(math.Abs(got.duty-got.trueDuty) <= 0.005) {
				t.Errorf("%s from %s alone: duty %.4f, truly %.4f: more than half a point apart", m.Name, b.name, got.duty, got.trueDuty)
			}
		}
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	}
}
