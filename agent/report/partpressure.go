package report

import (
	"cmp"

	"loadscribe/agent/chart"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// pressures is the part on pressure: where it lay, where machines load and unload, and
// what is lost on the way.
func pressures(b *builder) []Section {
	return b.perSubject(Section{ID: "pressure", Title: "Pressure"}, "no pressure was read in this window", b.pressureOfSubject)
}

func (b *builder) pressureOfSubject(s subject) (blocks []Block) {
	of := func(name string) ref { return b.ofSubject(s, name) }
	if t := b.pressureSentence(s, of); t != nil {
		blocks = append(blocks, Block{Text: t})
	}
	if c := b.pressureChart(s); c != nil {
		blocks = append(blocks, Block{Chart: c})
	}
	if s.kind == "system" {
		blocks = append(blocks, b.belowMinimum(s, of)...)
	}
	t, at := b.tableOfSubject(s, "pressure_by_hours")
	if table := b.analysisTable("Pressure of "+s.name+" by hours", "hours", t, at); table != nil {
		table.Notes = append([]Text{say("Under 5 % and 95 %: the pressure below which it lay for so much of that time.")}, table.Notes...)
		blocks = append(blocks, Block{Table: table})
	}
	for _, i := range b.machinesOf(s) {
		blocks = append(blocks, b.pressureOfMachine(i)...)
	}
	return blocks
}

// pressureSentence says where the pressure lay in the hours that matter.
func (b *builder) pressureSentence(s subject, of func(string) ref) Text {
	hours, suffix := "In the hours of the shifts", "_shift"
	if !of("pressure_mean_shift").has() {
		hours, suffix = "While a machine ran", ""
	}
	mean, low, high := of("pressure_mean"+suffix), of("pressure_p05"+suffix), of("pressure_p95"+suffix)
	if !mean.has() {
		return nil
	}
	t := say(hours+" the pressure of "+s.name+" was ", strong(b.figure(mean)), " in the mean")
	if low.has() && high.has() {
		t = append(t, say("; nine tenths of that time it lay between ", b.figure(low), " and ", b.figure(high))...)
	}
	t = append(t, Run{Text: "."})
	if lowest := of("pressure_min" + suffix); lowest.has() {
		t = append(t, say(" The lowest reading was ", b.figure(lowest), ".")...)
	}
	return t
}

// belowMinimum says for how long users had less than they need.
func (b *builder) belowMinimum(s subject, of func(string) ref) []Block {
	least := b.site(s.name).MinimumPressurePa
	if least <= 0 {
		return []Block{para("How much pressure the users need is not known here: the site file has no minimum_pressure. Without it nobody can tell whether the pressure is higher than it must be.")}
	}
	name, when := "time_below_minimum_shift", "in the hours of the shifts"
	longest := of("longest_below_minimum_shift")
	if !of(name).has() {
		name, when, longest = "time_below_minimum", "while a machine ran", of("longest_below_minimum")
	}
	below := of(name)
	if !below.has() {
		return nil
	}
	t := say("Users need "+b.shown(least, quantity.Pressure)+", by the site file. The pressure lay below that for ", b.figure(below), " "+when)
	if longest.has() && *below.Value > 0 {
		t = append(t, say(", ", b.figure(longest), " at the longest stretch")...)
	}
	return []Block{{Text: append(t, Run{Text: "."})}}
}

// site is a system of the site file; an empty one where it is none.
func (b *builder) site(system string) *sitefile.System {
	for i := range b.data.Site.Systems {
		if b.data.Site.Systems[i].Name == system {
			return &b.data.Site.Systems[i]
		}
	}
	return &sitefile.System{}
}

// pressureOfMachine is where it loads and unloads, and what is lost in it and behind it.
func (b *builder) pressureOfMachine(i int) (blocks []Block) {
	name := b.data.Figures.Machines[i].Machine
	t, at := b.tableOfMachine(i, "pressure_band")
	if table := b.analysisTable("Where "+name+" loads and unloads, as seen and as set", "what", t, at); table != nil {
		if n := len(table.Columns); n == 4 { // the difference is no surer than what is seen
			table.Columns = table.Columns[:n-1]
			for k := range table.Rows {
				table.Rows[k] = table.Rows[k][:n-1]
			}
		}
		blocks = append(blocks, Block{Table: table})
		if swing := b.ofMachine(i, "pressure_swing"); swing.has() {
			blocks = append(blocks, para("In a load cycle the pressure at "+name+" swings by ", b.figure(swing), ", from ", b.figure(b.ofMachine(i, "cycle_low")), " to ", b.figure(b.ofMachine(i, "cycle_high")), "."))
		}
	}
	t, at = b.tableOfMachine(i, "pressure_drops")
	if table := b.analysisTable("Pressure lost from "+name+" on, while air flows", "drop", t, at); table != nil {
		for k := range table.Rows {
			table.Rows[k][0] = say(dropName(t.Rows[k].Name))
		}
		blocks = append(blocks, Block{Table: table})
	}
	return blocks
}

func dropName(figure string) string {
	switch figure {
	case "separator_drop":
		return "oil separator"
	case "filter_drop":
		return "filter"
	case "dryer_drop":
		return "dryer"
	case "package_drop":
		return "inside the package, from the sump to the outlet"
	case "treatment_drop":
		return "from the outlet to the system's gauge"
	}
	return figure
}

// pressureChart draws the pressure over the window: each stretch's mean, and how far it
// went down and up in it.
func (b *builder) pressureChart(s subject) *chart.Chart {
	c, lines := b.clock(), &chart.Lines{}
	for k, one := range b.gauges(s) {
		series, ok := b.data.Series[one.channel]
		if !ok {
			continue
		}
		line, unit := b.curve(c, series, one.name)
		if len(line.X) < 2 || lines.Y.Unit != "" && lines.Y.Unit != unit {
			continue
		}
		line.Kind = k
		if len(lines.Series) > 0 {
			line.Low, line.High = nil, nil // two bands over one another hide both
		}
		lines.Y, lines.Series = chart.Axis{Label: "pressure", Unit: unit}, append(lines.Series, line)
	}
	if len(lines.Series) == 0 {
		return nil
	}
	lines.X, lines.Spans = c.Axis, b.worked(c)
	if least := b.site(s.name).MinimumPressurePa; s.kind == "system" && least > 0 {
		lines.Limits = append(lines.Limits, chart.Limit{At: b.data.Site.Units.Unit(quantity.Pressure).FromSI(least), Name: "users need " + b.shown(least, quantity.Pressure)})
	}
	summary := "The pressure over the window: the mean of each stretch as a line, and between which readings it moved as a band, so that short dips stay to be seen."
	if len(lines.Spans) > 0 {
		summary += " Shaded: the hours of the shifts."
	}
	return &chart.Chart{ID: "pressure-" + s.kind + "-" + slug(s.name, s.at), Title: "Pressure over the window, " + s.name, Summary: summary, Lines: lines}
}

// gauge is a channel of pressure and what it is called in a chart.
type gauge struct{ channel, name string }

// gauges are those of a subject that charts draw: a system's last tap first.
func (b *builder) gauges(s subject) (all []gauge) {
	const most = 3
	add := func(channel, name string) {
		for _, one := range all {
			if one.channel == channel {
				return
			}
		}
		if channel != "" && len(all) < most {
			all = append(all, gauge{channel, name})
		}
	}
	if s.kind == "system" {
		taps := b.site(s.name).Taps
		for i := len(taps) - 1; i >= 0; i-- {
			add(taps[i].Pressure, cmp.Or(taps[i].At, "tap"))
		}
	}
	if len(all) > 0 {
		return all
	}
	for _, i := range b.machinesOf(s) {
		name := b.data.Figures.Machines[i].Machine
		if m, ok := b.data.Site.MachineByName(name); ok {
			add(cmp.Or(m.Roles[scan.DischargePressure], m.Roles[scan.ReceiverPressure], m.Roles[scan.HeaderPressure]), name+", outlet")
		}
	}
	return all
}
