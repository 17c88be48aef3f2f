package report

import (
	"fmt"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
)

// health is the part on the state of the machines and on service.
func health(b *builder) []Section {
	part := Section{ID: "health", Title: "Health of the machines", Level: 1}
	part.Blocks = b.figureTables("What tells of heat, wear, water and the mains", []named{
		{"discharge_temperature_max", "highest discharge temperature"}, {"discharge_margin", "how far it stayed below the trip"}, {"discharge_rise", "discharge over the room, loaded"},
		{"approach_temperature", "aftercooler over the room, at full flow"}, {"sump_pressure_residual", "pressure left in the sump after an unload"}, {"blowdown_time", "time to blow down"},
		{"separator_drop", "drop of the oil separator"}, {"phase_unbalance", "unbalance of the voltages"}, {"motor_derating", "power the motor may give on them"},
		{"sump_dew_point", "where the sump's air gives up water"}, {"water_risk_share", "loaded time colder than that"}, {"condensate", "condensate"}})
	remarks := b.remarks()
	switch {
	case len(remarks) > 0:
		part.Blocks = append(part.Blocks, Block{Text: Text{{Text: "What wants looking at:", Strong: true}}}, Block{List: remarks})
	case len(part.Blocks) > 0:
		part.Blocks = append(part.Blocks, para("No change of these was told from chance in this window, and none is said to be at its limit."))
	}
	switch {
	case len(part.Blocks) > 0:
		part.Blocks = append(part.Blocks, para("What is hot, turns, or stands under pressure or voltage is looked at by those licensed for it, with the machine isolated and vented: one that waits for pressure starts by itself."))
	default:
		part.Blocks = []Block{gap("Nothing tells of the machines' health", "no temperature, sump pressure or voltage was read in this window")}
	}
	service := Section{ID: "service", Title: "Service", Level: 2, Blocks: b.serviceBlocks()}
	if len(service.Blocks) == 0 {
		return []Section{part}
	}
	return []Section{part, service}
}

// remarks are those of all machines, in words.
func (b *builder) remarks() (all []Text) {
	for i := range b.data.Figures.Machines {
		m := &b.data.Figures.Machines[i]
		for k := range m.Remarks {
			r := &m.Remarks[k]
			t := say(strong(say(m.Machine+": ")), b.sentence(r.Sentence))
			if len(r.Evidence) > 0 {
				t = append(t, Run{Text: " Read: " + strings.Join(r.Evidence, "; ") + "."})
			}
			all = append(all, t)
		}
	}
	return all
}

// serviceBlocks lists what is due on each machine.
func (b *builder) serviceBlocks() (blocks []Block) {
	for i := range b.data.Service {
		m, at := &b.data.Service[i], fmt.Sprintf("/data/service/%d", i)
		if len(m.Items) == 0 {
			continue
		}
		t := say("")[:0]
		if m.HourMeter != nil {
			t = append(t, say(m.Machine+" showed ", b.at(m.HourMeter, at+"/hour_meter", ""), " hours. ")...)
		}
		if m.HoursPerDay != nil {
			t = append(t, say("It ran ", b.at(m.HoursPerDay, at+"/hours_per_day", ""))...)
			if m.Uncertainty != nil {
				value, half := display.Pair(m.HoursPerDay, m.Uncertainty, &analysis.Column{}, b.data.Site.Units)
				t[len(t)-1].Text = value
				t = append(t, Run{Text: " ± "}, Run{Text: half, At: at + "/uncertainty", Value: m.Uncertainty})
			}
			if m.OverDays == 1 {
				t = append(t, say(" hours in the last day.")...)
			} else {
				t = append(t, say(" hours a day, the mean of the last ", b.at(&m.OverDays, at+"/over_days", "1"), " days.")...)
			}
		} else if m.RateAbsent != "" {
			t = append(t, say("How long "+m.Machine+" runs a day is not told: "+sentence(m.RateAbsent))...)
		}
		if len(t) > 0 {
			blocks = append(blocks, Block{Text: t})
		}
		blocks = append(blocks, Block{Table: b.serviceTable(m, at)})
	}
	return blocks
}

func (b *builder) serviceTable(m *analysis.MachineService, at string) *Table {
	t := &Table{Caption: "Service of " + m.Machine, Columns: []Column{{Head: "Item", Weight: 1.6}, {Head: "Every", Weight: 1.4}, {Head: "Last done", Weight: 1.6},
		{Head: "Hours since", Number: true}, {Head: "Hours left", Number: true}, {Head: "Due", Weight: 2}}}
	var untold []string
	why := ""
	for k := range m.Items {
		it, place := &m.Items[k], fmt.Sprintf("%s/items/%d", at, k)
		t.Rows = append(t.Rows, []Text{say(it.Item), b.every(it, place), say(b.dateOr(it.Done, "not known")),
			b.at(it.HoursSince, place+"/hours_since", ""), b.at(it.HoursLeft, place+"/hours_left", ""), say(b.due(it))})
		if it.Absent != "" && (why == "" || why == it.Absent) {
			why = it.Absent
			untold = append(untold, it.Item)
		} else if it.Absent != "" {
			t.Notes = append(t.Notes, say(display.Capital(it.Item)+": "+sentence(it.Absent)))
		}
	}
	if len(untold) > 0 {
		t.Notes = append([]Text{say(display.Capital(strings.Join(untold, ", ")) + ": " + sentence(why))}, t.Notes...)
	}
	return t
}

// every is how often an item is due.
func (b *builder) every(it *analysis.ServiceItem, at string) (t Text) {
	if it.EveryHours > 0 {
		t = append(t, say(b.at(&it.EveryHours, at+"/every_hours", "1"), " h")...)
	}
	if it.EveryMonths > 0 {
		if len(t) > 0 {
			t = append(t, Run{Text: " or "})
		}
		t = append(t, say(b.at(&it.EveryMonths, at+"/every_months", "1"), " months")...)
	}
	return t
}

// dateOr is a local date, or what stands for none.
func (b *builder) dateOr(stamp, none string) string {
	ms, ok := stampMS(stamp)
	if !ok {
		return none
	}
	return b.local(ms).Format("2 Jan 2006")
}

// due is when an item is due, in words.
func (b *builder) due(it *analysis.ServiceItem) string {
	if it.Due == "" {
		return "not told"
	}
	s := b.dateOr(it.Due, "")
	if it.Overdue {
		s = "OVERDUE since " + s
	}
	if it.By != "" {
		s += ", by " + it.By
	}
	if it.Earliest != "" && it.Latest != "" && !it.Overdue {
		s += fmt.Sprintf(" (%s to %s)", b.dateOr(it.Earliest, ""), b.dateOr(it.Latest, ""))
	}
	return s
}
