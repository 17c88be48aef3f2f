package intake

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/transfer"
)

// TestHostileFiles: each is refused with file, line and, where there is one,
// column, and with a mend.
func TestHostileFiles(t *testing.T) {
	row := func(fields string) string { return powerHead + tenSeconds(0, 1)[0] + fields + "\n" }
	for _, tt := range []struct {
		name, logger string // more keys of the logger
		text         string
		line         int64
		column       string
		says, mend   string
	}{
		{"a line of 10 MB", "", row(strings.Repeat("9", 10<<20)), 3, "", "a row of more than 1048576 bytes", "is this a CSV file"},
		{"a line of 10 MB without any end", "", strings.Repeat("x", 10<<20), 1, "", "a row of more than 1048576 bytes", "is this a CSV file"},
		{"a quote that swallows the rest", "", row("2026-01-05 00:00:10,\"1,1" + strings.Repeat("\n2026-01-05 00:00:20,1,1", 100_000)), 3, "", "a quote is opened and not closed", "look for a single"},
		{"a quote to the end", "", row("2026-01-05 00:00:10,\"1,1"), 3, "kW", "a quote is opened and not closed", "look for a single"},
		{"text behind a quote", "", row("2026-01-05 00:00:10,\"1\"5,1"), 3, "kW", "text stands behind a closing quote", "separator"},
		{"NUL bytes", "", row("2026-01-05 00:00:10,1\x00,1"), 3, "kW", "a NUL byte", "utf-16"},
		{"binary", "", "\x7fELF\x02\x01\x01\x00\x00\x00\x00\x03\xff\xfe\x80", 1, "1", "a NUL byte", "CSV"},
		{"a workbook", "", "PK\x03\x04\x14\x00\x06\x00", 0, "", "a workbook or an archive", "save the sheet as CSV"},
		{"an old workbook", "", "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", 0, "", "a workbook or an archive", "save the sheet as CSV"},
		{"compressed", "", "\x1f\x8b\x08\x00", 0, "", "compressed", "unpack"},
		{"empty", "", "", 0, "", "it is empty", "leave it out"},
		{"a header only", "", powerHead, 0, "", "it has no readings", "leave it out"},
		{"UTF-16 unannounced", "", "\xff\xfet\x00i\x00m\x00e\x00", 0, "", "UTF-16", `encoding = "utf-16"`},
		{"UTF-8 announced as windows-1252", `encoding = "windows-1252"`, "\ufeff" + row(""), 0, "", "UTF-8", `encoding = "utf-8"`},
		{"UTF-16 without a mark, read as UTF-8", "", "t\x00i\x00m\x00e\x00", 1, "1", "a NUL byte", "utf-16"},
		{"half a character of UTF-16", `encoding = "utf-16"`, "\xff\xfet\x00i\x00m\x00e", 1, "1", "no character of the encoding", ""},
		{"a lone surrogate", `encoding = "utf-16"`, "\xff\xfet\x00\x00\xd8e\x00", 1, "1", "no character of the encoding", ""},
		{"two encodings", "", "time,kW,on,note\n2026-01-05 00:00:00,1,1,Gr\u00fc\u00dfe\n2026-01-05 00:00:10,1,1,Gr\xfc\xdfe\n", 3, "note", "no character of the encoding", "windows-1252"},
		{"a hole of windows-1252", `encoding = "windows-1252"`, row("2026-01-05 00:00:10,\x81,1"), 3, "kW", "no character of the encoding", ""},
		{"a missing column", "", "time,kw,on\n2026-01-05 00:00:00,1,1\n", 1, "", `there is no column "kW"`, `did you mean "kw"?`},
		{"another separator", "", "time;kW;on\n2026-01-05 00:00:00;1;1\n", 1, "", `there is no column "time"`, "separator"},
		{"a column twice", "", "time,kW,on,kW\n2026-01-05 00:00:00,1,1,2\n", 1, "kW", "two columns have this name", "rename"},
		{"a row too short", "", row("2026-01-05 00:00:10,1"), 3, "", "the row has 2 fields, but 3 are wanted", "separator"},
		{"cut off within a row", "", powerHead + "2026-01-05 00:00:00,1,1\n2026-01-05 00:0", 3, "", "the row has 1 field, but 3 are wanted", "delete the row"},
		{"a row too long", "", row("2026-01-05 00:00:10,1,1,7"), 3, "", "the row has 4 fields, but 3 are wanted", "separator"},
		{"decimal points where commas are announced", `decimal = ","`, powerHead + tenSeconds(0, 1)[0], 2, "kW", `"0.5" digits are grouped`, ""},
		{"unquoted decimal commas", `decimal = ","`, powerHead + "2026-01-05 00:00:00,1,5,1\n", 2, "", "the row has 4 fields, but 3 are wanted", "in quotes"},
		{"a decimal comma not announced", "", row("2026-01-05 00:00:10,\"1,5\",1"), 3, "kW", `"1,5" digits are grouped`, ""},
		{"thousands separators", "", row("2026-01-05 00:00:10,\"1,234.5\",1"), 3, "kW", `"1,234.5" digits are grouped, or the decimal sign is another: export it without thousands separators`, ""},
		{"formula text for a number", "", row("2026-01-05 00:00:10,=cmd|' /C calc'!A0,1"), 3, "kW", "is not a number", ""},
		{"more than a decimal channel can hold", "", row("2026-01-05 00:00:10,999999999999999999999999,1"), 3, "kW", "is more than channel power.power can hold", ""},
		{"no bit", "", row("2026-01-05 00:00:10,1,2"), 3, "on", `"2" is neither 0 nor 1`, ""},
		{"half a bit", "", row("2026-01-05 00:00:10,1,0.5"), 3, "on", `"0.5" is neither 0 nor 1`, ""},
		{"a word", "", row("2026-01-05 00:00:10,1,ON"), 3, "on", `"ON" is not a number`, ""},
		{"the 30th of February", "", row("2026-02-30 00:00:10,1,1"), 3, "time", "is a date that does not exist", "format ="},
		{"month and day changed over", "", row("2026-31-01 00:00:10,1,1"), 3, "time", "is a date that does not exist", "format ="},
		{"no time", "", row(",1,1"), 3, "time", `"" is not a time of that format`, "YYYY-MM-DD hh:mm:ss"},
		{"a footer", "", row("Average,1.5,"), 3, "time", `"Average" is not a time of that format`, ""},
		{"ends of lines of an old computer", "", "time,kW,on\r2026-01-05 00:00:00,1,1\r", 1, "3", "a carriage return inside a row", "LF"},
		{"skipped to the end", "skip_lines = 100", row(""), 0, "", "the file ends within skip_lines", ""},
		{"too many columns", "", strings.Repeat(",", 5000), 1, "", "more than 4096 columns", "separator"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t)
			path := b.write("p.csv", tt.text)
			_, _, err := b.scans(fmt.Sprintf(powerMapping, tt.logger))
			m := mistakeOf(t, err)
			if m.File != path || m.Line != tt.line || m.Column != tt.column || !strings.Contains(m.Message, tt.says) || !strings.Contains(m.Mend, tt.mend) {
				t.Errorf("got %v\n(line %d, column %q, %q, %q)", err, m.Line, m.Column, m.Message, m.Mend)
			}
			if len(err.Error()) > 600 || strings.ContainsAny(err.Error(), "\x00\r\n") {
				t.Errorf("a message that cannot be printed: %.300q", err)
			}
		})
	}
}

