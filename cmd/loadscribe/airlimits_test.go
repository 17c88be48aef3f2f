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

func airLimits() []airLimit {
	var all []airLimit
	for _, n := range []string{"energy", "duty_cycle", "air_delivered", "flow_mean", "full_load_flow", "delivery_delay", "specific_power", "specific_power_loaded",
		"specific_power_rated", "specific_energy", "isentropic_efficiency", "air_demand_mean", "quiet_demand", "leak_flow", "leak_share", "effective_volume", "volume_per_flow"} {
		all = append(all, airLimit{figure: n, ceiling: 0.1, budget: "?"})
	}
	return all
}
