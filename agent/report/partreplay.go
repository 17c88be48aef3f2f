package report

import (
	"fmt"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
)

// replays is the part on what other settings or machines would have done.
func replays(b *builder) []Section {
	part := Section{ID: "alternatives", Title: "The same air with other settings", Level: 1}
	var below []Section
	for i := range b.data.Replays {
		r := replayed{b: b, a: &b.data.Replays[i], at: fmt.Sprintf("/data/replays/%d", i), id: "alternatives-" + slug(b.data.Replays[i].System, i)}
		blocks := r.blocks()
		if len(b.data.Replays) == 1 {
			part.Blocks = append(part.Blocks, blocks...)
		} else {
			below = append(below, Section{ID: r.id, Title: "System " + r.a.System, Level: 2, Blocks: blocks})
		}
		below = append(below, r.each()...)
	}
	switch {
	case len(b.data.Replays) == 0:
		part.Blocks = []Block{gap("Nothing was replayed", "only a system can be replayed, and the site file has none: name its machines and the volumes that hold the air")}
	case len(b.data.Replays) > 1:
		part.Blocks = []Block{para("Each system's demand was played again, first as it is, then with other settings or machines.")}
	}
	return append([]Section{part}, below...)
}

// replayed is one system's replay and where it stands.
type replayed struct {
	b      *builder
	a      *replay.Answer
	at, id string
}

func (r *replayed) blocks() []Block {
	a := r.a
	if a.Absent != "" {
		return []Block{gap("The demand of "+a.System+" cannot be replayed", a.Absent)}
	}
	var blocks []Block
	if a.Fit.Poor {
		blocks = append(blocks, Block{Box: &Box{Kind: BoxCaution, Title: "The replay does not meet what happened: decide nothing by it alone",
			Blocks: []Block{para(r.b.sentence(a.Fit.Words))}}})
	}
	blocks = append(blocks, para("The demand of each minute was played again, first with the settings as they are. How well that meets what was measured is the proof of the model on this plant; what it misses is in every interval below."))
	if !a.Fit.Poor && a.Fit.Words != "" {
		blocks = append(blocks, para(r.b.sentence(a.Fit.Words)))
	}
	blocks = append(blocks, Block{Table: r.fitTable()})
	if len(a.Results) == 0 && a.Fit.Poor {
		return append(blocks, para("No other setting was tried: since the replay does not meet what was measured, nothing could be decided by it. A longer window, or one without what is unusual in this one, may meet it."))
	}
	if len(a.Results) == 0 {
		return append(blocks, para("No other setting was tried: the figures of this window speak for none, or its states and demand are not known well enough."))
	}
	if c := r.savingChart(); c != nil {
		blocks = append(blocks, Block{Chart: c})
	}
	blocks = append(blocks, Block{Table: r.resultTable()})
	if assumes := r.assumes(); assumes != "" {
		blocks = append(blocks, para(sentence("A year is told as "+assumes)))
	}
	if list := r.cautions(); len(list) > 0 {
		blocks = append(blocks, Block{Box: &Box{Kind: BoxCaution, Title: "Before anybody turns a screw", Blocks: []Block{{List: list}}}})
	}
	return blocks
}

// amount is an Amount of a replay with its unit; factor brings it to it.
func (r *replayed) amount(a replay.Amount, at, unit string, factor float64) Text {
	if a.Value == nil {
		return say("–")
	}
	v := *a.Value * factor
	half := (*float64)(nil)
	if a.Interval != nil {
		h := *a.Interval * factor
		half = &h
	}
	units := r.b.data.Site.Units
	value, spread := display.Pair(&v, half, &analysis.Column{Unit: unit}, units)
	if unit == "s" {
		value, spread = display.Duration(v), ""
		if half != nil {
			spread = display.Duration(*half)
		}
	}
	t := Text{{Text: value, At: at + "/value", Value: a.Value}}
	if half != nil && strings.ContainsAny(spread, "123456789") {
		t = append(t, Run{Text: " ± "}, Run{Text: spread, At: at + "/uncertainty", Value: a.Interval})
	}
	return t
}

// outcomeRow is a line of the tables of outcomes.
type outcomeRow struct {
	name, key, unit string
	of              func(*replay.Outcome) replay.Amount
}

