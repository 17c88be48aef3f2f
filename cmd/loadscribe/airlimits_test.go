package main

import "loadscribe/cmd/loadscribe/airtruth"

// airLimit is what one figure is held to over all runs.
type airLimit struct {
	figure  string
	ceiling float64 // of the mean stated uncertainty over the truth
	budget  string  // the sum behind the ceiling
	// Scenarios with a ceiling of their own, for what makes them hard.
	wide map[string]float64
	// Scenarios in which the figure is absent, by machine where the key has one
	// ("three-shifts trim"), and a part of the reason it must give.
	absent map[string]string
	// Scenarios in which a seed may have too little to tell it by.
	maybe map[string]bool
	// Scenarios that are not counted, for an instrument lies beyond its data sheet.
	lies []string
}

func (l *airLimit) excluded(scenario string) bool {
	for _, s := range l.lies {
		if s == scenario {
			return true
		}
	}
	return false
}

// reason is why a row must be absent, if so.
func (l *airLimit) reason(r *airtruth.Row) (string, bool) {
	if text, ok := l.absent[r.Run.Scenario+" "+r.Subject]; ok {
		return text, true
	}
	text, ok := l.absent[r.Run.Scenario]
	return text, ok
}

// What the ceilings are summed of, as 95 % of the truth. A nameplate's flow is
// off by -12 to +5 %, anywhere in it alike: 17 % / 2 / √3 · 2 = 9.8 % of the
// nameplate, 10.2 % of a flow that lies 3.5 % below it in the mean. An accuracy
// of 1 % is a limit: 1 % / √3 · 2 = 1.2 %.
const (
	nameplate95 = "nameplate 10.2 %"
	meter95     = "meter 1.2 %"
)

func airLimits() []airLimit {
	// A controller that drives valves shows a part-load machine's; its duty has no
	// meaning.
	partLoad := map[string]string{"modulate-then-unload": "a part-load machine", "variable-displacement": "a part-load machine",
		"three-shifts trim": "a part-load machine"}
	// One current transformer sits the wrong way round.
	reversed := []string{"reversed-ct"}
	// No load makes a kink in the pressure, or another machine fills it in.
	const holds = "holds the pressure"
	edges := map[string]string{"modulate-then-unload": holds, "variable-displacement": holds, "three-shifts trim": holds,
		"three-shifts main": holds, "three-shifts base1": "follows the pressure", "three-shifts base2": "follows the pressure",
		"short-cycling": "long enough"}
	unsteady := map[string]bool{"storage-starved": true, "no-load-bit": true}
	// After the shift the pressure falls within minutes.
	shortNights := map[string]bool{"storage-starved": true}
	// Loads as short as the delay of their air tell of it less than nothing.
	vague := map[string]bool{"short-cycling": true}
	return []airLimit{
		{figure: "energy", ceiling: 0.015, budget: meter95 + ", 2.3 % of the biased plant", lies: reversed},
		// Without a load signal, and before levels are learnt, states are told by assumed ones.
		{figure: "duty_cycle", ceiling: 0.005, budget: "moments to a scan", absent: partLoad, lies: []string{"no-load-bit"}},
		{figure: "air_delivered", ceiling: 0.11, budget: nameplate95 + ", delay and moments of loads 4 %", wide: hurried(1.2, 0.3), maybe: vague},
		{figure: "flow_mean", ceiling: 0.11, budget: nameplate95 + ", delay and moments of loads 4 %", wide: hurried(1.2, 0.3), maybe: vague},
		{figure: "full_load_flow", ceiling: 0.105, budget: nameplate95},
		{figure: "specific_power", ceiling: 0.112, budget: nameplate95 + ", delay and moments 4 %, " + meter95, wide: hurried(1.2, 0.3), maybe: vague, lies: reversed},
		{figure: "specific_energy", ceiling: 0.112, budget: nameplate95 + ", delay and moments 4 %, " + meter95, wide: hurried(1.2, 0.3), maybe: vague, lies: reversed},
		{figure: "specific_power_loaded", ceiling: 0.105, budget: nameplate95 + ", " + meter95, lies: reversed},
		{figure: "specific_power_rated", ceiling: 0.12, budget: nameplate95 + ", " + meter95 + ", to another pressure 4 %", lies: reversed},
		{figure: "isentropic_efficiency", ceiling: 0.12, budget: nameplate95 + ", " + meter95 + ", pressure 1 %", lies: reversed},
		{figure: "air_demand_mean", ceiling: 0.11, budget: nameplate95 + ", delay and moments of loads 4 %", wide: hurried(1.5, 0.3)},
		// A noisy maximum: the highest minute of some 600.
		{figure: "air_demand_peak", ceiling: 0.125, budget: nameplate95 + ", a minute's own 7 %", wide: hurried(1.2, 0.3)},
		{figure: "delivery_delay", ceiling: 0.5, budget: "demand that rose before the load 0.9 s, scan 0.6 s, of some 2.4 s", absent: edges, maybe: unsteady},
		{figure: "quiet_demand", ceiling: 0.135, budget: nameplate95 + ", delay, moments and pressure 7 %, scatter 5 %", maybe: shortNights},
		{figure: "leak_flow", ceiling: 0.135, budget: nameplate95 + ", delay, moments and pressure 7 %, scatter 5 %", maybe: shortNights},
		// The nameplate is in both; what is left is when it leaks.
		{figure: "leak_share", ceiling: 0.16, budget: "delay, moments and pressure 7 % of each, nights for days 12 %", wide: hurried(1.2, 0.3), maybe: map[string]bool{"storage-starved": true, "short-cycling": true}},
		{figure: "effective_volume", ceiling: 0.12, budget: "parts of the site file 11.5 %"},
		{figure: "volume_per_flow", ceiling: 0.16, budget: "exponent 11.5 %, demand on both sides 6 %, scatter of the slopes 9 %", absent: edges, maybe: unsteady},
	}
}

// hurried are the plants whose loads are hardly longer than the delay of
// their air.
func hurried(cycling, starved float64) map[string]float64 {
	return map[string]float64{"short-cycling": cycling, "storage-starved": starved}
}
