package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"loadscribe/simulator"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func someRows() []row {
	return []row{
		{figure: "poll_cycles_tcp", value: 51234.6, unit: "reads/s", reference: "another client v1", referenceValue: 43210.9},
		{figure: "store_bytes_per_sample", value: 0.23456, unit: "B", goal: 0.25, note: "blocks alone"},
		{figure: "agent_cpu", missing: "not measured on this system", unit: "% of a core", goal: 0.5},
	}
}

func TestWriteTSV(t *testing.T) {
	want := "figure\tvalue\tunit\tgoal\treference\treference_value\n" +
		"poll_cycles_tcp\t51235\treads/s\t\tanother client v1\t43211\n" +
		"store_bytes_per_sample\t0.2346\tB\t0.25\t\t\n" +
		"agent_cpu\tnot measured on this system\t% of a core\t0.5\t\t\n"
	path := filepath.Join(t.TempDir(), "bench.tsv")
	if err := writeFile(path, someRows()); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestWriteTable(t *testing.T) {
	var got strings.Builder
	if err := writeTable(&got, someRows()); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(got.String(), "\n")
	if len(lines) != 6 || lines[4] != "store_bytes_per_sample: blocks alone" {
		t.Fatalf("got\n%s\nwant a head, three rows and a note", got.String())
	}
	// Every row's unit stands where the head says.
	at := strings.Index(lines[0], "unit")
	for i, unit := range []string{"reads/s", "B", "% of a core"} {
		if !strings.HasPrefix(lines[i+1][at:], unit) {
			t.Errorf("line %q has no %q at column %d", lines[i+1], unit, at)
		}
	}
	if !strings.Contains(lines[2], "≤ 0.25") {
		t.Errorf("line %q does not say what the goal is", lines[2])
	}
}

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		v    float64
		want string
	}{
		{0, "0"}, {1234567.8, "1234568"}, {999.96, "1000"}, {12.345, "12.35"}, {5, "5"}, {0.5, "0.5"}, {0.0123456, "0.01235"},
		{-2.5, "-2.5"}, {100, "100"}, {math.Inf(1), "+Inf"},
	} {
		if got := number(c.v); got != c.want {
			t.Errorf("number(%v) = %q, want %q", c.v, got, c.want)
		}
	}
}

func TestSections(t *testing.T) {
	all, err := chosen("")
	if err != nil || len(all) != 16 {
		t.Fatalf("without a name: %d sections, %v", len(all), err)
	}
	for _, s := range all {
		one, err := chosen(s.name)
		if err != nil || len(one) != 1 || one[0].name != s.name {
			t.Errorf("%s: got %v, %v", s.name, one, err)
		}
	}
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"-section", "pol"}, &out, &errs); code != 2 || !strings.Contains(errs.String(), "poll, store, codecs, disk, figures, year, serial, agent") {
		t.Errorf("an unknown section ends with %d: %s", code, errs.String())
	}
	errs.Reset()
	if code := run(t.Context(), []string{"store"}, &out, &errs); code != 2 || out.Len() > 0 {
		t.Errorf("an argument ends with %d: %s", code, errs.String())
	}
}

func TestPromised(t *testing.T) {
	s := section{name: "a", figures: []string{"one", "two"}}
	if err := promised(s, []row{{figure: "one"}, {figure: "two"}}); err != nil {
		t.Error(err)
	}
	for _, rows := range [][]row{nil, {{figure: "one"}}, {{figure: "two"}, {figure: "one"}}} {
		if promised(s, rows) == nil {
			t.Errorf("%v passed as one, two", rows)
		}
	}
}

// TestFiguresAreExplained holds the names to the table for contributors.
func TestFiguresAreExplained(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, table, ok := strings.Cut(string(text), "\n## Bench rows\n")
	if !ok {
		t.Fatal("DEVELOPERS.md has no section Bench rows")
	}
	table, _, _ = strings.Cut(table, "\n## ")
	var explained, measured []string
	for _, m := range regexp.MustCompile(`(?m)^\| ([a-z][\w*]*) \|`).FindAllStringSubmatch(table, -1)[1:] { // the first is the table's head
		explained = append(explained, m[1])
	}
	for _, s := range sections() {
		for _, name := range s.figures {
			for _, e := range explained { // one line may explain several: codec_*_week
				if ok, err := path.Match(e, name); err != nil {
					t.Fatal(err)
				} else if ok {
					name = e
				}
			}
			if n := len(measured); n == 0 || measured[n-1] != name {
				measured = append(measured, name)
			}
		}
	}
	if !slices.Equal(explained, measured) {
		t.Errorf("DEVELOPERS.md explains %q, the bench measures %q", explained, measured)
	}
}