func (r *replayed) rows() []outcomeRow {
	return []outcomeRow{
		{"Energy", "energy_kwh", "kWh", func(o *replay.Outcome) replay.Amount { return o.Energy }},
		{"Cost, demand charge with it", "cost", r.a.Currency, func(o *replay.Outcome) replay.Amount { return o.Cost }},
		{"Starts", "starts", "1", func(o *replay.Outcome) replay.Amount { return o.Starts }},
		{"Load cycles", "load_cycles", "1", func(o *replay.Outcome) replay.Amount { return o.Loads }},
		{"Lowest pressure", "lowest_pressure_pa", "Pa", func(o *replay.Outcome) replay.Amount { return o.LowestPa }},
		{"Mean pressure", "mean_pressure_pa", "Pa", func(o *replay.Outcome) replay.Amount { return o.MeanPa }},
		{"Below the minimum pressure", "below_minimum_s", "s", func(o *replay.Outcome) replay.Amount { return o.BelowS }},
	}
}

// withUnit is a row's name with its unit.
func (r *replayed) withUnit(row *outcomeRow) Text {
	unit, _, _ := r.b.unitOf(row.unit)
	if unit == "" || unit == "s" {
		return say(row.name)
	}
	return say(row.name + ", " + unit)
}

// fitTable sets what was measured beside how far the replay misses it.
func (r *replayed) fitTable() *Table {
	f := &r.a.Fit
	t := &Table{Caption: "Measured, and how far the replay with the settings as they are misses it", Columns: []Column{{Head: "What", Weight: 2}, {Head: "Measured", Number: true, Weight: 1.3}, {Head: "Replay off by", Number: true, Weight: 1.3}}}
	off := func(key string, v float64, text, unit string) Text {
		sign := ""
		if v > 0 {
			sign = "+"
		}
		return Text{{Text: sign}, {Text: text, At: r.at + "/fit/" + key, Value: &v}, {Text: unit}}
	}
	pressure := func(key string, pa float64) Text {
		value, unit, _ := strings.Cut(quantity.Format(pa, quantity.Pressure, r.b.data.Site.Units), " ")
		return off(key, pa, value, " "+unit)
	}
	for _, row := range r.rows() {
		amount := row.of(&r.a.Measured)
		if amount.Value == nil || row.unit == "" {
			continue
		}
		miss := say("–")
		switch row.key {
		case "energy_kwh":
			miss = off("energy_off_share", f.EnergyShare, display.Rounded(100*f.EnergyShare, 1), " %")
		case "load_cycles":
			miss = off("load_cycles_off_share", f.Loads, display.Rounded(100*f.Loads, 1), " %")
		case "starts":
			miss = off("starts_off", f.Starts, display.Rounded(f.Starts, 0), "")
		case "lowest_pressure_pa":
			miss = pressure("lowest_pressure_off_pa", f.LowestOffPa)
		case "mean_pressure_pa":
			rms := f.PressureRMSPa
			miss = append(pressure("pressure_rms_pa", rms)[1:], Run{Text: " (rms of the minutes' ends)"})
		}
		t.Rows = append(t.Rows, []Text{r.withUnit(&row), r.amount(amount, r.at+"/measured/"+row.key, row.unit, 1), miss})
		if amount.Note != "" {
			t.Notes = append(t.Notes, say(sentence(row.name+": "+amount.Note)))
		}
	}
	return t
}

// yearly reports whether every result tells a year's money.
func (r *replayed) yearly() bool {
	any := false
	for i := range r.a.Results {
		if one := &r.a.Results[i]; one.Absent == "" {
			if one.SavedYear.Value == nil {
				return false
			}
			any = true
		}
	}
	return any
}

