package report

import (
	"fmt"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/display"
)

// beforeAfter is the part on what was saved between an earlier period and this one; of
// a report for which none was named there is none.
func beforeAfter(b *builder) []Section {
	part := Section{ID: "before-after", Title: "Before and after", Level: 1}
	c := b.data.Compare
	switch {
	case c == nil && b.data.CompareAbsent == "":
		return nil
	case c == nil:
		part.Blocks = []Block{gap("The two periods cannot be compared", b.data.CompareAbsent)}
		return []Section{part}
	}
	part.Blocks = append(part.Blocks, Block{Text: strong(say(display.Capital(c.Kind) + " " + c.Subject + ": " + sentence(c.Sentence)))})
	of := func(name string) ref { return find(c.Figures, name, "/data/compare/figures") }
	part.Blocks = append(part.Blocks, b.told(of, []named{{"energy_saved", "energy saved in a year"}, {"saving_share", "saved"}, {"cost_saved", "saved in a year"},
		{"emissions_saved", "emissions saved in a year"}, {"peak_power_saved", "power saved in the peak window"}, {"energy_saved_equal_air", "energy saved in a year, at equal air"}})...)
	if one := b.dayTypesChart(c); one != nil {
		part.Blocks = append(part.Blocks, Block{Chart: one})
	}
	part.Blocks = append(part.Blocks, Block{Table: b.periodsTable(c)})
	if t := b.dayTypesTable(c); t != nil {
		part.Blocks = append(part.Blocks, Block{Table: t})
	}
	if t := b.modelsTable(c); t != nil {
		part.Blocks = append(part.Blocks, Block{Table: t})
	}
	for _, one := range []struct {
		lead string
		all  []string
	}{{"What was alike in both periods", c.Equal}, {"What was not, or is not known", c.Unequal}, {"Where the saving must not be used", c.Limits}, {"What rules the words and numbers follow", c.Basis}} {
		if len(one.all) == 0 {
			continue
		}
		part.Blocks = append(part.Blocks, Block{Text: Text{{Text: one.lead + ":", Strong: true}}})
		var points []Text
		for _, s := range one.all {
			points = append(points, say(b.sentence(s)))
		}
		part.Blocks = append(part.Blocks, Block{List: points})
	}
	return []Section{part}
}

// at is a number of report.json with its unit's decimals; nil is a dash.
func (b *builder) at(v *float64, at, unit string) Text {
	if v == nil {
		return say("–")
	}
	return Text{{Text: display.Cell(v, &analysis.Column{Unit: unit}, b.data.Site.Units), At: at, Value: v}}
}

// ofPeriod is a value of a period and its key in the JSON.
type ofPeriod struct {
	name, key, unit string
	of              func(*analysis.ComparedPeriod) *float64
}

func (b *builder) periodsTable(c *analysis.Comparison) *Table {
	t := &Table{Caption: "The two periods", Columns: []Column{{Head: "What", Weight: 2}, {Head: "Before", Number: true}, {Head: "After", Number: true}}}
	t.Rows = append(t.Rows, []Text{say("from"), say(b.when(c.Before.From)), say(b.when(c.After.From))},
		[]Text{say("to"), say(b.when(c.Before.To)), say(b.when(c.After.To))})
	hours := func(p *analysis.ComparedPeriod) *float64 { v := float64(p.Hours); return &v }
	left := func(p *analysis.ComparedPeriod) *float64 { v := float64(p.LeftOut); return &v }
	for _, row := range []ofPeriod{
		{"hours used", "hours", "1", hours}, {"hours left out, since too little of them was observed", "left_out", "1", left},
		{"energy", "energy_kwh", "kWh", func(p *analysis.ComparedPeriod) *float64 { return p.EnergyKWh }},
		{"air", "air_m3", "m³", func(p *analysis.ComparedPeriod) *float64 { return p.AirM3 }},
		{"hours loaded", "loaded_h", "h", func(p *analysis.ComparedPeriod) *float64 { return &p.LoadedH }},
		{"hours unloaded", "unloaded_h", "h", func(p *analysis.ComparedPeriod) *float64 { return &p.UnloadedH }},
		{"mean pressure while it ran", "pressure_kpa", "kPa", func(p *analysis.ComparedPeriod) *float64 { return p.PressureKPa }},
		{"mean room temperature", "ambient_c", "°C", func(p *analysis.ComparedPeriod) *float64 { return p.AmbientC }},
		{"made", "production", "1", func(p *analysis.ComparedPeriod) *float64 { return p.Production }},
	} {
		before, after := row.of(&c.Before), row.of(&c.After)
		if before == nil && after == nil {
			continue
		}
		unit, name := row.unit, row.name
		if unit == "h" { // of its own: no unit of figures
			unit = ""
		} else if shown, _, _ := b.unitOf(unit); shown != "" {
			name += ", " + shown
		}
		t.Rows = append(t.Rows, []Text{say(name), b.at(before, "/data/compare/before/"+row.key, unit), b.at(after, "/data/compare/after/"+row.key, unit)})
	}
	for _, p := range []struct {
		name string
		of   *analysis.ComparedPeriod
	}{{"Before", &c.Before}, {"After", &c.After}} {
		if p.of.Method != "" {
			t.Notes = append(t.Notes, say(p.name+", energy: "+sentence(p.of.Method)))
		}
		if p.of.AirMethod != "" {
			t.Notes = append(t.Notes, say(p.name+", air: "+sentence(p.of.AirMethod)))
		}
	}
	return t
}

