package transfer

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"os/exec"
	"runtime"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"loadscribe/agent/scan"
	"loadscribe/testdata/peers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// noon is 2026-03-02T12:00:00.000Z.
const noon = 1_772_452_800_000

func controller() *scan.Group {
	return &scan.Group{Device: "controller", Name: "1s", PeriodMS: 1000, Channels: []scan.Channel{
		{Device: "controller", Name: "discharge_pressure", Kind: scan.KindInt, Scale: 0.1, Unit: "psi"},
		{Device: "controller", Name: "loaded", Kind: scan.KindInt, Bit: true, Scale: 1, Unit: "1"},
	}}
}

func meter() *scan.Group {
	return &scan.Group{Device: "meter", Name: "2s", PeriodMS: 2000, Channels: []scan.Channel{
		{Device: "meter", Name: "power", Kind: scan.KindFloat32, Scale: 1, Unit: "kW"},
	}}
}

func sourceOf(scans ...scan.Scan) Source {
	return func(fn func(*scan.Scan) error) error {
		for i := range scans {
			s := scans[i].Clone()
			s.Seq = uint64(i + 1)
			if err := fn(&s); err != nil {
				return err
			}
			// The scan is ours again: whoever kept a slice sees rubbish.
			for k := range s.Values {
				s.Values[k] = -1
			}
		}
		return nil
	}
}

func TestExport(t *testing.T) {
	c, m := controller(), meter()
	kW := func(v float32) int64 { return int64(math.Float32bits(v)) }
	scans := []scan.Scan{
		{Group: c, WallMS: noon, Values: []int64{1034, 1}},
		{Group: m, WallMS: noon, Values: []int64{kW(36.8)}},
		{Group: c, WallMS: noon + 1000, Reason: scan.Timeout},
		{Group: c, WallMS: noon + 2000, Values: []int64{65535, 0}, Quality: []scan.Reason{scan.Implausible, scan.Good}},
		// A slow device: read in the middle, stored after.
		{Group: m, WallMS: noon + 1500, Values: []int64{kW(12.5)}},
		{Group: m, WallMS: noon + 2500, Values: []int64{kW(float32(math.NaN()))}},
		// The clock stepped back by two seconds: a new segment.
		{Group: c, Segment: 1, WallMS: noon + 1000, Values: []int64{-5, 0}},
	}
	tests := []struct {
		name string
		o    CSVOptions
		want string
	}{
		{"long", CSVOptions{}, `time,device,channel,value,unit,quality
2026-03-02T12:00:00.000Z,controller,discharge_pressure,103.4,psi,good
2026-03-02T12:00:00.000Z,controller,loaded,1,1,good
2026-03-02T12:00:00.000Z,meter,power,36.8,kW,good
2026-03-02T12:00:01.000Z,controller,discharge_pressure,,psi,timeout
2026-03-02T12:00:01.000Z,controller,loaded,,1,timeout
2026-03-02T12:00:01.500Z,meter,power,12.5,kW,good
2026-03-02T12:00:02.000Z,controller,discharge_pressure,,psi,implausible
2026-03-02T12:00:02.000Z,controller,loaded,0,1,good
2026-03-02T12:00:02.500Z,meter,power,,kW,implausible
2026-03-02T12:00:01.000Z,controller,discharge_pressure,-0.5,psi,good
2026-03-02T12:00:01.000Z,controller,loaded,0,1,good
`},
		{"wide", CSVOptions{Layout: Wide}, `time,controller.discharge_pressure [psi],controller.loaded [1],meter.power [kW]
2026-03-02T12:00:00.000Z,103.4,1,36.8
2026-03-02T12:00:01.000Z,,,
2026-03-02T12:00:01.500Z,,,12.5
2026-03-02T12:00:02.000Z,,0,
2026-03-02T12:00:02.500Z,,,
2026-03-02T12:00:01.000Z,-0.5,0,
`},
		{"long, one channel", CSVOptions{Layout: Long, Channels: []string{"meter.power"}}, `time,device,channel,value,unit,quality
2026-03-02T12:00:00.000Z,meter,power,36.8,kW,good
2026-03-02T12:00:01.500Z,meter,power,12.5,kW,good
2026-03-02T12:00:02.500Z,meter,power,,kW,implausible
`},
		{"wide, one channel", CSVOptions{Layout: Wide, Channels: []string{"controller.loaded"}}, `time,controller.loaded [1]
2026-03-02T12:00:00.000Z,1
2026-03-02T12:00:01.000Z,
2026-03-02T12:00:02.000Z,0
2026-03-02T12:00:01.000Z,0
`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var out bytes.Buffer
			if err := ExportCSV(context.Background(), &out, sourceOf(scans...), []*scan.Group{c, m}, tt.o); err != nil {
				t.Fatal(err)
			}
			if got := strings.ReplaceAll(out.String(), "\r\n", "\n"); got != tt.want {
				t.Errorf("got:\n%s\nwant:\n%s", got, tt.want)
			}
			if n := strings.Count(out.String(), "\n"); n != strings.Count(out.String(), "\r\n") {
				t.Error("a line does not end in CR LF (RFC 4180, section 2 rule 1)")
			}
		})
	}
}

