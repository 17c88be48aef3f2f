package report

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
)

// each tells of every change what must be known of it, and on what the replay rests.
func (r *replayed) each() (all []Section) {
	if r.a.Absent != "" {
		return nil
	}
	for i := range r.a.Results {
		all = append(all, r.result(i))
	}
	if t := r.calibration(); t != nil {
		blocks := []Block{{Table: t}}
		var remarks []Text
		for _, one := range r.a.Remarks {
			if one != r.a.Fit.Words {
				remarks = append(remarks, say(r.b.sentence(one)))
			}
		}
		if len(remarks) > 0 {
			blocks = append(blocks, Block{List: remarks})
		}
		if r.a.Method != "" {
			blocks = append(blocks, Block{Text: append(Text{{Text: "How it is told. ", Strong: true}}, Run{Text: r.b.sentence(r.method())})})
		}
		title := "What the replay rests on"
		if len(r.b.data.Replays) > 1 {
			title += ", " + r.a.System
		}
		all = append(all, Section{ID: r.id + "-rests", Title: title, Level: 2, Blocks: blocks})
	}
	return all
}

// method is how the replay was made, without what the table before it tells at length.
func (r *replayed) method() string {
	const long = 60
	said := r.a.Method
	for i := range r.a.Calibrated {
		if c := &r.a.Calibrated[i]; len(c.Basis) > long {
			said = strings.ReplaceAll(said, c.Basis, "what stands above of the "+c.Name)
		}
	}
	return said
}

// result is one change in words.
func (r *replayed) result(i int) Section {
	one, at := &r.a.Results[i], fmt.Sprintf("%s/alternatives/%d", r.at, i)
	s := Section{ID: r.resultID(i), Title: display.Capital(one.Name), Level: 2}
	var set []string
	for _, c := range one.Set {
		set = append(set, c.Key+" = "+c.Value)
	}
	if one.Absent != "" {
		s.Blocks = append(s.Blocks, para("What was set: "+strings.Join(set, ", ")+"."), gap("It cannot be told", one.Absent))
		return s
	}
	short, rest := r.split(one.Remarks)
	if len(short) > 0 {
		s.Blocks = append(s.Blocks, Block{Box: &Box{Kind: BoxCaution, Title: "Users would go short of air", Blocks: []Block{{List: short}}}})
	}
	s.Blocks = append(s.Blocks, Block{Text: append(say("With "+strings.Join(set, ", ")+": "), r.saving(one, at)...)})
	for _, row := range r.rows() {
		if note := row.of(&one.Outcome).Note; note != "" {
			if !strings.HasPrefix(note, lower(row.name)) {
				note = row.name + ": " + note
			}
			rest = append(rest, say(sentence(note)))
		}
	}
	if len(rest) > 0 {
		s.Blocks = append(s.Blocks, Block{List: rest})
	}
	if t := r.budget(one, at); t != nil {
		s.Blocks = append(s.Blocks, Block{Text: t})
	}
	if one.Flags != "" {
		s.Blocks = append(s.Blocks, para("The same again by the command line:"), Block{Plain: r.again(one)})
	}
	return s
}

// again is the command that gives a result again.
func (r *replayed) again(one *replay.Result) string {
	short := func(stamp string) string { return strings.Replace(stamp, ".000Z", "Z", 1) }
	return "loadscribe replay --site SITE.toml \\\n  --from " + short(r.a.From) + " --to " + short(r.a.To) + " \\\n  " +
		strings.ReplaceAll(one.Flags, " --set ", " \\\n  --set ")
}

// split parts the remarks: users without air come before any saving.
func (r *replayed) split(remarks []string) (short, rest []Text) {
	for _, one := range remarks {
		if slices.Contains(r.a.Remarks, one) {
			continue // it stands with what the replay rests on
		}
		if strings.HasPrefix(one, replay.ShortOfAir) {
			short = append(short, say(r.b.sentence(one)))
			continue
		}
		rest = append(rest, say(r.b.sentence(one)))
	}
	return short, rest
}

// saving is the answer in a sentence.
func (r *replayed) saving(one *replay.Result, at string) Text {
	if one.SavedKWh.Value == nil {
		return say("the saving is not known.")
	}
	word := "it would have saved "
	if half := one.SavedKWh.Interval; *one.SavedKWh.Value < 0 && (half == nil || -*one.SavedKWh.Value > *half) {
		word = "it would have taken more energy, not less. Saved: "
	}
	t := say(word, strong(r.amount(one.SavedKWh, at+"/saved_kwh", "kWh", 1)), " kWh")
	if one.SavedShare.Value != nil {
		t = append(t, say(" (", r.amount(one.SavedShare, at+"/saved_share", "%", 100), " % of the energy)")...)
	}
	if one.SavedCost.Value != nil {
		t = append(t, say(" and ", r.amount(one.SavedCost, at+"/saved_cost", r.a.Currency, 1), " "+r.a.Currency)...)
	}
	t = append(t, say(" over what was replayed")...)
	if one.SavedYear.Value != nil {
		t = append(t, say("; in a year ", strong(r.amount(one.SavedYear, at+"/saved_cost_year", r.a.Currency, 1)), " "+r.a.Currency)...)
		if one.AssumesYear != "" && one.AssumesYear != r.assumes() {
			t = append(t, say(" ("+one.AssumesYear+")")...)
		}
	}
	return append(t, say(".")...)
}

// budget says what the interval comes from.
func (r *replayed) budget(one *replay.Result, at string) Text {
	const most = 4
	if len(one.Budget) == 0 {
		return nil
	}
	t := say("The interval comes from ")
	for i := range one.Budget[:min(most, len(one.Budget))] {
		part := &one.Budget[i]
		if i > 0 {
			t = append(t, Run{Text: ", "})
		}
		t = append(t, Run{Text: r.b.wordy(part.Input) + " ("}, Run{Text: display.PerCent(part.Share), At: fmt.Sprintf("%s/budget/%d/share", at, i), Value: &part.Share}, Run{Text: " %)"})
	}
	return append(t, Run{Text: "."})
}

// calibration lists what the replay rests on.
func (r *replayed) calibration() *Table {
	t := &Table{Caption: "What the record and the site file say of the plant", Columns: []Column{{Head: "What", Weight: 2}, {Head: "Value", Number: true, Weight: 2}, {Head: "By what", Weight: 4}}}
	units := r.b.data.Site.Units
	for i := range r.a.Calibrated {
		c, at := &r.a.Calibrated[i], fmt.Sprintf("%s/calibration/%d", r.at, i)
		name, unit, factor := c.Name, c.Unit, 1.0
		if c.Machine != "" {
			name = c.Machine + ", " + name
		}
		switch unit {
		case "1/Pa": // read in per cent for each unit of pressure
			u := units.Unit(quantity.Pressure)
			unit, factor = "% each "+u.Symbol, 100*u.Scale
		case "1":
			if strings.Contains(c.Name, "share") {
				unit, factor = "%", 100
			}
		}
		v := replay.Amount{Value: &c.Value, Interval: &c.Uncertainty}
		if c.Uncertainty == 0 {
			v.Interval = nil
		}
		value := r.amount(v, at, unit, factor)
		if shown, _, _ := r.b.unitOf(unit); shown != "" && shown != "s" {
			value = append(value, Run{Text: " " + shown})
		}
		t.Rows = append(t.Rows, []Text{say(name), value, say(orDash(r.b.wordy(c.Basis)))})
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}
