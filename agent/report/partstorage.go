package report

import (
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
)

// storage is the part on the stores: how much air they hold back, and what that does to
// the load cycles.
func storage(b *builder) []Section {
	return b.perSubject(Section{ID: "storage", Title: "Storage"},
		"no system of receivers and pipes is in the site file", b.storageOfSubject)
}

func (b *builder) storageOfSubject(s subject) (blocks []Block) {
	if s.kind != "system" {
		return nil
	}
	of := func(name string) ref { return b.ofSystem(s.at, name) }
	volume, seconds := of("effective_volume"), of("volume_per_flow")
	if volume.has() {
		t := say("The air that follows the pressure fills ", strong(b.figure(volume)))
		if seconds.has() {
			t = append(t, say("; at full flow the machines would fill it from empty by one pressure of the inlet in ", b.figure(seconds))...)
		}
		blocks = append(blocks, Block{Text: append(t, Run{Text: ". The smaller that is, the faster machines load and unload, and the deeper the pressure dips when somebody draws hard for a moment."})})
	}
	if t := b.partsTable(s); t != nil {
		blocks = append(blocks, Block{Table: t})
	}
	blocks = append(blocks, b.told(of, []named{{"effective_volume", "storage"}, {"volume_per_flow", "storage over full flow, in seconds"}})...)
	machines := b.machinesOf(s)
	if t := b.figureTable("What the stores make of each machine's cycles", machines, []named{
		{"mean_load_cycle", "mean load cycle"}, {"load_cycles_per_hour", "load cycles in a running hour"}, {"pressure_swing", "swing of the pressure in a cycle"},
		{"delivery_delay", "from a load until its air comes"}, {"full_load_flow", "flow at full load"}}); t != nil {
		blocks = append(blocks, Block{Table: t})
	}
	for _, i := range machines {
		if c := b.swingChart(i); c != nil {
			blocks = append(blocks, Block{Chart: c})
		}
	}
	if len(blocks) == 0 {
		return nil
	}
	blocks = append(blocks, b.how(volume, seconds)...)
	return append(blocks, para("A receiver is a pressure vessel: it has a certificate, a safety valve, a drain and dates of inspection, and only licensed people fit, move or alter one."))
}

// volume is a part's size, in the unit of its plate and in that of the figures.
func (b *builder) volume(m3 float64) string {
	plate := b.shown(m3, quantity.Volume)
	if unit, _, _ := b.unitOf("m³"); !strings.HasSuffix(plate, unit) {
		plate += " (" + display.Cell(&m3, &analysis.Column{Unit: "m³"}, b.data.Site.Units) + " " + unit + ")"
	}
	return plate
}

// partsTable lists the parts of the site file that hold air.
func (b *builder) partsTable(s subject) *Table {
	t := &Table{Caption: "Parts of " + s.name + " that hold air, by the site file", Columns: []Column{{Head: "Part", Weight: 2}, {Head: "Kind"}, {Head: "Volume", Number: true}}}
	parts := b.site(s.name).Parts
	for i := range parts {
		if p := &parts[i]; p.VolumeM3 > 0 {
			t.Rows = append(t.Rows, []Text{say(p.Name), say(p.Kind), say(b.volume(p.VolumeM3))})
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}

// swingChart counts a machine's load cycles by how far the pressure swung.
func (b *builder) swingChart(i int) *chart.Chart {
	name := b.data.Figures.Machines[i].Machine
	swing := b.ofMachine(i, "pressure_swing")
	if !swing.has() || len(swing.Distribution) < 3 {
		return nil
	}
	unit, factor, _ := b.unitOf(swing.Unit)
	const most = 6 // then one for all that is beyond
	all, largest := 0, 0
	for _, class := range swing.Distribution {
		all, largest = all+class.Count, max(largest, class.Count)
	}
	if 20*(all-largest) < all {
		return nil // one bar says nothing
	}
	var bars []chart.Bar
	for k, class := range swing.Distribution {
		name := "over " + number3(class.From*factor)
		if class.To != nil {
			name = number3(class.From*factor) + " to " + number3(*class.To*factor)
		}
		if k == most && len(swing.Distribution) > most+1 {
			for _, beyond := range swing.Distribution[k+1:] {
				class.Count += beyond.Count
			}
			bars = append(bars, chart.Bar{Name: "over " + number3(class.From*factor), Values: chart.Values{float64(class.Count)}})
			break
		}
		bars = append(bars, chart.Bar{Name: name, Values: chart.Values{float64(class.Count)}})
	}
	return &chart.Chart{ID: "swing-" + slug(name, i), Title: "How far the pressure swung in load cycles of " + name + ", " + unit,
		Summary: "Load cycles counted by how far the pressure went from its lowest to its highest in each: cycles far beyond the band are moments in which the stores could not cover the demand.",
		Bars:    &chart.Bars{Value: chart.Axis{Label: "load cycles", Zero: true}, Parts: []string{"load cycles"}, Bars: bars}}
}
