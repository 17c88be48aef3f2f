package sitefile

import (
	"cmp"
	"fmt"
	"maps"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"loadscribe/agent/quantity"
)

const keysPage = "../../docs/site-file.md"

// keyRow is a row of docs/site-file.md.
type keyRow struct {
	line                            int
	table, key                      string // machine.motor, power
	kind, unit, left, example, path string
}

var (
	keysOf  = regexp.MustCompile(`^<!-- keys: (\S+) -->$`)
	rowCell = regexp.MustCompile("^`([^`]+)`$")
)

func readKeyRows(t *testing.T) (rows []keyRow) {
	t.Helper()
	text, err := os.ReadFile(keysPage)
	if err != nil {
		t.Fatal(err)
	}
	table := ""
	for i, l := range strings.Split(strings.ReplaceAll(string(text), "\r\n", "\n"), "\n") {
		if m := keysOf.FindStringSubmatch(l); m != nil {
			table = m[1]
		}
		cells := strings.Split(strings.Trim(l, "|"), " | ")
		if !strings.HasPrefix(l, "| `") || len(cells) != 6 {
			if strings.HasPrefix(l, "| `") {
				t.Errorf("docs/site-file.md:%d: a row of %d cells, want 6", i+1, len(cells))
			}
			continue
		}
		for k := range cells {
			cells[k] = strings.TrimSpace(cells[k])
		}
		key, example := rowCell.FindStringSubmatch(cells[0]), rowCell.FindStringSubmatch(cells[4])
		if key == nil || example == nil || table == "" {
			t.Errorf("docs/site-file.md:%d: no key, or no example: %s", i+1, l)
			continue
		}
		rows = append(rows, keyRow{i + 1, table, key[1], cells[1], cells[2], cells[3], example[1], table + "." + key[1]})
	}
	return rows
}

// tables by a name that the user gives.
var namedTables = []string{"machine.channels.", "machine.roles.", "device.instrument.channels.", "remote_write.headers.", "remote_write.header_files."}

// normalKey writes NAME for what the user names.
func normalKey(path string) string {
	for _, t := range namedTables {
		if rest, ok := strings.CutPrefix(path, t); ok {
			_, below, _ := strings.Cut(rest, ".")
			return strings.TrimSuffix(t+"NAME."+below, ".")
		}
	}
	return path
}

// TestSiteFilePage holds docs/site-file.md to the loader: each example loads and is of
// the kind that the row says, another kind is refused, what is named as the default is
// what a file without the key means, what is required cannot be left out.
func TestSiteFilePage(t *testing.T) {
	k := newKeysLoader(t)
	rows := readKeyRows(t)
	if len(rows) < 170 {
		t.Errorf("%d rows", len(rows))
	}
	for i := range rows {
		for _, wrong := range k.judge(&rows[i]) {
			t.Errorf("docs/site-file.md:%d: %s: %s", rows[i].line, rows[i].path, wrong)
		}
	}
}

// judge says what a row has wrong.
func (k *keysLoader) judge(r *keyRow) (wrong []string) {
	values, err := inlineTable(r.example)
	if err != nil || values[r.key] == nil {
		return []string{fmt.Sprintf("the example %s does not set the key: %v", r.example, err)}
	}
	at, err := k.fits(r, values)
	if err != nil {
		return []string{fmt.Sprintf("the example does not load: %v", err)}
	}
	set := func(v any) error {
		_, err := k.with(r.table, at, func(table map[string]any) {
			maps.Copy(table, values)
			table[r.key] = v
		})
		return err
	}
	bad, known := otherKinds[r.kind]
	if !known {
		wrong = append(wrong, fmt.Sprintf("the kind %q is not one of the page's", r.kind))
	}
	if got := writtenAs(values[r.key]); !strings.Contains(cmp.Or(writtenKinds[r.kind], "text"), got) {
		wrong = append(wrong, fmt.Sprintf("it is no %s: the example is a %s", r.kind, got))
	}
	for _, v := range bad {
		if set(v) == nil {
			wrong = append(wrong, fmt.Sprintf("it is no %s: %v is taken too", r.kind, v))
		}
	}
	return append(append(wrong, k.judgeLeft(r, values, at)...), judgeUnits(r)...)
}

// judgeLeft compares what the page says of a key that is left out.
func (k *keysLoader) judgeLeft(r *keyRow, values map[string]any, at int) []string {
	without, err := k.with(r.table, at, func(table map[string]any) { delete(table, r.key) })
	if r.left == "required" {
		if err == nil {
			return []string{"it can be left out"}
		}
		return nil
	}
	m := rowCell.FindStringSubmatch(r.left)
	if m == nil {
		if strings.HasPrefix(r.left, "required") { // of some tables, or under a condition
			return nil
		}
		if err != nil {
			return []string{fmt.Sprintf("it cannot be left out: %v", err)}
		}
		return nil
	}
	said, err := inlineTable(r.key + " = " + m[1])
	if err != nil {
		return []string{fmt.Sprintf("the default is no value: %v", err)}
	}
	maps.Copy(values, said) // beside what else the example needs
	with, err := k.with(r.table, at, func(table map[string]any) { maps.Copy(table, values) })
	if err == nil {
		without, err = k.with(r.table, at, func(table map[string]any) { maps.Copy(table, values); delete(table, r.key) })
	}
	if err != nil {
		return []string{fmt.Sprintf("the default %s does not load: %v", m[1], err)}
	}
	for _, s := range []*Site{with, without} {
		s.Hash, s.Files, s.Warnings = "", nil, nil
	}
	if !reflect.DeepEqual(with, without) {
		return []string{fmt.Sprintf("left out it is not %s", m[1])}
	}
	return nil
}

