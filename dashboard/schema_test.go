package dashboard

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

// document is openapi.json as generic JSON, with a checker for the part of JSON
// Schema (2020-12, from memory) that it uses. An unknown keyword is an error, so
// that nothing in the document is silently not checked.
type document struct{ root map[string]any }

func readDocument(t testing.TB) document {
	t.Helper()
	var d document
	if err := json.Unmarshal(openAPI, &d.root); err != nil {
		t.Fatalf("openapi.json: %v", err)
	}
	return d
}

func (d document) at(path ...string) map[string]any {
	m := d.root
	for _, p := range path {
		m, _ = m[p].(map[string]any)
	}
	return m
}

func (d document) schema(name string) map[string]any { return d.at("components", "schemas", name) }

// check returns what is wrong with v under schema.
func (d document) check(schema map[string]any, v any, where string) []string {
	if schema == nil {
		return []string{where + ": no schema"}
	}
	var wrong []string
	for keyword, arg := range schema {
		switch keyword {
		case "description", "default", "properties", "additionalProperties", "required":
		case "$ref":
			name := strings.TrimPrefix(arg.(string), "#/components/schemas/")
			wrong = append(wrong, d.check(d.schema(name), v, where)...)
		case "type":
			if !hasType(arg, v) {
				wrong = append(wrong, fmt.Sprintf("%s: %v (%T) is not %v", where, v, v, arg))
			}
		case "enum":
			if !slices.Contains(arg.([]any), v) {
				wrong = append(wrong, fmt.Sprintf("%s: %v is none of %v", where, v, arg))
			}
		case "format":
			if text, ok := v.(string); ok && arg == "date-time" {
				if _, err := time.Parse("2006-01-02T15:04:05.000Z", text); err != nil {
					wrong = append(wrong, fmt.Sprintf("%s: %v", where, err))
				}
			}
		case "items":
			list, _ := v.([]any)
			for i, item := range list {
				wrong = append(wrong, d.check(arg.(map[string]any), item, fmt.Sprintf("%s[%d]", where, i))...)
			}
		case "minItems", "maxItems":
			list, _ := v.([]any)
			n := int(arg.(float64))
			if keyword == "minItems" && len(list) < n || keyword == "maxItems" && len(list) > n {
				wrong = append(wrong, fmt.Sprintf("%s: %d items against %s %d", where, len(list), keyword, n))
			}
		case "oneOf":
			fits := 0
			for _, one := range arg.([]any) {
				if len(d.check(one.(map[string]any), v, where)) == 0 {
					fits++
				}
			}
			if fits != 1 {
				wrong = append(wrong, fmt.Sprintf("%s: fits %d of oneOf", where, fits))
			}
		default:
			wrong = append(wrong, fmt.Sprintf("%s: keyword %q is not checked", where, keyword))
		}
	}
	if m, ok := v.(map[string]any); ok && schema["type"] == "object" {
		wrong = append(wrong, d.checkObject(schema, m, where)...)
	}
	return wrong
}

func (d document) checkObject(schema, m map[string]any, where string) []string {
	var wrong []string
	required, _ := schema["required"].([]any)
	for _, name := range required {
		if _, ok := m[name.(string)]; !ok {
			wrong = append(wrong, fmt.Sprintf("%s: %v is missing", where, name))
		}
	}
	properties, _ := schema["properties"].(map[string]any)
	for name, v := range m {
		below := where + "." + name
		if p, ok := properties[name].(map[string]any); ok {
			wrong = append(wrong, d.check(p, v, below)...)
			continue
		}
		switch extra := schema["additionalProperties"].(type) {
		case map[string]any:
			wrong = append(wrong, d.check(extra, v, below)...)
		default:
			wrong = append(wrong, below+": not in the schema")
		}
	}
	return wrong
}

func hasType(arg, v any) bool {
	if list, ok := arg.([]any); ok {
		return slices.ContainsFunc(list, func(one any) bool { return hasType(one, v) })
	}
	switch v := v.(type) {
	case nil:
		return arg == "null"
	case string:
		return arg == "string"
	case bool:
		return arg == "boolean"
	case float64:
		return arg == "number" || arg == "integer" && v == math.Trunc(v)
	case []any:
		return arg == "array"
	case map[string]any:
		return arg == "object"
	}
	return false
}

// mustFit checks a JSON text against a component.
func (d document) mustFit(t testing.TB, name string, text []byte) {
	t.Helper()
	var v any
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatalf("%s: %v in %s", name, err, text)
	}
	for _, w := range d.check(map[string]any{"$ref": "#/components/schemas/" + name}, v, name) {
		t.Errorf("%s\nin %s", w, text)
	}
}

// TestCheckerFindsFaults holds the checker itself to faults it must see.
func TestCheckerFindsFaults(t *testing.T) {
	d := readDocument(t)
	good := `{"line":"bus","up":true,"detail":""}`
	d.mustFit(t, "LineState", []byte(good))
	for _, bad := range []string{
		`{"line":"bus","up":true}`,
		`{"line":"bus","up":1,"detail":""}`,
		`{"line":"bus","up":true,"detail":"","more":1}`,
		`{"line":null,"up":true,"detail":""}`,
		`[]`,
	} {
		var v any
		if err := json.Unmarshal([]byte(bad), &v); err != nil {
			t.Fatal(err)
		}
		if len(d.check(d.schema("LineState"), v, "x")) == 0 {
			t.Errorf("%s passes as a LineState", bad)
		}
	}
	for name, bad := range map[string]string{
		"StateName":    `"asleep"`,
		"Interval":     `{"start":"2026-03-02","observed_s":1,"states":{},"starts":0,"load_cycles":0}`,
		"LiveEnvelope": `{"seq":1,"type":"scan","data":{}}`,
		"DeviceState":  `{"device":"d","line":"l","up":true,"last_scan":null,"reason":"","detail":"","round_trip_ms":1,"scans":1.5,"errors":{"timeout":"3"}}`,
	} {
		var v any
		if err := json.Unmarshal([]byte(bad), &v); err != nil {
			t.Fatal(err)
		}
		if len(d.check(d.schema(name), v, "x")) == 0 {
			t.Errorf("%s passes as a %s", bad, name)
		}
	}
}

// fitsType compares a component's properties with a struct's JSON fields, both
// ways.
func (d document) fitsType(t *testing.T, name string, typ reflect.Type) {
	t.Helper()
	schema := d.schema(name)
	properties, _ := schema["properties"].(map[string]any)
	required, _ := schema["required"].([]any)
	fields := map[string]bool{}
	for i := range typ.NumField() {
		if !typ.Field(i).IsExported() || typ.Field(i).Tag.Get("json") == "-" {
			continue // JSON does not show it
		}
		field, options, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
		fields[field] = true
		optional := strings.HasPrefix(options, "omit")
		if _, ok := properties[field]; !ok {
			t.Errorf("%s: field %s of %v is not in the document", name, field, typ)
		}
		if optional == slices.Contains(required, any(field)) {
			t.Errorf("%s.%s: left out when empty in Go: %v, and the document disagrees", name, field, optional)
		}
	}
	for _, p := range slices.Sorted(maps.Keys(properties)) {
		if !fields[p] {
			t.Errorf("%s: property %s is not in %v", name, p, typ)
		}
	}
	if schema["additionalProperties"] != false {
		t.Errorf("%s: unknown properties are not forbidden", name)
	}
}
