package report

import (
	"fmt"

	"loadscribe/agent/chart"
	"loadscribe/agent/sitefile"
)

// powerForAir is the part on specific power: what a flow of air takes.
func powerForAir(b *builder) []Section {
	return b.perSubject(Section{ID: "specific-power", Title: "Power for the air"},
		"no figure of power over air is known: it takes power or energy, and the air by a flow meter, a pump-up test or a rated flow with the machine's states",
		b.powerOfSubject)
}

func (b *builder) powerOfSubject(s subject) []Block {
	of := func(name string) ref { return b.ofSubject(s, name) }
	run, energy := of("specific_power"), of("specific_energy")
	machines := b.machinesOf(s)
	var blocks []Block
	if run.has() {
		t := say("All its running time told together, "+s.name+" took ", strong(b.figure(run)), ". ")
		if unloaded, all := of("energy_unloaded"), of("energy"); unloaded.has() && all.has() {
			t = append(t, say("Of the ", b.figure(all), " that it used, ", b.figure(unloaded), " went into running without load, which makes no air. ")...)
		}
		t = append(t, say("Lower is better. It holds at the pressure that was seen, and more pressure takes more power.")...)
		blocks = append(blocks, Block{Text: t})
	}
	if c := b.powerChart(s, machines); c != nil {
		blocks = append(blocks, Block{Chart: c})
	}
	if s.kind == "system" {
		blocks = append(blocks, b.told(of, []named{
			{"specific_energy", "energy for a volume of air"}, {"air_cost", "electricity for a volume of air"}})...)
	}
	if t := b.figureTable("Each machine's power for the air", machines, []named{
		{"specific_power", "all running time"}, {"specific_power_loaded", "at full load, at the pressure seen"}, {"specific_power_rated", "at full load, brought to the rated pressure"},
		{"power_loaded", "power at full load"}, {"full_load_flow", "flow at full load"}, {"isentropic_efficiency", "isentropic efficiency"}}); t != nil {
		blocks = append(blocks, Block{Table: t})
	}
	if len(blocks) == 0 {
		return nil
	}
	first := ref{}
	if len(machines) > 0 {
		first = b.ofMachine(machines[0], "specific_power_rated")
	}
	if !first.has() && !run.has() && !energy.has() {
		return blocks
	}
	blocks = append(blocks, para("A data sheet tells the power of a whole package at its rated pressure and full flow: only the line \"brought to the rated pressure\" compares with it, and only as far as the flow is known. Where the flow is the nameplate's, wear of the machine cannot show."))
	return append(blocks, b.how(run, first)...)
}

// machinesOf are the places of a subject's machines in data.Figures.
func (b *builder) machinesOf(s subject) (all []int) {
	if s.kind == "machine" {
		return []int{s.at}
	}
	for i := range b.data.Site.Systems {
		if b.data.Site.Systems[i].Name != s.name {
			continue
		}
		for _, name := range b.data.Site.Systems[i].Machines {
			if at := b.machine(name); at >= 0 {
				all = append(all, at)
			}
		}
	}
	return all
}

// powerChart sets what air takes side by side: over all, at full load, at rated
// pressure, and what the nameplate has.
func (b *builder) powerChart(s subject, machines []int) *chart.Chart {
	var bars []chart.Bar
	unit := ""
	add := func(name string, r ref) {
		if r.has() {
			bars = append(bars, b.bar(name, r))
			unit, _, _ = b.unitOf(r.Unit)
		}
	}
	if s.kind == "system" && len(machines) > 1 {
		add(s.name+", all running time", b.ofSystem(s.at, "specific_power"))
	}
	for _, i := range machines {
		name := b.data.Figures.Machines[i].Machine
		n := len(bars)
		add(name+", all running time", b.ofMachine(i, "specific_power"))
		add(name+", full load", b.ofMachine(i, "specific_power_loaded"))
		add(name+", at rated pressure", b.ofMachine(i, "specific_power_rated"))
		if m, ok := b.data.Site.MachineByName(name); ok && len(bars) > n {
			if plate, ok := b.nameplate(m); ok {
				bars = append(bars, plate)
			}
		}
	}
	if len(bars) < 2 {
		return nil
	}
	return &chart.Chart{ID: "specific-power-" + slug(s.name, s.at) + "-" + s.kind, Title: "Power that a flow of air takes",
		Summary: fmt.Sprintf("Bars of %s: each machine over all its running time, at full load, and brought to its rated pressure, with 95 %% intervals, beside its nameplate.", unit),
		Bars:    &chart.Bars{Value: chart.Axis{Label: "power for the air", Unit: unit, Zero: true}, Parts: []string{"power for the air"}, Bars: bars, Across: true}}
}

// nameplate is rated power over rated flow as a bar.
func (b *builder) nameplate(m *sitefile.Machine) (chart.Bar, bool) {
	if m.RatedPowerW <= 0 || m.RatedFlowM3S <= 0 {
		return chart.Bar{}, false
	}
	_, factor, _ := b.unitOf("kW/(m³/min)")
	v := m.RatedPowerW / 1000 / (m.RatedFlowM3S * 60) * factor
	return chart.Bar{Name: m.Name + ", nameplate", Values: chart.Values{v}, Label: fmt.Sprintf("%.3g", v)}, true
}