// resultTable is what each change would have done, beside what is.
func (r *replayed) resultTable() *Table {
	unit, _, _ := r.b.unitOf("Pa")
	t := &Table{Caption: "What each change would have done over the replayed time", Columns: []Column{{Head: "Change", Weight: 2.2},
		{Head: "Saved energy", Unit: "kWh", Number: true, Weight: 1.2}}}
	money := r.yearly()
	if money {
		t.Columns = append(t.Columns, Column{Head: "Saved a year", Unit: r.a.Currency, Number: true, Weight: 1.3})
	}
	t.Columns = append(t.Columns, Column{Head: "Starts", Number: true}, Column{Head: "Load cycles", Number: true, Weight: 1.2},
		Column{Head: "Lowest pressure", Unit: unit, Number: true, Weight: 1.2}, Column{Head: "Below the minimum", Number: true, Weight: 1.2})
	outcome := func(o *replay.Outcome, at string) []Text {
		return []Text{r.amount(o.Starts, at+"/starts", "1", 1), r.amount(o.Loads, at+"/load_cycles", "1", 1),
			r.amount(o.LowestPa, at+"/lowest_pressure_pa", "Pa", 1), r.plain(o.BelowS, at+"/below_minimum_s", "s")}
	}
	now := []Text{say("as it is"), say("–")}
	if money {
		now = append(now, say("–"))
	}
	t.Rows = append(t.Rows, append(now, outcome(&r.a.Present, r.at+"/present")...))
	for i := range r.a.Results {
		one, at := &r.a.Results[i], fmt.Sprintf("%s/alternatives/%d", r.at, i)
		row := []Text{{{Text: one.Name, Link: r.resultID(i)}}}
		if one.Absent != "" {
			for range len(t.Columns) - 1 {
				row = append(row, say("–"))
			}
			t.Rows = append(t.Rows, row)
			t.Notes = append(t.Notes, say(sentence(one.Name+" cannot be told: "+one.Absent)))
			continue
		}
		row = append(row, r.amount(one.SavedKWh, at+"/saved_kwh", "kWh", 1))
		if money {
			row = append(row, r.amount(one.SavedYear, at+"/saved_cost_year", r.a.Currency, 1))
		}
		t.Rows = append(t.Rows, append(row, outcome(&one.Outcome, at+"/outcome")...))
	}
	t.Notes = append(t.Notes, say("A saving below nought is a loss. The lowest pressure is that of the stores while somebody works, the plant once filled."))
	return t
}

// plain is an amount without its interval, for narrow columns.
func (r *replayed) plain(a replay.Amount, at, unit string) Text {
	a.Interval = nil
	return r.amount(a, at, unit, 1)
}

func (r *replayed) resultID(i int) string { return fmt.Sprintf("%s-%d", r.id, i+1) }

// savingChart draws what each change would save, with its interval.
func (r *replayed) savingChart() *chart.Chart {
	money := r.yearly()
	unit, label := "kWh", "saved energy over the replayed time"
	if money {
		unit, label = r.a.Currency, "saved in a year"
	}
	var bars []chart.Bar
	for i := range r.a.Results {
		one := &r.a.Results[i]
		amount := one.SavedKWh
		if money {
			amount = one.SavedYear
		}
		if one.Absent != "" || amount.Value == nil {
			continue
		}
		bar := chart.Bar{Name: one.Name, Values: chart.Values{*amount.Value}}
		value, spread := display.Pair(amount.Value, amount.Interval, &analysis.Column{Unit: unit}, r.b.data.Site.Units)
		bar.Label = value
		if amount.Interval != nil && *amount.Interval > 0 {
			bar.Low, bar.High = *amount.Value-*amount.Interval, *amount.Value+*amount.Interval
			bar.Label += " ± " + spread
		}
		bars = append(bars, bar)
	}
	if len(bars) == 0 {
		return nil
	}
	return &chart.Chart{ID: "savings-" + r.id, Title: display.Capital(label) + ", change by change",
		Summary: "Each change's saving against the settings as they are, with its 95 % interval; where that reaches over nought, the saving is not told from nothing. The changes do not add up: each is against the settings as they are.",
		Bars:    &chart.Bars{Value: chart.Axis{Label: label, Unit: unit, Zero: true}, Parts: []string{label}, Bars: bars, Across: true}}
}

// assumes is what the yearly figures take for granted, where it is one thing.
func (r *replayed) assumes() string {
	for i := range r.a.Results {
		if s := r.a.Results[i].AssumesYear; s != "" && r.a.Results[i].SavedYear.Value != nil {
			return s
		}
	}
	return ""
}

// cautions are those of all changes, each once, with the changes that have it.
func (r *replayed) cautions() (list []Text) {
	names := map[string][]string{}
	var order []string
	for i := range r.a.Results {
		for _, c := range r.a.Results[i].Cautions {
			if names[c] == nil {
				order = append(order, c)
			}
			names[c] = append(names[c], r.a.Results[i].Name)
		}
	}
	for _, c := range order {
		list = append(list, Text{{Text: display.Capital(strings.Join(names[c], ", ")) + ": ", Strong: true}, {Text: sentence(c)}})
	}
	return list
}
