package intake

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/transfer"
)

// bench lays a site, a mapping and files into a folder.
type bench struct {
	t    *testing.T
	dir  string
	site *sitefile.Site
}

const benchSite = `[site]
timezone = "America/Chicago"
[[line]]
name = "loggers"
kind = "file"
[[line]]
name = "bus"
kind = "modbus-tcp"
address = "192.0.2.7:502"
[[device]]
name = "flow"
line = "loggers"
map = "flow.toml"
every = "10s"
[[device]]
name = "power"
line = "loggers"
map = "power.toml"
every = "10s"
[[device]]
name = "controller"
line = "bus"
unit = 1
map = "controller.toml"
every = "10s"
`

const benchFlow = `protocol = "file"
[[channel]]
name = "flow"
role = "flow"
unit = "m³/h"
valid = [0, 900]
[[channel]]
name = "pressure"
unit = "bar"
`

const benchPower = `protocol = "file"
[[channel]]
name = "power"
role = "power"
unit = "kW"
[[channel]]
name = "running"
type = "bit"
`

// The invented controller has counts of a tenth of a psi, of two degrees from
// -40, a float and a counter, some of them every second.
const benchController = `protocol = "modbus"
[[channel]]
name = "pressure"
table = "input"
address = 4
type = "u16"
scale = 0.1
unit = "psi"
valid = [0, 250]
[[channel]]
name = "temperature"
table = "input"
address = 5
type = "i16"
scale = 2
offset = -40
unit = "°F"
[[channel]]
name = "hours"
table = "input"
address = 6
type = "u32"
unit = "h"
every = "1s"
[[channel]]
name = "current"
table = "input"
address = 8
type = "f32"
unit = "A"
every = "1s"
`

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{t: t, dir: t.TempDir()}
	b.write("site.toml", benchSite)
	b.write("flow.toml", benchFlow)
	b.write("power.toml", benchPower)
	b.write("controller.toml", benchController)
	b.load()
	return b
}

func (b *bench) load() {
	b.t.Helper()
	site, err := sitefile.Load(filepath.Join(b.dir, "site.toml"), sitefile.Options{})
	if err != nil {
		b.t.Fatal(err)
	}
	b.site = site
}

func (b *bench) write(name, text string) string {
	b.t.Helper()
	path := filepath.Join(b.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		b.t.Fatal(err)
	}
	return path
}

// open reads a mapping and opens the files that it names.
func (b *bench) open(mapping string) (*Intake, error) {
	b.t.Helper()
	m, err := ReadMapping(b.write("mapping.toml", mapping))
	if err != nil {
		return nil, err
	}
	files, err := m.FilesOf(nil)
	if err != nil {
		return nil, err
	}
	return Open(b.site, m, files)
}

// scans reads everything.
func (b *bench) scans(mapping string) ([]scan.Scan, Report, error) {
	b.t.Helper()
	in, err := b.open(mapping)
	if err != nil {
		return nil, Report{}, err
	}
	report, err := in.Check(b.t.Context(), nil)
	if err != nil {
		return nil, report, err
	}
	var all []scan.Scan
	err = in.Scans(b.t.Context(), nil, func(s *scan.Scan) error {
		if n := len(all); n > 0 && s.WallMS < all[n-1].WallMS {
			b.t.Errorf("scan %d goes back from %s to %s", n, utcText(all[n-1].WallMS), utcText(s.WallMS))
		}
		all = append(all, *s)
		return nil
	})
	if err == nil && int64(len(all)) != report.Scans {
		b.t.Errorf("%d scans, but Check counted %d", len(all), report.Scans)
	}
	return all, report, err
}

// mustScans is scans of what has no mistake.
func (b *bench) mustScans(mapping string) ([]scan.Scan, Report) {
	b.t.Helper()
	all, report, err := b.scans(mapping)
	if err != nil {
		b.t.Fatal(err)
	}
	return all, report
}

// told prints scans one a line: time, group, then each channel as an export prints it, or the
// reason.
func told(all []scan.Scan) string {
	var b strings.Builder
	for i := range all {
		s := &all[i]
		b.WriteString(utcText(s.WallMS) + " " + s.Group.Device + " " + s.Group.Name)
		for c := range s.Group.Channels {
			raw, ok := s.Get(c)
			b.WriteString(" ")
			switch {
			case !ok:
				b.WriteString(strings.ReplaceAll(s.ReasonOf(c).String(), " ", "_"))
			default:
				b.Write(transfer.AppendValue(nil, &s.Group.Channels[c], raw))
			}
		}
		b.WriteString("\n")
	}
	return b.String()
}

// mistakeOf returns a Mistake out of an error.
func mistakeOf(t *testing.T, err error) *Mistake {
	t.Helper()
	var m *Mistake
	if !errors.As(err, &m) || !errors.Is(err, ErrFile) {
		t.Fatalf("got %v, want a mistake of a file", err)
	}
	return m
}

const flowMapping = `[[logger]]
name = "flow-logger"
files = ["flow*.csv"]
separator = ";"
decimal = ","
[logger.time]
column = "Time"
format = "DD.MM.YYYY hh:mm:ss"
zone = "Europe/Berlin"
[[logger.column]]
name = "Flow"
channel = "flow.flow"
[[logger.column]]
name = "Press"
channel = "flow.pressure"
unit = "bar(g)"
empty = ["---"]
`

// Hand-worked: Berlin is UTC+1 in winter and UTC+2 in summer.
func TestWide(t *testing.T) {
	b := newBench(t)
	b.write("flow1.csv", "\ufeffTime;Flow;Press;Remark\r\n"+
		"05.11.2026 08:00:00;312,40;7,31;\r\n"+
		"05.11.2026 08:00:10;312,5;---;\"opened; twice\"\r\n"+
		"05.11.2026 08:00:20;-1;7,3;\r\n"+
		"05.11.2026 08:00:30,250;;7,29;\r\n"+
		"\r\n"+
		"05.11.2026 08:00:40;;;\r\n")
	all, report := b.mustScans(flowMapping)
	want := `2026-11-05T07:00:00.000Z flow 10s 312.40 7.31
2026-11-05T07:00:10.000Z flow 10s 312.5 no_value
2026-11-05T07:00:20.000Z flow 10s implausible 7.3
2026-11-05T07:00:30.250Z flow 10s no_value 7.29
2026-11-05T07:00:40.000Z flow 10s no_value no_value
`
	if got := told(all); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	l := report.Loggers[0]
	if l.Rows != 5 || l.Scans != 5 || l.Blank != 1 || l.Implausible != 1 || l.NoValue != 1 || l.Groups[0].StepMS != 10_000 {
		t.Errorf("report %+v", l)
	}
	if all[2].Values[0] != -1<<8 || all[0].MonoMS != all[0].WallMS {
		t.Errorf("an implausible value keeps its raw: %+v", all[2])
	}
}
