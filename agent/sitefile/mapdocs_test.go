package sitefile

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

// unknownKey is like no key, so that the mend lists all that are known.
const unknownKey = "zzzzzzzzzzzz"

// mapTables are the tables of register maps: a map whose named place holds an
// unknown key, and the heads of docs/register-maps.md under which its keys stand.
var mapTables = []struct{ name, text, heads string }{
	{"modbus map", `zzzzzzzzzzzz = 1`, "At the top"},
	{"modbus channel", "[[channel]]\nzzzzzzzzzzzz = 1", "A channel"},
	{"verify", `verify = [{ zzzzzzzzzzzz = 1 }]`, "An entry of verify"},
	{"signal", "[[channel]]\nsignal = { zzzzzzzzzzzz = 1 }", "A signal"},
	{"text map that asks", "protocol = \"text\"\nzzzzzzzzzzzz = 1", "At the top of a text map"},
	{"text map that listens", "protocol = \"text\"\nmode = \"listen\"\nzzzzzzzzzzzz = 1", "At the top of a text map"},
	{"question", "protocol = \"text\"\n[[ask]]\nzzzzzzzzzzzz = 1", "Questions and prints"},
	{"print", "protocol = \"text\"\nmode = \"listen\"\n[[print]]\nzzzzzzzzzzzz = 1", "Questions and prints"},
	{"checksum", "protocol = \"text\"\nchecksum = { zzzzzzzzzzzz = 1 }", "Checksums"},
	{"send_checksum", "protocol = \"text\"\nsend_checksum = { zzzzzzzzzzzz = 1 }", "Checksums"},
	{"channel that is asked", "protocol = \"text\"\n[[channel]]\nzzzzzzzzzzzz = 1", "A channel of a text map"},
	{"channel that is printed", "protocol = \"text\"\nmode = \"listen\"\n[[channel]]\nzzzzzzzzzzzz = 1", "A channel of a text map"},
	{"map of files", "protocol = \"file\"\nzzzzzzzzzzzz = 1", "At the top"},
	{"channel of files", "protocol = \"file\"\n[[channel]]\nzzzzzzzzzzzz = 1", "Maps of files"},
}

// TestMapKeysInDocs: docs/register-maps.md lists the keys that the loader knows in
// each table of a register map, and no others.
func TestMapKeysInDocs(t *testing.T) {
	page := registerMapsPage(t)
	for _, wrong := range mapKeyMistakes(t, page) {
		t.Error("docs/register-maps.md: " + wrong)
	}
	// What the check must find, in a copy of the page.
	for _, c := range []struct{ old, new, want string }{
		{"| `bridge` |", "| bridge |", `"At the top" lacks bridge`},
		{"| `inverted` | of a bit: `true`", "| `upside_down` | of a bit: `true`", `"A channel" has upside_down`},
		{"| `fault_below`, `fault_above` |", "| `fault_below` |", `"A signal" lacks fault_above`},
		{"| `stands` |", "| `standing` |", `"Checksums" lacks stands`},
		{"`every`, `inverted` | as of a Modbus channel", "`every` | as of a Modbus channel", `"Maps of files" lacks inverted`},
	} {
		broken := strings.Replace(page, c.old, c.new, 1)
		if got := mapKeyMistakes(t, broken); broken == page || !slices.ContainsFunc(got, func(g string) bool { return strings.HasPrefix(g, c.want) }) {
			t.Errorf("with %q: found %q, want %s", c.new, got, c.want)
		}
	}
}

func registerMapsPage(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "docs", "register-maps.md"))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func mapKeyMistakes(t *testing.T, page string) (wrong []string) {
	t.Helper()
	read := map[string][]string{} // by head
	for _, table := range mapTables {
		keys := knownKeys(t, table.text)
		if len(keys) < 2 {
			t.Fatalf("%s: keys %q", table.name, keys)
		}
		// The keys of one table by its own head: the general ones, which stand at
		// another, are named again there only where they differ.
		read[table.heads] = append(read[table.heads], keys...)
	}
	for head, keys := range read {
		listed := keysUnder(page, head)
		for _, k := range listed {
			if !slices.Contains(keys, k) {
				wrong = append(wrong, `"`+head+`" has `+k+", which the loader does not know")
			}
		}
		for _, k := range keys {
			if !slices.Contains(listed, k) {
				wrong = append(wrong, `"`+head+`" lacks `+k)
			}
		}
	}
	return wrong
}

