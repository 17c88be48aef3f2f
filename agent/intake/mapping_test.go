package intake

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

// TestMappingMistakes changes one line of a sound mapping; each mistake is told
// with line, key and mend.
func TestMappingMistakes(t *testing.T) {
	sound := fmt.Sprintf(powerMapping, "separator = \",\"\nrepeated = \"error\"\nlayout = \"wide\"") + "[logger.clock]\noffset = \"5 s\"\n"
	for _, tt := range []struct {
		name, old, new string
		says           []string
	}{
		{"an unknown key", "repeated =", "repeeted =", []string{"mapping.toml:5:1: logger.repeeted: unknown key", `did you mean "repeated"?`}},
		{"no name", "name = \"power-logger\"\n", "", []string{`logger.name: "name" is missing`, "name the logger"}},
		{"a name that is none", "power-logger", "power logger", []string{"logger.name", "which a channel id cannot have"}},
		{"a layout nearly right", `"wide"`, `"wid"`, []string{"logger.layout", `did you mean "wide"?`}},
		{"a separator of two", `separator = ","`, `separator = ",;"`, []string{"mapping.toml:4:13: logger.separator", "cannot separate columns"}},
		{"long keys in the wide layout", "[logger.clock]", "[logger.long]\nchannel = \"a\"\nvalue = \"b\"\n[logger.clock]", []string{"logger.long", `the layout is "wide"`}},
		{"a format of another program", `"YYYY-MM-DD hh:mm:ss"`, `"%Y-%m-%d %H:%M:%S"`, []string{"logger.time.format", "means nothing", "write a pattern"}},
		{"a zone of no data base", `"UTC"`, `"Central"`, []string{"logger.time.zone", `"Central" is not known`, "America/Chicago"}},
		{"the computer's zone", `"UTC"`, `"Local"`, []string{"logger.time.zone", "not known"}},
		{"a zone where stamps have one", `"YYYY-MM-DD hh:mm:ss"`, `"rfc3339"`, []string{"logger.time.zone", "say themselves", "remove it"}},
		{"an offset without unit", `"5 s"`, `"5"`, []string{"logger.clock.offset", "no offset of a clock"}},
		{"a drift without a time", `offset = "5 s"`, `drift = "3 ppm"`, []string{"logger.clock.drift", "write at"}},
		{"a drift of no clock", `offset = "5 s"`, "drift = \"3 %\"\nat = \"2026-01-01T00:00:00Z\"", []string{"logger.clock.drift", "no drift of a clock", "ppm"}},
		{"a time without a zone", `offset = "5 s"`, "drift = \"1 s/d\"\nat = \"2026-01-01 00:00\"", []string{"logger.clock.at", "RFC 3339"}},
		{"a channel twice", `"power.running"`, `"power.power"`, []string{"logger.column.channel", `filled from column "kW" already`}},
		{"a column twice", `name = "on"`, `name = "kW"`, []string{"logger.column.name", `column "kW" is there twice`}},
		{"a channel nearly right", `"power.running"`, `"power.runing"`, []string{"mapping.toml:15:11: logger.column.channel", `no channel "power.runing"`, `did you mean "power.running"?`}},
		{"a unit of something else", `channel = "power.power"`, "channel = \"power.power\"\nunit = \"psi\"", []string{"logger.column.unit", "no unit of power", `the channel's unit is "kW"`}},
		{"an unknown unit", `channel = "power.power"`, "channel = \"power.power\"\nunit = \"kWatt\"", []string{"logger.column.unit", "unknown unit"}},
		{"absolute for gauge", `"power.power"`, "\"flow.pressure\"\nunit = \"bar(a)\"", []string{"not both gauge or both absolute"}},
		{"scfm for free air", `"power.power"`, "\"flow.flow\"\nunit = \"scfm\"", []string{"do not mean the same air"}},
		{"words that are none", `channel = "power.running"`, "channel = \"power.running\"\nwords = { ON = \"yes\" }", []string{"column.words.ON", "a whole number is wanted"}},
		{"numbers for names", "repeated =", "header = false\nrepeated =", []string{"logger.header", `"kW" is no column number`}},
		{"commas for both without header", "repeated =", "header = false\ndecimal = \",\"\nrepeated =", []string{"logger.decimal", "cannot be told apart"}},
		{"no files", "files = [\"p*.csv\"]\n", "", []string{"logger.files", "has no files", "power-logger=PATH"}},
		{"files that are not there", "p*.csv", "q*.csv", []string{"logger.files", "no file is like q*.csv"}},
		{"two loggers of one group", "[logger.clock]", "[[logger]]\nname = \"two\"\nfiles = [\"p*.csv\"]\n[[logger.column]]\nname = \"x\"\nchannel = \"power.running\"\n[logger.clock]", nil},
		{"no column for the time", "[logger.time]", "[logger.time]\ncolumns = []", []string{"logger.time.columns", "has no name"}},
		{"both ways to name it", "[logger.time]", "[logger.time]\ncolumn = \"a\"\ncolumns = [\"a\", \"b\"]", []string{"logger.time.column", "remove it"}},
		{"an empty channel", `"power.running"`, `" "`, []string{"logger.column.channel", "is empty"}},
		{"no TOML", "[logger.time]", "[logger.time", []string{"mapping.toml"}},
		{"nothing", sound, "", []string{"the mapping has no logger"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t)
			b.write("p.csv", powerHead+strings.Join(tenSeconds(0, 3), ""))
			if strings.Count(sound, tt.old) == 0 {
				t.Fatalf("%q is not in the mapping", tt.old)
			}
			_, err := b.open(strings.Replace(sound, tt.old, tt.new, 1))
			if err == nil {
				t.Fatal("no mistake found")
			}
			var p sitefile.Problem
			if !errors.As(err, &p) || tt.name != "nothing" && p.Line == 0 {
				t.Errorf("no place in %v", err)
			}
			for _, s := range tt.says {
				if !strings.Contains(err.Error(), s) {
					t.Errorf("got %v, want %q in it", err, s)
				}
			}
		})
	}
}

