package sitefile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// File is the site file or a register map, as it was read.
type File struct {
	Name string // as the user knows it: the site file's base name, a map as the site file names it
	Path string // as it was opened
	Map  bool   // a register map
	Hash string // hex SHA-256 of Text
	Text []byte
}

// Change is one setting that differs between two versions of a file.
type Change struct {
	Table  string // "machine", "tariff", "channel"; empty: a key of the file itself
	Name   string // of the machine, device, channel …; empty where the table has none
	Key    string // "rated_flow", "motor.power"; empty: all of it came or went
	Before string // as JSON; empty: it was not there
	After  string // likewise
}

// String says what changed in a few words.
func (c Change) String() string {
	what := strings.Join(slices.DeleteFunc([]string{c.Table, c.Name, c.Key}, func(s string) bool { return s == "" }), " ")
	switch {
	case c.Before == "":
		return what + " added" + valueText(c, c.After)
	case c.After == "":
		return what + " removed" + valueText(c, c.Before)
	}
	return fmt.Sprintf("%s %s, was %s", what, shortValue(c.After), shortValue(c.Before))
}

func valueText(c Change, value string) string {
	if c.Key == "" {
		return ""
	}
	return ": " + shortValue(value)
}

// shortValue bounds what a long list takes; the whole is in the kept text.
func shortValue(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// Changes lists the settings in which two versions of a file differ, in the
// order of their names. Comments and layout are none. A version that is not
// TOML gives an error.
func Changes(before, after []byte) ([]Change, error) {
	old, err := settings(before)
	if err != nil {
		return nil, fmt.Errorf("the version before: %w", err)
	}
	now, err := settings(after)
	if err != nil {
		return nil, fmt.Errorf("the version now: %w", err)
	}
	all := map[setting]bool{}
	for _, m := range []map[setting]string{old, now} {
		for p := range m {
			all[p] = true
		}
	}
	var changes []Change
	for _, p := range slices.SortedFunc(maps.Keys(all), setting.compare) {
		if old[p] == now[p] {
			continue
		}
		whole := setting{p.table, p.name, ""}
		if p.key != "" && p.name != "" && (old[whole] == "") != (now[whole] == "") {
			continue // all of it came or went, which is told once
		}
		changes = append(changes, Change{p.table, p.name, p.key, hidden(p.key, old[p]), hidden(p.key, now[p])})
	}
	return changes, nil
}

// setting is where a setting stands.
type setting struct{ table, name, key string }

func (p setting) compare(q setting) int {
	return slices.Compare([]string{p.table, p.name, p.key}, []string{q.table, q.name, q.key})
}

// secretName finds a key, or one within a value as JSON, whose value is a secret.
var secretName = regexp.MustCompile(`(?i)(password|secret|token)[^"]*("\s*:|$)`)

// hidden keeps what nobody should read in an event out of it.
func hidden(key, value string) string {
	if value != "" && (secretName.MatchString(key) || strings.HasPrefix(value, "[") && secretName.MatchString(value)) {
		return "(not shown)"
	}
	return value
}

// settings lays a document out flat. Tables of a list are told apart by name.
func settings(text []byte) (map[setting]string, error) {
	var doc map[string]any
	if err := toml.Unmarshal(bytes.TrimPrefix(text, bomUTF8), &doc); err != nil {
		return nil, fmt.Errorf("not TOML: %w", err)
	}
	flat := map[setting]string{}
	for table, v := range doc {
		switch v := v.(type) {
		case map[string]any:
			flatten(flat, table, "", "", v)
		case []any:
			flattenList(flat, table, v)
		default:
			flat[setting{"", "", table}] = written(v)
		}
	}
	return flat, nil
}

func flattenList(flat map[setting]string, table string, list []any) {
	for i, v := range list {
		element, ok := v.(map[string]any)
		name, named := element["name"].(string)
		if !ok {
			flat[setting{"", "", table}] = written(list)
			return
		}
		if !named {
			name = fmt.Sprintf("number %d", i+1)
		}
		flat[setting{table, name, ""}] = "here"
		flatten(flat, table, name, "", element)
	}
}

func flatten(flat map[setting]string, table, name, prefix string, v map[string]any) {
	for key, v := range v {
		key = prefix + key
		if inner, ok := v.(map[string]any); ok {
			flatten(flat, table, name, key+".", inner)
			continue
		}
		flat[setting{table, name, key}] = written(v)
	}
}

// written is a value as JSON: two values are the same where this is.
func written(v any) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Sprint(v) // NaN and the infinities, which TOML has and JSON lacks
	}
	return strings.TrimSpace(b.String())
}
