package sitefile

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// mapSources read register maps, whose keys docs/register-maps.md and configs/maps tell of.
var mapSources = []string{"address.go", "mapfile.go", "textmap.go", "textchannel.go", "signal.go", "verify.go", "fileline.go", "sections.go", "section.go"}

// keyArgument is which argument of a method names a key.
var keyArgument = map[string]int{
	"entry": 0, "need": 0, "text": 0, "choice": 0, "label": 0, "ident": 0, "integer": 0, "number": 0, "quantity": 0, "positive": 0, "duration": 0,
	"sub": 0, "subs": 0, "texts": 0, "boolean": 0, "windows": 0, "holidays": 0, "zone": 0, "date": 0, "plate": 0, "price": 0, "yes": 0, "prose": 0,
	"bytes": 0, "period": 0, "instrument": 0, "transformer": 0, "motor": 0, "service": 0, "tripTemperature": 0, "difference": 0, "alarmLimit": 0,
	"dateSet": 0, "twoSettings": 0, "reading": 0, "gauge": 1, "freeAir": 1, "secretFile": 1, "namedFile": 1, "tapped": 1, "alarmEnd": 1,
}

// TestSiteFilePageMeetsEveryKey: a key that the source reads is met while the examples
// of the page load, also one that is read under a condition; so that none can be read
// which TestSiteFilePageHasAllKeys does not hear of.
func TestSiteFilePageMeetsEveryKey(t *testing.T) {
	k := newKeysLoader(t)
	rows := readKeyRows(t)
	for i := range rows {
		if values, err := inlineTable(rows[i].example); err == nil {
			k.fits(&rows[i], values)
		}
	}
	met := map[string]bool{}
	for path := range k.asked {
		met[path[strings.LastIndex(path, ".")+1:]] = true
	}
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	read := 0
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") || slices.Contains(mapSources, f) {
			continue
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, f, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if key, at := keyRead(n); key != "" {
				if read++; !met[key] {
					t.Errorf("%s reads the key %q, which no example of docs/site-file.md leads to", set.Position(at), key)
				}
			}
			return true
		})
	}
	if read < 120 {
		t.Errorf("%d places where a key is read, at least 120 are expected", read)
	}
}

// keyRead is the key that a call reads, where it is written in the call.
func keyRead(n ast.Node) (string, token.Pos) {
	call, ok := n.(*ast.CallExpr)
	if !ok {
		return "", 0
	}
	method, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return "", 0
	}
	at, reads := keyArgument[method.Sel.Name]
	if !reads || len(call.Args) <= at {
		return "", 0
	}
	literal, ok := call.Args[at].(*ast.BasicLit)
	if !ok || literal.Kind != token.STRING {
		return "", 0
	}
	key, err := strconv.Unquote(literal.Value)
	if err != nil {
		return "", 0
	}
	return key, literal.Pos()
}

// TestSiteFilePageCanFail: a row that says what is not so is told.
func TestSiteFilePageCanFail(t *testing.T) {
	k := newKeysLoader(t)
	for _, tt := range []struct {
		name string
		row  keyRow
		says string
	}{
		{"sound", keyRow{table: "line", key: "timeout", kind: "time", unit: "`s`", left: "`\"1s\"`", example: `timeout = "2s"`}, ""},
		{"another default", keyRow{table: "line", key: "timeout", kind: "time", unit: "`s`", left: "`\"3s\"`", example: `timeout = "2s"`}, "left out it is not"},
		{"default that does not load", keyRow{table: "line", key: "timeout", kind: "time", unit: "`s`", left: "`\"3 psi\"`", example: `timeout = "2s"`}, "does not load"},
		{"another kind", keyRow{table: "line", key: "timeout", kind: "whole number", left: "`\"1s\"`", example: `timeout = "2s"`}, "it is no whole number"},
		{"unknown kind", keyRow{table: "line", key: "timeout", kind: "interval", left: "`\"1s\"`", example: `timeout = "2s"`}, "not one of the page's"},
		{"another unit", keyRow{table: "line", key: "timeout", kind: "time", unit: "`psi`", left: "`\"1s\"`", example: `timeout = "2s"`}, "psi"},
		{"no unit", keyRow{table: "line", key: "timeout", kind: "time", left: "`\"1s\"`", example: `timeout = "2s"`}, "no unit is named"},
		{"unknown key", keyRow{table: "line", key: "patience", kind: "time", unit: "`s`", left: "none", example: `patience = "2s"`}, "unknown key"},
		{"unknown table", keyRow{table: "lines", key: "timeout", kind: "time", unit: "`s`", left: "none", example: `timeout = "2s"`}, "no such table"},
		{"example of another key", keyRow{table: "line", key: "timeout", kind: "time", unit: "`s`", left: "none", example: `turnaround = "2s"`}, "does not set the key"},
		{"required, and is not", keyRow{table: "line", key: "timeout", kind: "time", unit: "`s`", left: "required", example: `timeout = "2s"`}, "can be left out"},
		{"not required, and is", keyRow{table: "line", key: "kind", kind: "choice", left: "none", example: `kind = "modbus-rtu"`}, "cannot be left out"},
	} {
		got := strings.Join(k.judge(&tt.row), "; ")
		if tt.says == "" && got != "" || !strings.Contains(got, tt.says) {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.says)
		}
	}
}