func TestMedian(t *testing.T) {
	for _, c := range []struct {
		values []float64
		want   float64
	}{{nil, 0}, {[]float64{3}, 3}, {[]float64{9, 1, 2}, 2}, {[]float64{8, 1, 2, 4}, 3}} {
		before := slices.Clone(c.values)
		if got := median(c.values); got != c.want || !slices.Equal(before, c.values) {
			t.Errorf("median(%v) = %v, want %v", before, got, c.want)
		}
	}
}

func TestCodecs(t *testing.T) {
	plain, err := newPlainCodec()
	if err != nil {
		t.Fatal(err)
	}
	defer plain.close()
	steps := make([]int64, plainRows+10) // an hour and a bit: two chunks
	for i := range steps {
		steps[i] = int64(1000*(i/600%2) + i%3)
	}
	for _, c := range codecs(plain) {
		for _, values := range [][]int64{{0}, {5, 5, 5, 6}, {-1, 1, math.MaxInt64, math.MinInt64, 0}, steps} {
			if m, err := c.measure(values); err != nil || m.bytes == 0 {
				t.Errorf("%s: %d values take %d bytes: %v", c.name, len(values), m.bytes, err)
			}
		}
		// An hour and a bit of a constant is two chunks of a few bytes.
		if m, err := c.measure(make([]int64, plainRows+10)); err != nil || m.bytes < 2 || m.bytes > 100 {
			t.Errorf("%s: a constant takes %d bytes, %v", c.name, m.bytes, err)
		}
	}
	chunks, n, err := plainColumns([]simulator.BenchColumn{{Name: "still", Counts: make([]int64, plainRows+10)}})
	if err != nil || n < 2 || n > 100 || len(chunks) != 1 || len(chunks[0]) != 2 {
		t.Errorf("a constant takes %d bytes in %d columns, %v", n, len(chunks), err)
	}
}

// TestPollRows measures for a moment only: what is read is compared with what
// is served inside, for both clients and for the decoder.
func TestPollRows(t *testing.T) {
	b := &bench{dir: t.TempDir(), log: t.Output(), pollWindow: time.Millisecond, pollRounds: 1}
	rows, err := pollRows(t.Context(), b)
	if err != nil {
		t.Fatal(err)
	}
	if err := promised(sections()[0], rows); err != nil {
		t.Error(err)
	}
	for _, r := range rows {
		if r.value <= 0 || r.reference != "" && r.referenceValue <= 0 {
			t.Errorf("%+v is not a rate", r)
		}
	}
}

func TestBank(t *testing.T) {
	for _, c := range []struct {
		name    string
		request []byte
		want    string
	}{
		{"two registers", []byte{3, 0, 1, 0, 2}, "0304456483A2"},
		{"past the end", []byte{3, 0, 39, 0, 2}, "8302"},
		{"another table", []byte{4, 0, 0, 0, 1}, "8401"},
		{"a write", []byte{6, 0, 0, 0, 1}, "8601"},
	} {
		got, ok := newBank().Answer(bankUnit, c.request)
		if text := fmt.Sprintf("%X", got); !ok || text != c.want {
			t.Errorf("%s: got %s, %v, want %s", c.name, text, ok, c.want)
		}
	}
	if _, ok := newBank().Answer(bankUnit+1, []byte{3, 0, 0, 0, 1}); ok {
		t.Error("another unit was answered for")
	}
}

func TestSites(t *testing.T) {
	var columns []simulator.BenchColumn
	for _, c := range [][2]string{{"discharge_pressure", "psi"}, {"power", "kW"}, {"status", "1"}, {"energy", "kWh"}} {
		columns = append(columns, simulator.BenchColumn{Name: c[0], Unit: c[1], Scale: 0.1})
	}
	site, err := weekSite(filepath.Join(t.TempDir(), "week"), columns)
	if err != nil {
		t.Fatal(err)
	}
	if len(site.Machines) != 1 || len(site.Devices[0].Map.Channels) != len(columns) {
		t.Errorf("the week's site has %d machines and %d channels", len(site.Machines), len(site.Devices[0].Map.Channels))
	}
	if site, err = bankSite(t.TempDir(), "127.0.0.1:502"); err != nil {
		t.Fatal(err)
	}
	if n, err := registersAtOneHertz(site); err != nil || n != bankRegisters {
		t.Errorf("the bank has %d registers, %v", n, err)
	}
}

