package intake

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

const examples = "../../configs/imports"

// exampleMapping reads a mapping of configs/imports.
func exampleMapping(t *testing.T, name string) *Mapping {
	t.Helper()
	m, err := ReadMapping(filepath.Join(examples, name))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestExampleMappings loads every mapping that is there for people to copy.
func TestExampleMappings(t *testing.T) {
	paths, err := filepath.Glob(filepath.Join(examples, "*.toml"))
	if err != nil || len(paths) < 3 {
		t.Fatalf("%d mappings, %v", len(paths), err)
	}
	for _, p := range paths {
		if m := exampleMapping(t, filepath.Base(p)); len(m.Loggers) == 0 {
			t.Errorf("%s has no logger", p)
		}
	}
}

// TestDocumentedMappings reads every mapping of docs/importing.md.
func TestDocumentedMappings(t *testing.T) {
	const page = "../../docs/importing.md"
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for i, piece := range strings.Split(string(text), "```toml\n")[1:] {
		example, _, ok := strings.Cut(piece, "```")
		if !ok || !strings.Contains(example, "[[logger]]") {
			continue
		}
		n++
		if _, err := ParseMapping(fmt.Sprintf("%s, example %d", page, i+1), []byte(example)); err != nil {
			t.Error(err)
		}
	}
	if n < 3 {
		t.Errorf("%d examples", n)
	}
}

// TestExampleLoggers reads files as the two loggers of the example site would
// write them. Hand-worked: the power logger's clock is 41.5 s ahead and loses
// nothing yet at the time given; its W are the channel's kW; the flow logger's
// clock stays at UTC+1, in windows-1252, and 366,6 m³/h are 6.110 m³/min.
func TestExampleLoggers(t *testing.T) {
	b := newBench(t)
	site, err := sitefile.Load("../../configs/loggers.toml", sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b.site = site
	text, err := os.ReadFile(filepath.Join(examples, "loggers.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(b.dir, "flow"), 0o755); err != nil {
		t.Fatal(err)
	}
	b.write("power-1.csv", "Power logger 3\nrecording \"week 43\nTime,P total (W),Status,\n"+
		"10/19/2026 08:00:41 AM,38210,RUN,\n10/19/2026 08:00:46 AM,---,STOP,\n10/19/2026 08:00:51 AM,120.5,STOP,\n")
	b.write("flow/1.csv", "Datum;Zeit;Durchfluss;Z\xe4hler\n;;m\xb3/h;m\xb3\n"+
		"19.10.2026;07:00:00;366,6;12044,1\n19.10.2026;07:00:10;366,6;12045,1\n19.10.2026;07:00:10;366,0;12045,1\n")
	all, report := b.mustScans(string(text))
	want := `2026-10-19T05:59:59.500Z power 5s 38.21 1
2026-10-19T06:00:00.000Z flow 10s 6.110000 12044.1
2026-10-19T06:00:04.500Z power 5s no_value 0
2026-10-19T06:00:09.500Z power 5s 0.1205 0
2026-10-19T06:00:10.000Z flow 10s 6.100000 12045.1
`
	if got := told(all); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	if l := report.Loggers[1]; l.Differing != 1 || l.Repeated != 1 {
		t.Errorf("the flow logger's report: %+v", l)
	}
}
