package sitefile

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

// keysSite is a whole site with each table and each kind of line and alarm, which
// the examples of the page are put into one at a time.
const keysSite = `
[site]
shifts = ["Mon-Fri 07:00-15:00"]
[agent]
backup = { dir = "copies" }
tls = { certificate = "a.pem", key = "a.key" }
[tariff]
currency = "USD"
energy = [{ price = 0.1 }, { price = 0.2, when = "Tue 10:00-11:00", dates = "Jul 1-Jul 9" }, { price = 0.3, when = "Sat 10:00-11:00" }]
demand = [{ price = 9.0 }]
[[line]]
name = "bus"
kind = "modbus-rtu"
port = "COM7"
[[line]]
name = "ascii"
kind = "modbus-ascii"
port = "COM8"
[[line]]
name = "net"
kind = "modbus-tcp"
address = "192.0.2.8:502"
[[line]]
name = "old"
kind = "text"
port = "COM9"
[[line]]
name = "loggers"
kind = "file"
[[device]]
name = "controller"
line = "bus"
unit = 3
map = "maps/screw-controller.toml"
[[device]]
name = "meter"
line = "net"
map = "maps/power-meter.toml"
[device.instrument]
accuracy = { power = "2 % of reading" }
span = { power = "0 to 50 kW" }
current_transformer = { fitted = "100/5" }
pipe_bore = { measured = "40 mm" }
checks = [{ on = "2026-01-02", reference = "10.0 kW", found = "10.1 kW" }]
channels = { power = { serial = "x" } }
[[device]]
name = "inputs"
line = "net"
unit = 2
map = "maps/air-module.toml"
[device.instrument.channels.flow]
serial = "y"
[[device]]
name = "flow"
line = "loggers"
map = "maps/flow-logger.toml"
every = "10s"
[[device]]
name = "two"
line = "net"
unit = 8
maps = ["maps/plain-controller.toml"]
[[device]]
name = "plant"
line = "net"
unit = 7
map = "maps/power-meter.toml"
[[machine]]
name = "comp1"
channels = { controller = "*", meter = ["power"] }
motor = { starts_per_hour = 8 }
service = [{ item = "belt", hours = 1000, months = 6 }]
[[system]]
name = "spare"
parts = [{ name = "receiver", kind = "receiver" }]
[[system]]
name = "main"
machines = ["comp1"]
minimum_pressure = "85 psi"
parts = [{ name = "drier", kind = "dryer" }, { name = "receiver", kind = "receiver" }]
taps = [{ at = "receiver", pressure = "controller.receiver_pressure", flow = "flow.flow" }, { at = "drier", pressure = "controller.receiver_pressure" }]
night_users = [{ name = "oven" }]
drains = [{ name = "d", flow = "50 cfm", open = "5s", every = "10m" }]
[mail]
server = "mail.example:465"
from = "a@air.example"
to = ["b@air.example"]
[[webhook]]
name = "hook"
url = "https://hook.example/x"
secret_file = "secrets/hook"
[[remote_write]]
name = "engine"
url = "https://engine.example/write"
`

// keysAlarms are one alarm of each kind.
func keysAlarms() (text string) {
	needs := map[AlarmKind]string{
		AlarmTemperature: `above = "200 °F"`, AlarmStarts: "limit = 5", AlarmPressure: `above = "100 psi"`, AlarmReading: `channel = "meter.power"` + "\n" + `above = "10 kW"`,
	}
	for _, k := range AlarmKinds() {
		text += fmt.Sprintf("[[alarm]]\nname = %q\non = %q\n%s\n", "a "+string(k), k, needs[k])
	}
	return text + "[[alarm]]\nname = \"cold\"\non = \"temperature\"\nbelow = \"30 °F\"\n[report]\nplace = \"here\"\n"
}

// keysLoader loads the site of the page with one change.
type keysLoader struct {
	t     *testing.T
	base  []byte
	asked map[string]bool
}

func newKeysLoader(t *testing.T) *keysLoader {
	k := &keysLoader{t, []byte(keysSite + keysAlarms()), map[string]bool{}}
	if _, err := k.load(k.base); err != nil {
		t.Fatal(err)
	}
	return k
}

func (k *keysLoader) load(text []byte) (*Site, error) {
	const path = "../../configs/page.toml"
	l := newLoader(path, func(name string) ([]byte, error) {
		if name == path {
			return text, nil
		}
		return os.ReadFile(name)
	})
	l.found.asked = func(file, key string) {
		if file == path { // and not of a register map
			k.asked[normalKey(key)] = true
		}
	}
	return l.load(Options{})
}

// tablesAt are all tables of a path, lists of tables gone through.
func tablesAt(v any, path []string) (all []map[string]any) {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			all = append(all, tablesAt(e, path)...)
		}
	case map[string]any:
		switch {
		case len(path) == 0:
			return []map[string]any{v}
		case path[0] == "NAME":
			for _, name := range slices.Sorted(maps.Keys(v)) {
				all = append(all, tablesAt(v[name], path[1:])...)
			}
		default:
			return tablesAt(v[path[0]], path[1:])
		}
	}
	return all
}

// with loads the site with a change to the table of a path of so many.
func (k *keysLoader) with(path string, at int, change func(table map[string]any)) (*Site, error) {
	k.t.Helper()
	var doc map[string]any
	if err := toml.Unmarshal(k.base, &doc); err != nil {
		k.t.Fatal(err)
	}
	tables := tablesAt(doc, strings.Split(path, "."))
	if at >= len(tables) {
		return nil, errNoTable
	}
	change(tables[at])
	text, err := toml.Marshal(doc)
	if err != nil {
		k.t.Fatal(err)
	}
	return k.load(text)
}

var errNoTable = errors.New("the site of the test has no such table")

// fits finds a table of the path in which an example loads.
func (k *keysLoader) fits(r *keyRow, values map[string]any) (at int, err error) {
	for at = 0; ; at++ {
		_, e := k.with(r.table, at, func(table map[string]any) {
			maps.Copy(table, values)
		})
		if e == nil {
			return at, nil
		}
		if errors.Is(e, errNoTable) {
			if err == nil {
				err = e
			}
			return at, err
		}
		if err == nil || len(e.Error()) < len(err.Error()) {
			err = e
		}
	}
}

func inlineTable(text string) (map[string]any, error) {
	var v struct {
		X map[string]any `toml:"x"`
	}
	err := toml.Unmarshal([]byte("x = { "+text+" }"), &v)
	return v.X, err
}
