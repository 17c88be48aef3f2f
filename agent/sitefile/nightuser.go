package sitefile

import (
	"time"

	"loadscribe/agent/quantity"
)

// NightUser is something that takes air when nobody works and is no leak.
type NightUser struct {
	Name    string
	FlowM3S float64 // free air, in the mean; 0: not known
}

// Drain lets out air with its water by a timer.
type Drain struct {
	Name    string
	FlowM3S float64 // free air, while it is open
	AtPa    float64 // gauge pressure at which it lets that out; 0: not given
	Open    time.Duration
	Every   time.Duration // from opening to opening
	Part    string        // what it drains; empty: not given
}

// nightUsers reads who takes air at night.
func (s *section) nightUsers() []NightUser {
	var all []NightUser
	taken := names{}
	for _, t := range s.subs("night_users") {
		u := NightUser{Name: t.label("name", `name the user, like name = "tank blanket"`)}
		u.FlowM3S = t.positive("flow", quantity.Flow)
		t.done()
		if u.Name != "" && taken.add(t, "name", u.Name) {
			all = append(all, u)
		}
	}
	return all
}

// readDrains reads the timed drains of a system.
func (l *loader) readDrains(s *section, parts names) []Drain {
	var all []Drain
	taken := names{}
	for _, t := range s.subs("drains") {
		if d := l.drain(t, parts); d.Name != "" && taken.add(t, "name", d.Name) {
			all = append(all, d)
		}
	}
	return all
}

func (l *loader) drain(t *section, parts names) Drain {
	d := Drain{Name: t.label("name", `name the drain, like name = "receiver drain"`)}
	if t.need("flow", `write what it lets out while open, like flow = "55 cfm"`) != nil {
		d.FlowM3S = t.positive("flow", quantity.Flow)
	}
	d.AtPa = l.gauge(t, "at")
	t.need("open", `write how long it opens, like open = "6s"`)
	d.Open = t.duration("open", 0, time.Millisecond, `write it like "6s"`)
	t.need("every", `write from opening to opening, like every = "5m"`)
	d.Every = t.duration("every", 0, time.Second, `write it like "5m"`)
	if d.Open > d.Every && d.Every > 0 {
		t.problem(t.table.find("open").value.at, "open", `write how long it opens and how often, like open = "6s", every = "5m"`,
			"it is open for %v of every %v", d.Open, d.Every)
	}
	if d.Part = t.text("part", ""); d.Part != "" {
		if _, known := parts[d.Part]; !known {
			t.problem(t.table.find("part").value.at, "part", parts.mend(d.Part), "the system has no part %q", d.Part)
		}
	}
	t.done()
	return d
}
