package intake

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/transfer"
)

// A map with every type and awkward scales: 0.0125 is a 4-20 mA line's, 1/3 has
// no end, i64 and u64 reach beyond what a float64 holds.
const everyType = `protocol = "modbus"
[[channel]]
name = "u16"
table = "input"
address = 1
type = "u16"
scale = 0.0125
offset = -50
unit = "psi"
[[channel]]
name = "i32"
table = "input"
address = 2
type = "i32"
scale = -0.3333333333333333
[[channel]]
name = "u64"
table = "input"
address = 4
type = "u64"
scale = 0.001
unit = "kWh"
[[channel]]
name = "i64"
table = "input"
address = 8
type = "i64"
[[channel]]
name = "f32"
table = "input"
address = 12
type = "f32"
unit = "A"
[[channel]]
name = "f32scaled"
table = "input"
address = 14
type = "f32"
scale = 0.1
offset = 3
[[channel]]
name = "f64"
table = "input"
address = 16
type = "f64"
[[channel]]
name = "loaded"
table = "coil"
address = 1
[[channel]]
name = "stopped"
table = "coil"
address = 2
inverted = true
[[channel]]
name = "slow"
table = "input"
address = 20
type = "bcd16"
scale = 10
every = "1s"
`

const textTypes = `protocol = "text"
mode = "listen"
[[print]]
name = "row"
pattern = '(?P<pressure>[0-9.]+) (?P<count>[0-9]+)'
[[channel]]
name = "pressure"
print = "row"
unit = "bar"
scale = 0.1
[[channel]]
name = "count"
print = "row"
as = "fixed"
decimals = 2
offset = 1.5
`

// ownSite is a site whose devices have every kind of raw value; one has a name
// that a spreadsheet would take for a formula.
func ownSite(t *testing.T) *bench {
	b := newBench(t)
	b.write("every.toml", everyType)
	b.write("text.toml", textTypes)
	b.write("scaled.toml", "protocol = \"file\"\n[[channel]]\nname = \"power\"\nunit = \"kW\"\nscale = 0.002\n[[channel]]\nname = \"on\"\ntype = \"bit\"\ninverted = true\n")
	b.write("site.toml", `[[line]]
name = "bus"
kind = "modbus-tcp"
address = "192.0.2.7:502"
[[line]]
name = "printer"
kind = "text"
port = "COM3"
[[line]]
name = "loggers"
kind = "file"
[[device]]
name = "-pump"
line = "bus"
map = "every.toml"
every = "250ms"
[[device]]
name = "printed"
line = "printer"
map = "text.toml"
every = "2s"
[[device]]
name = "logger"
line = "loggers"
map = "scaled.toml"
every = "1s"
`)
	b.load()
	return b
}

// rawValue is a random raw value that the channel can have.
func rawValue(r *rand.Rand, c *scan.Channel) int64 {
	switch {
	case c.Bit:
		return r.Int64N(2)
	case c.Kind == scan.KindFloat32:
		return int64(math.Float32bits(float32(math.Round(r.NormFloat64()*1e5)) / float32(int(1)<<r.IntN(12))))
	case c.Kind == scan.KindFloat64:
		return int64(math.Float64bits(r.NormFloat64() * math.Pow(10, float64(r.IntN(40)-20))))
	case c.Kind == scan.KindUint:
		return int64(r.Uint64() >> r.IntN(64))
	case c.Kind == scan.KindDecimal && c.Offset != 0:
		return (r.Int64N(1<<40)-1<<39)<<8 | 2 // what fixed decimals make
	case c.Kind == scan.KindDecimal:
		return (r.Int64N(1<<40)-1<<39)<<8 | r.Int64N(7)
	case c.Name == "u16":
		return r.Int64N(1 << 16)
	case c.Name == "slow":
		return r.Int64N(10_000)
	case c.Name == "i32":
		return int64(int32(r.Uint32()))
	}
	return int64(r.Uint64()) >> r.IntN(64)
}

// recordedScans are a minute of all groups, with faults of each kind.
func recordedScans(r *rand.Rand, groups []*scan.Group) []scan.Scan {
	reasons := scan.Reasons()
	var all []scan.Scan
	const start = 1_760_000_000_000
	for ms := int64(0); ms < 60_000; ms += 250 {
		for _, g := range groups {
			if ms%g.PeriodMS != 0 {
				continue
			}
			s := scan.Scan{Group: g, Segment: 1, Seq: uint64(len(all) + 1), WallMS: start + ms, MonoMS: ms}
			if why := reasons[r.IntN(len(reasons))]; r.IntN(8) == 0 && why != scan.Absent && why != scan.Implausible && why != scan.SensorFault {
				s.Reason = why
				all = append(all, s)
				continue
			}
			for i := range g.Channels {
				s.Values = append(s.Values, rawValue(r, &g.Channels[i]))
			}
			if r.IntN(4) == 0 {
				s.Quality = make([]scan.Reason, len(s.Values))
				s.Quality[r.IntN(len(s.Values))] = reasons[r.IntN(len(reasons))]
			}
			all = append(all, s)
		}
	}
	return all
}

