package report

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

func TestFront(t *testing.T) {
	d := shop(map[string]float64{"comp1.observed_time": 600_000, "main.observed_time": 604_800})
	half, all := 0.992, 1.0
	d.Figures.Machines[0].Figures[0].Coverage, d.Figures.Systems[0].Figures[0].Coverage = &half, &all
	d.Site.Devices = []sitefile.Device{{Name: "controller"}, {Name: "meter"}}
	d.Site.Report = sitefile.ReportTexts{PreparedFor: "the owner", Place: "Works <1>", Goals: "less money\n\nmore air", Scope: "the supply side"}
	b := builderOf(d)
	says(t, plainText(t, b, front(b)), "air of Larch Yard Turning", "how comp1 spent", "controller and meter recorded", "Place: Works <1>", "Prepared for: the owner", "not: Prepared by",
		"(7 days; times in this report are in UTC)", "comp1 99.2 %; system main 100 %", "What it is to answer. less money", "more air", "What was looked at. the supply side",
		"claims no conformity", "not: [gap]")

	b = builderOf(shop(nil))
	says(t, plainText(t, b, front(b)), "[gap] Nothing was observed", "not: Observed:")
	b = builderOf(&Data{Site: &sitefile.Site{Name: "Empty Yard", Location: time.UTC}})
	says(t, plainText(t, b, front(b)), "names no compressor")
}

// TestLength: local days are counted by the calendar, other windows by the clock. Clocks
// in Chicago went forward on 8 March 2026 (IANA time zone data base).
func TestLength(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ from, to, want string }{
		{"2026-03-02T06:00:00Z", "2026-03-09T05:00:00Z", "7 days"}, // 167 hours
		{"2026-03-02T06:00:00Z", "2026-03-09T04:59:59Z", "7 days"}, // to the last reading
		{"2026-03-02T06:00:00Z", "2026-03-09T06:00:00Z", "168 h"},
		{"2026-03-02T06:00:00Z", "2026-03-02T06:30:00Z", "30 min"},
		{"2026-03-02T06:00:00Z", "2026-03-02T06:00:01Z", "1 s"},
		{"2026-03-02T07:00:00Z", "2026-03-03T06:00:00Z", "23 h"},
	} {
		d := shop(nil)
		d.Site.Location, d.FromMS, d.ToMS = chicago, at(c.from), at(c.to)
		if got := builderOf(d).length(); got != c.want {
			t.Errorf("%s to %s: %s, want %s", c.from, c.to, got, c.want)
		}
	}
}

func TestCoverage(t *testing.T) {
	d := shop(map[string]float64{"comp1.observed_time": 241_920})
	figures := &d.Figures.Machines[0].Figures
	unseen, share := 362_880.0, 0.4
	(*figures)[0].Coverage = &share
	*figures = append(*figures, analysis.Figure{Name: "unobserved_time", Value: &unseen, Unit: "s"})
	d.Figures.Systems[0].Figures = []analysis.Figure{{Name: "observed_time", Absent: "the system has no tap"}, {Name: "unobserved_time", Absent: "the system has no tap"}}
	for i := range 20 {
		d.Gaps = append(d.Gaps, Gap{Device: "meter", From: "2026-03-03T10:00:00Z", To: "2026-03-03T12:00:00Z", Reason: "it did not answer", ForS: float64(7200 - i)})
	}
	d.FromMS, d.ToMS, d.NowMS = at("2026-03-02T06:00:00Z"), at("2026-03-09T00:00:00Z"), at("2026-03-08T00:00:00Z")
	d.Figures.Notes = []string{"raw readings before Tuesday are no longer kept"}
	b := builderOf(d)
	says(t, plainText(t, b, coverage(b)), "machine comp1 | 67 h 12 min | 100 h 48 min | 40.0", "Not told: observed time of system main (the system has no tap).",
		"meter | Tue 3 Mar 2026 10:00 UTC | Tue 3 Mar 2026 12:00 UTC | 2 h | it did not answer", "5 more, none longer", "holds no whole Monday.", "[gap] The period was not over",
		"Raw readings before Tuesday are no longer kept.")

	b = builderOf(shop(map[string]float64{"comp1.observed_time": 604_800}))
	says(t, plainText(t, b, coverage(b)), "every day of the week", "No device was silent", "not: [gap]")
	none := shop(nil)
	none.FromMS, none.ToMS, none.NowMS = at("2026-03-02T06:00:00Z"), at("2026-03-02T06:00:01Z"), at("2026-03-09T00:00:00Z")
	b = builderOf(none)
	says(t, plainText(t, b, coverage(b)), "holds no whole day", "not: No device was silent", "not: Observed time")
}

