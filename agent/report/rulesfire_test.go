package report

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// TestBrief: what a finding is worth stands beside its title, where it can be told.
func TestBrief(t *testing.T) {
	half := 1100.0
	doc := &Document{Data: &Data{Site: &sitefile.Site{Units: quantity.US}}, Findings: []Finding{{Title: "More storage would save"},
		{Title: "It runs off shift", Effect: &Effect{Money: &Amount{Value: 2700, Half: &half}, Currency: "USD", EnergyKWh: &Amount{Value: 13600}, By: "off outside the shifts"}},
		{Title: "It idles", Cost: &Cost{Money: &Amount{Value: 7200, Half: &half}, Currency: "USD"}}}}
	if got := Brief(doc, 0); got != "More storage would save" {
		t.Errorf("without a worth: %q", got)
	}
	if got := Brief(doc, 1); !strings.HasPrefix(got, "It runs off shift, worth in a year, off outside the shifts: 2700 ± 1100 USD; ") || !strings.HasSuffix(got, " kWh") {
		t.Errorf("with a worth: %q", got)
	}
	if got := Brief(doc, 2); got != "It idles, costs now, in a year: 7200 ± 1100 USD" {
		t.Errorf("with a cost alone: %q", got)
	}
}

// TestOrderOfFindings: danger, then doubt, then what stops the work, then a broken limit, then money by what is sure,
// then the rest. The numbers are made up; the order is what docs/findings.md says.
func TestOrderOfFindings(t *testing.T) {
	half := func(v float64) *float64 { return &v }
	money := func(value float64, u *float64) *Effect { return &Effect{Money: &Amount{Value: value, Half: u}} }
	all := []Finding{
		{Title: "k upkeep", Matters: mattersUpkeep},
		{Title: "h small and sure", Matters: mattersUpkeep, Effect: money(300, half(10))},
		{Title: "g large, and less sure", Matters: mattersAir, Effect: money(900, half(500))},
		{Title: "b doubtful meter", Matters: mattersFigures},
		{Title: "i machine, its money may be nothing", Matters: mattersMachine, Effect: money(5000, half(6000))},
		{Title: "j air, nobody knows how sure", Matters: mattersAir, Effect: money(5000, nil)},
		{Title: "a danger", Matters: mattersPeople},
		{Title: "d a limit is broken", Matters: mattersMachine, Broken: true},
		{Title: "c nobody can work", Matters: mattersStops},
		{Title: "f money", Matters: mattersAir, Effect: money(1000, half(100))},
		{Title: "e costs much, and nobody played what would be saved", Matters: mattersAir, Cost: &Cost{Money: &Amount{Value: 7250, Half: half(220)}}},
	}
	slices.SortStableFunc(all, firstOf)
	for i := range all {
		if int(all[i].Title[0]-'a') != i {
			t.Errorf("place %d has %q", i+1, all[i].Title)
		}
	}
}

// rulesOf are the names of the rules that fire on a site.
func rulesOf(d *Data) (names []string) {
	b := &builder{data: d, doc: &Document{}}
	b.ask()
	for i := range b.doc.Findings {
		names = append(names, b.doc.Findings[i].Rule)
	}
	slices.Sort(names)
	return names
}

// put sets a figure of the only machine, or of the only system, with its half width.
func put(d *Data, subject, name string, value, u float64, limit ...float64) {
	f := analysis.Figure{Name: name, Value: &value, Uncertainty: &u}
	if len(limit) > 0 {
		f.Limit, f.LimitBasis = &limit[0], "made up"
	}
	all := &d.Figures.Machines[0].Figures
	if subject == "main" {
		all = &d.Figures.Systems[0].Figures
	}
	*all = append(slices.DeleteFunc(*all, func(old analysis.Figure) bool { return old.Name == name }), f)
}

// sign puts a finding about the data to the only machine.
func sign(d *Data, kind string, s analysis.Sign, ms int64) {
	m := &d.Figures.Machines[0]
	m.Findings = append(m.Findings, analysis.Finding{Kind: kind, Subject: "meter.power", Sentence: "something was seen", Sign: s, ForMS: ms})
}

