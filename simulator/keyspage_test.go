package simulator

import (
	"fmt"
	"maps"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"

	"loadscribe/agent/quantity"
)

// pageRow is a row of docs/scenario-file.md.
type pageRow struct {
	line                            int
	table, key, kind, left, example string
}

func (r *pageRow) path() string { return strings.TrimPrefix(r.table+"."+r.key, "scenario.") }

var (
	pageTable = regexp.MustCompile(`^<!-- keys: (\S+) -->$`)
	pageCell  = regexp.MustCompile("^`([^`]+)`$")
)

func readPage(t *testing.T) (rows []pageRow) {
	t.Helper()
	text, err := os.ReadFile("../docs/scenario-file.md")
	if err != nil {
		t.Fatal(err)
	}
	table := ""
	for i, l := range strings.Split(strings.ReplaceAll(string(text), "\r\n", "\n"), "\n") {
		if m := pageTable.FindStringSubmatch(l); m != nil {
			table = m[1]
		}
		if !strings.HasPrefix(l, "| `") {
			continue
		}
		cells := strings.Split(strings.TrimSuffix(strings.TrimPrefix(l, "|"), "|"), " | ")
		for k := range cells {
			cells[k] = strings.TrimSpace(cells[k])
		}
		if len(cells) != 5 || pageCell.FindString(cells[0]) == "" || pageCell.FindString(cells[3]) == "" || table == "" {
			t.Fatalf("docs/scenario-file.md:%d: no row of five cells with a key and an example: %s", i+1, l)
		}
		rows = append(rows, pageRow{i + 1, table, strings.Trim(cells[0], "`"), cells[1], cells[2], strings.Trim(cells[3], "`")})
	}
	return rows
}

// keysOfFile are the paths of all keys that the loader knows, but for those that are
// tables with keys of their own.
func keysOfFile(of reflect.Type, before string) (all []string) {
	for i := range of.NumField() {
		f := of.Field(i)
		path, kind := before+f.Tag.Get("toml"), f.Type
		for kind.Kind() == reflect.Slice || kind.Kind() == reflect.Pointer {
			kind = kind.Elem()
		}
		if kind.Kind() == reflect.Struct {
			all = append(all, keysOfFile(kind, path+".")...)
		} else {
			all = append(all, path)
		}
	}
	return all
}

// TestScenarioPageHasAllKeys: each key has one row, each row is a key.
func TestScenarioPageHasAllKeys(t *testing.T) {
	var told []string
	for _, r := range readPage(t) {
		told = append(told, r.path())
	}
	known := keysOfFile(reflect.TypeFor[scenarioFile](), "")
	slices.Sort(told)
	slices.Sort(known)
	if len(known) < 100 || !slices.Equal(told, known) {
		t.Errorf("docs/scenario-file.md tells of\n%s\nand the loader reads\n%s", strings.Join(told, " "), strings.Join(known, " "))
	}
}

// TestScenarioPage holds each row to the loader: the example loads in a built-in
// scenario and is of its kind, another kind is refused, the default is what a file
// without the key means, what is required cannot be left out.
func TestScenarioPage(t *testing.T) {
	bases := pageBases(t)
	for _, r := range readPage(t) {
		for _, wrong := range r.judge(bases) {
			t.Errorf("docs/scenario-file.md:%d: %s: %s", r.line, r.path(), wrong)
		}
	}
}

// TestScenarioPageCanFail: a row that says what is not so is told.
func TestScenarioPageCanFail(t *testing.T) {
	bases := pageBases(t)
	for says, r := range map[string]pageRow{
		"left out it is not": {table: "machine", key: "blow_down", kind: "time", left: "`\"50s\"`", example: `blow_down = "60s"`},
		"does not load":      {table: "machine", key: "blow_down", kind: "time", left: "`\"40s\"`", example: `blow_down = "60 psi"`},
		"it is no flow":      {table: "machine", key: "blow_down", kind: "flow", left: "`\"40s\"`", example: `blow_down = "60s"`},
		"is taken too":       {table: "user", key: "name", kind: "name", left: "none", example: `name = "saw"`},
		"can be left out":    {table: "machine", key: "blow_down", kind: "time", left: "required", example: `blow_down = "60s"`},
		"cannot be left out": {table: "machine", key: "cut_in", kind: "pressure", left: "none", example: `cut_in = "95 psi"`},
		"not one of the":     {table: "machine", key: "cut_in", kind: "height", left: "required", example: `cut_in = "95 psi"`},
		"does not set":       {table: "machine", key: "cut_in", kind: "pressure", left: "required", example: `cut_out = "120 psi"`},
	} {
		if got := strings.Join(r.judge(bases), "; "); !strings.Contains(got, says) {
			t.Errorf("%s: got %q", says, got)
		}
	}
}

// pageBases are the texts of the built-in scenarios.
func pageBases(t *testing.T) (all []string) {
	t.Helper()
	for _, name := range Scenarios() {
		text, err := ScenarioText(name)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, string(text))
	}
	return all
}

