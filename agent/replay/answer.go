package replay

import "loadscribe/agent/analysis"

// Setting is one change, as a person writes it: a key and a value with its unit.
type Setting struct {
	Key   string `json:"key"`
	Value string `json:"value"`
}

// Alternative is a set of changes that are tried together.
type Alternative struct {
	Name string    `json:"name"`
	Set  []Setting `json:"set"`
}

// Amount is a figure with the half width of its 95 % interval.
type Amount struct {
	Value *float64 `json:"value"`
	// Interval is the half width; nil: not known.
	Interval *float64 `json:"uncertainty,omitempty"`
	Note     string   `json:"note,omitempty"` // e.g. that it is chaotic here
}

// Outcome is what a plant did, or would have done, over the replayed time.
type Outcome struct {
	Energy        Amount           `json:"energy_kwh"`
	Cost          Amount           `json:"cost"` // energy and demand, in the tariff's currency, over the window
	DemandCost    Amount           `json:"demand_cost"`
	Emissions     Amount           `json:"emissions_kg"`
	Starts        Amount           `json:"starts"`
	StartsHourMax Amount           `json:"starts_per_hour_max"` // of the worst machine
	Loads         Amount           `json:"load_cycles"`
	LoadsHour     Amount           `json:"load_cycles_per_hour"` // a running hour
	LowestPa      Amount           `json:"lowest_pressure_pa"`
	MeanPa        Amount           `json:"mean_pressure_pa"`
	BelowS        Amount           `json:"below_minimum_s"`
	SpecificPower Amount           `json:"specific_power_w_per_m3s"`
	ShortS        float64          `json:"short_s"`
	ShortM3       *float64         `json:"short_m3"` // nil: not known, as of what was measured
	Machines      []MachineOutcome `json:"machines"`
	Trace         []TracePoint     `json:"trace,omitempty"`
}

// MachineOutcome is one machine's part.
type MachineOutcome struct {
	Machine   string             `json:"machine"`
	EnergyKWh float64            `json:"energy_kwh"`
	StateKWh  map[string]float64 `json:"energy_by_state_kwh"`
	StateS    map[string]float64 `json:"time_by_state_s"`
	Starts    int                `json:"starts"`
	Loads     int                `json:"load_cycles"`
}

// TracePoint is the pressure and the states at a moment; Gap: what lies before it
// was not observed.
type TracePoint struct {
	AtMS   int64    `json:"at_ms"`
	Pa     float64  `json:"pressure_pa"`
	States []string `json:"states"`
	Gap    bool     `json:"gap,omitempty"`
}

// Result of one alternative.
type Result struct {
	Name    string    `json:"name"`
	Set     []Setting `json:"set"`
	Flags   string    `json:"flags"`   // that reproduce it on the command line
	Changes []Change  `json:"changes"` // each setting beside what it is now
	Outcome Outcome   `json:"outcome"`
	// Saving against the present settings over the replayed time.
	SavedKWh   Amount `json:"saved_kwh"`
	SavedShare Amount `json:"saved_share"` // of the measured energy
	SavedCost  Amount `json:"saved_cost"`
	SavedKg    Amount `json:"saved_emissions_kg"`
	// SavedKWhYear and SavedYear are SavedKWh and SavedCost for a year; AssumesYear says
	// what that takes for granted.
	SavedKWhYear Amount                `json:"saved_kwh_year"`
	SavedYear    Amount                `json:"saved_cost_year"`
	AssumesYear  string                `json:"assumes_year,omitempty"`
	Budget       []analysis.BudgetPart `json:"budget"` // of SavedKWh
	Remarks      []string              `json:"remarks"`
	Cautions     []string              `json:"cautions"`
	Absent       string                `json:"absent,omitempty"` // why it cannot be told
}

// Calibrated is one value that the replay rests on.
type Calibrated struct {
	Machine     string  `json:"machine,omitempty"`
	Name        string  `json:"name"`
	Value       float64 `json:"value"`
	Uncertainty float64 `json:"uncertainty"` // half width, 95 %
	Unit        string  `json:"unit"`
	Basis       string  `json:"basis"`
}

// Answer is a whole replay. The JSON is the contract of /api/v1/replay.
type Answer struct {
	System     string       `json:"system"`
	From       string       `json:"from"` // RFC 3339 UTC
	To         string       `json:"to"`
	Coverage   float64      `json:"coverage"` // replayed share of the window
	Resolution string       `json:"resolution"`
	Currency   string       `json:"currency,omitempty"`
	Measured   Outcome      `json:"measured"`
	Present    Outcome      `json:"present"` // replayed with the present settings
	Fit        Fit          `json:"fit"`
	Calibrated []Calibrated `json:"calibration"`
	Settings   []Now        `json:"settings"` // as the plant has them
	Results    []Result     `json:"alternatives"`
	Search     *Front       `json:"search,omitempty"`
	Remarks    []string     `json:"remarks"`
	Method     string       `json:"method"`
	Inputs     []string     `json:"inputs"`
	Absent     string       `json:"absent,omitempty"`
}

// Fit says how well the replay with the present settings meets what was measured.
type Fit struct {
	EnergyShare   float64 `json:"energy_off_share"` // replayed over measured, less 1
	Loads         float64 `json:"load_cycles_off_share"`
	Starts        float64 `json:"starts_off"`
	PressureRMSPa float64 `json:"pressure_rms_pa"` // minute ends
	LowestOffPa   float64 `json:"lowest_pressure_off_pa"`
	Poor          bool    `json:"poor"`
	Words         string  `json:"words"`

	startsShare float64 // of the starts that were counted
}
