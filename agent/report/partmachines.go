package report

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/display"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// machineTables are the machines as the site file has them, side by side, and what is
// read of them.
func (b *builder) machineTables() (blocks []Block) {
	const beside = 4
	site := b.data.Site
	for from := 0; from < len(site.Machines); from += beside {
		group := site.Machines[from:min(from+beside, len(site.Machines))]
		plates := &Table{Caption: "As on the plates and as set, by the site file", Columns: []Column{{Head: "What"}}}
		for i := range group {
			plates.Columns = append(plates.Columns, Column{Head: group[i].Name})
		}
		for _, p := range plateRows {
			row, any := []Text{say(p.name)}, false
			for i := range group {
				text := p.of(b, &group[i])
				any = any || text != ""
				row = append(row, say(orDash(text)))
			}
			if any {
				plates.Rows = append(plates.Rows, row)
			}
		}
		if len(plates.Rows) > 0 {
			blocks = append(blocks, Block{Table: plates})
		}
	}
	var facts []Fact
	var unread []string
	for i := range site.Machines {
		read := readOf(&site.Machines[i])
		if facts = append(facts, read...); len(read) == 0 {
			unread = append(unread, site.Machines[i].Name)
		}
	}
	if len(facts) > 0 {
		blocks = append(blocks, para("What is read of them; a channel with another name than what it tells stands in brackets:"), Block{Facts: facts})
	}
	if len(unread) > 0 {
		blocks = append(blocks, gap("Nothing is read of "+listed(unread), "give them channels or roles in the site file"))
	}
	return blocks
}

// readOf is what each device tells of a machine.
func readOf(m *sitefile.Machine) (facts []Fact) {
	of := map[string][]string{}
	for _, role := range slices.Sorted(maps.Keys(m.Roles)) {
		device, channel, _ := strings.Cut(m.Roles[role], ".")
		word := strings.ReplaceAll(string(role), "_", " ")
		if channel != string(role) {
			word += " (" + channel + ")"
		}
		of[device] = append(of[device], word)
	}
	for _, device := range slices.Sorted(maps.Keys(of)) {
		facts = append(facts, Fact{m.Name + ", by " + device, say(strings.Join(of[device], ", "))})
	}
	return facts
}

func orDash(text string) string {
	if text == "" {
		return "–"
	}
	return text
}

// plateRows are the rows of a machine's plate; what is not given is empty.
var plateRows = []struct {
	name string
	of   func(b *builder, m *sitefile.Machine) string
}{
	{"Control", func(_ *builder, m *sitefile.Machine) string { return string(m.Control) }},
	{"Rated flow", func(b *builder, m *sitefile.Machine) string { return b.sized(m.RatedFlowM3S, quantity.Flow) }},
	{"Rated pressure", func(b *builder, m *sitefile.Machine) string { return b.sized(m.RatedPressurePa, quantity.Pressure) }},
	{"Package power at rated flow", func(b *builder, m *sitefile.Machine) string { return b.sized(m.RatedPowerW, quantity.Power) }},
	{"Motor", func(b *builder, m *sitefile.Machine) string { return b.motor(&m.Motor) }},
	{"Band as set", func(b *builder, m *sitefile.Machine) string {
		if m.CutInPa == 0 || m.CutOutPa == 0 {
			return ""
		}
		return b.sized(m.CutInPa, quantity.Pressure) + " to " + b.sized(m.CutOutPa, quantity.Pressure)
	}},
	{"Stops after running unloaded for", func(_ *builder, m *sitefile.Machine) string { return inWords(m.NoLoadStop) }},
	{"Least from start to start", func(_ *builder, m *sitefile.Machine) string { return inWords(m.LeastBetweenStarts) }},
	{"Trips at a discharge of", func(b *builder, m *sitefile.Machine) string {
		return b.sized(m.TripTemperatureK, quantity.Temperature)
	}},
	{"Service", func(_ *builder, m *sitefile.Machine) string {
		var all []string
		for _, s := range m.Service {
			var due []string
			if s.Hours > 0 {
				due = append(due, fmt.Sprintf("%.0f h", s.Hours))
			}
			if s.Months > 0 {
				due = append(due, fmt.Sprintf("%.0f months", s.Months))
			}
			all = append(all, s.Item+" each "+strings.Join(due, " or "))
		}
		return strings.Join(all, "; ")
	}},
}

