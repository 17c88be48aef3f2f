package intake

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"loadscribe/agent/scan"
)

// tenSeconds writes rows of the power logger: n of them, ten seconds apart.
func tenSeconds(from, n int) []string {
	var rows []string
	start := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	for i := from; i < from+n; i++ {
		rows = append(rows, fmt.Sprintf("%s,%d.5,%d\n", start.Add(time.Duration(i)*10*time.Second).Format(time.DateTime), i, i%2))
	}
	return rows
}

const powerHead = "time,kW,on\n"

const powerMapping = `[[logger]]
name = "power-logger"
files = ["p*.csv"]
%s
[logger.time]
format = "YYYY-MM-DD hh:mm:ss"
zone = "UTC"
[[logger.column]]
name = "kW"
channel = "power.power"
[[logger.column]]
name = "on"
channel = "power.running"
`

// checkTens holds scans to be those of tenSeconds(0, n).
func checkTens(t *testing.T, all []scan.Scan, n int) {
	t.Helper()
	start := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC).UnixMilli()
	if len(all) != n {
		t.Fatalf("%d scans, want %d", len(all), n)
	}
	for i := range all {
		if s := &all[i]; s.WallMS != start+int64(i)*10_000 || s.Values[0] != int64(i*10+5)<<8|1 || s.Values[1] != int64(i%2) {
			t.Fatalf("scan %d at %s: %v", i, utcText(s.WallMS), s.Values)
		}
	}
}

func TestFilesOverlapRepeatAndAreUnordered(t *testing.T) {
	rows := tenSeconds(0, 300)
	shuffled := slices.Clone(rows)
	rand.New(rand.NewPCG(1, 1)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	reversed := slices.Clone(rows)
	slices.Reverse(reversed)
	for _, tt := range []struct {
		name               string
		files              [][]string
		repeated, backward int64
	}{
		{"one after another, named the other way round", [][]string{rows[200:], rows[100:200], rows[:100]}, 0, 0},
		{"overlapping", [][]string{rows[:200], rows[150:]}, 50, 0},
		{"one within another", [][]string{rows, rows[100:120]}, 20, 0},
		{"a row twice", [][]string{slices.Insert(slices.Clone(rows), 10, rows[9])}, 1, 0},
		{"newest first", [][]string{reversed}, 0, 299},
		{"in blocks", [][]string{append(slices.Clone(rows[150:]), rows[:150]...)}, 0, 1},
		{"shuffled, and some again", [][]string{shuffled, rows[:30]}, 30, -1},
		{"taking turns", [][]string{every(rows, 3, 0), every(rows, 3, 1), every(rows, 3, 2)}, 0, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t)
			for i, f := range tt.files {
				b.write(fmt.Sprintf("p%d.csv", i), powerHead+strings.Join(f, ""))
			}
			all, report := b.mustScans(fmt.Sprintf(powerMapping, ""))
			checkTens(t, all, 300)
			l := report.Loggers[0]
			if l.Repeated != tt.repeated || tt.backward >= 0 && l.Backward != tt.backward || tt.backward < 0 && l.Backward < 100 {
				t.Errorf("%d repeated, %d backward, want %d, %d", l.Repeated, l.Backward, tt.repeated, tt.backward)
			}
			if l.Repeated+l.Backward > 0 && len(l.Notes) == 0 {
				t.Error("nothing is said of them")
			}
		})
	}
}

func every(rows []string, n, from int) []string {
	var some []string
	for i := from; i < len(rows); i += n {
		some = append(some, rows[i])
	}
	return some
}

// A file that is not in order is read in stretches, or with more of them row by
// row at its place, whatever its encoding and line ends.
func TestUnorderedInEachEncoding(t *testing.T) {
	for _, n := range []int{maxRuns, maxRuns + 1} {
		unorderedInEachEncoding(t, n)
	}
}

