//go:build !windows

package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"

	"loadscribe/agent/intake"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator"
	"loadscribe/testdata/peers"
)

// siteTables are the tables of a site file, as its loader knows them.
var siteTables = []string{"site", "agent", "tariff", "line", "device", "machine", "system", "mail", "webhook", "alarm", "report", "remote_write"}

// toml loads a block as what it is: its tables tell, or the comment in front of it.
func (r *docRun) toml(b docBlock) {
	r.did("examples loaded")
	// A page may say that more can stand in a list, which TOML cannot.
	text := strings.ReplaceAll(b.text, ", …", "")
	var tables map[string]any
	if err := toml.Unmarshal([]byte(text), &tables); err != nil {
		r.wrong(b.line, "this is no TOML: %v", err)
		return
	}
	has := func(keys ...string) bool {
		return slices.ContainsFunc(keys, func(k string) bool { _, ok := tables[k]; return ok })
	}
	name := fmt.Sprintf("the block of line %d", b.line)
	var err error
	switch as := b.note["as"]; {
	case as == "scenario":
		err = r.loadMerged(docScenario, "configs/scenario.toml", tables, func(path string) error {
			_, err := simulator.LoadScenario(path)
			return err
		})
	case as != "" && as != "machines":
		err = fmt.Errorf("nothing here is read as %q: name it in docsload_test.go", as)
	case as == "machines":
		_, err = replay.ParseMachines(name, []byte(text))
	case b.note["in"] != "":
		err = r.loadInside(b.note["in"], tables)
	case has("logger"):
		_, err = intake.ParseMapping(name, []byte(text))
	case has("alternative", "search"):
		_, err = replay.ParseChanges(name, []byte(text))
	case has("protocol", "channel"):
		_, err = sitefile.ParseMap(name, []byte(text))
	case has("ask"):
		err = r.loadMerged("configs/maps/answering-controller.toml", "configs/map.toml", tables, loadMap)
	case has("print"):
		err = r.loadMerged("configs/maps/printing-controller.toml", "configs/map.toml", tables, loadMap)
	case has(siteTables...):
		err = r.loadMerged(docSite, "configs/merged.toml", tables, loadWhole)
	default:
		err = fmt.Errorf("it is not told what this is part of: <!-- in: machine --> in front of the block says that its keys stand in [[machine]]")
	}
	if err != nil {
		r.wrong(b.line, "%v", err)
	}
}

func loadWhole(path string) error {
	_, err := sitefile.Load(path, sitefile.Options{})
	return err
}

func loadMap(path string) error {
	_, err := sitefile.LoadMap(path)
	return err
}

// loadInside loads keys that stand within a table: of the site file, or of a map and
// its channels.
func (r *docRun) loadInside(table string, keys map[string]any) error {
	const modbusMap = "configs/maps/screw-controller.toml"
	switch table {
	case "map":
		return r.loadMerged(modbusMap, "configs/map.toml", keys, loadMap)
	case "channel":
		whole := map[string]any{"name": "shown", "table": "input", "address": int64(900)}
		maps.Copy(whole, keys)
		return r.loadMerged(modbusMap, "configs/map.toml", map[string]any{"channel": []any{whole}}, loadMap)
	}
	first, rest, _ := strings.Cut(table, ".")
	if !slices.Contains(siteTables, first) {
		return fmt.Errorf("a site file has no table %q", first)
	}
	for _, inner := range slices.Backward(strings.Split(rest, ".")) {
		if inner != "" {
			keys = map[string]any{inner: keys}
		}
	}
	return r.loadMerged(docSite, "configs/merged.toml", map[string]any{first: keys}, loadWhole)
}

// loadMerged puts tables into those of a whole file that loads, and loads what comes
// of it.
func (r *docRun) loadMerged(base, name string, tables map[string]any, load func(path string) error) error {
	text, err := os.ReadFile(filepath.Join(r.dir, filepath.FromSlash(base)))
	if err != nil {
		return err
	}
	var whole map[string]any
	if err := toml.Unmarshal(text, &whole); err != nil {
		return err
	}
	merge(whole, tables)
	text, err = toml.Marshal(whole)
	if err != nil {
		return err
	}
	r.write(name, string(text))
	return load(filepath.Join(r.dir, filepath.FromSlash(name)))
}

