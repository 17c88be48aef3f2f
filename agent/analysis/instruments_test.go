package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/testdata/vectors"
)

// recordOf folds an hour of a sound machine and makes its report as at a time.
func recordOf(t *testing.T, site *sitefile.Site, nowMS int64) Report {
	t.Helper()
	tp := newTape(site, monday)
	for sec := int64(0); sec < 3600; sec++ {
		s := busy(sec)
		tp.add("controller", sec*1000, s.running, s.loaded, s.command, 0, s.pressure, s.starts)
		tp.add("meter", sec*1000+200, s.power, s.energy)
	}
	rep, err := Compute(fold(site, tp.scans), site, monday, monday+hourMS, nowMS, "")
	if err != nil {
		t.Fatal(err)
	}
	return rep
}

// checked adds a comparison of the meter's power with a reference, in kW; left 0: it
// was not adjusted.
func checked(on string, reference, found, left float64) func(in *sitefile.Instrument) {
	read := func(kW float64) (quantity.Quantity, string) {
		text := fmt.Sprintf("%g kW", kW)
		q, err := quantity.ParseDim(text, quantity.Power)
		if err != nil {
			panic(err)
		}
		return q, text
	}
	return func(in *sitefile.Instrument) {
		c := sitefile.InstrumentCheck{On: on}
		c.Reference, c.ReferenceText = read(reference)
		c.Found, c.FoundText = read(found)
		if left > 0 {
			q, text := read(left)
			c.Left, c.LeftText = &q, text
		}
		in.Checks = append(in.Checks, c)
	}
}

// TestInstrumentFindings: what a record leaves open or contradicts is one finding,
// which names the figures that rest on it. The window is the first hour of Monday
// 4 March 2024.
func TestInstrumentFindings(t *testing.T) {
	ratio := func(fitted, meter string, factor float64) *sitefile.Setting {
		return &sitefile.Setting{Fitted: fitted, Meter: meter, Exactly: true, Factor: factor}
	}
	for _, c := range []struct {
		name   string
		record func(in *sitefile.Instrument) // of the meter
		nowMS  int64
		says   []string // empty: no finding
		rests  []string // some of the figures; after an empty one those that do not
	}{
		{name: "in order", record: func(*sitefile.Instrument) {}},
		{name: "to the last day", record: func(in *sitefile.Instrument) { in.Until = "2024-03-04" }},
		{name: "no end stated", record: func(in *sitefile.Instrument) { in.Until = "" }},
		{name: "expired", record: func(in *sitefile.Instrument) { in.Until, in.Serial = "2024-03-03", "PM-0731" },
			says: []string{"meter (serial PM-0731): its calibration ended on 2024-03-03", "Have it calibrated", "energy_cost, "}, rests: []string{"energy", "energy_cost", "power_loaded", "", "duty_cycle", "pressure_mean"}},
		{name: "no date", record: func(in *sitefile.Instrument) { in.Calibrated, in.Until = "", "" },
			says: []string{"no day of its calibration", "rests on it: energy_cost."}, rests: []string{"energy_cost", "", "energy"}},
		{name: "yet to come", record: func(in *sitefile.Instrument) { in.Calibrated, in.Until = "2024-03-05", "2025-03-05" },
			says: []string{"2024-03-05, a day that is yet to come", "by the certificate"}, rests: []string{"energy"}},
		{name: "after the window", record: func(in *sitefile.Instrument) { in.Calibrated, in.Until = "2024-03-05", "2025-03-05" }, nowMS: monday + 48*hourMS,
			says: []string{"on 2024-03-05 only, after this window"}, rests: []string{"energy_cost", "", "energy"}},
		{name: "transformers as set", record: func(in *sitefile.Instrument) { in.Current = ratio("200/5", "40", 1) }},
		{name: "transformers", record: func(in *sitefile.Instrument) { in.Current = ratio("200/5", "150/5", 4./3) },
			says:  []string{"the current transformers are 200/5, and the meter is set to 150/5", "reading of power, energy × 1.333", "nothing is corrected", "multiply scale"},
			rests: []string{"power_loaded", "energy", "energy_cost", "", "duty_cycle"}},
		{name: "found right", record: checked("2024-03-01", 30, 30.2, 0)},
		{name: "found off long before, and adjusted", record: checked("2024-03-01", 30, 33, 30)},
		{name: "found off and left so", record: checked("2024-03-01", 30, 33, 0),
			says: []string{"meter.power: the check of 2024-03-01 found it at 33 kW where the reference had 30 kW, 3 kW too high, more than", "it was not adjusted"}, rests: []string{"energy", "power_loaded", "", "duty_cycle"}},
		{name: "found off within what is stated", record: func(in *sitefile.Instrument) {
			in.Accuracy = map[string]sitefile.Accuracy{"power": {OfReading: 0.1, Text: "10 %"}}
			checked("2024-03-01", 30, 33, 0)(in)
		}},
		{name: "found off, nothing stated", record: func(in *sitefile.Instrument) {
			in.Accuracy = nil
			checked("2024-03-01", 30, 33, 0)(in)
		}, says: []string{"more than is assumed of an instrument without a stated accuracy (0.66 kW)"}, rests: []string{"energy"}}, // 2 % of 33
		{name: "found off when the instruments were taken down, after the last reading", record: checked("2024-03-07", 30, 27, 30),
			says: []string{"3 kW too low", "and it was adjusted: readings up to that day may be off by as much"}, rests: []string{"energy"}},
		{name: "found off, adjusted before the check that the window follows", record: func(in *sitefile.Instrument) {
			checked("2024-02-01", 30, 33, 30)(in)
			checked("2024-03-01", 30, 30.1, 0)(in)
		}},
		{name: "left off", record: checked("2024-03-03", 30, 30.1, 33),
			says: []string{"the check of 2024-03-03 left it at 33 kW", "Have it adjusted again"}, rests: []string{"energy"}},
		{name: "a bore is no matter of power", record: func(in *sitefile.Instrument) { in.PipeBore = ratio("55 mm", "50 mm", 1.21) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := plant(t)
			c.record(&site.Devices[1].Instrument)
			if c.nowMS == 0 {
				c.nowMS = monday + 2*hourMS
			}
			rep := recordOf(t, site, c.nowMS)
			var found []Finding
			for _, f := range append(slices.Clone(rep.Machines[0].Findings), rep.Systems[0].Findings...) {
				if f.Kind == findingInstrument {
					found = append(found, f)
				}
			}
			if len(c.says) == 0 {
				if len(found) > 0 {
					t.Fatalf("found %+v, want nothing", found)
				}
				return
			}
			if len(found) != 1 || found[0].Subject != "meter" && found[0].Subject != "meter.power" {
				t.Fatalf("found %+v, want one of the meter", found)
			}
			for _, want := range c.says {
				if !strings.Contains(found[0].Sentence, want) {
					t.Errorf("%q does not say %q", found[0].Sentence, want)
				}
			}
			want := true
			for _, name := range c.rests {
				if name == "" {
					want = false
				} else if slices.Contains(found[0].Figures, name) != want {
					t.Errorf("%s rests on it: %t, want %t; %v", name, !want, want, found[0].Figures)
				}
			}
		})
	}
}