// quantities are the kinds that have a unit.
var quantities = map[string]quantity.Dimension{
	"pressure": quantity.Pressure, "flow": quantity.Flow, "power": quantity.Power, "time": quantity.Duration, "volume": quantity.Volume,
	"length": quantity.Length, "voltage": quantity.Voltage, "temperature": quantity.Temperature, "share": quantity.Ratio, "emission factor": quantity.EmissionFactor,
}

// judgeUnits: a quantity has its units named, and they are of it.
func judgeUnits(r *keyRow) (wrong []string) {
	d, is := quantities[r.kind]
	units := regexp.MustCompile("`([^`]+)`").FindAllStringSubmatch(r.unit, -1)
	if is && len(units) == 0 {
		wrong = append(wrong, "no unit is named")
	}
	if !is && r.kind != "storage" && len(units) > 0 {
		wrong = append(wrong, "a "+r.kind+" has no unit")
	}
	for _, u := range units {
		if _, err := quantity.ParseDim("1 "+u[1], d); is && err != nil {
			wrong = append(wrong, err.Error())
		}
	}
	return wrong
}

// writtenKinds is how a kind is written in TOML, where it is no text.
var writtenKinds = map[string]string{
	"whole number": "integer", "number": "integer, float", "true or false": "boolean", "list of texts": "list, text",
	"table": "table", "tables": "table, list", "list of tables": "list",
}

func writtenAs(v any) string {
	switch v.(type) {
	case string:
		return "text"
	case int64:
		return "integer"
	case float64:
		return "float"
	case bool:
		return "boolean"
	case []any:
		return "list"
	case map[string]any:
		return "table"
	}
	return fmt.Sprintf("%T", v)
}

// otherKinds are values that each kind refuses.
var otherKinds = func() map[string][]any {
	table, list := map[string]any{"no such key": 1}, []any{17.25}
	all := map[string][]any{
		"text": {17.25, true, list, table}, "name": {17.25, "", " x"}, "choice": {17.25, "no such choice"}, "folder": {17.25, list}, "file": {17.25, list},
		"address": {17.25, "no address: at all"}, "channel": {17.25, "no_channel"}, "date": {17.25, "2026-13-01"},
		"whole number": {17.25, "17", -1}, "number": {"17", true, list}, "true or false": {17.25, "yes"},
		"list of texts": {17.25, list, table}, "table": {17.25, "x", table}, "tables": {17.25, "x", table}, "list of tables": {17.25, "x", []any{table}},
		"limit": {true, list, "3 furlongs"}, "storage": {17.25, "5 kg"},
	}
	for kind := range quantities {
		all[kind] = []any{true, 17.25, "17", "3 furlongs", "3 Hz"}
	}
	return all
}()

// TestSiteFilePageHasAllKeys: each key that the loader looks for has a row, and each row
// is a key that it looks for.
func TestSiteFilePageHasAllKeys(t *testing.T) {
	k := newKeysLoader(t)
	rows := readKeyRows(t)
	told := map[string]bool{}
	for i := range rows {
		r := &rows[i]
		if told[r.path] {
			t.Errorf("docs/site-file.md:%d: %s has two rows", r.line, r.path)
		}
		for table := r.table; ; { // a table that has rows is told of
			told[table] = true
			at := strings.LastIndex(table, ".")
			if at < 0 {
				break
			}
			table = table[:at]
		}
		told[r.path] = true
		if values, err := inlineTable(r.example); err == nil {
			if _, err := k.fits(r, values); err != nil {
				t.Errorf("%s: %v", r.path, err)
			}
		}
	}
	for path := range k.asked {
		if !told[samePage(path)] {
			t.Errorf("the loader reads %s, and docs/site-file.md has no row for it", path)
		}
	}
	for i := range rows {
		if !k.asked[rows[i].path] {
			t.Errorf("docs/site-file.md:%d: the loader reads no %s", rows[i].line, rows[i].path)
		}
	}
}

// sameTables are told of by one table of the page.
var sameTables = map[string]string{
	"device.instrument.span.":                    "device.instrument.accuracy.",
	"device.instrument.voltage_transformer.":     "device.instrument.current_transformer.",
	"device.instrument.channels.NAME.checks.":    "device.instrument.checks.",
	"device.instrument.channels.NAME.pipe_bore.": "device.instrument.pipe_bore.",
}

// samePage is the path under which the page tells of a key.
func samePage(path string) string {
	for from, to := range sameTables {
		if rest, ok := strings.CutPrefix(path, from); ok {
			return to + rest
		}
	}
	for _, t := range namedTables { // machine.roles.NAME is told of by machine.roles
		if path == t+"NAME" {
			return strings.TrimSuffix(t, ".")
		}
	}
	return path
}