// knownKeys are the keys that the loader knows where it found an unknown one.
func knownKeys(t *testing.T, text string) []string {
	t.Helper()
	found := &findings{}
	readMap("m.toml", []byte(text), found)
	for _, p := range found.problems {
		if _, list, ok := strings.Cut(p.Mend, "known keys here: "); ok && strings.Contains(p.Message, unknownKey) {
			return strings.Split(list, ", ")
		}
	}
	t.Fatalf("%q: no mistake lists the known keys: %v", text, found.problems)
	return nil
}

// keysUnder are the keys in the first column of the tables under a head.
func keysUnder(page, head string) (keys []string) {
	_, section, ok := strings.Cut(page, "# "+head+"\n")
	if !ok {
		return nil
	}
	if end := regexp.MustCompile(`(?m)^#+ `).FindStringIndex(section); end != nil {
		section = section[:end[0]]
	}
	for _, row := range regexp.MustCompile("(?m)^\\| (`[^|]*`) \\|").FindAllStringSubmatch(section, -1) {
		for _, k := range regexp.MustCompile("`([a-z_]+)`").FindAllStringSubmatch(row[1], -1) {
			keys = append(keys, k[1])
		}
	}
	return keys
}

// TestRolesInDocs: the page lists every role once, and no others.
func TestRolesInDocs(t *testing.T) {
	listed := keysUnder(registerMapsPage(t), "Every role")
	for _, r := range scan.Roles() {
		if !slices.Contains(listed, string(r)) {
			t.Errorf("docs/register-maps.md does not say what the role %s buys", r)
		}
	}
	if len(listed) != len(scan.Roles()) {
		t.Errorf("docs/register-maps.md lists %d roles, there are %d", len(listed), len(scan.Roles()))
	}
}

// TestMapStepByStep: the map that the page makes of a manual's page is without
// mistake, and reads what the example map of the same invented controller reads.
func TestMapStepByStep(t *testing.T) {
	manual, section, _ := strings.Cut(registerMapsPage(t), "That page becomes:")
	_, block, _ := strings.Cut(section, "```toml\n")
	block, _, ok := strings.Cut(block, "```")
	if !ok {
		t.Fatal("the page has no such block")
	}
	_, manual, _ = strings.Cut(manual, "```text\n")
	numbers := regexp.MustCompile(`(?m)^ ([34]\d{4}) `).FindAllStringSubmatch(manual, -1)
	if len(numbers) != 10 {
		t.Errorf("the manual's page has %d registers", len(numbers))
	}
	for _, n := range numbers {
		if !strings.Contains(block, "address = "+n[1]) {
			t.Errorf("the manual has %s, the map has not", n[1])
		}
	}
	found := &findings{}
	got := readMap("m.toml", []byte(block), found)
	example, err := os.ReadFile(filepath.Join("..", "..", "configs", "maps", "screw-controller.toml"))
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]MapChannel{}
	for _, c := range readMap("e.toml", example, found).Channels {
		want[c.Name] = c
	}
	if len(found.problems)+len(found.warnings) > 0 {
		t.Fatal(found.problems, found.warnings)
	}
	if len(got.Channels) != 11 || len(got.Verify) != 1 {
		t.Errorf("%d channels, %d values to verify", len(got.Channels), len(got.Verify))
	}
	for _, c := range got.Channels {
		w := want[c.Name]
		if c.Table != w.Table || c.Address != w.Address || c.Type != w.Type || c.Bit != w.Bit || c.Scale != w.Scale || c.WordsLittle != w.WordsLittle || c.Role != w.Role || c.Unit != w.Unit {
			t.Errorf("%s: %+v\nthe example has %+v", c.Name, c, w)
		}
	}
}