// merge puts one table into another: lists of tables by name, where they have some,
// and all else in the place of what was there.
func merge(into, from map[string]any) {
	for key, value := range from {
		old, there := into[key]
		oldTable, isTable := old.(map[string]any)
		oldList, isList := old.([]any)
		switch value := value.(type) {
		case map[string]any:
			if isTable {
				merge(oldTable, value)
				continue
			}
			if first := firstTable(oldList); first != nil { // keys within the first of a list
				merge(first, value)
				continue
			}
		case []any:
			if there && isList && firstTable(value) != nil && firstTable(oldList) != nil {
				into[key] = mergeLists(oldList, value)
				continue
			}
		}
		into[key] = value
	}
}

func firstTable(list []any) map[string]any {
	if len(list) == 0 {
		return nil
	}
	table, _ := list[0].(map[string]any)
	return table
}

func mergeLists(old, more []any) []any {
	for _, m := range more {
		m, ok := m.(map[string]any)
		if !ok || m["name"] == nil {
			if ok && len(more) == 1 && len(old) > 0 { // one without a name is the first, as in [[device]] with one key
				merge(firstTable(old), m)
				continue
			}
			return more // prices say: they stand for the whole list
		}
		at := slices.IndexFunc(old, func(o any) bool { table, _ := o.(map[string]any); return table["name"] == m["name"] })
		if at < 0 {
			old = append(old, any(m))
			continue
		}
		if m["line"] != nil && m["map"] != nil { // a whole device
			old[at] = m
			continue
		}
		merge(old[at].(map[string]any), m)
	}
	return old
}

// json holds a JSON block to what a command really prints.
func (r *docRun) json(b docBlock) {
	var shown any
	if err := json.Unmarshal([]byte(b.text), &shown); err != nil {
		r.wrong(b.line, "this is no JSON: %v", err)
		return
	}
	if b.note["like"] == "" {
		r.shown(b)
		return
	}
	out, ok := r.like(b)
	if !ok {
		return
	}
	var real any
	if err := json.Unmarshal([]byte(out), &real); err != nil {
		r.wrong(b.line, "%s prints no JSON: %v\n%s", b.note["like"], err, out)
		return
	}
	if why := unlike(shown, real, "it"); why != "" {
		r.wrong(b.line, "not as %s prints it: %s", b.note["like"], why)
	}
}

// like runs the line whose output a block shows.
func (r *docRun) like(b docBlock) (string, bool) {
	line := r.standIn(b.note["like"])
	for _, words := range simpleCommands(line) {
		if words = ownWords(words); len(words) > 1 && isProgram(words[0]) {
			r.readyFor(words[1:])
		}
	}
	code, out, errs := r.shell(line)
	if code != exitFine {
		r.wrong(b.line, "%s\nends with %d:\n%s%s", line, code, out, errs)
	}
	return out, code == exitFine
}

// unlike says where a value shown is of another form than the real one: a key that
// there is not, another kind of value.
func unlike(shown, real any, at string) string {
	switch shown := shown.(type) {
	case map[string]any:
		object, ok := real.(map[string]any)
		if !ok {
			return at + " is no object"
		}
		for key, value := range shown {
			other, there := object[key]
			if !there {
				return fmt.Sprintf("%s has no %q", at, key)
			}
			if why := unlike(value, other, at+"."+key); why != "" {
				return why
			}
		}
		return ""
	case []any:
		list, ok := real.([]any)
		if !ok {
			return at + " is no list"
		}
		for i, value := range shown {
			why := ""
			for _, other := range list {
				if why = unlike(value, other, fmt.Sprintf("%s[%d]", at, i)); why == "" {
					break
				}
			}
			if why != "" {
				return why
			}
		}
		return ""
	}
	if shown != nil && real != nil && fmt.Sprintf("%T", shown) != fmt.Sprintf("%T", real) {
		return fmt.Sprintf("%s is %v, not of the kind of %v", at, real, shown)
	}
	return ""
}

