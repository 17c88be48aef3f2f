package analysis

import "strings"

// FigureGroup is the figures that stand under one head in docs/figures.md, in its
// order.
type FigureGroup struct {
	Title   string        `json:"title"`
	Figures []FigureTitle `json:"figures"`
}

// FigureTitle is a figure's name in the contract and the one for people.
type FigureTitle struct {
	Name  string `json:"name"`
	Title string `json:"title"`
}

// FigureGroups are all figures of the contract by group.
func FigureGroups() []FigureGroup {
	var all []FigureGroup
	for _, g := range figureGroups {
		group := FigureGroup{Title: g.title}
		for _, name := range strings.Fields(g.names) {
			group.Figures = append(group.Figures, FigureTitle{name, TitleOf(name)})
		}
		all = append(all, group)
	}
	return all
}

// TitleOf is a figure's name for people.
func TitleOf(name string) string {
	if n, ok := figureNamed[name]; ok {
		return n
	}
	return strings.ReplaceAll(name, "_", " ")
}

var figureGroups = []struct{ title, names string }{
	{"Time and states", `observed_time unobserved_time off_time standby_time stopped_time unloaded_time loaded_time part_load_time
		running_time duty_cycle loaded_share mean_load_fraction`},
	{"Starts and cycles", `starts starts_after_power_failure starts_failed starts_per_hour_mean starts_per_hour_max shortest_rest
		load_cycles load_cycles_per_hour mean_load_cycle`},
	{"Power, energy and money", `power_loaded power_unloaded_settled power_unloaded_mean blowdown_time sump_pressure_residual peak_demand energy
		energy_unloaded energy_off_shift energy_cost demand_cost emissions`},
	{"Air", `air_delivered flow_mean flow_peak air_demand_mean air_demand_peak full_load_flow specific_power
		specific_power_loaded specific_power_rated specific_energy air_cost isentropic_efficiency quiet_demand
		quiet_pressure leak_flow leak_share leak_cost delivery_delay volume_per_flow effective_volume`},
	{"Pressure", `pressure_mean pressure_min pressure_max pressure_p05 pressure_p95 pressure_mean_shift pressure_min_shift
		pressure_max_shift pressure_p05_shift pressure_p95_shift cut_in_seen cut_out_seen band_seen cut_in_set
		cut_out_set band_set cycle_low cycle_high pressure_swing separator_drop filter_drop dryer_drop package_drop
		treatment_drop time_below_minimum time_below_minimum_shift time_below_minimum_all longest_below_minimum
		longest_below_minimum_shift longest_below_minimum_all standing_below_minimum_share`},
	{"Health", `approach_temperature phase_unbalance condensate discharge_rise discharge_temperature_max discharge_margin
		motor_derating sump_dew_point water_risk_share`},
}

// figureNamed are the names for people of those figures whose own name does not read.
var figureNamed = map[string]string{
	"energy_year": "electricity in a year", "energy_unloaded_year": "electricity in a year without making air", "energy_cost_year": "cost of energy in a year",
	"unloaded_cost_year": "cost in a year of running without making air", "demand_cost_year": "demand charge in a year", "cost_year": "energy and demand charge in a year",
	"pressure_step_power": "power under load", "pressure_step_energy": "energy of the window", "pressure_step_cost": "its cost", "pressure_step_cost_year": "its cost in a year",
	"air_year": "air delivered in a year", "emissions_year": "emissions in a year",
	"loaded_share": "loaded share of the observed time", "starts_failed": "failed starts", "starts_per_hour_mean": "mean starts an hour",
	"starts_per_hour_max": "most starts in an hour", "load_cycles_per_hour": "load cycles an hour", "mean_load_cycle": "mean load cycle", "power_loaded": "loaded power",
	"power_unloaded_settled": "settled unloaded power", "power_unloaded_mean": "mean unloaded power", "blowdown_time": "blow-down time",
	"sump_pressure_residual": "pressure left in the sump", "energy_unloaded": "unloaded energy", "energy_off_shift": "energy outside the shifts", "energy_cost": "cost of energy",
	"demand_cost": "demand charge", "air_demand_mean": "mean air demand", "air_demand_peak": "peak air demand", "flow_mean": "mean flow", "flow_peak": "peak flow",
	"full_load_flow": "flow at full load", "specific_power_loaded": "loaded specific power", "specific_power_rated": "specific power at rated pressure", "air_cost": "cost of air",
	"pressure_mean": "mean pressure", "pressure_min": "lowest pressure", "pressure_max": "highest pressure", "pressure_p05": "5 % level of pressure", "pressure_p95": "95 % level of pressure",
	"pressure_mean_shift": "mean pressure in shifts", "pressure_min_shift": "lowest pressure in shifts", "pressure_max_shift": "highest pressure in shifts",
	"pressure_p05_shift": "5 % level of pressure in shifts", "pressure_p95_shift": "95 % level of pressure in shifts", "cut_in_seen": "cut-in seen", "cut_out_seen": "cut-out seen",
	"band_seen": "band seen", "cut_in_set": "cut-in set", "cut_out_set": "cut-out set", "band_set": "band set", "cycle_low": "lowest pressure of a load cycle", "cycle_high": "highest pressure of a load cycle",
	"separator_drop": "drop over the separator", "filter_drop": "drop over the filter", "dryer_drop": "drop over the dryer", "package_drop": "drop inside the package",
	"treatment_drop": "drop from discharge to tap", "time_below_minimum": "time below minimum pressure", "time_below_minimum_shift": "time below minimum pressure in shifts",
	"time_below_minimum_all": "time below minimum pressure in all hours", "longest_below_minimum": "longest below minimum pressure", "longest_below_minimum_shift": "longest below minimum pressure in shifts",
	"longest_below_minimum_all": "longest below minimum pressure in all hours", standingShare: "share of the low time in shifts in which no machine ran", "leak_flow": "leaks", "leak_share": "share of leaks", "leak_cost": "cost of leaks in a year", "volume_per_flow": "storage over full-load flow",
	"effective_volume": "storage", "approach_temperature": "approach of the aftercooler", "phase_unbalance": "voltage unbalance", "discharge_rise": "discharge over ambient",
	"discharge_temperature_max": "highest discharge temperature", "discharge_margin": "margin to the trip", "motor_derating": "motor's share on these voltages",
	"sump_dew_point": "dew point in the sump", "water_risk_share": "loaded time below the sump's dew point",
}
