package simulator

// scenarioFile is a scenario as written: quantities are texts with units.
type scenarioFile struct {
	Title           string        `toml:"title"`
	Seed            uint64        `toml:"seed"`
	Timezone        string        `toml:"timezone"`
	Barometer       string        `toml:"barometer"`
	InitialPressure string        `toml:"initial_pressure"`
	MinimumPressure string        `toml:"minimum_pressure"`
	Shifts          []string      `toml:"shifts"`
	Breaks          []string      `toml:"breaks"`
	Weather         weatherFile   `toml:"weather"`
	Length          string        `toml:"length"`
	UnbalancePct    float64       `toml:"voltage_unbalance_pct"`
	Leak            leakFile      `toml:"leak"`
	Rotation        rotationFile  `toml:"rotation"`
	Drains          []drainFile   `toml:"drain"`
	Valves          []valveFile   `toml:"valve"`
	PowerFailures   []failureFile `toml:"power_failure"`
	ClockSteps      []stepFile    `toml:"clock_step"`
	Machines        []machineFile `toml:"machine"`
	Parts           []partFile    `toml:"part"`
	Users           []userFile    `toml:"user"`
	Devices         []deviceFile  `toml:"device"`
}

type weatherFile struct {
	Mean   string  `toml:"mean"`
	SwingK float64 `toml:"swing_k"`
	DayK   float64 `toml:"day_k"`
	RoomK  float64 `toml:"room_k"`

	HumidityPct *float64 `toml:"humidity_pct"`
}

type rotationFile struct {
	Machines []string `toml:"machines"`
	Offset   string   `toml:"offset"`
	Every    string   `toml:"every"`
}

type drainFile struct {
	Name  string `toml:"name"`
	Part  string `toml:"part"`
	Flow  string `toml:"flow"`
	At    string `toml:"at"`
	Open  string `toml:"open"`
	Every string `toml:"every"`
	From  string `toml:"from"`
	Until string `toml:"until"`
}

type failureFile struct {
	At  string `toml:"at"`
	For string `toml:"for"`
}

type stepFile struct {
	At string `toml:"at"`
	By string `toml:"by"`
}

type faultFile struct {
	Kind  string  `toml:"kind"`
	From  string  `toml:"from"`
	Until string  `toml:"until"`
	Share float64 `toml:"share"`
}

type leakFile struct {
	Flow string `toml:"flow"`
	At   string `toml:"at"`

	GrowthPerWeek float64 `toml:"growth_per_week"`
}

type machineFile struct {
	Name            string      `toml:"name"`
	Control         string      `toml:"control"`
	RatedFlow       string      `toml:"rated_flow"`
	RatedPressure   string      `toml:"rated_pressure"`
	RatedPower      string      `toml:"rated_power"`
	TrueFlow        float64     `toml:"true_flow"`
	CutIn           string      `toml:"cut_in"`
	CutOut          string      `toml:"cut_out"`
	Target          string      `toml:"target"`
	Modulation      string      `toml:"modulation"`
	LeastShare      float64     `toml:"least_share"`
	NoLoadStop      string      `toml:"no_load_stop"`
	RestartDelay    string      `toml:"restart_delay"`
	LeastStarts     string      `toml:"least_between_starts"`
	Schedule        []string    `toml:"schedule"`
	Fan             string      `toml:"fan"`
	FanOn           string      `toml:"fan_on"`
	FanOff          string      `toml:"fan_off"`
	Controls        string      `toml:"controls"`
	SumpVolume      string      `toml:"sump_volume"`
	Residual        string      `toml:"residual_pressure"`
	BlowDown        string      `toml:"blow_down"`
	StartSump       string      `toml:"start_sump_pressure"`
	MinimumPressure string      `toml:"minimum_pressure"`
	PackageDrop     string      `toml:"package_drop"`
	InletStroke     string      `toml:"inlet_stroke"`
	ApproachK       float64     `toml:"approach_k"`
	TripTemperature string      `toml:"trip_temperature"`
	TripReset       string      `toml:"trip_reset"`
	Motor           motorFile   `toml:"motor"`
	Initial         initialFile `toml:"initial"`
	CoolerFouling   float64     `toml:"cooler_fouling"`
	FoulingPerDay   float64     `toml:"cooler_fouling_per_day"`
	Trips           []tripFile  `toml:"trip"`
	Faults          []faultFile `toml:"fault"`
}

type motorFile struct {
	Power       string `toml:"power"`
	Poles       int    `toml:"poles"`
	Volts       string `toml:"volts"`
	Starting    string `toml:"starting"`
	WyeTime     string `toml:"wye_time"`
	LoadDelay   string `toml:"load_delay"`
	DirectStart string `toml:"direct_start_current"`
}

type initialFile struct {
	RunHours    float64 `toml:"run_hours"`
	LoadedHours float64 `toml:"loaded_hours"`
	Starts      uint32  `toml:"starts"`
	EnergyWh    uint64  `toml:"energy_wh"`
}

type tripFile struct {
	After string `toml:"after"`
	Code  uint16 `toml:"code"`
	Text  string `toml:"text"`
}

type partFile struct {
	Name   string `toml:"name"`
	Kind   string `toml:"kind"`
	Volume string `toml:"volume"`
	Drop   string `toml:"drop"`
	DropAt string `toml:"drop_at"`

	Purge        string `toml:"purge"`
	PurgeAt      string `toml:"purge_at"`
	PurgeHalf    string `toml:"purge_half_cycle"`
	PurgeRunning bool   `toml:"purge_only_running"`
}

type userFile struct {
	Name      string   `toml:"name"`
	Count     *int     `toml:"count"`
	Flow      string   `toml:"flow"`
	Regulated string   `toml:"regulated"`
	At        string   `toml:"at"`
	On        string   `toml:"on"`
	Rest      string   `toml:"rest"`
	When      []string `toml:"when"`
	Always    bool     `toml:"always"`
}

type deviceFile struct {
	Name    string `toml:"name"`
	Machine string `toml:"machine"`
	Layout  string `toml:"layout"`
	Unit    uint8  `toml:"unit"`
	Refresh string `toml:"refresh"`
	Poll    string `toml:"poll"`
	Wiring  string `toml:"wiring"`

	InvertedLoad  bool `toml:"inverted_load"`
	LoadByCommand bool `toml:"load_bit_by_command"`

	Accuracy map[string]string `toml:"accuracy"`
	Bias     biasFile          `toml:"bias"`
}
