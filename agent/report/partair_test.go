package report

import (
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
)

// saidIn are all texts of sections, in their order.
func saidIn(sections []Section) string {
	var all strings.Builder
	put := func(t Text) {
		for _, r := range t {
			all.WriteString(r.Text)
		}
		all.WriteString("\n")
	}
	var blocks func([]Block)
	blocks = func(list []Block) {
		for _, b := range list {
			put(b.Text)
			for _, t := range b.List {
				put(t)
			}
			for _, f := range b.Facts {
				put(append(say(f.Name+": "), f.Is...))
			}
			if b.Table != nil {
				for _, row := range b.Table.Rows {
					for _, cell := range row {
						put(cell)
					}
				}
				for _, n := range b.Table.Notes {
					put(n)
				}
			}
			if b.Box != nil {
				put(say("[" + b.Box.Kind + "] " + b.Box.Title))
				blocks(b.Box.Blocks)
			}
		}
	}
	for i := range sections {
		put(say(sections[i].Title))
		blocks(sections[i].Blocks)
	}
	return all.String()
}

// TestAirSectionsSay: what each section must say of a site, and must not.
func TestAirSectionsSay(t *testing.T) {
	half, due := 3.0, 12.0
	answer := replay.Answer{System: "main", Fit: replay.Fit{Poor: true, Words: "POOR: the energy is missed"}}
	for _, c := range []struct {
		name     string
		part     func(*builder) []Section
		change   func(*Data)
		says     []string
		saysNone []string
	}{
		{"no period before", beforeAfter, nil, nil, []string{"Before"}},
		{"a period that cannot be compared", beforeAfter, func(d *Data) { d.CompareAbsent = "it ends before it begins" }, []string{"[gap]", "It ends before it begins."}, nil},
		{"a poor replay", replays, func(d *Data) { d.Replays = []replay.Answer{answer} }, []string{"[caution] The replay does not meet what happened", "POOR", "nothing could be decided"}, []string{"speak for none"}},
		{"a replay that cannot be", replays, func(d *Data) { d.Replays = []replay.Answer{{System: "main", Absent: "no rated flow"}} }, []string{"[gap]", "No rated flow."}, nil},
		{"no system", replays, nil, []string{"[gap] Nothing was replayed"}, nil},
		{"faults", faults, func(d *Data) {
			d.Faults = []Fault{{Subject: "comp1", Code: "7", Text: "air end too hot", Times: 4, OnS: 90}}
		}, []string{"faults of one kind", "air end too hot", "1 min 30 s", "before the window"}, []string{"No controller"}},
		{"no channel of faults", faults, func(d *Data) {
			d.Figures.Systems[0].Figures = append(d.Figures.Systems[0].Figures, one("observed_time", 600))
		}, []string{"role fault_code"}, nil},
		{"service overdue", health, func(d *Data) {
			d.Service = []analysis.MachineService{{Machine: "comp1", HoursPerDay: &due, Uncertainty: &half, OverDays: 7,
				Items: []analysis.ServiceItem{{Item: "oil", EveryHours: 4000, Due: "2026-03-01T00:00:00Z", By: "hours", Overdue: true}}}}
		}, []string{"OVERDUE since 1 Mar 2026, by hours", "12.0 ± 3.0 hours a day"}, nil},
		{"a remark", health, func(d *Data) {
			d.Figures.Machines[0].Remarks = []analysis.Remark{{About: "energy", Sentence: "comp1 is too hot"}}
		}, []string{"comp1: comp1 is too hot."}, []string{"Comp1"}},
		{"no minimum pressure", pressures, func(d *Data) { d.Site.Systems[0].MinimumPressurePa = 0 }, []string{"the site file has no minimum_pressure"}, nil},
		{"leaks absent", leaks, func(d *Data) {
			d.Figures.Systems[0].Figures = []analysis.Figure{{Name: "quiet_demand", Absent: "no quiet hours"}}
		}, []string{"[gap] What leaks at main cannot be told", "No quiet hours."}, nil},
		{"demand absent", demands, nil, []string{"[gap] The demand of main cannot be told"}, nil},
	} {
		d := shop(sound())
		if c.change != nil {
			c.change(d)
		}
		said := saidIn(c.part(&builder{data: d, doc: &Document{Data: d}}))
		for _, want := range c.says {
			if !strings.Contains(said, want) {
				t.Errorf("%s: %q is not in:\n%s", c.name, want, said)
			}
		}
		for _, no := range c.saysNone {
			if strings.Contains(said, no) {
				t.Errorf("%s: %q is in:\n%s", c.name, no, said)
			}
		}
	}
}