func TestSystem(t *testing.T) {
	d := shop(map[string]float64{"comp1.pressure_mean": 738, "main.pressure_mean": 725})
	d.Figures.Systems[0].Figures[0].Inputs = []string{"controller.receiver_pressure"}
	for _, f := range []*analysis.Figure{&d.Figures.Machines[0].Figures[0], &d.Figures.Systems[0].Figures[0]} {
		f.Unit = "kPa"
	}
	sys := &d.Site.Systems[0]
	sys.Parts = []sitefile.Part{{Name: "dryer", Kind: "dryer", PurgeShare: 0.15}, {Name: "receiver", Kind: "receiver", VolumeM3: 0.9084988}}
	sys.Taps = []sitefile.Tap{{At: "receiver", Pressure: "controller.receiver_pressure", Flow: "meter.flow"}}
	sys.NightUsers = []sitefile.NightUser{{Name: "tank blanket"}}
	sys.Drains = []sitefile.Drain{{Name: "receiver drain", FlowM3S: 0.02595726, Open: 6 * time.Second, Every: 5 * time.Minute}}
	d.Site.Machines[0].Roles = map[scan.Role]string{"discharge_pressure": "controller.discharge_pressure", "power": "meter.active_power"}
	d.Site.Machines[0].Service = []sitefile.ServiceItem{{Item: "oil", Hours: 4000, Months: 12}}
	d.Site.Report.SystemNotes = "the ring can be cut"
	d.Site.WeeksPerYear, d.Site.BarometerGiven = 50, true
	d.Site.Tariff = sitefile.Tariff{Currency: "USD", Energy: []sitefile.EnergyPrice{{Period: sitefile.Period{Name: "all times"}, PerKWh: 0.118}}}
	b := builderOf(d)
	got := plainText(t, b, system(b))
	// By hand: 738 kPa × 0.1450377 = 107.0 psi; 0.9085 m³ = 240 gal.
	says(t, got, "comp1 makes the air, which goes through dryer, then receiver.", "107.0 psi at comp1, 105.2 psi at receiver", "Users need at least 90 psi.", "receiver | receiver | 240 gal | – | controller.receiver_pressure, meter.flow",
		"dryer | dryer | – | 15 % | –", "comp1, by meter: power (active_power)", "Night user tank blanket: of unknown flow.", "Drain receiver drain: 55 cfm while open, 6 s of every 5 min.", "Control | load/unload", "Rated flow | 185 cfm", "oil each 4000 h or 12 months",
		"comp1, by controller: discharge pressure\n", "not: (discharge_pressure)", "98.8 kPa absolute", "not: sea level", "energy | all times | 0.118 | kWh", "the ring can be cut", "none named", "[gap] No instrument is on record")

	b = builderOf(&Data{Site: &sitefile.Site{Name: "Empty Yard", Location: time.UTC, BarometerPa: 101_325, WeeksPerYear: 52}})
	says(t, plainText(t, b, system(b)), "[gap] No machine and no system is named", "that of sea level", "[gap] No tariff", "[gap] No instrument is on record")
	many := shop(nil)
	many.Site.Systems[0].Parts = nil
	for i := range 9 {
		many.Site.Machines = append(many.Site.Machines, sitefile.Machine{Name: fmt.Sprintf("extra%d", i)})
	}
	b = builderOf(many)
	if text := plainText(t, b, system(b)); strings.Count(text, "As on the plates") != 1 || !strings.Contains(text, "[gap] No parts are named") || !strings.Contains(text, "[gap] Nothing is read of comp1, extra0") {
		t.Errorf("ten machines, nine of which nothing is known:\n%s", text)
	}
}

