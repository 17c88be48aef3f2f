package sitefile

import (
	"loadscribe/agent/quantity"
)

func (l *loader) readSystems(root *section) {
	fedBy := map[string]string{} // machine → system
	for _, s := range root.subs("system") {
		sys := System{Name: s.label("name", `name the system, like name = "main"`)}
		for _, v := range s.texts("machines") {
			if _, known := l.machines[v.text]; !known {
				s.problem(v.at, "machines", l.machines.mend(v.text), "there is no machine %q", v.text)
				continue
			}
			if other, taken := fedBy[v.text]; taken {
				s.problem(v.at, "machines", "a machine feeds one system: name it once", "machine %q is in system %q already", v.text, other)
				continue
			}
			fedBy[v.text] = sys.Name
			sys.Machines = append(sys.Machines, v.text)
		}
		sys.MinimumPressurePa = l.gauge(s, "minimum_pressure")
		parts := names{}
		for _, t := range s.subs("parts") {
			if p := t.part(); p.Name != "" && parts.add(t, "name", p.Name) {
				sys.Parts = append(sys.Parts, p)
			}
		}
		for _, t := range s.subs("taps") {
			sys.Taps = append(sys.Taps, l.readTap(t, parts))
		}
		l.warnMinimum(s, &sys)
		sys.NightUsers, sys.Drains = s.nightUsers(), l.readDrains(s, parts)
		s.done()
		if sys.Name != "" && l.systems.add(s, "name", sys.Name) {
			l.site.Systems = append(l.site.Systems, sys)
		}
	}
	if len(l.site.Systems) == 0 {
		return
	}
	for i := range l.site.Machines {
		if name := l.site.Machines[i].Name; fedBy[name] == "" {
			root.warn(l.machines[name], "machine.name", "add it to the machines of a [[system]]", "machine %q is in no system", name)
		}
	}
}

func (s *section) part() Part {
	p := Part{Name: s.label("name", `name the part, like name = "receiver"`)}
	kinds := []string{"receiver", "dryer", "filter", "piping"}
	if s.need("kind", "write one of "+quotedList(kinds)) != nil {
		p.Kind = s.choice("kind", "", kinds...)
	}
	p.VolumeM3 = s.positive("volume", quantity.Volume)
	if q, ok := s.quantity("purge", quantity.Ratio); ok {
		e := s.table.find("purge")
		if p.PurgeShare = q.SI(); p.PurgeShare < 0 || p.PurgeShare >= 1 {
			s.problem(e.value.at, "purge", `write a share of the rated flow, like "15 %"`, "%s is not from 0 to below 100 %%", q)
		}
		if p.Kind != "dryer" && p.Kind != "" {
			s.problem(e.at, "purge", "move it to the dryer", "a %s has no purge", p.Kind)
		}
	}
	if p.PurgeWhile = s.choice("purge_while", PurgeAlways, PurgeAlways, PurgeRunning); p.PurgeShare == 0 {
		if e := s.table.find("purge_while"); e != nil {
			s.problem(e.at, "purge_while", `write how much it purges beside it, like purge = "15 %"`, "a part without purge air")
		}
	}
	s.done()
	return p
}

func (l *loader) readTap(s *section, parts names) Tap {
	var t Tap
	if e := s.need("at", "name the part after which it is measured"); e != nil {
		t.At = s.text("at", "")
		if _, known := parts[t.At]; !known && e.value.kind == kindText {
			s.problem(e.value.at, "at", parts.mend(t.At), "the system has no part %q", t.At)
		}
	}
	t.Pressure = l.tapped(s, "pressure", quantity.Pressure)
	t.Flow = l.tapped(s, "flow", quantity.Flow)
	if s.table.find("pressure") == nil && s.table.find("flow") == nil {
		s.problem(s.table.at, "pressure", `name a channel, like pressure = "inputs.receiver_pressure"`, "the tap measures neither pressure nor flow")
	}
	s.done()
	return t
}

// tapped reads the id of a channel that measures d.
func (l *loader) tapped(s *section, key string, d quantity.Dimension) string {
	id := s.text(key, "")
	if id == "" {
		return ""
	}
	v := s.table.find(key).value
	c, ok := l.channel(s, key, v)
	if !ok {
		return ""
	}
	if c.Unit != (quantity.Unit{}) && c.Unit.Dimension != d {
		s.problem(v.at, key, "name another channel", "%s has a unit of %s, but one of %s is wanted", id, c.Unit.Dimension, d)
		return ""
	}
	return id
}
