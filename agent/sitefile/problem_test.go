package sitefile

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

// goodFiles is a site without a mistake, small enough to break in one place at
// a time.
func goodFiles() map[string]string {
	return map[string]string{
		"site.toml": `[site]
name = "Harrow Lane Joinery"
timezone = "Europe/Berlin"
altitude = "210 m"
shifts = ["Mon-Fri 07:00-16:00"]

[agent]
listen = "127.0.0.1:8477"

[tariff]
currency = "USD"
energy = [{ price = 0.118 }, { price = 0.171, when = "Mon-Fri 12:00-18:00" }]
demand = { price = 14.20, window = "15m" }
emissions = "0.39 kg/kWh"

[[line]]
name = "bus"
kind = "modbus-rtu"
port = "COM3"
serial = "19200 8E1"
timeout = "1s"

[[line]]
name = "net"
kind = "modbus-tcp"
address = "192.0.2.7:502"

[[device]]
name = "controller"
line = "bus"
unit = 1
map = "maps/c.toml"
every = "1s"
instrument = { accuracy = { pressure = "1 % of span" } }

[[device]]
name = "inputs"
line = "net"
unit = 2
map = "maps/c.toml"

[[machine]]
name = "comp1"
control = "load/unload"
rated_flow = "185 cfm"
motor = { power = "50 hp", poles = 4 }
channels = { controller = "*" }
service = [{ item = "oil", hours = 4000 }]

[[machine]]
name = "comp2"
roles = { loaded = "inputs.loaded" }

[[system]]
name = "main"
machines = ["comp1", "comp2"]
minimum_pressure = "90 psi"
parts = [{ name = "dryer", kind = "dryer", purge = "15 %" }, { name = "tank", kind = "receiver", volume = "240 gal" }]
taps = [{ at = "tank", pressure = "inputs.pressure" }]
`,
		"maps/c.toml": `name = "a map"
protocol = "modbus"
addressing = "zero-based"

[[channel]]
name = "pressure"
role = "discharge_pressure"
table = "input"
address = 4
type = "u16"
scale = 0.1
unit = "psi"
valid = [0, 250]
absent = [65535]
every = "250ms"

[[channel]]
name = "loaded"
role = "loaded"
table = "holding"
address = 20
type = "u16"
bit = 3

[[channel]]
name = "power"
role = "power"
table = "input"
address = 8
type = "f32"
unit = "kW"
`,
	}
}

// place is where text first stands in a file.
func place(t *testing.T, file, text string) position {
	t.Helper()
	offset := strings.Index(file, text)
	if offset < 0 {
		t.Fatalf("%q is not in the file", text)
	}
	before := file[:offset]
	line := 1 + strings.Count(before, "\n")
	return position{line, utf8.RuneCountInString(before[strings.LastIndex(before, "\n")+1:]) + 1}
}

const (
	// tapLine ends the good site file.
	tapLine = `taps = [{ at = "tank", pressure = "inputs.pressure" }]`
	inSite  = "site.toml"
	inMap   = "maps/c.toml"
)