func TestInstruments(t *testing.T) {
	left, allowed := 0.1, 0.5
	d := shop(nil)
	d.Figures.Instruments = []sitefile.InstrumentFacts{{
		Subject: "meter", Serial: "PM-0731", Certificate: "K-118", Standing: sitefile.Expired, Calibrated: "2024-02-29", CalibratedUntil: "2025-02-28", Figures: []string{"energy", "energy_cost"},
		Accuracy: map[string]string{"power": "1 %"}, CurrentTransformer: &sitefile.SettingFacts{Fitted: "200/5", Meter: "150/5", Factor: 4. / 3},
		Checks: []sitefile.CheckFacts{
			{On: "2026-03-02", Channels: []string{"meter.power"}, Reference: "30 kW", Found: "31.2 kW", Left: "30.1 kW", Against: "reference W-3", Unit: "kW", OffAsFound: 1.2, OffAsLeft: &left, Allowed: &allowed},
			{On: "2026-03-03", Reference: "30 kW", Found: "29.5 kW", Unit: "kW", OffAsFound: -0.5, Allowed: &allowed},
			{On: "2026-03-04", Reference: "30 kW", Found: "29 kW", Unit: "kW", OffAsFound: -1, Allowed: &allowed},
			{On: "2026-03-05", Reference: "460 V", Found: "460 V", Unit: "V"},
		}}, {Subject: "controller"}}
	b := builderOf(d)
	says(t, plainText(t, b, []Section{b.instruments()}), "meter | PM-0731, K-118 | calibrated 2024-02-29, holds until 2025-02-28 (EXPIRED) | power ±1 % | 2", "controller | – | no calibration date | not stated: one is assumed | 0",
		"current transformers 200/5; the meter is set to 150/5: what is true is its reading × 1.333.",
		"meter.power | 2026-03-02 | 30 kW, reference W-3 | 31.2 kW | +1.2 kW | 30.1 kW | +0.1 kW | ± 0.5 kW | found off, then adjusted", "meter | 2026-03-03 | 30 kW | 29.5 kW | -0.5 kW | not adjusted | – | ± 0.5 kW | within its accuracy",
		"found off, and left so", "0 V | not adjusted | – | – | no accuracy is stated to hold it to")
}

func TestQuality(t *testing.T) {
	d := shop(map[string]float64{"comp1.observed_time": 604_800, "comp1.running_time": 1})
	d.Figures.Machines[0].Figures[1].Method = "states from the running and loaded signals"
	shared := analysis.Finding{Kind: "missing", Subject: "meter", From: "2026-03-03T10:00:00Z", To: "2026-03-03T12:00:00Z", Sentence: "nothing of meter for 2 h", Evidence: []string{"meter.power"}}
	d.Figures.Machines[0].Findings = []analysis.Finding{shared, {Kind: "machine", Subject: "comp1", Sentence: "the sump does not blow down"}}
	lost := analysis.Finding{Kind: "missing", Subject: "comp1", From: shared.From, To: shared.To, Sentence: "comp1 was not observed for 2 h"}
	d.Figures.Machines[0].Findings = append(d.Figures.Machines[0].Findings, lost)
	lost.Subject, lost.Sentence = "main", "main was not observed for 2 h"
	d.Figures.Systems[0].Findings = []analysis.Finding{shared, lost}
	d.Events = []store.Event{{Kind: "state", Text: "comp1 loaded"}, {Kind: "clock_step", WallMS: at("2026-03-04T08:00:00Z"), Text: "the clock was set forward by 1 h"}}
	b := builderOf(d)
	got := plainText(t, b, quality(b))
	says(t, got, "Missing: meter. Tue 3 Mar 2026 10:00 UTC to Tue 3 Mar 2026 12:00 UTC: nothing of meter for 2 h. Seen in: meter.power.", "not: blow down", "Missing: comp1 and main. Tue 3 Mar 2026 10:00 UTC to Tue 3 Mar 2026 12:00 UTC: comp1 was not observed for 2 h.", "states of comp1 were known: states from the running",
		"Wed 4 Mar 2026 08:00 UTC | – | The clock was set forward by 1 h.", "not: comp1 loaded", "not: None of this")
	if strings.Count(got, "Missing: meter") != 1 {
		t.Errorf("told more than once:\n%s", got)
	}
	d.Events = nil
	for range mostEvents + 3 {
		d.Events = append(d.Events, store.Event{Kind: "levels", WallMS: at("2026-03-04T08:00:00Z"), Subject: "comp1", Text: "levels"})
	}
	says(t, plainText(t, b, quality(b)), "3 more are left out")
	b = builderOf(shop(map[string]float64{"comp1.observed_time": 604_800}))
	says(t, plainText(t, b, quality(b)), "None of this was found", "not: [gap]")
	b = builderOf(shop(nil))
	says(t, plainText(t, b, quality(b)), "[gap] Nothing to judge", "not: None of this")
}