// A missing file and a folder are told, too.
func TestFilesThatAreNone(t *testing.T) {
	b := newBench(t)
	m, err := ReadMapping(b.write("m.toml", fmt.Sprintf(powerMapping, "")))
	if err != nil {
		t.Fatal(err)
	}
	for path, says := range map[string]string{filepath.Join(b.dir, "none.csv"): "there is no such file", b.dir: "it is a folder", os.DevNull: "it is no plain file"} {
		_, err := Open(b.site, m, []File{{"power-logger", path}})
		if got := mistakeOf(t, err); got.File != path || got.Message != says {
			t.Errorf("got %v, want %q", err, says)
		}
	}
	_, err = Open(b.site, m, []File{{"power-logger", "a"}, {"power-logger", "./a"}})
	if got := mistakeOf(t, err); got.Message != "the file is given twice" {
		t.Errorf("got %v", err)
	}
	_, err = Open(b.site, m, []File{{"other", "a"}})
	if got := mistakeOf(t, err); got.Message != `the mapping has no logger "other"` {
		t.Errorf("got %v", err)
	}
}

// Formula text in the header, in a name and in a remark becomes neither a
// channel nor a cell: what comes in goes out again without it.
func TestFormulaTextGoesNowhere(t *testing.T) {
	b := newBench(t)
	b.write("p.csv", "time,kW,on,=cmd()\n2026-01-05 00:00:00,1.5,1,@SUM(1+9)*cmd|' /C calc'!A0\n2026-01-05 00:00:10,2.5,0,-2+3\n")
	all, report := b.mustScans(fmt.Sprintf(powerMapping, ""))
	if n := strings.Join(report.Loggers[0].Notes, "\n"); n != `not read: "=cmd()"` {
		t.Errorf("notes %q", n)
	}
	out := export(t, transfer.Long, []*scan.Group{all[0].Group}, all)
	if strings.Contains(out, "cmd") || len(strings.Split(out, "\n")) != 6 {
		t.Errorf("the export has\n%s", out)
	}
}