func unorderedInEachEncoding(t *testing.T, n int) {
	rows := tenSeconds(0, n)
	slices.Reverse(rows)
	for i := range rows {
		rows[i] = strings.TrimSuffix(rows[i], "\n") + ",\"Grüße \U0001F600,\"\"€\"\"\nand on\"\r\n"
	}
	text := "time,kW,on,note\r\n" + strings.Join(rows, "")
	wide := func(big bool) string {
		var b strings.Builder
		for _, u := range utf16.Encode([]rune("\ufeff" + text)) {
			if big {
				b.WriteString(string([]byte{byte(u >> 8), byte(u)}))
			} else {
				b.WriteString(string([]byte{byte(u), byte(u >> 8)}))
			}
		}
		return b.String()
	}
	western := strings.NewReplacer("ü", "\xfc", "ß", "\xdf", "€", "\x80", "\U0001F600", "").Replace(text)
	for name, f := range map[string]struct{ encoding, text string }{
		"utf-8":        {"utf-8", text},
		"utf-8 marked": {"utf-8", "\ufeff" + text},
		"little":       {"utf-16", wide(false)},
		"big":          {"utf-16", wide(true)},
		"windows-1252": {"windows-1252", western},
	} {
		t.Run(fmt.Sprintf("%s, %d rows", name, n), func(t *testing.T) {
			b := newBench(t)
			b.write("p.csv", f.text)
			all, report := b.mustScans(fmt.Sprintf(powerMapping, fmt.Sprintf("encoding = %q", f.encoding)))
			checkTens(t, all, n)
			if report.Loggers[0].Backward != int64(n-1) {
				t.Errorf("%d rows backward", report.Loggers[0].Backward)
			}
		})
	}
}

