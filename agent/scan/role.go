package scan

// Role is what a channel means to the analysis. The empty Role means none.
type Role string

// The roles, in the order of the design's list.
const (
	DischargePressure    Role = "discharge_pressure"
	SumpPressure         Role = "sump_pressure"
	ReceiverPressure     Role = "receiver_pressure"
	HeaderPressure       Role = "header_pressure"
	InletVacuum          Role = "inlet_vacuum"
	DischargeTemperature Role = "discharge_temperature"
	OilTemperature       Role = "oil_temperature"
	AmbientTemperature   Role = "ambient_temperature"
	AmbientHumidity      Role = "ambient_humidity"
	Barometer            Role = "barometer"
	AftercoolerTemp      Role = "aftercooler_temperature"
	WaterInTemperature   Role = "water_in_temperature"
	WaterOutTemperature  Role = "water_out_temperature"
	DewPoint             Role = "dew_point"
	MotorRunning         Role = "motor_running"
	LoadCommand          Role = "load_command"
	Loaded               Role = "loaded"
	Standby              Role = "standby"
	Speed                Role = "speed"
	DriveFrequency       Role = "drive_frequency"
	LoadFraction         Role = "load_fraction"
	MotorCurrent         Role = "motor_current"
	VoltageAB            Role = "voltage_ab"
	VoltageBC            Role = "voltage_bc"
	VoltageCA            Role = "voltage_ca"
	Power                Role = "power"
	PowerFactor          Role = "power_factor"
	ApparentPower        Role = "apparent_power"
	Energy               Role = "energy"
	FanPower             Role = "fan_power"
	DryerPower           Role = "dryer_power"
	Flow                 Role = "flow"
	Volume               Role = "volume"
	RunHours             Role = "run_hours"
	LoadedHours          Role = "loaded_hours"
	StartCount           Role = "start_count"
	FaultCode            Role = "fault_code"
	SeparatorDrop        Role = "separator_drop"
	FilterDrop           Role = "filter_drop"
	DryerDrop            Role = "dryer_drop"
	PurgeValve           Role = "purge_valve"
	// What the controller is set to, as it says itself.
	CutInSetting  Role = "cut_in_setting"
	CutOutSetting Role = "cut_out_setting"
)

// Roles lists all roles in the design's order.
func Roles() []Role {
	return []Role{
		DischargePressure, SumpPressure, ReceiverPressure, HeaderPressure, InletVacuum,
		DischargeTemperature, OilTemperature, AmbientTemperature, AmbientHumidity, Barometer,
		AftercoolerTemp, WaterInTemperature, WaterOutTemperature, DewPoint, MotorRunning,
		LoadCommand, Loaded, Standby, Speed, DriveFrequency, LoadFraction, MotorCurrent,
		VoltageAB, VoltageBC, VoltageCA, Power, PowerFactor, ApparentPower, Energy, FanPower,
		DryerPower, Flow, Volume, RunHours, LoadedHours, StartCount, FaultCode, SeparatorDrop,
		FilterDrop, DryerDrop, PurgeValve, CutInSetting, CutOutSetting,
	}
}

// Known reports whether r is one of Roles.
func (r Role) Known() bool {
	for _, k := range Roles() {
		if r == k {
			return true
		}
	}
	return false
}

// Counter reports whether the role is a counter: joined by difference, never by
// a line.
func (r Role) Counter() bool {
	switch r {
	case Energy, Volume, RunHours, LoadedHours, StartCount:
		return true
	}
	return false
}
