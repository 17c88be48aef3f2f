package analysis

import "strings"

// ServiceMove is a figure that a service should move, which way, and why. It is
// what the trade expects (common practice, no source), no promise: an element
// that was changed in time moves little.
type ServiceMove struct {
	Figure string `json:"figure"`
	// Way is lower or higher; empty where it may go either way.
	Way string `json:"way,omitempty"`
	Why string `json:"why"`
}

const (
	lower  = "lower"
	higher = "higher"
)

// serviceMoves are found by a word of the item's name; the first that fits holds.
var serviceMoves = [...]struct {
	words []string
	moves []ServiceMove
}{
	{[]string{"separator"}, []ServiceMove{
		{"separator_drop", lower, "a new element lets the air through more easily"},
		{"package_drop", lower, "the separator is part of what lies between sump and outlet"},
		{"power_loaded", lower, "the air end works against the sump, which stands the separator's drop above the outlet"},
		{"specific_power_loaded", lower, "the same air for less power"},
	}},
	{[]string{"oil filter"}, []ServiceMove{
		{"discharge_temperature_max", lower, "a clogged filter's bypass or less oil lets the air end run hotter"},
		{"discharge_rise", lower, "more oil carries more heat away"},
	}},
	{[]string{"line filter", "coalesc", "particulate"}, []ServiceMove{
		{"filter_drop", lower, "a new element lets the air through more easily"},
		{"treatment_drop", lower, "the filter is part of what lies between outlet and receiver"},
		{"power_loaded", lower, "less drop, so that the machine reaches the plant's pressure with less at its own outlet, where the band was lowered by as much"},
	}},
	{[]string{"air filter", "intake filter", "inlet filter"}, []ServiceMove{
		{"specific_power_loaded", lower, "at higher pressure before the air end the same turns take in more air"},
		{"full_load_flow", higher, "at higher pressure before the air end the same turns take in more air"},
		{"isentropic_efficiency", higher, "less of the work goes into the filter"},
	}},
	{[]string{"cooler", "radiator"}, []ServiceMove{
		{"approach_temperature", lower, "a clean cooler brings the air nearer to what cools it"},
		{"discharge_rise", lower, "the oil comes back colder"},
		{"discharge_temperature_max", lower, "the oil comes back colder"},
	}},
	{[]string{"oil"}, []ServiceMove{
		{"discharge_temperature_max", lower, "fresh oil and a clean filter cool better"},
		{"discharge_rise", lower, "fresh oil and a clean filter cool better"},
		{"power_loaded", "", "another grade or level of oil drags more or less"},
	}},
	{[]string{"belt", "coupling", "bearing", "grease"}, []ServiceMove{
		{"power_loaded", lower, "less is lost between motor and air end"},
		{"power_unloaded_settled", lower, "less is lost between motor and air end"},
		{"full_load_flow", higher, "a belt that slips turns the air end more slowly"},
	}},
	{[]string{"inlet valve", "intake valve", "unloader", "solenoid", "blow-down", "blowdown"}, []ServiceMove{
		{"power_unloaded_settled", lower, "a valve that closes lets the unloaded machine pump nothing"},
		{"blowdown_time", lower, "a clean blow-down valve and silencer let the sump down sooner"},
		{"sump_pressure_residual", lower, "less pressure is left to work against"},
		{"power_unloaded_mean", lower, "the machine comes to its unloaded power sooner"},
	}},
	{[]string{"minimum pressure valve", "minimum-pressure valve", "check valve", "non-return"}, []ServiceMove{
		{"package_drop", lower, "a valve that opens freely stands in the way of less air"},
		{"delivery_delay", "", "it decides when the air comes out after loading"},
	}},
	{[]string{"dryer"}, []ServiceMove{
		{"dryer_drop", lower, "a clean dryer lets the air through more easily"},
		{"treatment_drop", lower, "the dryer is part of what lies between outlet and receiver"},
	}},
	{[]string{"drain"}, []ServiceMove{
		{"quiet_demand", lower, "a drain that stands open loses air day and night"},
		{"leak_flow", lower, "unless the site file names the drain, its air counts as leak"},
	}},
	{[]string{"leak"}, []ServiceMove{
		{"leak_flow", lower, "fewer and smaller holes"},
		{"quiet_demand", lower, "what leaks flows when nobody works"},
		{"energy", lower, "less air has to be made, at equal work"},
	}},
	{[]string{"motor", "electric", "contact", "fuse", "terminal"}, []ServiceMove{
		{"phase_unbalance", lower, "a good contact brings the same voltage on each line"},
		{"power_loaded", lower, "less heat in windings and contacts"},
	}},
}

// anyService is looked at where nothing is known of an item.
var anyService = []ServiceMove{
	{"specific_power_loaded", "", "what the machine takes for its air"},
	{"power_loaded", "", "what the machine takes under load"},
	{"discharge_temperature_max", "", "how hot the air end became"},
}

// ServiceMoves are the figures that a service item should move, by its name.
func ServiceMoves(item string) []ServiceMove {
	name := strings.ToLower(item)
	for i := range serviceMoves {
		for _, word := range serviceMoves[i].words {
			if strings.Contains(name, word) {
				return serviceMoves[i].moves
			}
		}
	}
	return anyService
}