func export(t *testing.T, layout transfer.Layout, groups []*scan.Group, all []scan.Scan) string {
	t.Helper()
	var out bytes.Buffer
	err := transfer.ExportCSV(t.Context(), &out, func(fn func(*scan.Scan) error) error {
		for i := range all {
			s := all[i].Clone()
			if err := fn(&s); err != nil {
				return err
			}
		}
		return nil
	}, groups, transfer.CSVOptions{Layout: layout})
	if err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// same compares what a scan says: the raw of each good value, the reason of
// every other, and whether the scan has values at all.
func same(got, want *scan.Scan) error {
	if got.WallMS != want.WallMS || got.Group.Device != want.Group.Device || got.Group.Name != want.Group.Name {
		return fmt.Errorf("got %s %s at %d, want %s %s at %d", got.Group.Device, got.Group.Name, got.WallMS, want.Group.Device, want.Group.Name, want.WallMS)
	}
	for i := range want.Group.Channels {
		c := &want.Group.Channels[i]
		raw, ok := got.Get(i)
		rawWant, okWant := want.Get(i)
		if ok != okWant || ok && raw != rawWant || got.ReasonOf(i) != want.ReasonOf(i) {
			return fmt.Errorf("%s: got %#x, %v, want %#x, %v (%s)", c.ID(), raw, got.ReasonOf(i), rawWant, want.ReasonOf(i), transfer.AppendValue(nil, c, rawWant))
		}
	}
	return nil
}

// TestOwnExportComesBack exports scans of every kind of raw value and reason
// with the program's own writer, in both layouts, and reads them back.
func TestOwnExportComesBack(t *testing.T) {
	b := ownSite(t)
	groups := sitefile.Groups(b.site)
	r := rand.New(rand.NewPCG(7, 7))
	for round := range 5 {
		recorded := recordedScans(r, groups)
		// what one channel alone lacks is said of the channel, of a group of
		// one channel of the scan: poll makes neither
		for i := range recorded {
			s := &recorded[i]
			if q := s.Quality; len(q) == 1 && q[0] != scan.Good && q[0] != scan.Absent && q[0] != scan.Implausible && q[0] != scan.SensorFault {
				s.Reason, s.Values, s.Quality = q[0], nil, nil
			}
		}
		b.write("own.csv", export(t, transfer.Long, groups, recorded))
		got, report := b.mustScans("[[logger]]\nname = \"own\"\nlayout = \"long\"\nfiles = [\"own.csv\"]\n")
		if len(got) != len(recorded) || len(report.Loggers[0].Groups) != len(groups) {
			t.Fatalf("round %d: %d scans of %d groups, want %d of %d", round, len(got), len(report.Loggers[0].Groups), len(recorded), len(groups))
		}
		for i := range got {
			if err := same(&got[i], &recorded[i]); err != nil {
				t.Fatalf("round %d, scan %d: %v", round, i, err)
			}
			if got[i].Reason != recorded[i].Reason || (got[i].Values == nil) != (recorded[i].Values == nil) {
				t.Fatalf("round %d, scan %d: reason %v, want %v", round, i, got[i].Reason, recorded[i].Reason)
			}
		}
	}
}

// TestOwnWideExportComesBack: the wide layout has no qualities, so that a scan
// without a single value is not there, and a missing value has no reason.
func TestOwnWideExportComesBack(t *testing.T) {
	b := ownSite(t)
	groups := sitefile.Groups(b.site)
	recorded := recordedScans(rand.New(rand.NewPCG(8, 8)), groups)
	b.write("own.csv", export(t, transfer.Wide, groups, recorded))
	got, _ := b.mustScans("[[logger]]\nname = \"own\"\nfiles = [\"own.csv\"]\n")
	n := 0
	for i := range recorded {
		want := &recorded[i]
		some := false
		for c := range want.Group.Channels {
			if _, ok := want.Get(c); ok {
				some = true
			} else if want.Values != nil {
				want.Quality[c] = scan.Absent
			}
		}
		if !some {
			continue
		}
		if n == len(got) {
			t.Fatalf("%d scans, want more", n)
		}
		if err := same(&got[n], want); err != nil {
			t.Fatalf("scan %d: %v", n, err)
		}
		n++
	}
	if n != len(got) || n < 100 {
		t.Errorf("%d scans, want %d", len(got), n)
	}
}

// A reading that is not made of whole counts is refused with its place.
func TestCountsMustComeOutExactly(t *testing.T) {
	b := newBench(t)
	mapping := "[[logger]]\nname = \"l\"\nfiles = [\"p.csv\"]\n[[logger.column]]\nname = \"P\"\nchannel = \"controller.pressure\"\n"
	b.write("p.csv", "time,P\n2026-01-01T00:00:00Z,100.3\n2026-01-01T00:00:10Z,100.35\n")
	_, _, err := b.scans(mapping)
	m := mistakeOf(t, err)
	if m.Line != 3 || m.Column != "P" || m.Message != `"100.35" is no whole number of counts of controller.pressure (0.1 psi each)` {
		t.Errorf("got %v", err)
	}
	// 7 bar are 101.526… psi, no count; but 68.9475729316836 kPa are 10 psi
	b.write("p.csv", "time,P\n2026-01-01T00:00:00Z,7\n")
	_, _, err = b.scans(mapping + "unit = \"bar\"\n")
	if m := mistakeOf(t, err); m.Line != 2 {
		t.Errorf("got %v", err)
	}
}
