package report

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/chart"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// system says what stands in the plant: the systems as drawn, machines, and what the
// site file says that no instrument measures.
func system(b *builder) []Section {
	first := Section{ID: "plant", Title: "The plant", Level: 1}
	first.Blocks = append(first.Blocks, para("What stands there is told by the site file, not by the readings: check it against the nameplates."))
	first.Blocks = append(first.Blocks, titled("What the drawing does not show. ", b.data.Site.Report.SystemNotes)...)
	if len(b.data.Site.Machines)+len(b.data.Site.Systems) == 0 {
		first.Blocks = append(first.Blocks, gap("No machine and no system is named", "without [[machine]] and [[system]] in the site file readings are kept, and nothing follows from them"))
	}
	all := []Section{first}
	for i := range b.data.Site.Systems {
		all = append(all, b.drawn(&b.data.Site.Systems[i], i))
	}
	if t := b.machineTables(); len(t) > 0 {
		all = append(all, Section{ID: "machines", Title: "Machines", Level: 2, Blocks: t})
	}
	return append(all, b.given(), b.instruments())
}

// drawn is one system: its picture, parts, taps and named users.
func (b *builder) drawn(sys *sitefile.System, n int) Section {
	s := Section{ID: "system-" + slug(sys.Name, n), Title: "System " + sys.Name, Level: 2}
	c := b.plantChart(sys, n)
	if len(c.Plant.Machines)+len(c.Plant.Parts) > 0 {
		s.Blocks = append(s.Blocks, Block{Chart: c})
	}
	if t := b.partTable(sys); t != nil {
		s.Blocks = append(s.Blocks, Block{Table: t})
	} else {
		s.Blocks = append(s.Blocks, gap("No parts are named", "receivers, dryers and pipes in the site file, with their volumes, are what storage and demand are reckoned with"))
	}
	var users []Text
	for _, u := range sys.NightUsers {
		flow := "of unknown flow"
		if u.FlowM3S > 0 {
			flow = b.sized(u.FlowM3S, quantity.Flow)
		}
		users = append(users, say(fmt.Sprintf("Night user %s: %s.", u.Name, flow)))
	}
	for _, d := range sys.Drains {
		users = append(users, say(fmt.Sprintf("Drain %s: %s while open, %s of every %s.", d.Name, b.sized(d.FlowM3S, quantity.Flow), inWords(d.Open), inWords(d.Every))))
	}
	if len(users) > 0 {
		s.Blocks = append(s.Blocks, para("What takes air when nobody works and is no leak:"), Block{List: users})
	}
	return s
}

// plantChart draws a system with the mean pressures while a machine ran.
func (b *builder) plantChart(sys *sitefile.System, n int) *chart.Chart {
	units := b.data.Site.Units
	unit, factor, _ := units.Display("kPa")
	p := &chart.Plant{Unit: unit}
	var path, levels []string
	least := b.sized(sys.MinimumPressurePa, quantity.Pressure)
	if sys.MinimumPressurePa > 0 {
		p.Minimum = units.Unit(quantity.Pressure).FromSI(sys.MinimumPressurePa)
	}
	for _, name := range sys.Machines {
		part := chart.PlantPart{Name: name, Kind: "compressor"}
		if m, ok := b.data.Site.MachineByName(name); ok {
			part.Note, part.Tap = b.machineNote(m), m.Roles[scan.DischargePressure]
		}
		if i := b.machine(name); i >= 0 {
			if r := b.ofMachine(i, "pressure_mean"); r.has() {
				part.Pressure = *r.Value * factor
				shown, _, _ := display.Figure(r.Figure, units)
				levels = append(levels, fmt.Sprintf("%s %s at %s", shown, unit, name))
			}
		}
		p.Machines = append(p.Machines, part)
	}
	mean := ref{}
	if i := b.system(sys.Name); i >= 0 {
		mean = b.ofSystem(i, "pressure_mean")
	}
	for _, part := range sys.Parts {
		drawn := chart.PlantPart{Name: part.Name, Kind: part.Kind}
		if part.VolumeM3 > 0 {
			drawn.Note = b.sized(part.VolumeM3, quantity.Volume)
		}
		for _, tap := range sys.Taps {
			if tap.At != part.Name {
				continue
			}
			drawn.Tap = strings.Trim(tap.Pressure+", "+tap.Flow, ", ")
			if mean.has() && tap.Pressure != "" && slices.Contains(mean.Inputs, tap.Pressure) {
				drawn.Pressure = *mean.Value * factor
				shown, _, _ := display.Figure(mean.Figure, units)
				levels = append(levels, fmt.Sprintf("%s %s at %s", shown, unit, part.Name))
			}
		}
		p.Parts = append(p.Parts, drawn)
		path = append(path, part.Name)
	}
	return &chart.Chart{ID: "plant-" + slug(sys.Name, n), Title: "System " + sys.Name + " as drawn, each place at the height of its pressure", Summary: plantSummary(sys.Machines, path, levels, least), Plant: p}
}

// plantSummary says the drawing in words.
func plantSummary(machines, path, levels []string, least string) string {
	text := "No machine is named to feed it"
	if len(machines) > 0 {
		text = fmt.Sprintf("%s %s the air", listed(machines), plural(len(machines), "makes", "make"))
	}
	if len(path) > 0 {
		text += ", which goes through " + strings.Join(path, ", then ")
	}
	text += "."
	if len(levels) > 0 {
		text += " Mean pressure while a machine ran: " + strings.Join(levels, ", ") + "."
	}
	if least != "" {
		text += " Users need at least " + least + "."
	}
	return text
}

// machineNote is a machine's size.
func (b *builder) machineNote(m *sitefile.Machine) string {
	switch {
	case m.RatedFlowM3S > 0:
		return b.sized(m.RatedFlowM3S, quantity.Flow)
	case m.RatedPowerW > 0:
		return b.sized(m.RatedPowerW, quantity.Power)
	}
	return string(m.Control)
}

// partTable has the parts of a system in the order that the air takes; nil: none.
func (b *builder) partTable(sys *sitefile.System) *Table {
	if len(sys.Parts) == 0 {
		return nil
	}
	t := &Table{Caption: "Parts of " + sys.Name + " in the order that the air takes", Columns: []Column{{Head: "Part"}, {Head: "Kind"}, {Head: "Volume"}, {Head: "Purge"}, {Head: "Read by", Weight: 1.6}}}
	for _, p := range sys.Parts {
		volume, purge, tap := "–", "–", "–"
		if p.VolumeM3 > 0 {
			volume = b.sized(p.VolumeM3, quantity.Volume)
		}
		if p.PurgeShare > 0 {
			purge = display.PerCent(p.PurgeShare) + " %"
		}
		for _, at := range sys.Taps {
			if at.At == p.Name {
				tap = strings.Trim(at.Pressure+", "+at.Flow, ", ")
			}
		}
		t.Rows = append(t.Rows, []Text{say(p.Name), say(p.Kind), say(volume), say(purge), say(tap)})
	}
	return t
}