// TestRulesFire sets the figures of a sound site to just short of a rule's limit, where
// nothing may fire, and to just beyond it. The limits are docs/findings.md's, each with
// its source there: NEMA MG 1-14.36 for unbalance, ISO 1217 annex C for specific power.
// Rules that a built-in scenario breaks are tried on it in cmd/loadscribe as well.
func TestRulesFire(t *testing.T) {
	plate := 37.0 / (0.0873 * 60) // kW/(m³/min): 7.06, 6 % above it is 7.49
	for _, c := range []struct {
		rule          string
		short, beyond func(d *Data)
	}{
		{"unbalance", func(d *Data) { put(d, "comp1", "phase_unbalance", 1.4, 0.5) }, func(d *Data) { put(d, "comp1", "phase_unbalance", 1.6, 0.5) }},
		{"specific-power", func(d *Data) { put(d, "comp1", "specific_power_rated", 1.05*plate, 0) }, func(d *Data) { put(d, "comp1", "specific_power_rated", 1.07*plate, 0) }},
		{"specific-power", func(d *Data) { put(d, "comp1", "specific_power_rated", 1.2*plate, 0.2*plate) }, func(d *Data) { put(d, "comp1", "specific_power_rated", 1.2*plate, 0.1*plate) }},
		{"water", func(d *Data) { put(d, "comp1", "water_risk_share", 0.3, 0.11) }, func(d *Data) { put(d, "comp1", "water_risk_share", 0.3, 0.09) }},
		{"starts", func(d *Data) { put(d, "comp1", "starts_per_hour_max", 5, 0, 6) }, func(d *Data) { put(d, "comp1", "starts_per_hour_max", 6, 0, 6) }},
		{"faults", func(d *Data) { put(d, "comp1", "starts_failed", 0, 0) }, func(d *Data) { put(d, "comp1", "starts_failed", 1, 0) }},
		{"restarts", func(d *Data) { put(d, "comp1", "starts_after_power_failure", 0, 0) }, func(d *Data) { put(d, "comp1", "starts_after_power_failure", 1, 0) }},
		{"hot", func(d *Data) { put(d, "comp1", "discharge_margin", 10.1, 2) }, func(d *Data) { put(d, "comp1", "discharge_margin", 9.9, 2) }},
		{"leaks", func(d *Data) { put(d, "main", "leak_share", 0.12, 0.03) }, func(d *Data) { put(d, "main", "leak_share", 0.14, 0.03) }},
		{"unread", func(d *Data) { unseen(d, 0.04) }, func(d *Data) { unseen(d, 0.06) }},
		{"clock", func(d *Data) { step(d, "-59000") }, func(d *Data) { step(d, "-61000") }},
		{"wiring", func(d *Data) { put(d, "comp1", "isentropic_efficiency", 1.05, 0.06) }, func(d *Data) { put(d, "comp1", "isentropic_efficiency", 1.05, 0.04) }},
		{"wiring", func(*Data) {}, func(d *Data) { sign(d, "impossible", analysis.SignNegative, 60_000) }},
		{"inlet-valve", func(*Data) {}, func(d *Data) { sign(d, "contradictory", analysis.SignDrawn, 30_000) }},
		{"meter-setting", func(*Data) {}, func(d *Data) { sign(d, "instrument", analysis.SignSetting, 0) }},
		{"calibration", func(*Data) {}, func(d *Data) { sign(d, "instrument", "", 0) }},
		{"sensors", func(d *Data) { sign(d, "missing", "", 0) }, func(d *Data) { sign(d, "stuck", "", 0) }},
		{"service", func(d *Data) { due(d, false) }, func(d *Data) { due(d, true) }},
		{"control-gap", func(d *Data) { second(d, 3599) }, func(d *Data) { second(d, 3601) }},
		{"dear-hours", func(d *Data) { quartersOf(d, 9.1) }, func(d *Data) { quartersOf(d, 9.3) }},
		{"night-use", func(d *Data) { nights(d, 2) }, func(d *Data) { nights(d, 3) }},
		{"purge", func(d *Data) { dryer(d, 0.019) }, func(d *Data) { dryer(d, 0.021) }},
	} {
		d := shop(nil)
		if c.short(d); len(rulesOf(d)) != 0 {
			t.Errorf("%s fires short of its limit: %v", c.rule, rulesOf(d))
		}
		d = shop(nil)
		if c.beyond(d); !slices.Equal(rulesOf(d), []string{c.rule}) {
			t.Errorf("beyond the limit of %s fires %v", c.rule, rulesOf(d))
		}
	}
}