// judge says what a row has wrong.
func (r *pageRow) judge(bases []string) (wrong []string) {
	values, err := pageValues(r.example)
	if err != nil || values[r.key] == nil {
		return []string{fmt.Sprintf("the example does not set the key: %v", err)}
	}
	base, refused := "", error(nil)
	for _, b := range bases { // a key may be sound in some plants alone
		if _, err := r.with(b, values); err != nil {
			refused = err
			continue
		}
		base = b
		break
	}
	if base == "" {
		return []string{fmt.Sprintf("the example does not load: %v", refused)}
	}
	bad, known := pageWrong[r.kind]
	if d, is := pageQuantities[r.kind]; is {
		known, bad = true, []any{17.25, "3 Hz"}
		if _, err := quantity.ParseDim(strings.TrimPrefix(fmt.Sprint(values[r.key]), "-"), d); err != nil {
			wrong = append(wrong, fmt.Sprintf("it is no %s: %v", r.kind, err))
		}
	}
	if !known {
		wrong = append(wrong, fmt.Sprintf("the kind %q is not one of the page's", r.kind))
	}
	for _, v := range bad {
		if _, err := r.with(base, merged(values, map[string]any{r.key: v})); err == nil {
			wrong = append(wrong, fmt.Sprintf("it is no %s: %v is taken too", r.kind, v))
		}
	}
	return append(wrong, r.judgeLeft(base, values)...)
}

// judgeLeft compares what the page says of a key that is left out.
func (r *pageRow) judgeLeft(base string, values map[string]any) []string {
	without, err := r.with(base, merged(values, map[string]any{r.key: nil}))
	said := pageCell.FindStringSubmatch(r.left)
	switch {
	case r.left == "required" && err == nil:
		return []string{"it can be left out"}
	case strings.HasPrefix(r.left, "required"): // or under a condition
		return nil
	case err != nil:
		return []string{fmt.Sprintf("it cannot be left out: %v", err)}
	case said == nil:
		return nil
	}
	left, err := pageValues(r.key + " = " + said[1])
	if err != nil {
		return []string{fmt.Sprintf("the default is no value: %v", err)}
	}
	with, err := r.with(base, merged(values, left))
	if err != nil {
		return []string{fmt.Sprintf("the default %s does not load: %v", said[1], err)}
	}
	if !reflect.DeepEqual(with, without) {
		return []string{fmt.Sprintf("left out it is not %s", said[1])}
	}
	return nil
}

func merged(a, b map[string]any) map[string]any {
	m := maps.Clone(a)
	maps.Copy(m, b)
	return m
}

func pageValues(text string) (map[string]any, error) {
	var v struct{ Row map[string]any }
	err := toml.Unmarshal([]byte("row = { "+text+" }"), &v)
	return v.Row, err
}

// with is a scenario with these values in the row's table, the first one of its name,
// which is made where there is none; nil takes a key out.
func (r *pageRow) with(base string, values map[string]any) (*Scenario, error) {
	var file map[string]any
	if err := toml.Unmarshal([]byte(base), &file); err != nil {
		return nil, err
	}
	at, of := file, reflect.TypeFor[scenarioFile]()
	for _, name := range strings.Split(strings.TrimPrefix(r.table, "scenario"), ".") {
		if name == "" {
			continue
		}
		for i := range of.NumField() {
			if f := of.Field(i); f.Tag.Get("toml") == name {
				of = f.Type
				break
			}
		}
		list := of.Kind() == reflect.Slice
		if list {
			of = of.Elem()
		}
		switch was := at[name].(type) {
		case nil:
			made := map[string]any{}
			if at[name] = made; list {
				at[name] = []any{made}
			}
			at = made
		case []any:
			at = was[0].(map[string]any)
		case map[string]any:
			at = was
		}
	}
	for k, v := range values {
		if at[k] = v; v == nil {
			delete(at, k)
		}
	}
	text, err := toml.Marshal(file)
	if err != nil {
		return nil, err
	}
	return ParseScenario("page", text)
}

var pageQuantities = map[string]quantity.Dimension{
	"pressure": quantity.Pressure, "absolute pressure": quantity.Pressure, "flow": quantity.Flow, "power": quantity.Power, "time": quantity.Duration,
	"volume": quantity.Volume, "voltage": quantity.Voltage, "current": quantity.Current, "temperature": quantity.Temperature,
}

// pageWrong are values that each other kind refuses.
var pageWrong = map[string][]any{
	"text": {17.25, true}, "name": {17.25, ""}, "choice": {17.25, "no such choice"}, "zone": {17.25, "Nowhere/At all"},
	"whole number": {17.25, "17", -1}, "number": {"17", true}, "true or false": {"yes", 17.25},
	"windows": {17.25, []any{"whenever"}}, "moment": {17.25, "some day"}, "machines": {17.25, []any{"no such", "machine"}},
	"machine": {17.25, "no such machine"}, "part": {17.25, "no such part"}, "table": {17.25, map[string]any{"no such": "1 %"}},
}
