package newsite

// Draft is what a person has said of a site so far. Its fields are named as the
// keys of a site file are; all values are texts as they were typed, and an empty
// one is a key that is left out.
type Draft struct {
	Site    SiteDraft      `json:"site"`
	Tariff  TariffDraft    `json:"tariff"`
	Line    []LineDraft    `json:"line"`
	Device  []DeviceDraft  `json:"device"`
	Machine []MachineDraft `json:"machine"`
	System  []SystemDraft  `json:"system"`
	Report  ReportDraft    `json:"report"`
	// Maps are register maps that are to be written beside the site file.
	Maps []MapDraft `json:"maps"`
}

// SiteDraft is the [site] table.
type SiteDraft struct {
	Name         string   `json:"name"`
	Timezone     string   `json:"timezone"`
	Units        string   `json:"units"`
	Altitude     string   `json:"altitude"`
	Barometer    string   `json:"barometer"`
	Shifts       []string `json:"shifts"`
	Holidays     []string `json:"holidays"`
	WeeksPerYear string   `json:"weeks_per_year"`
}

// TariffDraft is the [tariff] table.
type TariffDraft struct {
	Currency  string       `json:"currency"`
	Energy    []PriceDraft `json:"energy"`
	Demand    ChargeDraft  `json:"demand"`
	Emissions string       `json:"emissions"`
}

// PriceDraft is a price per kWh.
type PriceDraft struct {
	Price string `json:"price"`
	When  string `json:"when"`
}

// ChargeDraft is the charge for the highest mean power of a billing month.
type ChargeDraft struct {
	Price  string `json:"price"`
	Window string `json:"window"`
}

// LineDraft is a [[line]].
type LineDraft struct {
	Name    string `json:"name"`
	Kind    string `json:"kind"`
	Port    string `json:"port"`
	Serial  string `json:"serial"`
	Address string `json:"address"`
	// Listen is for a line that has a master already.
	Listen bool `json:"listen"`
}

// DeviceDraft is a [[device]]. Its map is "maps/NAME.toml".
type DeviceDraft struct {
	Name       string          `json:"name"`
	Line       string          `json:"line"`
	Unit       string          `json:"unit"`
	Map        string          `json:"map"`
	Every      string          `json:"every"`
	Instrument InstrumentDraft `json:"instrument"`
}

// InstrumentDraft is what plate and certificate of a device say.
type InstrumentDraft struct {
	Serial             string            `json:"serial"`
	Certificate        string            `json:"certificate"`
	Calibrated         string            `json:"calibrated"`
	CalibrationMonths  string            `json:"calibration_months"`
	FlowMeter          string            `json:"flow_meter"`
	Accuracy           map[string]string `json:"accuracy"` // by the words of the site file: pressure, power …
	CurrentTransformer RatioDraft        `json:"current_transformer"`
}

// RatioDraft is a transformer's ratio on its plate, and the one that the meter is
// set to.
type RatioDraft struct {
	Fitted string `json:"fitted"`
	Meter  string `json:"meter"`
}

// MachineDraft is a [[machine]].
type MachineDraft struct {
	Name               string     `json:"name"`
	Control            string     `json:"control"`
	RatedFlow          string     `json:"rated_flow"`
	RatedPressure      string     `json:"rated_pressure"`
	RatedPower         string     `json:"rated_power"`
	CutIn              string     `json:"cut_in"`
	CutOut             string     `json:"cut_out"`
	NoLoadStop         string     `json:"no_load_stop"`
	LeastBetweenStarts string     `json:"least_between_starts"`
	TripTemperature    string     `json:"trip_temperature"`
	Motor              MotorDraft `json:"motor"`
	// Channels says which channels of which device are the machine's: "*" for
	// all that have a role, or names with commas between.
	Channels map[string]string `json:"channels"`
	Service  []ServiceDraft    `json:"service"`
}

// MotorDraft is the main motor's plate.
type MotorDraft struct {
	Power         string `json:"power"`
	Poles         string `json:"poles"`
	Volts         string `json:"volts"`
	Starting      string `json:"starting"`
	StartsPerHour string `json:"starts_per_hour"`
}

// ServiceDraft is a service item.
type ServiceDraft struct {
	Item   string `json:"item"`
	Hours  string `json:"hours"`
	Months string `json:"months"`
}

// SystemDraft is a [[system]].
type SystemDraft struct {
	Name            string      `json:"name"`
	Machines        []string    `json:"machines"`
	MinimumPressure string      `json:"minimum_pressure"`
	Parts           []PartDraft `json:"parts"`
	Taps            []TapDraft  `json:"taps"`
}

// PartDraft is a part that the air goes through.
type PartDraft struct {
	Name   string `json:"name"`
	Kind   string `json:"kind"`
	Volume string `json:"volume"`
	Purge  string `json:"purge"`
}

// TapDraft is a place where pressure or flow is measured.
type TapDraft struct {
	At       string `json:"at"`
	Pressure string `json:"pressure"`
	Flow     string `json:"flow"`
}

// ReportDraft is for whom a report is.
type ReportDraft struct {
	PreparedFor string `json:"prepared_for"`
	PreparedBy  string `json:"prepared_by"`
	Place       string `json:"place"`
	Goals       string `json:"goals"`
	Scope       string `json:"scope"`
}

// MapDraft is a register map's text, to be kept as maps/NAME.toml.
type MapDraft struct {
	Name string `json:"name"`
	Text string `json:"text"`
}