// One group of channels has one clock.
func TestTwoLoggersOfOneGroup(t *testing.T) {
	b := newBench(t)
	b.write("p.csv", powerHead+strings.Join(tenSeconds(0, 3), ""))
	mapping := fmt.Sprintf(powerMapping, "") + "[[logger]]\nname = \"two\"\nfiles = [\"p.csv\"]\n[[logger.column]]\nname = \"kW\"\nchannel = \"power.power\"\n"
	_, err := b.open(mapping)
	if err == nil || !strings.Contains(err.Error(), `the channels of device "power" that are read every 10s come from two loggers, power-logger and two; give each logger a device of its own`) {
		t.Errorf("got %v", err)
	}
}

// TestPeriodIsHeldAgainstTheDevice: rows further apart than three periods would
// all be gaps, and are refused; a period that is merely wrong is said.
func TestPeriodIsHeldAgainstTheDevice(t *testing.T) {
	for _, tt := range []struct{ every, refused, note string }{
		{"1s", `readings of device "power" lie 10s apart, but the site file says 1s: all time between them would be a gap; write every = "10s"`, ""},
		{"4s", "", `readings of device "power" lie 10s apart, but the site file says 4s: write every = "10s"`},
		{"60s", "", `readings of device "power" lie 10s apart, but the site file says 60s: write every = "10s"`},
		{"10s", "", ""},
		{"9s", "", ""},
	} {
		b := minuteBench(t, tt.every)
		b.write("p.csv", powerHead+strings.Join(tenSeconds(0, 20), ""))
		_, report, err := b.scans(fmt.Sprintf(powerMapping, ""))
		if tt.refused != "" {
			if err == nil || !strings.Contains(err.Error(), tt.refused) {
				t.Errorf("%s: got %v", tt.every, err)
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(report.Loggers[0].Notes, "\n"); got != tt.note {
			t.Errorf("%s: got %q, want %q", tt.every, got, tt.note)
		}
	}
}

func TestFilesOf(t *testing.T) {
	b := newBench(t)
	one, two := b.write("p2.csv", "x"), b.write("p1.csv", "x")
	m, err := ReadMapping(b.write("m.toml", "[[logger]]\nname = \"a\"\nfiles = [\"p*.csv\", \"p1.csv\"]\n[[logger]]\nname = \"b\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	got, err := m.FilesOf([]string{"b=x=1.csv", "b=y.csv"})
	if want := []File{{"b", "x=1.csv"}, {"b", "y.csv"}, {"a", two}, {"a", one}}; err != nil || !slices.Equal(got, want) {
		t.Errorf("got %v, %v, want %v", got, err, want)
	}
	if got, err := m.FilesOf([]string{"a=y.csv"}); err != nil || !slices.Equal(got, []File{{"a", "y.csv"}}) {
		t.Errorf("of one logger only: %v, %v", got, err)
	}
	pattern := filepath.Join(filepath.Dir(one), "p*.csv")
	if got, err := m.FilesOf([]string{"b=" + pattern, "a=none*.csv"}); err != nil || !slices.Equal(got, []File{{"b", two}, {"b", one}, {"a", "none*.csv"}}) {
		t.Errorf("of a pattern: %v, %v", got, err)
	}
	literal := b.write("p[1].csv", "x") // means itself, not p1.csv
	if got, err := m.FilesOf([]string{"a=" + literal}); err != nil || !slices.Equal(got, []File{{"a", literal}}) {
		t.Errorf("of a name with brackets: %v, %v", got, err)
	}
	for _, args := range [][]string{{"x.csv"}, {"c=x.csv"}} {
		if _, err := m.FilesOf(args); err == nil || !strings.Contains(err.Error(), "which of the loggers a, b wrote this file is not said; write NAME="+args[0]) {
			t.Errorf("%v: got %v", args, err)
		}
	}
	if _, err := m.FilesOf(nil); !errors.Is(err, ErrFiles) {
		t.Errorf("a logger without files: %v", err)
	}
}