// TestExpiredFromItsLastDay: a calibration that ends inside the window is a
// finding from the day after.
func TestExpiredFromItsLastDay(t *testing.T) {
	site := plant(t)
	site.Devices[1].Instrument.Until = "2024-03-04"
	for i := range site.Devices {
		for j := range site.Devices[i].Map.Channels {
			site.Devices[i].Map.Channels[j].Every *= 10
		}
	}
	tp := newTape(site, monday)
	for sec := int64(0); sec < 26*3600; sec += 10 {
		s := busy(sec)
		tp.add("controller", sec*1000, s.running, s.loaded, s.command, 0, s.pressure, s.starts)
		tp.add("meter", sec*1000+200, s.power, s.energy)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+26*hourMS)
	for _, f := range rep.Machines[0].Findings {
		if f.Kind == findingInstrument {
			if f.From != stamp(monday+24*hourMS) || f.To != stamp(monday+26*hourMS) {
				t.Errorf("from %s to %s", f.From, f.To)
			}
			return
		}
	}
	t.Errorf("no finding: %+v", rep.Machines[0].Findings)
}

// TestInstrumentsOfAReport: each instrument with its standing and its figures.
func TestInstrumentsOfAReport(t *testing.T) {
	rep := recordOf(t, plant(t), monday+2*hourMS)
	if len(rep.Instruments) != 2 || rep.Instruments[0].Subject != "controller" || rep.Instruments[1].Subject != "meter" {
		t.Fatalf("instruments: %+v", rep.Instruments)
	}
	controller, meter := rep.Instruments[0], rep.Instruments[1]
	if controller.Standing != sitefile.NoDate || meter.Standing != sitefile.Valid || meter.CalibratedUntil != "2025-09-11" {
		t.Errorf("standing: %+v and %+v", controller, meter)
	}
	if !slices.Contains(meter.Figures, "energy_cost") || slices.Contains(meter.Figures, "pressure_mean") || !slices.Contains(controller.Figures, "pressure_mean") {
		t.Errorf("figures: %v and %v", controller.Figures, meter.Figures)
	}
	// Signals and counts of the controller are not calibrated.
	if slices.Contains(controller.Channels, "controller.loaded") || !slices.Contains(controller.Channels, "controller.pressure") {
		t.Errorf("channels: %v", controller.Channels)
	}
}