func TestNarrower(t *testing.T) {
	d := shop(map[string]float64{"comp1.observed_time": 604_800, "main.leak_flow": 0.126})
	leak := &d.Figures.Systems[0].Figures[0]
	leak.Unit, leak.Narrower = "m³/min", &analysis.Narrower{Sentence: "rests on the stores' volume; name all receivers", Uncertainty: 0.0137}
	d.Figures.Machines[0].Figures = append(d.Figures.Machines[0].Figures, analysis.Figure{Name: "condensate", Absent: "no channel for ambient_humidity"}, analysis.Figure{Name: "leak_flow", Absent: analysis.NotOfMachine},
		analysis.Figure{Name: "flow_peak", Absent: "no flow meter"})
	d.Figures.Systems[0].Figures = append(d.Figures.Systems[0].Figures, analysis.Figure{Name: "flow_peak", Absent: "no flow meter"})
	b := builderOf(d)
	// By hand: 0.02 and 0.0137 m³/min are 0.71 and 0.48 cfm.
	says(t, plainText(t, b, narrower(b)), "Rests on the stores' volume; name all receivers.\nsystem main: leaks | 4.45 ± 0.71 cfm | 0.48 cfm", "Condensate of comp1: no channel for ambient_humidity.",
		"Peak flow of comp1 and system main: no flow meter.", "not: "+analysis.NotOfMachine)
	b = builderOf(shop(map[string]float64{"comp1.observed_time": 604_800}))
	says(t, plainText(t, b, narrower(b)), "No figure has an interval wider", "not: could not be told")
	b = builderOf(&Data{Site: d.Site, Figures: analysis.Report{Machines: []analysis.MachineFigures{{Machine: "comp1"}}}})
	if got := narrower(b); got != nil {
		t.Errorf("nothing observed and nothing absent: %v", got)
	}
}

func TestMethods(t *testing.T) {
	d := shop(map[string]float64{"comp1.observed_time": 1, "comp1.energy": 100, "comp1.power_loaded": 34, "main.leak_flow": 0.126})
	long := "by the flow on the nameplate less three and a half in a hundred, weighted by what its uncertainties and those of the volume share"
	for i := range d.Figures.Machines[0].Figures {
		d.Figures.Machines[0].Figures[i].Method = fmt.Sprintf("figure %d; %s; %d ends", i, long, i)
		d.Figures.Machines[0].Figures[i].Inputs = []string{"meter.power"}
	}
	for range 10 {
		d.Figures.Systems[0].Figures[0].Inputs = append(d.Figures.Systems[0].Figures[0].Inputs, "x")
	}
	d.Figures.Systems[0].Figures[0].Method = "quiet demand"
	d.Figures.Machines[0].Figures[1].Budget = []analysis.BudgetPart{{Input: "accuracy of meter, power", Share: 1}}
	d.Figures.Systems[0].Figures[0].Budget = []analysis.BudgetPart{{Input: "volume", Share: 0.75}, {Input: "others", Share: 0.25}}
	b := builderOf(d)
	got := plainText(t, b, methods(b))
	says(t, got, "uncertainty | u² = ", "leaks | quiet demand", "not: voltage unbalance", "Methods and inputs, machines, comp1\n", "\nEnergy | figure ", "[A]; 1 ends", "[A] "+long+".", "Leaks | quiet demand | x, x, x, x, x, x and 4 more, in report.json", "Leaks of main | volume 75 %; others 25 %",
		"Accuracy of meter, power alone makes the interval of: ")
	if strings.Count(got, long) != 1 {
		t.Errorf("the clause stands more than once:\n%s", got)
	}
	b = builderOf(shop(nil))
	says(t, plainText(t, b, methods(b)), "[gap] No figure to explain", "not: Methods and inputs")
}