// problemTests break the good files in one place each. Exactly one problem
// must be found: in the file, at the place where `at` stands, with the key and
// all the words.
var problemTests = []struct {
	name     string
	file     string
	old, new string // replaced once
	at       string // stands at the problem's place; empty: the whole file
	key      string
	says     []string
}{
	{"unknown key", inSite, `rated_flow =`, `rated_flwo =`, `rated_flwo`, "machine.rated_flwo", []string{`unknown key "rated_flwo"`, `did you mean "rated_flow"?`}},
	{"unknown key, nothing near", inSite, "[agent]\n", "[agent]\ncolour = 1\n", "colour", "agent.colour", []string{"known keys here: backup, data, hosts, keep_raw, listen, origins, sign_in, tls"}},
	{"report key misspelt", inSite, "[agent]\n", "[report]\npreparedfor = \"x\"\n[agent]\n", "preparedfor", "report.preparedfor", []string{`did you mean "prepared_for"?`}},
	{"report text with a bell", inSite, "[agent]\n", "[report]\ngoals = \"a\\u0007b\"\n[agent]\n", "\"a\\u0007b\"", "report.goals", []string{"cannot be printed"}},
	{"check without a day", inSite, `instrument = { accuracy`, `instrument = { checks = [{ reference = "100 psi", found = "101 psi" }], accuracy`, `{ reference`, "device.instrument.checks.on", []string{`"on" is missing`, "write it like checks = [{"}},
	{"check on no day", inSite, `instrument = { accuracy`, `instrument = { checks = [{ on = "2026-02-30", reference = "100 psi", found = "101 psi" }], accuracy`, `"2026-02-30"`, "device.instrument.checks.on", []string{"is not a date"}},
	{"check without what was found", inSite, `instrument = { accuracy`, `instrument = { checks = [{ on = "2026-03-02", reference = "100 psi" }], accuracy`, `{ on`, "device.instrument.checks.found", []string{`"found" is missing`}},
	{"check in no unit", inSite, `instrument = { accuracy`, `instrument = { checks = [{ on = "2026-03-02", reference = "100 psi", found = "101" }], accuracy`, `"101"`, "device.instrument.checks.found", []string{"has no unit", "write the reading with its unit"}},
	{"check of another quantity", inSite, `instrument = { accuracy`, `instrument = { checks = [{ on = "2026-03-02", reference = "100 cfm", found = "101 psi" }], accuracy`, `"100 cfm"`, "device.instrument.checks.reference", []string{"of the kind flow, and this instrument measures none"}},
	{"check of two quantities", inSite, `instrument = { accuracy`, `instrument = { checks = [{ on = "2026-03-02", reference = "100 psi", found = "30 kW" }], accuracy`, `"30 kW"`, "device.instrument.checks.found", []string{"cannot be compared: one is a gauge pressure, the other of the kind power"}},
	{"check in absolute pressure", inSite, `instrument = { accuracy`, `instrument = { checks = [{ on = "2026-03-02", reference = "100 psi", found = "101 psi", left = "114.6 psia" }], accuracy`, `"114.6 psia"`, "device.instrument.checks.left", []string{"an absolute pressure, and this instrument measures none"}},
	{"raw kept for half a day", inSite, "[agent]\n", "[agent]\nkeep_raw = \"12h\"\n", `"12h"`, "agent.keep_raw", []string{`like keep_raw = "400d"`}},
	{"raw kept for broken days", inSite, "[agent]\n", "[agent]\nkeep_raw = \"36h\"\n", `"36h"`, "agent.keep_raw", []string{"not a number of whole days"}},
	{"backup without a folder", inSite, "[agent]\n", "[agent]\nbackup = { every = \"1d\" }\n", "", "agent.backup.dir", []string{`dir = "backups"`}},
	{"backup all the time", inSite, "[agent]\n", "[agent]\nbackup = { dir = \"b\", every = \"1min\" }\n", `"1min"`, "agent.backup.every", []string{"below 1h"}},
	{"sign-in sometimes", inSite, "[agent]\n", "[agent]\nsign_in = \"never\"\n", `"never"`, "agent.sign_in", []string{"network", "always"}},
	{"host with a port", inSite, "[agent]\n", "[agent]\nhosts = [\"air.example:443\"]\n", `"air.example:443"`, "agent.hosts", []string{"without a port"}},
	{"origin with a path", inSite, "[agent]\n", "[agent]\norigins = [\"https://air.example/x\"]\n", `"https://air.example/x"`, "agent.origins", []string{"address bar"}},
	{"origin without a scheme", inSite, "[agent]\n", "[agent]\norigins = [\"air.example\"]\n", `"air.example"`, "agent.origins", []string{"https://air.example"}},
	{"certificate without its key", inSite, "[agent]\n", "[agent]\ntls = { certificate = \"air.pem\" }\n", "", "agent.tls.key", []string{"key = "}},
	{"no backup kept", inSite, "[agent]\n", "[agent]\nbackup = { dir = \"b\", keep = 0 }\n", "0 }", "agent.backup.keep", []string{"outside 1 to 1000"}},
	{"unknown table", inSite, "[agent]", "[agnet]", "agnet", "agnet", []string{`did you mean "agent"?`}},
	{"unknown key in an inline table", inSite, "poles = 4", "pols = 4", "pols", "machine.motor.pols", []string{`did you mean "poles"?`}},
	{"unknown key in a map", inMap, "scale = 0.1", "scall = 0.1", "scall", "channel.scall", []string{`did you mean "scale"?`}},
	{"syntax", inSite, `control = "load/unload"`, `control = "load`, "\nrated_flow", "", nil},
	{"backslash in a path", inSite, `"maps/c.toml"`, `"maps\c.toml"`, `\c.toml`, "", []string{"write paths with /"}},
	{"key twice", inSite, "unit = 1\n", "unit = 1\nunit = 2\n", "unit = 2", "", nil},
	{"number for text", inSite, `name = "bus"`, `name = 7`, "7\nkind", "line.name", []string{"this is a whole number", "a text in quotes is wanted"}},
	{"text for number", inSite, "unit = 1", `unit = "1"`, `"1"`, "device.unit", []string{"this is a text in quotes", "a whole number is wanted"}},
	{"list for quantity", inSite, `rated_flow = "185 cfm"`, `rated_flow = [1]`, `rated_flow`, "machine.rated_flow", []string{"this is a list", "flow in quotes is wanted"}},
	{"single brackets", inSite, "[[system]]", "[system]", "system]", "system", []string{"[[system]] with double brackets"}},
	{"double brackets", inSite, "[agent]", "[[agent]]", "agent", "agent", []string{"[agent] with single brackets"}},
	{"missing map", inSite, `"maps/c.toml"`, `"maps/d.toml"`, `"maps/d.toml"`, "device.map", []string{"there is no file maps", "d.toml", "relative to the site file"}},
	{"wrong unit", inSite, `"185 cfm"`, `"185 cmf"`, `"185 cmf"`, "machine.rated_flow", []string{`unknown unit "cmf"`, `did you mean "cfm"?`, `"5.2 m³/min"`}},
	{"wrong dimension", inSite, `"185 cfm"`, `"7 bar"`, `"7 bar"`, "machine.rated_flow", []string{"is a pressure", "a flow is wanted"}},
	{"number without unit", inSite, `"185 cfm"`, `185`, `185`, "machine.rated_flow", []string{"has no unit", `"185 cfm"`}},
	{"zero where above zero is wanted", inSite, `"185 cfm"`, `"0 cfm"`, `"0 cfm"`, "machine.rated_flow", []string{"not above zero"}},
	{"wrong unit in a map", inMap, `unit = "psi"`, `unit = "pis"`, `"pis"`, "channel.unit", []string{`did you mean "psi"?`}},
	{"role of another dimension", inMap, `unit = "kW"`, `unit = "kWh"`, `"power"` + "\ntable", "channel.role", []string{`role "power" wants a unit of power`, "one of energy"}},
	{"address too high", inMap, "address = 4", "address = 70000", "70000", "channel.address", []string{"outside 0 to 65535"}},
	{"address copied from a manual", inMap, "address = 4", "address = 300005", "300005", "channel.address", []string{`table = "input" and address = 4`, "reference"}},
	{"address below zero", inMap, "address = 4", "address = -1", "-1", "channel.address", []string{"outside 0 to 65535"}},
	{"last register past the end", inMap, "address = 8", "address = 65535", "65535\ntype", "channel.address", []string{"last register of a f32 at 65535 is 65536"}},
	{"address missing", inMap, "address = 4\n", "", "channel", "channel.address", []string{`"address" is missing`}},
	{"table unknown", inMap, `table = "input"`, `table = "inputs"`, `"inputs"`, "channel.table", []string{`did you mean "input"?`}},
	{"type unknown", inMap, `type = "f32"`, `type = "float"`, `"float"`, "channel.type", []string{`"float" is not known`, `"f32"`}},
	{"bit out of range", inMap, "bit = 3", "bit = 16", "16\n\n", "channel.bit", []string{"16 is outside 0 to 15"}},
	{"bit on a coil", inMap, "table = \"holding\"\naddress = 20\ntype = \"u16\"", "table = \"coil\"\naddress = 20\ntype = \"bit\"", "bit = 3", "channel.bit", []string{"a coil is a single bit"}},
	{"word type on a discrete input", inMap, "table = \"holding\"\naddress = 20\ntype = \"u16\"\nbit = 3", "table = \"discrete\"\naddress = 20\ntype = \"u32\"", `"u32"`, "channel.type", []string{"single bit"}},
	{"bit of a float", inMap, "unit = \"kW\"", "unit = \"kW\"\nbit = 1", "bit = 1", "channel.bit", []string{"cannot be taken from"}},
	{"bit type without a bit", inMap, "type = \"u16\"\nbit = 3", "type = \"bit\"", `"bit"`, "channel.type", []string{"which bit"}},
	{"scale on a bit", inMap, "bit = 3", "bit = 3\nscale = 2", "scale = 2", "channel.scale", []string{`takes no "scale"`}},
	{"scale 0", inMap, "scale = 0.1", "scale = 0.0", "0.0", "channel.scale", []string{"scale of 0"}},
	{"scale not finite", inMap, "scale = 0.1", "scale = nan", "nan", "channel.scale", []string{"not a finite number"}},
	{"valid reversed", inMap, "valid = [0, 250]", "valid = [250, 0]", "valid", "channel.valid", []string{"reversed"}},
	{"valid with one number", inMap, "valid = [0, 250]", "valid = [250]", "valid", "channel.valid", []string{"two numbers"}},
	{"absent impossible", inMap, "absent = [65535]", "absent = [65536]", "65536", "channel.absent", []string{"cannot be the raw value of a u16"}},
	{"period too short", inMap, `every = "250ms"`, `every = "20ms"`, `"20ms"`, "channel.every", []string{"below 50ms"}},
	{"period of a device too short", inSite, `every = "1s"`, `every = "49ms"`, `"49ms"`, "device.every", []string{"below 50ms"}},
	{"unknown role", inMap, `role = "loaded"`, `role = "laoded"`, `"laoded"`, "channel.role", []string{`unknown role "laoded"`, `did you mean "loaded"?`}},
	{"duplicate channel", inMap, `name = "power"`, `name = "loaded"`, `"loaded"` + "\nrole = \"power\"", "channel.name", []string{`"loaded" is used twice`, "line 18"}},
	{"channel name with a dot", inMap, `name = "pressure"`, `name = "p.1"`, `"p.1"`, "channel.name", []string{"channel id cannot have"}},
	{"duplicate line", inSite, `name = "net"`, `name = "bus"`, "\"bus\"\nkind = \"modbus-tcp\"", "line.name", []string{`"bus" is used twice`, "line 17"}},
	{"duplicate device", inSite, `name = "inputs"`, `name = "controller"`, "\"controller\"\nline = \"net\"", "device.name", []string{"used twice"}},
	{"duplicate machine", inSite, `name = "comp2"`, `name = "comp1"`, "\"comp1\"\nroles", "machine.name", []string{"used twice"}},
	{"duplicate part", inSite, `name = "tank"`, `name = "dryer"`, "\"dryer\", kind = \"receiver\"", "system.parts.name", []string{"used twice"}},
	{"duplicate system", inSite, "[[system]]", "[[system]]\nname = \"main\"\n[[system]]", "\"main\"\nmachines", "system.name", []string{"used twice"}},
	{"unknown line", inSite, `line = "bus"`, `line = "buss"`, `"buss"`, "device.line", []string{`there is no line "buss"`, `did you mean "bus"?`}},
	{"unknown device", inSite, `channels = { controller`, `channels = { contoller`, "contoller", "machine.channels.contoller", []string{`there is no device "contoller"`, `did you mean "controller"?`}},
	{"unknown channel", inSite, `controller = "*"`, `controller = ["powr"]`, `"powr"`, "machine.channels.controller", []string{`no channel "powr"`, `did you mean "power"?`}},
	{"unknown role of a machine", inSite, `roles = { loaded =`, `roles = { laoded =`, "laoded", "machine.roles.laoded", []string{"unknown role", `did you mean "loaded"?`}},
	{"role's channel unknown", inSite, `"inputs.loaded"`, `"inputs.laoded"`, `"inputs.laoded"`, "machine.roles.loaded", []string{`did you mean "inputs.loaded"?`}},
	{"role's channel without a dot", inSite, `"inputs.loaded"`, `"loaded"`, `"loaded"`, "machine.roles.loaded", []string{"device.channel"}},
	{"role's channel of another dimension", inSite, `loaded = "inputs.loaded"`, `loaded = "inputs.power"`, `"inputs.power"`, "machine.roles.loaded", []string{"one of power"}},
	{"role filled twice", inSite, `channels = { controller = "*" }`, `channels = { controller = "*", inputs = "*" }`, `"*" }`, "machine.discharge_pressure", nil},
	{"tap of no channel", inSite, `"inputs.pressure"`, `"inputs.presure"`, `"inputs.presure"`, "system.taps.pressure", []string{`did you mean "inputs.pressure"?`}},
	{"tap of another dimension", inSite, `"inputs.pressure"`, `"inputs.power"`, `"inputs.power"`, "system.taps.pressure", []string{"a unit of power", "one of pressure is wanted"}},
	{"tap at no part", inSite, `at = "tank"`, `at = "tnak"`, `"tnak"`, "system.taps.at", []string{`did you mean "tank"?`}},
	{"unknown machine", inSite, `["comp1", "comp2"]`, `["comp1", "comp2", "comp3"]`, `"comp3"`, "system.machines", []string{`there is no machine "comp3"`}},
	{"part of unknown kind", inSite, `kind = "receiver"`, `kind = "reciever"`, `"reciever"`, "system.parts.kind", []string{`did you mean "receiver"?`}},
	{"purge_while of no dryer's purge", inSite, `volume = "240 gal"`, `purge_while = "running"`, "purge_while", "system.parts.purge_while", []string{"without purge air"}},
	{"purge_while misspelt", inSite, `purge = "15 %"`, `purge = "15 %", purge_while = "runing"`, `"runing"`, "system.parts.purge_while", []string{`did you mean "running"?`}},
	{"drain that never closes", inSite, tapLine, tapLine + `
drains = [{ name = "d", flow = "55 cfm", open = "6m", every = "5m" }]`, `"6m"`, "system.drains.open", []string{"open for 6m0s of every 5m0s"}},
	{"drain without its flow", inSite, tapLine, tapLine + `
drains = [{ name = "d", open = "6s", every = "5m" }]`, `{ name = "d"`, "system.drains.flow", []string{`"flow" is missing`, "55 cfm"}},
	{"drain at no part", inSite, tapLine, tapLine + `
drains = [{ name = "d", flow = "55 cfm", open = "6s", every = "5m", part = "tnak" }]`, `"tnak"`, "system.drains.part", []string{`did you mean "tank"?`}},
	{"drain's key unknown", inSite, tapLine, tapLine + `
drains = [{ name = "d", flow = "55 cfm", open = "6s", evry = "5m", every = "5m" }]`, "evry", "system.drains.evry", []string{`did you mean "every"?`}},
	{"night user twice", inSite, tapLine, tapLine + `
night_users = [{ name = "tank blanket" }, { name = "tank blanket" }]`, `"tank blanket" }]`, "system.night_users.name", []string{"used twice"}},
	{"night user's flow of nothing", inSite, tapLine, tapLine + `
night_users = [{ name = "tank blanket", flow = "0 cfm" }]`, `"0 cfm"`, "system.night_users.flow", []string{"above zero"}},
	{"purge of a receiver", inSite, `volume = "240 gal"`, `purge = "1 %"`, `purge = "1 %"`, "system.parts.purge", []string{"a receiver has no purge"}},
	{"serial setting", inSite, `"19200 8E1"`, `"19200,8,E,1"`, `"19200,8,E,1"`, "line.serial", []string{"not a serial setting", `"9600 8N2"`}},
	{"parity", inSite, `"19200 8E1"`, `"19200 8X1"`, `"19200 8X1"`, "line.serial", []string{"parity is N (none), E (even) or O (odd)"}},
	{"seven bits on RTU", inSite, `"19200 8E1"`, `"19200 7E1"`, `"19200 7E1"`, "line.serial", []string{"needs 8 data bits"}},
	{"port missing", inSite, "port = \"COM3\"\n", "", "line", "line.port", []string{`"port" is missing`, "/dev/ttyUSB0"}},
	{"serial key on TCP", inSite, "address = \"192.0.2.7:502\"", "address = \"192.0.2.7:502\"\nserial = \"9600 8N1\"", "serial = \"9600", "line.serial", []string{"for serial lines", "modbus-tcp"}},
	{"echo on TCP", inSite, "address = \"192.0.2.7:502\"", "address = \"192.0.2.7:502\"\necho = \"on\"", "echo", "line.echo", []string{"for serial lines"}},
	{"address on a serial line", inSite, "timeout = \"1s\"", "address = \"192.0.2.9\"", "address", "line.address", []string{"for TCP lines", "modbus-rtu"}},
	{"bad TCP address", inSite, `"192.0.2.7:502"`, `"192.0.2.7:99999"`, `"192.0.2.7:99999"`, "line.address", []string{"not a TCP port"}},
	{"same port twice", inSite, "kind = \"modbus-tcp\"\naddress = \"192.0.2.7:502\"", "kind = \"modbus-rtu\"\nport = 'com3'", "'com3'", "line.port", []string{`line "bus" uses it already`}},
	{"line kind unknown", inSite, `kind = "modbus-tcp"`, `kind = "modbus-tpc"`, `"modbus-tpc"`, "line.kind", []string{`did you mean "modbus-tcp"?`}},
	{"line kind empty", inSite, `kind = "modbus-tcp"`, `kind = ""`, `""`, "line.kind", []string{`"modbus-rtu"`}},
	{"timeout too long", inSite, `timeout = "1s"`, `timeout = "2 min"`, `"2 min"`, "line.timeout", []string{"longer than 1m0s"}},
	{"unit id on a bus", inSite, "unit = 1", "unit = 248", "248", "device.unit", []string{"outside 1 to 247", "serial bus"}},
	{"unit id on TCP", inSite, "unit = 2", "unit = 256", "256", "device.unit", []string{"outside 0 to 255"}},
	{"time zone", inSite, `"Europe/Berlin"`, `"Europe/Berlinn"`, `"Europe/Berlinn"`, "site.timezone", []string{"not known", `"America/Chicago"`}},
	{"listen", inSite, `"127.0.0.1:8477"`, `"8477"`, `"8477"`, "agent.listen", []string{"not host and port"}},
	{"listen port", inSite, `"127.0.0.1:8477"`, `"127.0.0.1:84770"`, `"127.0.0.1:84770"`, "agent.listen", []string{"not a TCP port"}},
	{"altitude and barometer", inSite, `altitude = "210 m"`, "altitude = \"210 m\"\nbarometer = \"98 kPa\"", "barometer", "site.barometer", []string{"both"}},
	{"scfm of no trade", inSite, `altitude = "210 m"`, "altitude = \"210 m\"\nscfm = \"14.7 psia\"", `"14.7 psia"`, "site.scfm", []string{"14.5 psia, 68 °F"}},
	{"barometer as gauge", inSite, `altitude = "210 m"`, `barometer = "2 kPa"`, `"2 kPa"`, "site.barometer", []string{"no station pressure"}},
	{"shift", inSite, `"Mon-Fri 07:00-16:00"`, `"Mon-Fry 07:00-16:00"`, `"Mon-Fry`, "site.shifts", []string{`"fry" is not a day`, "Sat,Sun 22:00-06:00"}},
	{"shift time", inSite, `07:00-16:00`, `07:00-25:00`, `"Mon-Fri 07:00-25:00"`, "site.shifts", []string{"not a time of day"}},
	{"tariff off the quarter hours", inSite, `12:00-18:00`, `12:10-18:00`, `"Mon-Fri 12:10`, "tariff.energy.when", []string{"quarter hours"}},
	{"a time without a price", inSite, `{ price = 0.118 }, `, ``, `energy = [`, "tariff.energy", []string{"no price for Sun 00:00 on Jan 1", "an entry with the price alone"}},
	{"a season without a price", inSite, `{ price = 0.118 }`, `{ price = 0.118, months = "Oct-Aug" }`, `energy = [`, "tariff.energy", []string{"no price for Sun 00:00 on Sep 1"}},
	{"two prices at once", inSite, `"Mon-Fri 12:00-18:00" }`, `"Mon-Fri 12:00-18:00" }, { price = 0.15, when = "daily 17:45-22:00" }`, `{ price = 0.15`, "tariff.energy", []string{"Mon 17:45", "the price 0.171 of line 12 holds as well as 0.15"}},
	{"two prices on a holiday", inSite, `energy = [{ price = 0.118 }, { price = 0.171, when = "Mon-Fri 12:00-18:00" }]`, "holidays = [\"2026-12-25\"]\nenergy = [{ price = 0.118 }, { price = 0.1, when = \"Sun 00:00-06:00\" }, { price = 0.171, when = \"Thu 22:00-02:00\" }]", `{ price = 0.171`, "tariff.energy", []string{"Sun 00:00"}},
	{"month", inSite, `{ price = 0.171,`, `{ price = 0.171, months = "Jun-Sept",`, `"Jun-Sept"`, "tariff.energy.months", []string{`"Sept" is not a month`, `"Jun-Sep"`}},
	{"date of a season", inSite, `{ price = 0.171,`, `{ price = 0.171, dates = "Jun 31-Sep 14",`, `"Jun 31-Sep 14"`, "tariff.energy.dates", []string{`"Jun 31" is not a month and a day`}},
	{"months and dates", inSite, `{ price = 0.171,`, `{ price = 0.171, months = "Jun", dates = "Jun 3",`, `dates = `, "tariff.energy.dates", []string{"both"}},
	{"holiday", inSite, `currency = "USD"`, "currency = \"USD\"\nholidays = [\"25.12.\"]", ``, "tariff.holidays", []string{`"25.12." is not a date`, `"2026-12-25"`}},
	{"billing day", inSite, `currency = "USD"`, "currency = \"USD\"\nbilling_day = 31", `31`, "tariff.billing_day", []string{"outside 1 to 28"}},
	{"demand window", inSite, `window = "15m"`, `window = "7m"`, `"7m"`, "tariff.demand.window", []string{"whole five minutes"}},
	{"demand window across days", inSite, `window = "15m"`, `window = "35m"`, `"35m"`, "tariff.demand.window", []string{"do not fit into a day", "rolling = true"}},
	{"ratchet", inSite, `window = "15m"`, `ratchet = "80 percent"`, `"80 percent"`, "tariff.demand.ratchet", []string{"not a share of months", `"80 % of 11 months"`}},
	{"ratchet over all", inSite, `window = "15m"`, `ratchet = "180 % of 11 months"`, `"180 % of 11 months"`, "tariff.demand.ratchet", []string{"100 %"}},
	{"rolling in quotes", inSite, `window = "15m"`, `rolling = "yes"`, `"yes"`, "tariff.demand.rolling", []string{"true or false"}},
	{"demand key", inSite, `window = "15m"`, `windows = "15m"`, `windows`, "tariff.demand.windows", []string{`did you mean "window"?`}},
	{"plant meter unknown", inSite, `currency = "USD"`, "currency = \"USD\"\nplant_meter = \"inputs.pover\"", `"inputs.pover"`, "tariff.plant_meter", []string{`"inputs.power"`}},
	{"plant meter of another kind", inSite, `currency = "USD"`, "currency = \"USD\"\nplant_meter = \"inputs.pressure\"", `"inputs.pressure"`, "tariff.plant_meter", []string{"a unit of pressure"}},
	{"plant meter of a machine", inSite, `currency = "USD"`, "currency = \"USD\"\nplant_meter = \"controller.power\"", `"controller.power"`, "tariff.plant_meter", []string{`is the power of machine "comp1"`}},
	{"day off", inSite, `shifts = [`, "holidays = \"Feb 30\"\nshifts = [", `"Feb 30"`, "site.holidays", []string{"is not a date"}},
	{"price missing", inSite, `{ price = 0.118 }`, `{ }`, `{ }`, "tariff.energy.price", []string{`"price" is missing`}},
	{"prices without currency", inSite, "currency = \"USD\"\n", "", "tariff", "tariff.currency", []string{"without a currency"}},
	{"emissions", inSite, `"0.39 kg/kWh"`, `"0.39 kg"`, `"0.39 kg"`, "tariff.emissions", []string{"is a mass", "an emission factor is wanted"}},
	{"control", inSite, `control = "load/unload"`, `control = "load-unload"`, `"load-unload"`, "machine.control", []string{`did you mean "load/unload"?`, "variable speed"}},
	{"poles", inSite, "poles = 4", "poles = 3", "3 }", "machine.motor.poles", []string{"pairs"}},
	{"cut_in above cut_out", inSite, `control = "load/unload"`, "cut_in = \"120 psi\"\ncut_out = \"8 bar\"", `"120 psi"`, "machine.cut_in", []string{"not below cut_out"}},
	{"service never due", inSite, `hours = 4000`, `hours = 0`, `{ item`, "machine.service", []string{`when "oil" is due`}},
	{"accuracy", inSite, `"1 % of span"`, `"1 % of range"`, `"1 % of range"`, "device.instrument.accuracy.pressure", []string{"of span or of reading"}},
	{"flow meter of no kind", inSite, `accuracy = { pressure = "1 % of span" }`, `flow_meter = "thermal"`, `"thermal"`, "device.instrument.flow_meter", []string{"thermal mass"}},
	{"accuracy in another unit", inSite, `"1 % of span"`, `"1 kW"`, `"1 kW"`, "device.instrument.accuracy.pressure", []string{"a pressure is wanted"}},
	{"coverage factor", inSite, `"1 % of span"`, `"1 % of span (k=95)"`, `"1 % of span (k=95)"`, "device.instrument.accuracy.pressure", []string{"from 1 to 5", "(k=2)"}},
	{"coverage factor amid", inSite, `"1 % of span"`, `"1 % of span (k=2) + 0.1 psi"`, `"1 % of span (k=2)`, "device.instrument.accuracy.pressure", []string{"at the end"}},
	{"certificate of nothing", inSite, `"1 % of span"`, `"0 psi (k=2)"`, `"0 psi (k=2)"`, "device.instrument.accuracy.pressure", []string{"without uncertainty"}},
	{"span", inSite, `{ accuracy = `, `{ span = { pressure = "16 to 0 bar" }, accuracy = `, `"16 to 0 bar"`, "device.instrument.span.pressure", []string{"does not rise", "0 to 16 bar"}},
	{"span of one end", inSite, `{ accuracy = `, `{ span = { pressure = "16 bar" }, accuracy = `, `"16 bar"`, "device.instrument.span.pressure", []string{"is not a range"}},
	{"calibration day", inSite, `{ accuracy = `, `{ calibrated = "2.3.2026", accuracy = `, `"2.3.2026"`, "device.instrument.calibrated", []string{"2026-03-02"}},
	{"months from no day", inSite, `{ accuracy = `, `{ calibration_months = 12, accuracy = `, `calibration_months = 12`, "device.instrument.calibration_months", []string{"no day", "add calibrated"}},
	{"two ends", inSite, `{ accuracy = `, `{ calibrated = "2026-03-02", calibrated_until = "2027-03-02", calibration_months = 12, accuracy = `, `calibration_months = 12`, "device.instrument.calibration_months", []string{"keep one"}},
	{"end before its day", inSite, `{ accuracy = `, `{ calibrated = "2026-03-02", calibrated_until = "2025-03-02", accuracy = `, `"2025-03-02"`, "device.instrument.calibrated_until", []string{"before the calibration"}},
	{"transformer", inSite, `{ accuracy = `, `{ current_transformer = { fitted = "200 by 5", meter = "150/5" }, accuracy = `, `"200 by 5"`, "device.instrument.current_transformer.fitted", []string{"not a ratio", `"200/5"`}},
	{"transformer of zero", inSite, `{ accuracy = `, `{ current_transformer = { fitted = "200/5", meter = "150/0" }, accuracy = `, `"150/0"`, "device.instrument.current_transformer.meter", []string{"not a ratio"}},
	{"transformer not fitted", inSite, `{ accuracy = `, `{ voltage_transformer = { meter = "480/120" }, accuracy = `, `{ meter`, "device.instrument.voltage_transformer.fitted", []string{`"fitted" is missing`}},
	{"bore", inSite, `{ accuracy = `, `{ pipe_bore = { measured = "0 mm", meter = "50 mm" }, accuracy = `, `"0 mm"`, "device.instrument.pipe_bore.measured", []string{"not above zero"}},
	{"bore of another kind", inSite, `{ accuracy = `, `{ pipe_bore = { measured = "52.5 mm", meter = "2 bar" }, accuracy = `, `"2 bar"`, "device.instrument.pipe_bore.meter", []string{"a length is wanted"}},
	{"instrument of no channel", inSite, `{ accuracy = `, `{ channels = { presure = { serial = "1" } }, accuracy = `, `{ serial`, "device.instrument.channels.presure", []string{`no channel "presure"`, `did you mean "pressure"?`}},
	{"bore of no flow", inSite, `{ accuracy = `, `{ channels = { pressure = { pipe_bore = { measured = "52 mm", meter = "52 mm" } } }, accuracy = `, `pipe_bore`, "device.instrument.channels.pressure.pipe_bore", []string{"is no flow"}},
	{"accuracy of a channel", inSite, `{ accuracy = `, `{ channels = { pressure = { accuracy = "1 kW" } }, accuracy = `, `"1 kW"`, "device.instrument.channels.pressure.accuracy", []string{"a pressure is wanted"}},
	{"key of a channel's instrument", inSite, `{ accuracy = `, `{ channels = { pressure = { serail = "1" } }, accuracy = `, `serail`, "device.instrument.channels.pressure.serail", []string{`did you mean "serial"?`}},
	{"accuracy of an unknown kind", inSite, `{ pressure = "1`, `{ presure = "1`, "presure = ", "device.instrument.accuracy.presure", []string{`did you mean "pressure"?`}},
}