// TestStoreWeek stores two hours in small.
func TestStoreWeek(t *testing.T) {
	var columns []simulator.BenchColumn
	for _, c := range [][2]string{{"discharge_pressure", "psi"}, {"power", "kW"}} {
		column := simulator.BenchColumn{Name: c[0], Unit: c[1], Scale: 0.1, Counts: make([]int64, 7200)}
		for i := range column.Counts {
			column.Counts[i] = int64(1000 + i%50)
		}
		columns = append(columns, column)
	}
	_, exact, err := storeWeek(t.Context(), filepath.Join(t.TempDir(), "exact"), columns, onTheSecond)
	if err != nil {
		t.Fatal(err)
	}
	_, early, err := storeWeek(t.Context(), filepath.Join(t.TempDir(), "jitter"), columns, jitter())
	if err != nil {
		t.Fatal(err)
	}
	if exact.BlockBytes <= 0 || early.BlockBytes <= exact.BlockBytes {
		t.Errorf("blocks take %d bytes on the second and %d with jitter", exact.BlockBytes, early.BlockBytes)
	}
}

// The integral worked by hand: (3+5)·1000 + (5+4)·1000 in twice the area, and
// (3+5)·1000 + (5+4)·500 where the last comes early; both ways agree on even
// times.
func TestAggregate(t *testing.T) {
	values := []int64{3, 5, 4}
	for _, c := range []struct {
		name         string
		monoMS       []int64
		step         int64
		wantIntegral int64
	}{
		{"even", []int64{1000, 2000, 3000}, 1000, 17000},
		{"even, the long way", []int64{1000, 2000, 3000}, 0, 17000},
		{"not even", []int64{1000, 2000, 2500}, 0, 12500},
	} {
		a := aggregate{min: 3, max: 3}
		if got := evenMS(c.monoMS); got != c.step && c.step != 0 || got != 0 && c.wantIntegral == 12500 {
			t.Errorf("%s: the times are %d ms apart", c.name, got)
		}
		a.add(values, c.monoMS, c.step)
		if want := (aggregate{count: 3, sum: 12, min: 3, max: 5, integral: c.wantIntegral}); a != want {
			t.Errorf("%s: got %+v, want %+v", c.name, a, want)
		}
	}
	if evenMS([]int64{7}) != 0 {
		t.Error("one reading has a time to the next")
	}
}

func TestParseSmaps(t *testing.T) {
	const text = "55d0c1000000-7ffd0b9ff000 ---p 00000000 00:00 0                          [rollup]\n" +
		"Rss:               21000 kB\nPss:               20000 kB\nShared_Clean:       1000 kB\nShared_Dirty:          0 kB\n" +
		"Private_Clean:      8000 kB\nPrivate_Dirty:     12000 kB\nReferenced:        21000 kB\n"
	clean, dirty, err := parseSmaps(text)
	if err != nil || clean != 8000*1024 || dirty != 12000*1024 {
		t.Errorf("got %d, %d, %v", clean, dirty, err)
	}
	for _, bad := range []string{"", "Private_Clean: 8000 kB\n", "Private_Clean: x kB\nPrivate_Dirty: 1 kB\n", "Private_Clean: 8\nPrivate_Dirty: 1 kB\n"} {
		if _, _, err := parseSmaps(bad); err == nil {
			t.Errorf("%q passed", bad)
		}
	}
}

func TestParseStat(t *testing.T) {
	const text = "4242 (load) (scribe) S 1 4242 4242 0 -1 4194560 5000 0 3 0 150 25 0 0 20 0 9 0 123456 1300000000 5000\n"
	if got, err := parseStat(text); err != nil || got != 1750*time.Millisecond {
		t.Errorf("got %v, %v, want 1.75s", got, err)
	}
	for _, bad := range []string{"", "4242 (x) S 1", "1 (x) S 1 1 1 0 -1 0 0 0 0 0 a b 0 0\n"} {
		if _, err := parseStat(bad); err == nil {
			t.Errorf("%q passed", bad)
		}
	}
}

// TestOwnProcess reads this process's figures where the system has them.
func TestOwnProcess(t *testing.T) {
	clean, dirty, err := privateMemory(os.Getpid())
	if errors.Is(err, fs.ErrNotExist) {
		t.Skip("this system has no /proc")
	}
	if err != nil || clean+dirty < 1<<20 {
		t.Errorf("this process holds %d and %d bytes, %v", clean, dirty, err)
	}
	if _, err := processCPU(os.Getpid()); err != nil {
		t.Error(err)
	}
}