func unseen(d *Data, share float64) {
	put(d, "comp1", "observed_time", 1000*(1-share), 0)
	put(d, "comp1", "unobserved_time", 1000*share, 0)
}

func step(d *Data, ms string) {
	d.Events = append(d.Events, store.Event{Kind: "clock_step", Text: "the clock was set", Data: map[string]string{"step_ms": ms}})
}

func due(d *Data, overdue bool) {
	hours := 4100.0
	d.Service = []analysis.MachineService{{Machine: "comp1", Items: []analysis.ServiceItem{{Item: "oil", HoursSince: &hours, Due: "2026-03-02T06:00:00Z", Overdue: overdue}}}}
}

// second is another machine, which idles beside the first for so many seconds.
func second(d *Data, idleS int64) {
	m := d.Site.Machines[0]
	m.Name = "comp2"
	d.Site.Machines = append(d.Site.Machines, m)
	d.Site.Systems[0].Machines = append(d.Site.Systems[0].Machines, "comp2")
	d.Figures.Machines = append(d.Figures.Machines, analysis.MachineFigures{Machine: "comp2"})
	d.Runs = map[string][]analysis.Run{
		"comp1": states("unloaded 5000", "loaded 5000"),
		"comp2": states(fmt.Sprintf("unloaded %d", idleS), fmt.Sprintf("loaded %d", 10_000-idleS)),
	}
}

// quartersOf are a week's quarter hours of 8 kWh, with one higher.
func quartersOf(d *Data, highest float64) {
	d.ToMS = 7 * 86_400_000
	d.Site.Tariff.Demand = []sitefile.DemandCharge{{}}
	usual, most := 8.0, highest
	for i := range 20 {
		v := analysis.Interval{Start: time.UnixMilli(int64(i) * 900_000).UTC().Format(time.RFC3339), ObservedS: 900, EnergyKWh: &usual}
		if i == 7 {
			v.EnergyKWh = &most
		}
		if d.Intervals == nil {
			d.Intervals = map[string][]analysis.Interval{}
		}
		d.Intervals["comp1"] = append(d.Intervals["comp1"], v)
	}
	price := 14.2
	d.Figures.Systems[0].Tables = append(d.Figures.Systems[0].Tables, analysis.Table{Name: "demand_by_month",
		Columns: []analysis.Column{{Name: "own peak", Unit: "kW"}, {Name: "billed demand", Unit: "kW"}, {Name: "own part", Unit: "kW"}, {Name: "price", Unit: "USD/kW"}},
		Rows:    []analysis.Row{{Name: "March", Values: []*float64{&most, &most, &most, &price}}}})
}

// nights has so many hours of much air outside the shifts.
func nights(d *Data, n int) {
	put(d, "main", "quiet_demand", 0.1, 0.02)
	much, little := 60*0.25, 60*0.1
	var h analysis.Hours
	for i := range 10 {
		row := analysis.Hour{StartMS: int64(i) * 3_600_000, AirM3: &little}
		if i > 2 && i <= 2+n {
			row.AirM3 = &much
		}
		h.Rows = append(h.Rows, row)
	}
	d.Hours = map[string]analysis.Hours{"system main": h}
}

// dryer has a drain that lets off a share of the mean flow.
func dryer(d *Data, share float64) {
	put(d, "main", "flow_mean", 60, 1) // 1 m³/s
	d.Site.Systems[0].Drains = []sitefile.Drain{{Name: "drain", FlowM3S: 10 * share, Open: 6 * time.Second, Every: time.Minute}}
}
