package sitefile

import (
	"fmt"
	"time"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// Site is a site file with its register maps, checked and resolved. All
// quantities are SI. It is immutable once loaded.
type Site struct {
	Path        string // site file, absolute
	Hash        string // hex SHA-256 over the site file and its maps
	Files       []File // the site file, then its maps in the order in which they are named
	Name        string
	Location    *time.Location
	Units       quantity.System
	BarometerPa float64 // station pressure, absolute; from altitude where not given
	// BarometerGiven is whether the file gives altitude or barometer; else
	// BarometerPa is that of sea level.
	BarometerGiven bool
	GasTradeScfm   bool // a standard cubic foot is the gas trade's. Key: scfm
	Shifts         []WeekWindow
	Holidays       Holidays // days on which no shift begins
	WeeksPerYear   float64
	Agent          Agent
	Tariff         Tariff
	Lines          []Line
	Devices        []Device
	Machines       []Machine
	Systems        []System
	Alarms         []Alarm
	Report         ReportTexts
	Mail           *Mail // nil: none
	Webhooks       []Webhook
	RemoteWrites   []RemoteWrite
	Warnings       []Problem // what works but is likely not meant
}

// Scfm is the condition of a standard cubic foot here.
func (s *Site) Scfm() air.Condition {
	if s.GasTradeScfm {
		return air.ScfmGas()
	}
	return air.ScfmTrade()
}

// Agent is how the daemon itself runs.
type Agent struct {
	DataDir string // absolute
	Listen  string // host:port
	// KeepRawDays is how many days of raw readings are kept; 0: all. Key:
	// keep_raw.
	KeepRawDays int
	Backup      Backup
	Log         string // file of the agent's log, absolute; empty: none. Key: log
	// SignInAlways asks for sign-in also where only this computer can reach the
	// pages; else it is asked for where others can. Key: sign_in.
	SignInAlways bool
	// Hosts are further host names under which the pages are reached, Origins the
	// addresses of their pages where a proxy changes the Host header.
	Hosts, Origins []string
	TLS            TLSFiles
}

// TLSFiles are the certificate and key (PEM, absolute) that the pages are served
// with; empty: loadscribe makes its own where others can reach the pages.
type TLSFiles struct{ Certificate, Key string }

// Backup is the schedule of backups. Dir is empty where there is none.
type Backup struct {
	Dir   string // absolute
	Every time.Duration
	Keep  int // how many
}

// WeekWindow is a span of local time on some weekdays. Until may be 24:00;
// a window that ends at or before its start runs over midnight.
type WeekWindow struct {
	Days        [7]bool // indexed by time.Weekday
	FromMinute  int     // minute of the local day, 0-1439
	UntilMinute int     // 1-1440, or at most FromMinute when over midnight
	Text        string  // as written
}

// LineKind is how a line speaks.
type LineKind string

// The line kinds.
const (
	ModbusRTU        LineKind = "modbus-rtu"
	ModbusASCII      LineKind = "modbus-ascii"
	ModbusTCP        LineKind = "modbus-tcp"
	ModbusRTUOverTCP LineKind = "modbus-rtu-over-tcp"
	Text             LineKind = "text"
	// FromFile is a line that is never opened: what its devices recorded comes
	// in by import.
	FromFile LineKind = "file"
)

// Line is one serial port or TCP endpoint, or the loggers whose files are
// imported (FromFile), which has neither and is never opened.
type Line struct {
	Name       string
	Kind       LineKind
	Port       string // serial kinds; text has either this or Address
	Serial     Serial // of Port
	Address    string // TCP kinds, host:port
	Timeout    time.Duration
	Turnaround time.Duration
	Echo       Echo
	// Listen is true for a line that has a master already: its traffic is
	// listened to and nothing is sent.
	Listen bool
	// ListenFirst is how long a polled serial line is listened to before it is
	// asked; 0: not.
	ListenFirst time.Duration
}

// Serial is a port's setting, written "19200 8E1".
type Serial struct {
	Baud     int
	DataBits int
	Parity   byte // 'N', 'E' or 'O'
	StopBits int
}

// String writes the settings as the site file does.
func (s Serial) String() string {
	return fmt.Sprintf("%d %d%c%d", s.Baud, s.DataBits, s.Parity, s.StopBits)
}

// Echo says whether our own request comes back on the line.
type Echo string

// The echo settings.
const (
	EchoAuto Echo = "auto"
	EchoOn   Echo = "on"
	EchoOff  Echo = "off"
)

// Device is something that answers on a line.
type Device struct {
	Name       string
	Line       string
	UnitID     uint8
	MapPath    string // as written; several with ", " between
	Map        *RegisterMap
	Every      time.Duration
	Instrument Instrument
}

// RegisterMap says where a device keeps each value.
type RegisterMap struct {
	Path     string
	Name     string
	Protocol string // "modbus", "text", or "file"
	// Bridge is the largest hole, in registers or bits, that may be read
	// along to save a request; 0 forbids it. Key: bridge, default 8.
	Bridge   int
	Channels []MapChannel
	Text     *TextMap // of a text map, else nil
	// Verify is what must stand in the device for the map to be its own.
	Verify []Expected

	// partial: a channel is missing for its name was no name, so that
	// references may fail for no fault of theirs.
	partial bool
}

// Table is one of the four Modbus data tables.
type Table string

// The tables.
const (
	Coil     Table = "coil"
	Discrete Table = "discrete"
	Input    Table = "input"
	Holding  Table = "holding"
)

// MapChannel is one entry of a register map.
type MapChannel struct {
	Name          string
	Role          scan.Role
	Table         Table
	Address       uint16 // zero-based, whatever the file's addressing
	Type          string // bit, u16, i16, u32, i32, u64, i64, f32, f64, bcd16, bcd32; text maps: see Text; file maps: decimal or bit
	Bit           int    // bit of a register, 0 = least; -1: whole
	WordsLittle   bool   // low 16-bit word first
	Scale, Offset float64
	Unit          quantity.Unit
	UnitText      string
	Valid         *[2]float64 // in Unit; nil: any
	Absent        []int64     // raw codes that mean "no value"
	Every         time.Duration
	// Signal is set where an input module measures a current or voltage in
	// place of the quantity.
	Signal *Signal
	// Faults are the texts of a fault code's values; nil: none known.
	Faults map[int64]string
	// Text says where a text map's channel comes from. Table and Address then
	// mean nothing; Type is decimal, fixed, hexadecimal, word, or bit for words
	// that are 0 and 1 only.
	Text *TextField
}

// Registers returns how many registers (or bits, for coil and discrete) the
// channel takes.
func (c *MapChannel) Registers() int {
	if c.Table == Coil || c.Table == Discrete {
		return 1
	}
	switch c.Type {
	case "u32", "i32", "f32", "bcd32":
		return 2
	case "u64", "i64", "f64":
		return 4
	}
	return 1
}

// Control is how a machine matches its air to the demand.
type Control string

// The control kinds.
const (
	LoadUnload           Control = "load/unload"
	ModulateThenUnload   Control = "modulate then unload"
	Modulating           Control = "modulating"
	VariableDisplacement Control = "variable displacement"
	VariableSpeed        Control = "variable speed"
	StartStop            Control = "start/stop"
)

// PartLoad reports whether the machine can deliver between nothing and all.
func (c Control) PartLoad() bool {
	return c != LoadUnload && c != StartStop
}

// Machine is one compressor. Zero quantities mean "not given".
type Machine struct {
	Name            string
	Control         Control
	RatedFlowM3S    float64 // free air at the inlet
	RatedFlowText   string
	RatedPressurePa float64 // gauge
	RatedPowerW     float64 // package input at rated flow
	NoLoadStop      time.Duration
	// LeastBetweenStarts is the controller's guard of the motor: the least time from
	// start to start; 0: none. Key: least_between_starts.
	LeastBetweenStarts time.Duration
	CutInPa            float64 // band as set on the controller, gauge; 0: not given
	CutOutPa           float64
	// TripTemperatureK is the discharge temperature at which the machine trips;
	// 0: not given. Key: trip_temperature.
	TripTemperatureK float64
	Motor            Motor
	Roles            map[scan.Role]string // role → channel id
	Service          []ServiceItem
}

// Motor is the main motor's nameplate. Zero means "not given".
type Motor struct {
	PowerW        float64
	Poles         int
	Volts         float64
	Starting      string // direct, wye-delta, soft starter, drive
	StartsPerHour float64
}

// ServiceItem is due after running hours or months, whichever comes first.
type ServiceItem struct {
	Item   string
	Hours  float64
	Months float64
}

// System is the machines and parts that feed one header.
type System struct {
	Name              string
	Machines          []string
	MinimumPressurePa float64 // gauge; 0: not given
	Parts             []Part  // in the order the air takes
	Taps              []Tap
	NightUsers        []NightUser
	Drains            []Drain
}

// When a dryer purges: always, or only while a machine of the system runs.
const (
	PurgeAlways  = "always"
	PurgeRunning = "running"
)

// Part is a receiver, dryer, filter or piping.
type Part struct {
	Name       string
	Kind       string // receiver, dryer, filter, piping
	VolumeM3   float64
	PurgeShare float64 // dryers: share of rated flow, 0-1, at rated pressure in the mean
	PurgeWhile string  // PurgeAlways or PurgeRunning
}

// Tap is a place where pressure or flow of a system is measured.
type Tap struct {
	At       string // a part's name
	Pressure string // channel id or empty
	Flow     string // channel id or empty
}