// An index is not held beyond its bound: the limit is said, not the memory
// taken.
func TestUnorderedBeyondTheIndex(t *testing.T) {
	b := newBench(t)
	b.write("p.csv", powerHead+strings.Join([]string{tenSeconds(1, 1)[0], tenSeconds(0, 1)[0]}, ""))
	in, err := b.open(fmt.Sprintf(powerMapping, ""))
	if err != nil {
		t.Fatal(err)
	}
	c := &cursor{source: in.sources[0]}
	c.looked = look{rows: maxIndexRows + 1, backward: 1}
	if m := mistakeOf(t, c.start(t.Context())); !strings.Contains(m.Message, "are not in order of time") || m.Mend == "" {
		t.Errorf("got %v", m)
	}
}

// Memory does not grow with the files: forty times the rows, the same live
// heap while they are read.
func TestFlatMemory(t *testing.T) {
	b := newBench(t)
	live := func(n int) uint64 {
		old, err := filepath.Glob(filepath.Join(b.dir, "p*.csv"))
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range old {
			if err := os.Remove(o); err != nil {
				t.Fatal(err)
			}
		}
		for i := range 4 {
			b.write(fmt.Sprintf("p%d.csv", i), powerHead+strings.Join(tenSeconds(i*n, n), ""))
		}
		in, err := b.open(fmt.Sprintf(powerMapping, ""))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := in.Check(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		var most uint64
		seen := 0
		if err := in.Scans(t.Context(), nil, func(*scan.Scan) error {
			if seen++; seen%(n/2) == 0 {
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapAlloc)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		return most
	}
	few := live(500)
	many := live(20_000)
	if many > few+1<<20 {
		t.Errorf("live heap %d kB over 2000 rows, %d kB over 80,000", few>>10, many>>10)
	}
}

// Without a header columns have numbers; a separator at the ends of rows is no
// column.
func TestWithoutHeader(t *testing.T) {
	b := newBench(t)
	b.write("p.csv", "a title\n05/01/26 00:00:00|\"1.5\"|0|\n\n05/01/26 00:00:10|2.5|1|\n")
	mapping := `[[logger]]
name = "l"
files = ["p.csv"]
separator = "|"
skip_lines = 1
header = false
[logger.time]
column = "1"
format = "DD/MM/YY hh:mm:ss"
zone = "UTC"
[[logger.column]]
name = "2"
channel = "power.power"
`
	all, _ := b.mustScans(mapping)
	if got, want := told(all), "2026-01-05T00:00:00.000Z power 10s 1.5 no_value\n2026-01-05T00:00:10.000Z power 10s 2.5 no_value\n"; got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	_, _, err := b.scans(strings.Replace(mapping, `name = "2"`, `name = "9"`, 1))
	if m := mistakeOf(t, err); m.Line != 2 || m.Message != "the row has 4 fields, but column 9 is wanted" {
		t.Errorf("got %v", err)
	}
}
