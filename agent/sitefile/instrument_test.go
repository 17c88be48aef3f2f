package sitefile

import (
	"math"
	"os"
	"strings"
	"testing"
	"time"
)

// withInstrument is the good site with another instrument at its controller.
func withInstrument(t *testing.T, instrument string) *Site {
	t.Helper()
	files := goodFiles()
	const old = `instrument = { accuracy = { pressure = "1 % of span" } }`
	if !strings.Contains(files["site.toml"], old) {
		t.Fatalf("%q is not in the good file", old)
	}
	files["site.toml"] = strings.Replace(files["site.toml"], old, instrument, 1)
	s, err := load("site.toml", Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestInstrumentRecord(t *testing.T) {
	s := withInstrument(t, `[device.instrument]
serial = "SC-20417"
certificate = "K-118"
calibrated = 2024-02-29
calibration_months = 12
accuracy = { pressure = "0.5 % of reading + 0.1 % of span + 0.1 psi (k=2)", temperature = "3 °F" }
span = { pressure = "0 to 16 bar", temperature = "-20 °C to 120 °C" }
current_transformer = { fitted = "200/5", meter = "150:5" }
voltage_transformer = { fitted = "480 V/120 V", meter = "4" }
pipe_bore = { measured = "55 mm", meter = "50 mm" }
channels = { pressure = { serial = "G-7", calibrated = "2026-03-02", calibrated_until = "2026-09-02", accuracy = "0.25 % of span", span = "-1 to 9 bar" } }`)
	d := &s.Devices[0]
	in := &d.Instrument
	if in.Serial != "SC-20417" || in.Certificate != "K-118" || in.Calibrated != "2024-02-29" || in.Until != "2025-02-28" {
		t.Errorf("identity: %+v", in)
	}
	// By hand: 0.1 psi = 689.4757 Pa; 140 K from -20 to 120 °C; (55/50)² = 1.21.
	a := in.Accuracy["pressure"]
	if a.OfReading != 0.005 || a.OfSpan != 0.001 || a.K != 2 || math.Abs(a.SI-689.4757) > 0.001 {
		t.Errorf("accuracy: %+v", a)
	}
	within(t, "span of pressure", in.Span["pressure"].WidthSI, 1.6e6, 1e-6)
	within(t, "span of temperature", in.Span["temperature"].WidthSI, 140, 1e-9)
	within(t, "200/5 on 150/5", in.Current.Factor, 4./3, 1e-12)
	within(t, "480/120 on 4", in.Voltage.Factor, 1, 1e-12)
	within(t, "bore", in.PipeBore.Factor, 1.21, 1e-12)
	if !in.Current.Differs() || in.Voltage.Differs() || !in.PipeBore.Differs() {
		t.Error("of current, voltage and bore the first and the last differ")
	}

	c := d.mapChannel("pressure")
	if got, ok := d.AccuracyOf(c); !ok || got.OfSpan != 0.0025 || got.K != 0 {
		t.Errorf("accuracy of the gauge: %+v %v", got, ok)
	}
	within(t, "span of the gauge", d.SpanOf(c).WidthSI, 1e6, 1e-6)
	if own := d.InstrumentOf("pressure"); own.Serial != "G-7" || own.Until != "2026-09-02" {
		t.Errorf("the gauge's own record: %+v", own)
	}
	if other := d.InstrumentOf("power"); other.Serial != "SC-20417" {
		t.Errorf("another channel's record: %+v", other)
	}
	var subjects []string
	for _, f := range s.InstrumentFacts(time.Time{}, time.Time{}) {
		subjects = append(subjects, f.Subject)
	}
	if got := strings.Join(subjects, " "); got != "controller controller.pressure inputs" {
		t.Errorf("instruments: %s", got)
	}
	warned := ""
	for _, w := range s.Warnings {
		warned += w.Error() + "\n"
	}
	for _, want := range []string{"device.instrument.current_transformer: 200/5 is fitted and the meter is set to 150:5: what is true is its reading × 1.333",
		"device.instrument.pipe_bore: 55 mm is fitted and the meter is set to 50 mm: what is true is its reading × 1.21"} {
		if !strings.Contains(warned, want) {
			t.Errorf("no warning %q in\n%s", want, warned)
		}
	}
	if strings.Contains(warned, "voltage_transformer") {
		t.Errorf("a warning of equal ratios:\n%s", warned)
	}
}

// TestAccuracyAloneIsNoInstrument: a channel that is only more exact than the
// rest of its device has the device's serial number and calibration.
func TestAccuracyAloneIsNoInstrument(t *testing.T) {
	s := withInstrument(t, `instrument = { serial = "SC-1", channels = { pressure = { accuracy = "0.1 % of reading" } } }`)
	d := &s.Devices[0]
	if got := d.InstrumentOf("pressure"); got != &d.Instrument {
		t.Errorf("got %+v", got)
	}
	facts := s.InstrumentFacts(time.Time{}, time.Time{})
	if facts[0].Subject != "controller" || facts[0].Accuracy["controller.pressure"] != "0.1 % of reading" {
		t.Errorf("facts: %+v", facts[0])
	}
}

// TestChecks: as found and as left, in the reference's unit. By hand: 1 % of the span of
// 250 psi is 2.5 psi; 0.25 % of 0 to 16 bar is 0.04 bar, and 7.05 bar less 100 psi
// (6.894757 bar) is 0.155243 bar.
func TestChecks(t *testing.T) {
	s := withInstrument(t, `[device.instrument]
accuracy = { pressure = "1 % of span" }
checks = [
  { on = "2026-03-02", reference = "100.0 psi", found = "101.2 psi", left = "100.1 psi", against = "reference gauge R-12, certificate K-220" },
  { on = 2025-03-01, reference = "10 kW", found = "9.5 kW" },
]
[device.instrument.channels.pressure]
accuracy = "0.25 % of span"
span = "0 to 16 bar"
checks = [{ on = "2026-04-01", reference = "100 psi", found = "7.05 bar" }]`)
	f := s.InstrumentFacts(time.Time{}, time.Time{})[0]
	if len(f.Checks) != 3 || f.Checks[0].On != "2025-03-01" || f.Checks[2].On != "2026-04-01" {
		t.Fatalf("checks: %+v", f.Checks)
	}
	power, device, own := f.Checks[0], f.Checks[1], f.Checks[2]
	if power.OffAsFound != -0.5 || power.OffAsLeft != nil || power.Allowed != nil || power.Unit != "kW" || power.Channels[0] != "controller.power" {
		t.Errorf("power: %+v", power)
	}
	if device.OffAsFound != 1.2 || *device.OffAsLeft != 0.1 || len(device.Channels) != 0 || device.Against != "reference gauge R-12, certificate K-220" {
		t.Errorf("the device's check tells of no channel, for the gauge has its own: %+v", device)
	}
	within(t, "the gauge's own, in psi", own.OffAsFound, 0.155243/0.06894757, 1e-5)
	within(t, "what it may be off, in psi", *own.Allowed, 0.04/0.06894757, 1e-5)
	if len(own.Channels) != 1 || own.Channels[0] != "controller.pressure" {
		t.Errorf("channels: %v", own.Channels)
	}
	if text := f.String(); !strings.Contains(text, "checked 2026-03-02 at 100.0 psi: found 101.2 psi, left 100.1 psi") ||
		!strings.Contains(text, "found 7.05 bar (OFF by more than the 0.5802 psi of its accuracy)") {
		t.Errorf("in one line: %s", text)
	}

	alone := withInstrument(t, `instrument = { accuracy = { pressure = "1 % of span" }, checks = [{ on = "2026-03-02", reference = "100 psi", found = "102.5 psi" }] }`)
	c := alone.InstrumentFacts(time.Time{}, time.Time{})[0].Checks[0]
	if within(t, "1 % of span", *c.Allowed, 2.5, 1e-9); Exceeds(c.OffAsFound, *c.Allowed) || len(c.Channels) != 1 {
		t.Errorf("just within: %+v", c)
	}
}

// TestReportTexts: lines are kept, what is not given is empty.
func TestReportTexts(t *testing.T) {
	files := goodFiles()
	files["site.toml"] = strings.Replace(files["site.toml"], "[agent]\n", "[report]\nplace = \"Harrow Lane <script>\"\ngoals = \"\"\"\nless money\n\nmore air\"\"\"\n\n[agent]\n", 1)
	s, err := load("site.toml", Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	if want := (ReportTexts{Place: "Harrow Lane <script>", Goals: "less money\n\nmore air"}); s.Report != want {
		t.Errorf("got %+v, want %+v", s.Report, want)
	}
	files["site.toml"] = strings.Replace(files["site.toml"], "less money", strings.Repeat("x", 4001), 1)
	if _, err := load("site.toml", Options{}, memory(files)); err == nil || !strings.Contains(err.Error(), "report.goals: the text has 4011 bytes") {
		t.Errorf("too long a text: %v", err)
	}
}

// TestReportPage: what docs/report-standards.md shows of [report] loads.
func TestReportPage(t *testing.T) {
	page, err := os.ReadFile("../../docs/report-standards.md")
	if err != nil {
		t.Fatal(err)
	}
	_, example, ok := strings.Cut(string(page), "```toml\n")
	if example, _, _ = strings.Cut(example, "```"); !ok {
		t.Fatal("no example")
	}
	files := goodFiles()
	files["site.toml"] += "\n" + example
	s, err := load("site.toml", Options{}, memory(files))
	if err != nil {
		t.Fatal(err)
	}
	if s.Report.PreparedBy != "the plant engineer" || !strings.Contains(s.Report.SystemNotes, "open.\nThe blow gun") {
		t.Errorf("got %+v", s.Report)
	}
}

func TestStanding(t *testing.T) {
	day := func(s string) time.Time {
		at, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	for _, tt := range []struct {
		calibrated, until string
		end, now          string // a window up to midnight of end does not hold that day
		want              Standing
	}{
		{"", "", "2026-03-02", "2026-03-02", NoDate},
		{"2026-01-01", "", "2026-03-02", "2026-03-02", NoEnd},
		{"2026-01-01", "2027-01-01", "2026-03-02", "2026-03-02", Valid},
		{"", "2027-01-01", "2026-03-02", "2026-03-02", Valid},
		{"2025-03-01", "2026-03-01", "2026-03-02", "2026-03-02", Valid},
		{"2025-03-01", "2026-03-01", "2026-03-03", "2026-03-03", Expired},
		{"", "2026-03-01", "2026-03-03", "2026-03-03", Expired},
		{"2026-03-01", "", "2026-03-02", "2026-03-02", NoEnd},
		{"2026-03-04", "2027-03-04", "2026-03-02", "2026-03-03", InFuture},
		{"2026-03-03", "2027-03-03", "2026-03-02", "2026-03-03", Later},
	} {
		in := Instrument{Calibrated: tt.calibrated, Until: tt.until}
		if got := in.Standing(day(tt.end), day(tt.now)); got != tt.want {
			t.Errorf("calibrated %q until %q, window to %s, on %s: %q, want %q", tt.calibrated, tt.until, tt.end, tt.now, got, tt.want)
		}
	}
}

// TestMonthsAfter: the end of a month stays one (common practice, no source).
func TestMonthsAfter(t *testing.T) {
	for _, tt := range []struct {
		date   string
		months int
		want   string
	}{{"2026-03-02", 12, "2027-03-02"}, {"2024-02-29", 12, "2025-02-28"}, {"2026-08-31", 6, "2027-02-28"}, {"2023-08-31", 6, "2024-02-29"}, {"2026-01-31", 1, "2026-02-28"}} {
		if got := monthsAfter(tt.date, tt.months); got != tt.want {
			t.Errorf("%d months after %s: %s, want %s", tt.months, tt.date, got, tt.want)
		}
	}
}

// TestInstrumentsPage: what docs/instruments.md shows is a record that loads.
func TestInstrumentsPage(t *testing.T) {
	page, err := os.ReadFile("../../docs/instruments.md")
	if err != nil {
		t.Fatal(err)
	}
	_, example, ok := strings.Cut(string(page), "[device.instrument]\n")
	if example, _, _ = strings.Cut(example, "```"); !ok {
		t.Fatal("no example")
	}
	meter, inputs, _ := strings.Cut(example, "[[device]]\n") // one device here has both
	_, gauge, ok := strings.Cut(inputs, "[device.instrument.channels.receiver_pressure]")
	if !ok {
		t.Fatal("no sensor of its own")
	}
	s := withInstrument(t, "[device.instrument]\n"+meter+"[device.instrument.channels.pressure]"+gauge)
	for _, w := range s.Warnings {
		if strings.Contains(w.Key, "instrument") {
			t.Errorf("%v", w)
		}
	}
	d := &s.Devices[0]
	if d.Instrument.Until != "2029-03-02" || d.InstrumentOf("pressure").Until != "2027-05-11" || d.Instrument.Current.Differs() {
		t.Errorf("got %+v", d.Instrument)
	}
}
