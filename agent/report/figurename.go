package report

import "strings"

// figureNamed are the names for people of those figures whose own name does not read.
var figureNamed = map[string]string{
	"duty_cycle": "duty cycle (loaded of running time)", "loaded_share": "loaded share (of observed time)", "starts_per_hour_mean": "starts an hour, mean",
	"starts_per_hour_max": "starts in any hour, most", "load_cycles_per_hour": "load cycles an hour", "power_loaded": "power, loaded",
	"power_unloaded_settled": "power, unloaded and settled", "power_unloaded_mean": "power, unloaded, mean", "blowdown_time": "blow-down time",
	"sump_pressure_residual": "pressure left in the sump", "energy_unloaded": "energy, unloaded", "energy_off_shift": "energy outside the shifts", "energy_cost": "cost of energy",
	"demand_cost": "demand charge", "air_demand_mean": "air demand, mean", "air_demand_peak": "air demand, peak", "flow_mean": "flow, mean", "flow_peak": "flow, peak",
	"full_load_flow": "flow at full load", "specific_power_loaded": "specific power, loaded", "specific_power_rated": "specific power at rated pressure", "air_cost": "cost of air",
	"pressure_mean": "pressure, mean", "pressure_min": "pressure, lowest", "pressure_max": "pressure, highest", "pressure_p05": "pressure, 5 % level", "pressure_p95": "pressure, 95 % level",
	"pressure_mean_shift": "pressure in shifts, mean", "pressure_min_shift": "pressure in shifts, lowest", "pressure_max_shift": "pressure in shifts, highest",
	"pressure_p05_shift": "pressure in shifts, 5 % level", "pressure_p95_shift": "pressure in shifts, 95 % level", "cut_in_seen": "cut-in, seen", "cut_out_seen": "cut-out, seen",
	"band_seen": "band, seen", "cut_in_set": "cut-in, set", "cut_out_set": "cut-out, set", "band_set": "band, set", "cycle_low": "lowest of a load cycle", "cycle_high": "highest of a load cycle",
	"separator_drop": "drop over the separator", "filter_drop": "drop over the filter", "dryer_drop": "drop over the dryer", "package_drop": "drop inside the package",
	"treatment_drop": "drop from discharge to tap", "time_below_minimum": "time below minimum pressure", "time_below_minimum_shift": "time below minimum pressure, shifts",
	"time_below_minimum_all": "time below minimum pressure, all hours", "longest_below_minimum": "longest below minimum pressure", "longest_below_minimum_shift": "longest below minimum pressure, shifts",
	"longest_below_minimum_all": "longest below minimum pressure, all hours", "leak_flow": "leaks", "leak_share": "leaks' share", "leak_cost": "leaks' cost of a year", "volume_per_flow": "storage over full-load flow",
	"effective_volume": "storage", "approach_temperature": "approach of the aftercooler", "phase_unbalance": "voltage unbalance", "discharge_rise": "discharge over ambient",
	"discharge_temperature_max": "discharge temperature, highest", "discharge_margin": "margin to the trip", "motor_derating": "motor's share on these voltages",
	"sump_dew_point": "dew point in the sump", "water_risk_share": "loaded time below that dew point", "mean_load_cycle": "load cycle, mean",
}

// figureName is a figure's name for people.
func figureName(name string) string {
	if n, ok := figureNamed[name]; ok {
		return n
	}
	return strings.ReplaceAll(name, "_", " ")
}