// awkward names are those that a site file would hardly let through; the
// export does not rely on it.
func awkward() (*scan.Group, []string) {
	names := []string{"=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx", "\nx", `say "hi"`, "a,b", "two\r\nlines", "plain"}
	g := &scan.Group{Device: "d"}
	for _, n := range names {
		g.Channels = append(g.Channels, scan.Channel{Device: "d", Name: n, Kind: scan.KindInt, Scale: 1, Unit: "1"})
	}
	return g, names
}

func exportAwkward(t *testing.T) (string, []string) {
	t.Helper()
	g, names := awkward()
	var out bytes.Buffer
	s := scan.Scan{Group: g, WallMS: noon, Values: make([]int64, len(names))}
	if err := ExportCSV(context.Background(), &out, sourceOf(s), []*scan.Group{g}, CSVOptions{}); err != nil {
		t.Fatal(err)
	}
	return out.String(), names
}

func TestFormulasAreText(t *testing.T) {
	text, names := exportAwkward(t)
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range rows[1:] {
		got, want := row[2], names[i]
		if strings.ContainsAny(want[:1], "=+-@\t\r\n") {
			want = "'" + want
		}
		want = strings.ReplaceAll(want, "\r\n", "\n") // encoding/csv reads line ends so
		if got != want {
			t.Errorf("channel %q reads back as %q, want %q", names[i], got, want)
		}
	}
}

// Python's csv module is a reader that shares no code with ours.
func TestPythonReadsIt(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		peers.Missing(t, "python3 is not installed")
	}
	text, names := exportAwkward(t)
	cmd := exec.Command(python, "-c", `
import csv, sys, io
rows = list(csv.reader(io.StringIO(sys.stdin.buffer.read().decode("utf-8"), newline=""), strict=True))
sys.stdout.write("\0".join(r[2] for r in rows[1:]))`)
	cmd.Stdin = strings.NewReader(text)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Split(string(out), "\x00")
	if len(got) != len(names) {
		t.Fatalf("python reads %d rows, want %d", len(got), len(names))
	}
	for i := range names {
		if strings.TrimPrefix(got[i], "'") != names[i] {
			t.Errorf("python reads %q, want %q", got[i], names[i])
		}
	}
}

func TestUnitChangeMakesTwoColumns(t *testing.T) {
	old, now := meter(), meter()
	old.Channels[0].Unit = "W"
	var out bytes.Buffer
	src := sourceOf(
		scan.Scan{Group: old, WallMS: noon, Values: []int64{int64(math.Float32bits(100))}},
		scan.Scan{Group: now, WallMS: noon + 1, Values: []int64{int64(math.Float32bits(0.1))}},
	)
	if err := ExportCSV(context.Background(), &out, src, []*scan.Group{old, now}, CSVOptions{Layout: Wide}); err != nil {
		t.Fatal(err)
	}
	want := "time,meter.power [W],meter.power [kW]\r\n2026-03-02T12:00:00.000Z,100,\r\n2026-03-02T12:00:00.001Z,,0.1\r\n"
	if out.String() != want {
		t.Errorf("got %q, want %q", out.String(), want)
	}
}