// TestFolded: what three texts say alike in fourteen words becomes a note, and nothing is
// lost: putting the notes back gives the texts.
func TestFolded(t *testing.T) {
	clause := "one two, three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen"
	texts := []string{"a " + clause + ", b", clause + "; c", "d " + clause, "short", "a " + strings.Join(strings.Fields(clause)[:10], " ")}
	short, notes := folded(texts)
	if len(notes) != 1 || short[0] != "a [A], b" || short[2] != "d [A]" || short[3] != "short" {
		t.Fatalf("got %q, notes %q", short, notes)
	}
	for i := range short {
		if back := strings.ReplaceAll(short[i], "[A]", strings.TrimSuffix(strings.TrimPrefix(notes[0], "[A] "), ".")); back != texts[i] {
			t.Errorf("back: %q, was %q", back, texts[i])
		}
	}
	if short, notes := folded(nil); len(short)+len(notes) != 0 {
		t.Error("something of nothing")
	}
}

func TestCautions(t *testing.T) {
	d := shop(map[string]float64{"comp1.observed_time": 1})
	standby, residual := 6160.0, 150.0
	d.Figures.Machines[0].Figures = append(d.Figures.Machines[0].Figures, analysis.Figure{Name: "standby_time", Value: &standby, Unit: "s"}, analysis.Figure{Name: "sump_pressure_residual", Value: &residual, Unit: "kPa"})
	d.Site.Systems[0].Parts = []sitefile.Part{{Name: "receiver", Kind: "receiver"}}
	b := builderOf(d)
	b.doc.Findings = []Finding{{Caution: "lower it in small steps"}, {Caution: "lower it in small steps"}}
	got := plainText(t, b, cautions(b))
	says(t, got, "Local codes, the makers' instructions and licensed people decide", "comp1 stood for 1 h 42 min 40 s ready", "The sump of comp1 keeps 21.7", "Receivers hold", "Lower it in small steps.", "not: power failure")
	if strings.Count(got, "Lower it") != 1 {
		t.Errorf("a caution twice:\n%s", got)
	}
	b = builderOf(shop(nil))
	says(t, plainText(t, b, cautions(b)), "Safety valves", "not: In this plant", "not: Of the changes")
}

func TestEvidence(t *testing.T) {
	b := builderOf(shop(nil))
	says(t, plainText(t, b, evidence(b)), "[gap] No checkpoint", "turn of the hour", "SHA-256 over all of them: 5f0c", "site.toml: SHA-256 abcd", "not: Leaves", "not: makes the report again")
	b.doc.Made.Checkpoint, b.doc.Made.Size, b.doc.Made.Key, b.doc.Made.Root, b.doc.Made.CoversTo = "loadscribe/7f\n510\n", 510, "f896 7e95", "4AdD=", "2026-03-08T23:00:00Z"
	b.doc.Made.Uncovered, b.doc.Made.Command = "the last hour is not sealed yet", "loadscribe report --site site.toml"
	says(t, plainText(t, b, evidence(b)), "Leaves under the checkpoint: 510", "f896 7e95", "loadscribe/7f\n510", "Last reading under it: Sun 8 Mar 2026 23:00 UTC", "[gap] Not all of the period is under the checkpoint", "The last hour is not sealed yet.",
		"loadscribe report --site site.toml", "not: No checkpoint")
}