func TestRowsOfOneTimeThatDiffer(t *testing.T) {
	rows := tenSeconds(0, 3)
	changed := strings.Replace(rows[1], ".5", ".75", 1)
	for _, tt := range []struct {
		repeated string
		want     string
	}{{"", ""}, {"error", ""}, {"first", "1.5"}, {"last", "1.75"}} {
		b := newBench(t)
		first := b.write("p1.csv", powerHead+strings.Join(rows, ""))
		second := b.write("p2.csv", powerHead+changed)
		mapping := powerMapping
		if tt.repeated != "" {
			mapping = fmt.Sprintf(mapping, "repeated = \""+tt.repeated+"\"")
		} else {
			mapping = fmt.Sprintf(mapping, "")
		}
		all, report, err := b.scans(mapping)
		if tt.want == "" {
			m := mistakeOf(t, err)
			want := "channel power.power has another value at 2026-01-05T00:00:10.000Z than in " + first + ", line 3"
			if m.File != second || m.Line != 2 || m.Message != want {
				t.Errorf("repeated %q: got %v", tt.repeated, err)
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Fields(strings.Split(told(all), "\n")[1])[3]; got != tt.want || report.Loggers[0].Differing != 1 {
			t.Errorf("repeated %q: got %s, want %s; %d differ", tt.repeated, got, tt.want, report.Loggers[0].Differing)
		}
	}
}

// Two loggers, the one a minute behind and slow, the other right. Hand-worked:
// at 00:00 the first lacks 60 s; a day later, at 1000 ppm, 86.4 s more.
func TestTwoLoggersInOneOrder(t *testing.T) {
	b := newBench(t)
	b.write("p.csv", powerHead+"2026-01-05 00:00:00,1,1\n2026-01-05 00:00:10,2,1\n2026-01-06 00:00:00,3,0\n")
	b.write("flow.csv", "t,m3\n1767571260,10\n1767571270.5,11\n1767571271,12\n1767657746.4,13\n1767657747,14\n")
	all, report := b.mustScans(fmt.Sprintf(powerMapping, "") + `[logger.clock]
offset = "60 s"
drift = "1000 ppm"
at = "2026-01-05T00:00:00Z"
[[logger]]
name = "flow-logger"
files = ["flow*.csv"]
[logger.time]
column = "t"
format = "unix"
[[logger.column]]
name = "m3"
channel = "flow.flow"
`)
	want := `2026-01-05T00:01:00.000Z flow 10s 10 no_value
2026-01-05T00:01:00.000Z power 10s 1 1
2026-01-05T00:01:10.010Z power 10s 2 1
2026-01-05T00:01:10.500Z flow 10s 11 no_value
2026-01-05T00:01:11.000Z flow 10s 12 no_value
2026-01-06T00:02:26.400Z flow 10s 13 no_value
2026-01-06T00:02:26.400Z power 10s 3 0
2026-01-06T00:02:27.000Z flow 10s 14 no_value
`
	if got := told(all); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	if report.FromMS != all[0].WallMS || report.ToMS != all[len(all)-1].WallMS || report.Loggers[0].Clock.DriftPPM != 1000 {
		t.Errorf("report %+v", report)
	}
	if got := (Clock{OffsetMS: -500, DriftPPM: -100, AtMS: 1000}).True(10_001_000); got != 10_001_000-500-1000 {
		t.Errorf("-0.5 s and -100 ppm after 10,000 s: %d", got)
	}
}

// Readings of one tag after the other, with a status of their own, meet in one
// scan; tags that nobody listed are named.
func TestLongOfAnotherLogger(t *testing.T) {
	b := newBench(t)
	var rows strings.Builder
	rows.WriteString("Tag;When;Reading;State\n")
	for _, tag := range []string{"FT-1", "PT-1", "XX-9", "=cmd|' /C calc'!A0"} {
		for i := range 5 {
			state := "OK"
			if tag == "FT-1" && i == 2 {
				state = "Bad"
			}
			if tag == "FT-1" && i == 3 {
				continue
			}
			fmt.Fprintf(&rows, "%s;2026-01-05 00:00:%d0;%d,5;%s\n", tag, i, i, state)
		}
	}
	b.write("flow.csv", rows.String())
	all, report := b.mustScans(`[[logger]]
name = "historian"
files = ["flow.csv"]
layout = "long"
separator = ";"
decimal = ","
[logger.time]
column = "When"
format = "YYYY-MM-DD hh:mm:ss"
zone = "UTC"
[logger.long]
channel = "Tag"
value = "Reading"
quality = "State"
good = ["OK"]
[[logger.column]]
name = "FT-1"
channel = "flow.flow"
[[logger.column]]
name = "PT-1"
channel = "flow.pressure"
unit = "kPa"
`)
	want := `2026-01-05T00:00:00.000Z flow 10s 0.5 0.005
2026-01-05T00:00:10.000Z flow 10s 1.5 0.015
2026-01-05T00:00:20.000Z flow 10s no_value 0.025
2026-01-05T00:00:30.000Z flow 10s no_value 0.035
2026-01-05T00:00:40.000Z flow 10s 4.5 0.045
`
	if got := told(all); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	l := report.Loggers[0]
	if !slices.Equal(l.Unread, []string{"XX-9", "=cmd|' /C calc'!A0"}) || l.Backward != 3 {
		t.Errorf("report %+v", l)
	}
}

// A stop leaves no file open, and a file that grows between the passes is
// noticed.
func TestStopAndChange(t *testing.T) {
	b := newBench(t)
	path := b.write("p.csv", powerHead+strings.Join(tenSeconds(0, 5000), ""))
	in, err := b.open(fmt.Sprintf(powerMapping, ""))
	if err != nil {
		t.Fatal(err)
	}
	if err := in.Scans(t.Context(), nil, nil); !errors.Is(err, errNotChecked) {
		t.Errorf("scans before the check: %v", err)
	}
	var done, total int64
	if _, err := in.Check(t.Context(), func(d, n int64) {
		if d < done || d > n {
			t.Errorf("progress from %d to %d of %d", done, d, n)
		}
		done, total = d, n
	}); err != nil || done < total*9/10 {
		t.Errorf("check: %v, %d of %d bytes", err, done, total)
	}
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	err = in.Scans(ctx, nil, func(*scan.Scan) error {
		if n++; n == 10 {
			cancel()
		}
		return nil
	})
	if !errors.Is(err, context.Canceled) || n > 10+checkEvery {
		t.Errorf("cancelled: %v after %d scans", err, n)
	}
	stop := errors.New("stop")
	if err := in.Scans(t.Context(), nil, func(*scan.Scan) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("got %v, want the caller's error", err)
	}
	if open := openFiles(t, path); open != 0 {
		t.Errorf("%d files are still open", open)
	}
	b.write("p.csv", powerHead+strings.Join(tenSeconds(0, 5001), ""))
	if err := in.Scans(t.Context(), nil, func(*scan.Scan) error { return nil }); !errors.Is(err, ErrChanged) {
		t.Errorf("a changed file: %v", err)
	}
}

// openFiles counts this process' descriptors of a file, on Linux.
func openFiles(t *testing.T, path string) int {
	t.Helper()
	links, err := filepath.Glob("/proc/self/fd/*")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, l := range links {
		if to, err := os.Readlink(l); err == nil && to == path {
			n++
		}
	}
	return n
}