func TestExportErrors(t *testing.T) {
	broken := errors.New("disk gone")
	one := sourceOf(scan.Scan{Group: controller(), WallMS: noon, Values: []int64{1, 1}})
	ended, cancel := context.WithCancel(context.Background())
	cancel()
	tests := []struct {
		name   string
		ctx    context.Context
		w      io.Writer
		src    Source
		groups []*scan.Group
		o      CSVOptions
		want   error
	}{
		{"source", context.Background(), io.Discard, func(func(*scan.Scan) error) error { return broken }, nil, CSVOptions{}, broken},
		{"context", ended, io.Discard, one, nil, CSVOptions{}, context.Canceled},
		{"writer", context.Background(), failing{broken}, one, nil, CSVOptions{}, broken},
		{"layout", context.Background(), io.Discard, one, nil, CSVOptions{Layout: "tall"}, nil},
		{"group not listed", context.Background(), io.Discard, one, nil, CSVOptions{Layout: Wide}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			err := ExportCSV(tt.ctx, tt.w, tt.src, tt.groups, tt.o)
			if err == nil || (tt.want != nil && !errors.Is(err, tt.want)) {
				t.Errorf("error %v, want %v", err, tt.want)
			}
		})
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// endless brings n scans, one a second, in the shape a store does: the same
// memory again and again.
func endless(g *scan.Group, n int) Source {
	return func(fn func(*scan.Scan) error) error {
		values := make([]int64, len(g.Channels))
		for i := range n {
			values[0] = int64(1000 + i%50)
			s := scan.Scan{Group: g, Seq: uint64(i + 1), WallMS: noon + int64(i)*1000, Values: values}
			if err := fn(&s); err != nil {
				return err
			}
		}
		return nil
	}
}

// Memory does not grow with the window: what lives in the middle of a long
// export is no more than in the middle of a short one.
func TestMemoryIsFlat(t *testing.T) {
	g := controller()
	held := func(n int, layout Layout) uint64 {
		var most uint64
		probe := func(fn func(*scan.Scan) error) error {
			count := 0
			return endless(g, n)(func(s *scan.Scan) error {
				if count++; count == n-1 {
					runtime.GC()
					var m runtime.MemStats
					runtime.ReadMemStats(&m)
					most = m.HeapAlloc
				}
				return fn(s)
			})
		}
		if err := ExportCSV(context.Background(), io.Discard, probe, []*scan.Group{g}, CSVOptions{Layout: layout}); err != nil {
			t.Fatal(err)
		}
		return most
	}
	for _, layout := range []Layout{Long, Wide} {
		short, long := held(1_000, layout), held(200_000, layout)
		if long > short+512<<10 {
			t.Errorf("%s: %d bytes live near the end of 200,000 scans, %d of 1,000", layout, long, short)
		}
	}
}

func TestParseLayout(t *testing.T) {
	for in, want := range map[string]Layout{"": Long, "long": Long, "wide": Wide} {
		if got, err := ParseLayout(in); err != nil || got != want {
			t.Errorf("ParseLayout(%q) = %q, %v, want %q", in, got, err, want)
		}
	}
	if _, err := ParseLayout("tall"); err == nil {
		t.Error("ParseLayout accepted a layout that does not exist")
	}
}

func BenchmarkExportLong(b *testing.B) {
	g := controller()
	b.ReportAllocs()
	if err := ExportCSV(context.Background(), io.Discard, endless(g, b.N), []*scan.Group{g}, CSVOptions{}); err != nil {
		b.Fatal(err)
	}
}

// A wide header is led by its device's name, so that this alone can make a cell
// run; a negative reading stays a number.
func TestWideHeadersAreText(t *testing.T) {
	for _, name := range []string{"=cmd", "+1", "-1", "@x", "\t=1", "\n=1", "plain"} {
		g := &scan.Group{Device: name, Channels: []scan.Channel{{Device: name, Name: "x", Kind: scan.KindInt, Scale: 0.1, Unit: "=1,2"}}}
		var out bytes.Buffer
		s := scan.Scan{Group: g, WallMS: noon, Values: []int64{-5}}
		if err := ExportCSV(t.Context(), &out, sourceOf(s), []*scan.Group{g}, CSVOptions{Layout: Wide}); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&out).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		want := name + ".x [=1,2]"
		if name != "plain" {
			want = "'" + want
		}
		if rows[0][1] != want || rows[1][1] != "-0.5" {
			t.Errorf("device %q: header %q, want %q; value %q", name, rows[0][1], want, rows[1][1])
		}
	}
}

// A scan of which no channel is wanted leaves the open row alone.
func TestWideRowOfOneStamp(t *testing.T) {
	c, m := controller(), meter()
	var out bytes.Buffer
	src := sourceOf(scan.Scan{Group: c, WallMS: noon, Values: []int64{10, 1}}, scan.Scan{Group: m, WallMS: noon, Values: []int64{0}},
		scan.Scan{Group: c, WallMS: noon + 1, Values: []int64{20, 1}})
	err := ExportCSV(t.Context(), &out, src, []*scan.Group{c, m}, CSVOptions{Layout: Wide, Channels: []string{"controller.discharge_pressure"}})
	if err != nil {
		t.Fatal(err)
	}
	want := "time,controller.discharge_pressure [psi]\r\n2026-03-02T12:00:00.000Z,1.0\r\n2026-03-02T12:00:00.001Z,2.0\r\n"
	if out.String() != want {
		t.Errorf("got %q, want %q", out.String(), want)
	}
}
