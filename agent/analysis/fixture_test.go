package analysis

import (
	"encoding/json"
	"errors"
	"sort"
	"testing"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// memory is a Source of scans and pieces held in memory.
type memory struct {
	scans  []scan.Scan
	pieces []store.Piece
	reads  int // scans handed out
}

func (m *memory) Pieces(key string, fromMS, toMS int64) ([]store.Piece, error) {
	var all []store.Piece
	for _, p := range m.pieces {
		if p.Key == key && p.StartMS >= fromMS && p.StartMS < toMS {
			all = append(all, p)
		}
	}
	return all, nil
}

func (m *memory) Scans(q store.ScanQuery, fn func(*scan.Scan) error) error {
	wanted := map[string]bool{}
	for _, d := range q.Devices {
		wanted[d] = true
	}
	first := sort.Search(len(m.scans), func(i int) bool { return m.scans[i].Seq >= q.FromSeq })
	for i := first; i < len(m.scans); i++ {
		s := &m.scans[i]
		if s.WallMS < q.FromMS || q.ToMS > 0 && s.WallMS >= q.ToMS || len(wanted) > 0 && !wanted[s.Group.Device] {
			continue
		}
		m.reads++
		if err := fn(s); err != nil {
			return err
		}
	}
	return nil
}

var _ Source = (*store.Store)(nil)

func unitOf(t testing.TB, text string) quantity.Unit {
	t.Helper()
	u, err := quantity.ParseUnit(text)
	if err != nil {
		t.Fatalf("unit %q: %v", text, err)
	}
	return u
}

func mapChannel(t testing.TB, name string, role scan.Role, typ string, scale float64, unit string, every time.Duration) sitefile.MapChannel {
	t.Helper()
	c := sitefile.MapChannel{Name: name, Role: role, Table: sitefile.Input, Type: typ, Bit: -1,
		Scale: scale, Unit: unitOf(t, unit), UnitText: unit, Every: every}
	return c
}

// plant is a site with one load/unload machine: a controller with bits,
// pressure and counters, and a meter with power and energy, both once a second.
func plant(t testing.TB) *sitefile.Site {
	t.Helper()
	const s = time.Second
	controller := &sitefile.RegisterMap{Name: "controller", Protocol: "modbus", Channels: []sitefile.MapChannel{
		mapChannel(t, "running", scan.MotorRunning, "bit", 1, "1", s),
		mapChannel(t, "loaded", scan.Loaded, "bit", 1, "1", s),
		mapChannel(t, "standby", scan.Standby, "bit", 1, "1", s),
		mapChannel(t, "fault", scan.FaultCode, "u16", 1, "1", s),
		mapChannel(t, "pressure", scan.DischargePressure, "u16", 0.1, "kPa", s),
		mapChannel(t, "starts", scan.StartCount, "u32", 1, "1", s),
	}}
	meter := &sitefile.RegisterMap{Name: "meter", Protocol: "modbus", Channels: []sitefile.MapChannel{
		mapChannel(t, "power", scan.Power, "u16", 0.1, "kW", s),
		mapChannel(t, "energy", scan.Energy, "u16", 0.1, "kWh", s),
	}}
	site := &sitefile.Site{
		Name: "Harrow Lane Joinery", Location: time.UTC, BarometerPa: 101_325, WeeksPerYear: 50,
		Devices: []sitefile.Device{
			{Name: "controller", Map: controller, Every: s, Instrument: sitefile.Instrument{Accuracy: map[string]sitefile.Accuracy{"pressure": {SI: 2000, Text: "2 kPa"}}}},
			{Name: "meter", Map: meter, Every: s, Instrument: sitefile.Instrument{Accuracy: map[string]sitefile.Accuracy{
				"power": {OfReading: 0.01, Text: "1 %"}, "energy": {OfReading: 0.01, Text: "1 %"}}, Calibrated: "2023-09-11", Until: "2025-09-11"}},
		},
		Machines: []sitefile.Machine{{
			Name: "comp1", Control: sitefile.LoadUnload, RatedFlowM3S: 6.0 / 60, RatedPowerW: 37_000,
			Motor: sitefile.Motor{Starting: "wye-delta"},
			Roles: map[scan.Role]string{
				scan.MotorRunning: "controller.running", scan.Loaded: "controller.loaded", scan.Standby: "controller.standby",
				scan.FaultCode: "controller.fault", scan.DischargePressure: "controller.pressure", scan.StartCount: "controller.starts",
				scan.Power: "meter.power", scan.Energy: "meter.energy",
			},
		}},
		Systems: []sitefile.System{{
			Name: "main", Machines: []string{"comp1"}, MinimumPressurePa: 650_000,
			Parts: []sitefile.Part{{Name: "receiver", Kind: "receiver", VolumeM3: 1}},
			Taps:  []sitefile.Tap{{At: "receiver", Pressure: "controller.pressure"}},
		}},
	}
	site.Tariff = sitefile.Tariff{Currency: "USD", Energy: []sitefile.EnergyPrice{{PerKWh: 0.10}}, BillingDay: 1}
	return site
}

// tape records scans in order.
type tape struct {
	groups  map[string]*scan.Group
	scans   []scan.Scan
	segment uint32
	wall    int64 // wall time of mono 0
}

func newTape(site *sitefile.Site, wall int64) *tape {
	tp := &tape{groups: map[string]*scan.Group{}, segment: 1, wall: wall}
	for _, g := range sitefile.Groups(site) {
		tp.groups[g.Device] = g
	}
	return tp
}

func (tp *tape) add(device string, mono int64, values ...int64) {
	tp.scans = append(tp.scans, scan.Scan{Seq: uint64(len(tp.scans) + 1), Group: tp.groups[device], Segment: tp.segment,
		MonoMS: mono, WallMS: tp.wall + mono, Values: values})
}

func (tp *tape) bad(device string, mono int64, why scan.Reason) {
	tp.add(device, mono)
	tp.scans[len(tp.scans)-1].Reason = why
}

// fold runs the scans through a Folder and flushes after each sequence number
// in cuts.
func fold(site *sitefile.Site, scans []scan.Scan, cuts ...uint64) *memory {
	f := NewFolder(site, sitefile.Groups(site))
	m := &memory{scans: scans}
	for i := range scans {
		f.Step(&scans[i])
		if len(cuts) > 0 && scans[i].Seq == cuts[0] {
			pieces, _ := f.Flush()
			m.pieces = append(m.pieces, pieces...)
			cuts = cuts[1:]
		}
	}
	pieces, _ := f.Flush()
	m.pieces = append(m.pieces, pieces...)
	return m
}

const farFuture = 1 << 60

func mustCompute(t testing.TB, src Source, site *sitefile.Site, from, to int64) Report {
	t.Helper()
	rep, err := Compute(src, site, from, to, farFuture, "")
	if err != nil {
		t.Fatalf("compute: %v", err)
	}
	return rep
}

func figureOf(t testing.TB, rep Report, name string) Figure {
	t.Helper()
	return findFigure(t, rep.Machines[0].Figures, name)
}

func systemFigure(t testing.TB, rep Report, name string) Figure {
	t.Helper()
	return findFigure(t, rep.Systems[0].Figures, name)
}

func findFigure(t testing.TB, all []Figure, name string) Figure {
	t.Helper()
	for _, f := range all {
		if f.Name == name {
			return f
		}
	}
	t.Fatalf("figure %s is not in the report", name)
	return Figure{}
}

// check compares a figure's value.
func check(t testing.TB, f Figure, want, tolerance float64) {
	t.Helper()
	if f.Value == nil {
		t.Errorf("%s: absent (%s), want %g", f.Name, f.Absent, want)
		return
	}
	if d := *f.Value - want; !(d <= tolerance && d >= -tolerance) {
		t.Errorf("%s = %.9g %s, want %g ± %g", f.Name, *f.Value, f.Unit, want, tolerance)
	}
}

func asJSON(t testing.TB, v any) string {
	t.Helper()
	b, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatalf("marshal: %v", err)
	}
	return string(b)
}

var errTest = errors.New("test")