// takesMoreAlong names the cases where one mistake is honestly more than one
// problem: a name that others refer to is gone, or a whole map fills roles a
// second time. Elsewhere one mistake gives one problem.
var takesMoreAlong = map[string]bool{
	"number for text": true, "duplicate line": true, "duplicate device": true,
	"duplicate machine": true, "duplicate part": true, "role filled twice": true,
}

// problemsIn loads broken files, whose error must be Problems.
func problemsIn(t *testing.T, files map[string]string) Problems {
	t.Helper()
	_, err := load("site.toml", Options{}, memory(files))
	var problems Problems
	if !errors.As(err, &problems) {
		t.Fatalf("got %v, want problems", err)
	}
	return problems
}

func TestProblems(t *testing.T) {
	for _, tt := range problemTests {
		t.Run(tt.name, func(t *testing.T) {
			files := goodFiles()
			if !strings.Contains(files[tt.file], tt.old) {
				t.Fatalf("%q is not in the good file", tt.old)
			}
			files[tt.file] = strings.Replace(files[tt.file], tt.old, tt.new, 1)
			problems := problemsIn(t, files)
			p := problems[0]
			if tt.at != "" {
				if want := place(t, files[tt.file], tt.at); p.Line != want.line || p.Col != want.col {
					t.Errorf("at %d:%d, want %d:%d", p.Line, p.Col, want.line, want.col)
				}
			}
			if filepath.ToSlash(p.File) != tt.file || tt.key != "" && p.Key != tt.key {
				t.Errorf("file %q key %q, want %q %q", p.File, p.Key, tt.file, tt.key)
			}
			if len(problems) != 1 && !takesMoreAlong[tt.name] {
				t.Errorf("%d problems, want 1", len(problems))
			}
			for _, s := range tt.says {
				if !strings.Contains(p.Error(), s) {
					t.Errorf("does not say %q", s)
				}
			}
			if t.Failed() {
				t.Logf("%v", problems)
			}
		})
	}
}