// shown is a block that nothing reads: each has a reason that can be looked up.
func (r *docRun) shown(b docBlock) {
	switch {
	case b.note["file"] != "" && b.kind == "csv":
		if rows, err := csv.NewReader(strings.NewReader(b.text)).ReadAll(); err != nil || len(rows) < 2 {
			r.wrong(b.line, "this is no CSV with readings: %v", err)
		}
	case b.note["like"] != "" && b.kind == "text":
		if out, ok := r.like(b); ok {
			r.unlikeText(b, out)
		}
	case b.note["held"] != "": // by a test of its own, which names the page
		file, test, _ := strings.Cut(b.note["held"], " ")
		text, err := os.ReadFile(filepath.Join(docsRoot, filepath.FromSlash(file)))
		if err != nil || test == "" || !strings.HasSuffix(file, "_test.go") || !bytes.Contains(text, []byte("func "+test+"(")) {
			r.wrong(b.line, "<!-- held: %s --> names no test", b.note["held"])
		}
	case b.note["drawing"] != "" && b.kind == "text":
		if regexp.MustCompile(`(?m)^\W*(sudo |\$ )?loadscribe\b`).MatchString(b.text) {
			r.wrong(b.line, "a drawing has no commands: they stand in a block of the kind sh")
		}
	default:
		r.wrong(b.line, "a block of no kind (%q) that is known: see \"A block of the docs\" in DEVELOPERS.md", b.kind)
	}
}

var (
	openText    = regexp.MustCompile(`<[^<>]+>|…`)
	digitsShown = regexp.MustCompile(`[0-9]+`)
)

// unlikeText: each line of the block is one of what the command prints, but for
// digitsShown, spaces, and what stands in <> or is left out with "…".
func (r *docRun) unlikeText(b docBlock, out string) {
	for i, l := range strings.Split(strings.TrimRight(b.text, "\n"), "\n") {
		if strings.TrimSpace(l) == "" {
			continue
		}
		var pattern strings.Builder
		for k, word := range strings.Fields(openText.ReplaceAllString(l, "\x00")) {
			if k > 0 {
				pattern.WriteString(`\s+`)
			}
			word = digitsShown.ReplaceAllString(regexp.QuoteMeta(word), `[0-9]+`)
			pattern.WriteString(strings.ReplaceAll(word, "\x00", `.+`))
		}
		if !regexp.MustCompile(`(?m)^\s*` + pattern.String()).MatchString(out) {
			r.wrong(b.line+i, "%q is no line of what %s prints:\n%s", l, b.note["like"], out)
			return
		}
	}
}

// yaml gives a block to promtool: rules, or a configuration of Prometheus.
func (r *docRun) yaml(b docBlock) {
	what := "config"
	switch {
	case regexp.MustCompile(`(?m)^groups:`).MatchString(b.text):
		what = "rules"
	case !regexp.MustCompile(`(?m)^(scrape_configs|remote_write|rule_files|global|storage|alerting):`).MatchString(b.text):
		r.shown(b)
		return
	}
	r.promtool(b, "check", what, fmt.Sprintf("line-%d.yml", b.line), b.text)
}

// promql gives each question of a block, with an empty line between, to promtool.
func (r *docRun) promql(b docBlock) {
	text := "groups:\n- name: shown\n  rules:\n"
	for i, q := range strings.Split(strings.TrimSpace(b.text), "\n\n") {
		text += fmt.Sprintf("  - record: shown_%d\n    expr: |\n      %s\n", i, strings.ReplaceAll(q, "\n", "\n      "))
	}
	r.promtool(b, "check", "rules", fmt.Sprintf("line-%d.yml", b.line), text)
}

func (r *docRun) promtool(b docBlock, first, second, name, text string) {
	r.write(name, text)
	r.t.Run(fmt.Sprintf("promtool line %d", b.line), func(t *testing.T) {
		cmd := exec.Command(peers.Path(t, "promtool"), first, second, name)
		cmd.Dir = r.dir
		out, err := cmd.CombinedOutput()
		var ended *exec.ExitError
		if errors.As(err, &ended) {
			r.wrong(b.line, "promtool %s %s: %s", first, second, out)
		} else if err != nil {
			t.Fatal(err)
		}
	})
}