// sized is a quantity of the site file in the site's units, without a nought behind the
// point; empty where it is not given.
func (b *builder) sized(si float64, d quantity.Dimension) string {
	if si == 0 {
		return ""
	}
	number, unit, _ := strings.Cut(b.shown(si, d), " ")
	if strings.Contains(number, ".") {
		number = strings.TrimRight(strings.TrimRight(number, "0"), ".")
	}
	return strings.TrimSpace(number + " " + unit)
}

func inWords(d time.Duration) string {
	if d == 0 {
		return ""
	}
	return display.Duration(d.Seconds())
}

func (b *builder) motor(m *sitefile.Motor) string {
	parts := []string{b.sized(m.PowerW, quantity.Power), b.sized(m.Volts, quantity.Voltage), m.Starting}
	if m.Poles > 0 {
		parts = append(parts, fmt.Sprintf("%d poles", m.Poles))
	}
	if m.StartsPerHour > 0 {
		parts = append(parts, fmt.Sprintf("%g starts an hour by its plate", m.StartsPerHour))
	}
	return strings.Join(slices.DeleteFunc(parts, func(p string) bool { return p == "" }), ", ")
}

// given is what the site file says that no instrument measures.
func (b *builder) given() Section {
	site := b.data.Site
	height := fmt.Sprintf("%.4g kPa absolute", site.BarometerPa/1000)
	if !site.BarometerGiven {
		height += ", that of sea level: the site file gives no altitude"
	}
	facts := []Fact{
		{"Air outside", say(height)},
		{"Free air", say("a flow in " + site.Units.Unit(quantity.Flow).Symbol + " is air as it is drawn in at the inlet")},
		{"Shifts", say(b.shiftWords())},
		{"Weeks worked in a year", say(fmt.Sprintf("%g", site.WeeksPerYear))},
		{"Emissions", say(b.emissionFactor())},
	}
	s := Section{ID: "given", Title: "What the site file says and nothing measures", Level: 2, Blocks: []Block{{Facts: facts}}}
	t := &Table{Caption: "Prices of electricity", Columns: []Column{{Head: "Charge"}, {Head: "When", Weight: 1.8}, {Head: "Price", Unit: site.Tariff.Currency}, {Head: "For"}}}
	for i := range site.Tariff.Energy {
		e := &site.Tariff.Energy[i]
		t.Rows = append(t.Rows, []Text{say("energy"), say(periodWords(&e.Period)), say(price(e.PerKWh)), say("kWh")})
	}
	for i := range site.Tariff.Demand {
		d := &site.Tariff.Demand[i]
		how := "kW and billing month, highest mean of " + display.Duration(d.Window.Seconds())
		if d.RatchetShare > 0 {
			how += fmt.Sprintf("; at least %g %% of the highest of %d months before", 100*d.RatchetShare, d.RatchetMonths)
		}
		t.Rows = append(t.Rows, []Text{say("demand"), say(periodWords(&d.Period)), say(price(d.PerKW)), say(how)})
	}
	if len(t.Rows) == 0 {
		s.Blocks = append(s.Blocks, gap("No tariff", "the site file has no prices, so that nothing is told in money; add [tariff] to it"))
	} else {
		s.Blocks = append(s.Blocks, Block{Table: t})
	}
	return s
}

func periodWords(p *sitefile.Period) string {
	var parts []string
	for i := range p.When {
		parts = append(parts, p.When[i].Text)
	}
	if p.Text != "" {
		parts = append(parts, p.Text)
	}
	if len(parts) == 0 {
		return p.Name
	}
	return strings.Join(parts, ", ")
}

func (b *builder) shiftWords() string {
	if len(b.data.Site.Shifts) == 0 {
		return "none named: what is outside of them cannot be told"
	}
	var all []string
	for _, w := range b.data.Site.Shifts {
		all = append(all, w.Text)
	}
	text := strings.Join(all, ", ")
	if !b.data.Site.Holidays.Empty() {
		text += ", but for the holidays named"
	}
	return text
}

func (b *builder) emissionFactor() string {
	if !b.data.Site.Tariff.EmissionsProvided {
		return "no factor named"
	}
	return fmt.Sprintf("%.4g kg/kWh, taken as exact", b.data.Site.Tariff.EmissionsKgPerJ*3.6e6)
}

// price is as the site file has it, with cents.
func price(v float64) string {
	if exact := strconv.FormatFloat(v, 'f', -1, 64); len(exact) > len(strconv.FormatFloat(v, 'f', 2, 64)) {
		return exact
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}