// TestStatedAccuracy: the examples of the GUM for what a data sheet and what a
// certificate says (JCGM 100:2008, from memory), through a site's record.
func TestStatedAccuracy(t *testing.T) {
	rows := map[string]map[string]string{}
	for _, row := range vectors.Read(t, "uncertainty_gum.csv") {
		rows[row["case"]] = row
	}
	for _, c := range []struct {
		row      string
		accuracy sitefile.Accuracy
		reading  float64
		spanSI   float64
		perUnit  float64 // printed units in one of the reading
	}{
		{"4.3.3", sitefile.Accuracy{SI: 240e-6, K: 3}, 1000.000325, 0, 1e6},
		{"4.3.4", sitefile.Accuracy{SI: 129e-6, K: 2.58}, 10.000742, 0, 1e6},
		{"4.3.7", sitefile.Accuracy{OfReading: 14e-6, OfSpan: 2e-6}, 0.928571, 1, 1e6},
	} {
		row := rows[c.row]
		if row == nil {
			t.Fatalf("no row %s", c.row)
		}
		c.accuracy.Text = "stated"
		mc := mapChannel(t, "volts", scan.VoltageAB, "f64", 1, "V", 0)
		d := &sitefile.Device{Name: "meter", Instrument: sitefile.Instrument{
			Accuracy: map[string]sitefile.Accuracy{"voltage": c.accuracy}, Span: map[string]sitefile.Span{"voltage": {WidthSI: c.spanSI}}}}
		spec := chanSpec{id: "meter.volts", unit: mc.Unit}
		spec.setAccuracy(d, &mc)
		got := spec.accuracyU(c.reading) * c.perUnit
		if want := number(t, row["printed"]); !spec.accuracyGiven || math.Abs(got-want) > number(t, row["tolerance"]) {
			t.Errorf("%s: u = %g %s, printed %g", c.row, got, row["unit"], want)
		}
		if want := number(t, row["recomputed"]); math.Abs(got-want) > 1e-5 {
			t.Errorf("%s: u = %.6f %s, recomputed %g", c.row, got, row["unit"], want)
		}
	}
}

// TestReadingFromItsZero: a share of reading counts from where the instrument
// reads zero: 1 % at 50 °C is 0.5 K, and an absolute gauge has the air's pressure
// in its reading.
func TestReadingFromItsZero(t *testing.T) {
	site := plant(t)
	every := site.Devices[0].Every
	site.Devices[0].Map.Channels = append(site.Devices[0].Map.Channels, mapChannel(t, "oil", scan.OilTemperature, "u16", 0.1, "°C", every),
		mapChannel(t, "inlet", scan.SumpPressure, "u16", 0.1, "kPa(a)", every))
	share := sitefile.Accuracy{OfReading: 0.01, Text: "1 % of reading"}
	site.Devices[0].Instrument.Accuracy = map[string]sitefile.Accuracy{"temperature": share, "pressure": share}
	groups := sitefile.Groups(site)
	for _, c := range []struct {
		id       string
		at, want float64
	}{{"controller.oil", 323.15, 0.5}, {"controller.inlet", 0, 1013.25}, {"controller.pressure", 700_000, 7000}} {
		spec, ok := resolveChannel(site, groups, c.id)
		if !ok {
			t.Fatalf("no channel %s", c.id)
		}
		if got := spec.accuracyU(c.at) * math.Sqrt(3); math.Abs(got-c.want) > 1e-9*c.want {
			t.Errorf("%s at %g: a limit of %g, want %g", c.id, c.at, got, c.want)
		}
	}
}

// TestShareOfNoSpan: a share of a span that is not known is no statement; the
// assumed accuracy holds, and the input says so.
func TestShareOfNoSpan(t *testing.T) {
	site := plant(t)
	site.Devices[0].Instrument.Accuracy = map[string]sitefile.Accuracy{"pressure": {OfSpan: 0.01, Text: "1 % of span"}}
	spec, _ := resolveChannel(site, sitefile.Groups(site), "controller.pressure")
	if got := spec.accuracyU(700_000); got != rectangular(10_000) || !strings.Contains(spec.input(), "±10 kPa assumed") {
		t.Errorf("u = %g, input %q", got, spec.input())
	}
	site.Devices[0].Instrument.Span = map[string]sitefile.Span{"pressure": {WidthSI: 1.6e6, Text: "0 to 16 bar"}}
	spec, _ = resolveChannel(site, sitefile.Groups(site), "controller.pressure")
	if got := spec.accuracyU(700_000); math.Abs(got-rectangular(16_000)) > 1e-9 || spec.input() != "controller.pressure" {
		t.Errorf("with its span: u = %g, input %q", got, spec.input())
	}
}