// dayTypesTable is the mean power of each kind of day.
func (b *builder) dayTypesTable(c *analysis.Comparison) *Table {
	t := &Table{Caption: "Mean power by kinds of days", Columns: []Column{{Head: "Kind of day", Weight: 2}, {Head: "Days in a year", Number: true},
		{Head: "Before", Unit: "kW", Number: true}, {Head: "After", Unit: "kW", Number: true}, {Head: "Hours before", Number: true}, {Head: "Hours after", Number: true}}}
	for i := range c.DayTypes {
		d, at := &c.DayTypes[i], fmt.Sprintf("/data/compare/day_types/%d", i)
		before, after := float64(d.HoursBefore), float64(d.HoursAfter)
		t.Rows = append(t.Rows, []Text{say(d.Name), b.at(&d.DaysPerYear, at+"/days_per_year", "1"), b.at(d.KWBefore, at+"/kw_before", "kW"), b.at(d.KWAfter, at+"/kw_after", "kW"),
			b.at(&before, at+"/hours_before", "1"), b.at(&after, at+"/hours_after", "1")})
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}

func (b *builder) dayTypesChart(c *analysis.Comparison) *chart.Chart {
	var bars []chart.Bar
	for i := range c.DayTypes {
		d := &c.DayTypes[i]
		for _, one := range []struct {
			when string
			kW   *float64
		}{{"before", d.KWBefore}, {"after", d.KWAfter}} {
			if one.kW != nil {
				bars = append(bars, chart.Bar{Name: d.Name + ", " + one.when, Values: chart.Values{*one.kW}, Label: display.Rounded(*one.kW, 2)})
			}
		}
	}
	if len(bars) < 2 {
		return nil
	}
	return &chart.Chart{ID: "before-after-days", Title: "Mean power before and after, by kinds of days", Summary: "For each kind of day the mean power of its hours, before and after.",
		Bars: &chart.Bars{Value: chart.Axis{Label: "mean power", Unit: "kW", Zero: true}, Parts: []string{"mean power"}, Bars: bars, Across: true}}
}

// modelsTable is every baseline that was tried.
func (b *builder) modelsTable(c *analysis.Comparison) *Table {
	t := &Table{Caption: "Baselines that were tried, and what each says was saved in the period after", Columns: []Column{{Head: "Baseline", Weight: 2.6}, {Head: "Saved", Unit: "kWh", Number: true, Weight: 1.2},
		{Head: "R²", Number: true}, {Head: "CV(RMSE)", Unit: "%", Number: true}, {Head: "Keeps its limits"}}}
	for i := range c.Models {
		m, at := &c.Models[i], fmt.Sprintf("/data/compare/models/%d", i)
		if m.Absent != "" {
			t.Notes = append(t.Notes, say(display.Capital(m.Name)+" could not be made: "+sentence(m.Absent)))
			continue
		}
		name, kept := m.Name+": "+m.What+", "+m.Scope, "yes"
		if m.Name == c.Chosen {
			name += " (taken)"
		}
		if !m.KeepsLimits {
			kept = "no"
		}
		saved := b.at(m.SavingKWh, at+"/saving_kwh", "kWh")
		if m.SavingKWh != nil && m.Uncertainty != nil {
			value, half := display.Pair(m.SavingKWh, m.Uncertainty, &analysis.Column{Unit: "kWh"}, b.data.Site.Units)
			saved = Text{{Text: value, At: at + "/saving_kwh", Value: m.SavingKWh}, {Text: " ± "}, {Text: half, At: at + "/uncertainty_kwh", Value: m.Uncertainty}}
		}
		spread := say("–")
		if m.CVRMSE != nil {
			spread = Text{{Text: display.PerCent(*m.CVRMSE), At: at + "/cv_rmse", Value: m.CVRMSE}}
		}
		t.Rows = append(t.Rows, []Text{say(name), saved, b.at(m.R2, at+"/r2", "1"), spread, say(kept)})
	}
	if c.Chosen != "" && c.Why != "" {
		t.Notes = append(t.Notes, say(c.Chosen+" was taken: "+sentence(c.Why)))
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}
