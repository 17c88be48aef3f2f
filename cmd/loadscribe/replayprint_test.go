package main

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

func amountOf(v, half float64) replay.Amount {
	if half == 0 {
		return replay.Amount{Value: &v}
	}
	return replay.Amount{Value: &v, Interval: &half}
}

// printedReplay is an answer made by hand: 1200 kWh measured, 1206 replayed, and a
// band that takes 45 kWh less.
func printedReplay() replay.Answer {
	outcome := func(kWh, half, lowestPa float64) replay.Outcome {
		loads, none := amountOf(2400, 60), 0.0
		loads.Note = "chaotic here: the timer is near the cycle's length"
		return replay.Outcome{Energy: amountOf(kWh, half), Cost: amountOf(kWh*0.118, half*0.118), DemandCost: amountOf(0, 0), Emissions: amountOf(kWh*0.39, half*0.39),
			Starts: amountOf(12, 0), StartsHourMax: amountOf(2, 0), Loads: loads, LoadsHour: amountOf(20.2, 0.5), LowestPa: amountOf(lowestPa, 9e3), MeanPa: amountOf(7.58e5, 0),
			BelowS: amountOf(75, 0), SpecificPower: amountOf(420_000, 21_000), ShortM3: &none,
			Machines: []replay.MachineOutcome{{Machine: "comp1", EnergyKWh: kWh, StateKWh: map[string]float64{"loaded": kWh - 200, "unloaded": 200},
				StateS: map[string]float64{"loaded": 97_200, "unloaded": 54_000, "stopped": 453_600}, Starts: 12, Loads: 2400}}}
	}
	at := time.Date(2026, time.March, 2, 6, 0, 0, 0, time.UTC)
	stamp := func(t time.Time) string { return t.Format("2006-01-02T15:04:05.000Z") }
	a := replay.Answer{System: "main", From: stamp(at), To: stamp(at.AddDate(0, 0, 7)), Coverage: 0.998, Resolution: "not resolvable below 39 s", Currency: "USD",
		Measured: outcome(1200, 24, 6.9e5), Present: outcome(1206, 24, 6.85e5), Method: "events between steps of the demand",
		Fit: replay.Fit{EnergyShare: 0.005, Starts: -1, Loads: 0.02, LowestOffPa: -5e3, PressureRMSPa: 4e3, Words: "The replay takes 0.5 % more energy than was measured."},
		Calibrated: []replay.Calibrated{{Machine: "comp1", Name: "unloaded power", Value: 12, Uncertainty: 0.4, Unit: "kW", Basis: "of 310 unloads that settled"},
			{Machine: "comp1", Name: "power over pressure", Value: 7e-7, Uncertainty: 2e-7, Unit: "1/Pa", Basis: "its slope"}},
		Inputs: []string{"meter.power", "rated flow (assumed)"}}
	a.Present.Trace = []replay.TracePoint{{AtMS: at.UnixMilli(), Pa: 7e5, States: []string{"loaded"}, Gap: true}, {AtMS: at.UnixMilli() + 1500, Pa: 7.1e5, States: []string{"unloaded"}}}
	other := outcome(1161, 24, 6.9e5)
	other.MeanPa = amountOf(7.58e5, 1e-3) // too sure to be told
	missing := 3.0
	other.ShortS, other.ShortM3 = 40, &missing
	other.Machines = append(other.Machines, replay.MachineOutcome{Machine: "comp2"})
	other.Trace = []replay.TracePoint{{AtMS: at.UnixMilli(), Pa: 7e5, States: []string{"loaded", "stopped"}}}
	a.Results = []replay.Result{{Name: "narrower, lower", Set: []replay.Setting{{Key: "comp1.cut_out", Value: "112 psi"}}, Flags: "--set 'comp1.cut_out=112 psi'", Outcome: other,
		SavedKWh: amountOf(45, 12), SavedShare: amountOf(0.0375, 0.01), SavedCost: amountOf(5.31, 1.4), SavedKg: amountOf(17.6, 4.7), SavedYear: amountOf(265, 70),
		AssumesYear: "50 weeks like this one", Budget: []analysis.BudgetPart{{Input: "meter.power accuracy", Share: 0.8}, {Input: "others", Share: 0.2}},
		Remarks: []string{"regulated share assumed", replay.ShortOfAir + ": for 1 min"}, Cautions: []string{"the band is a setting of the controller: the maker, local codes and licensed people decide"}},
		{Name: "a machine twice the size", Absent: "no flow information: give rated_flow", Set: []replay.Setting{}}}
	return a
}

// What people read: measured against replayed first, no line over 100 columns.
func TestPrintReplay(t *testing.T) {
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	site := &sitefile.Site{Name: "Harrow Lane Joinery", Units: quantity.US, Location: zone}
	a := printedReplay()
	show := func() string {
		t.Helper()
		var out strings.Builder
		if err := printReplay(&out, &a, site); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	text := show()
	last := 0
	for _, want := range []string{
		"Harrow Lane Joinery, system main",
		"Mon 2026-03-02 00:00:00 CST to Mon 2026-03-09 01:00:00 CDT, 99.8 % of it replayed", // clocks go forward on the 8th
		"measured, and replayed with the present settings",
		"measured                 replayed  off",
		"energy                      1200 ± 24 kWh            1206 kWh  +0.5 %",
		"starts                      12                       11        -1",
		"load cycles                 2400 ± 60 (1)            2448      +2.0 %",
		"lowest pressure             100.1 ± 1.3 psi          99.4 psi  -0.7 psi",
		"below minimum pressure      1 min 15 s",
		"power for air               19.82 ± 0.99 kW/100 cfm",
		"0.6 psi (rms)",
		"(1) chaotic here: the timer is near the cycle's length",
		"The replay takes 0.5 % more energy than was measured.",
		"comp1: loaded 27 h with 1000 kWh; unloaded 15 h with 200.0 kWh; stopped 126 h",
		"alternative 1: narrower, lower",
		"comp1.cut_out = 112 psi",
		"SHORT OF AIR: for 1 min",
		"saves 45 ± 12 kWh, 3.8 ± 1.0 % of the energy; 5.3 ± 1.4 USD; 17.6 ± 4.7 kg, over what was replayed",
		"in a year 265 ± 70 USD (50 weeks like this one)",
		"regulated share assumed",
		"CAUTION: the band is a setting of the controller",
		"present settings         this alternative         change",
		"time short of air           0 s                      40 s                     +40 s",
		"air that was short          0 ft³                    105.9 ft³                +106 ft³", "comp2: never used",
		"the interval of the saving comes from: meter.power accuracy 80 %, others 20 %",
		"the same again: --set 'comp1.cut_out=112 psi'",
		"alternative 2: a machine twice the size",
		"cannot be told: no flow information: give rated_flow",
		"the demand: not resolvable below 39 s",
		"comp1, unloaded power: 12.00 ± 0.40 kW; of 310 unloads that settled", "comp1, power over pressure: 0.48 ± 0.14 % each psi; its slope",
		"events between steps of the demand",
		"meter.power, rated flow (assumed)",
	} {
		i := strings.Index(text[last:], want)
		if i < 0 {
			t.Errorf("%q is not there, or too early", want)
			continue
		}
		last += i
	}
	if strings.Contains(text, "of this for demand") || strings.Contains(text, "CAUTION: THE REPLAY") {
		t.Errorf("a row of nothing, or a caution without a cause")
	}
	for line := range strings.Lines(text) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > replayColumns {
			t.Errorf("%d columns: %q", n, line)
		}
	}
	if t.Failed() {
		t.Logf("\n%s", text)
	}

	a.Fit.Poor, a.Remarks = true, []string{a.Fit.Words}
	a.Results[0].SavedKWh = amountOf(-8, 12)
	a.Results = a.Results[:1]
	if text := show(); strings.Index(text, "CAUTION: THE REPLAY DOES NOT MEET") > strings.Index(text, "measured, and") ||
		strings.Contains(text, "It takes MORE") || strings.Count(text, a.Fit.Words) != 1 {
		t.Errorf("a poor replay that saves nothing:\n%s", text)
	}
	a.Results[0].SavedKWh = amountOf(-80, 12)
	if text := show(); !strings.Contains(text, "It takes MORE") {
		t.Errorf("an alternative that costs more:\n%s", text)
	}
	point := a.Results[0]
	price, years := 2400.0, 9.05
	a.Search = &replay.Front{Tried: 225, Impossible: 9, Example: "comp1.cut_in is above comp1.cut_out", Broke: []replay.Broken{{Limit: "starts_per_hour", Count: 41}, {Limit: "budget", Count: 0}}, Allowed: 175, Best: 14,
		Points: []replay.FrontPoint{{Result: point, Price: &price, PaybackYears: &years, Alike: 3}}, Remarks: []string{"the settings as they are break a limit themselves"}, Method: "every combination is played"}
	text = show()
	last = 0
	for _, want := range []string{"225 combinations tried, 9 of them impossible (comp1.cut_in is above comp1.cut_out); 175 keep", "limits broken: starts_per_hour 41", "no other beats: 14, of which 1 are shown",
		"energy kWh  saved kWh  starts  lowest           cycles/h      price USD  pays back",
		"1  1161 ± 24   -80 ± 12   12      100.1 ± 1.3 psi  20.20 ± 0.50  2400       9.1 years", "1: --set 'comp1.cut_out=112 psi' (and 3 more that come to the same)",
		"CAUTION: the band is a setting", "regulated share assumed", "the settings as they are break a limit", "every combination is played"} {
		i := strings.Index(text[last:], want)
		if i < 0 {
			t.Errorf("of a search, %q is not there, or too early:\n%s", want, text)
			continue
		}
		last += i
	}
	a.Search = &replay.Front{Tried: 4, Absent: "no combination keeps every limit", Points: []replay.FrontPoint{}}
	if text := show(); !strings.Contains(text, "no combination keeps every limit") {
		t.Errorf("a search that finds nothing:\n%s", text)
	}
	a.Absent = "no flow meter and no rated flow: give rated_flow"
	if text := show(); !strings.Contains(text, "Nothing can be replayed: no flow meter") || strings.Contains(text, "alternative") {
		t.Errorf("nothing to replay:\n%s", text)
	}
}

// TestReplayTellsAMethodOnce: a long basis of the demand is not printed again with the
// method, and a state of no time and next to no energy is none.
func TestReplayTellsAMethodOnce(t *testing.T) {
	a := printedReplay()
	basis := "air of the machines by state, delay and full-load flow, less what the stores took"
	a.Calibrated = append(a.Calibrated, replay.Calibrated{Name: "mean demand", Value: 0.0125, Uncertainty: 0.001, Unit: "m³/s", Basis: basis})
	a.Method = "the demand of each minute, by " + basis + "; played event by event"
	m := &a.Measured.Machines[0]
	m.StateS["unobserved"], m.StateKWh["unobserved"] = 0.2, 0.01
	var out strings.Builder
	if err := printReplay(&out, &a, &sitefile.Site{Units: quantity.US, Location: time.UTC}); err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(out.String()), " ")
	if strings.Count(text, basis) != 1 || !strings.Contains(text, "by what is told above of the mean demand; played event by event") || strings.Contains(text, "unobserved") {
		t.Errorf("%s", text)
	}
}

func TestReplayTrace(t *testing.T) {
	a := printedReplay()
	var out strings.Builder
	if err := writeReplayTrace(&out, &a, &sitefile.Site{Units: quantity.SI}); err != nil {
		t.Fatal(err)
	}
	want := strings.Join([]string{"run,time,pressure [bar],gap,comp1,comp2", "present settings,2026-03-02T06:00:00.000Z,7.000,1,loaded,",
		"present settings,2026-03-02T06:00:01.500Z,7.100,0,unloaded,", `"narrower, lower",2026-03-02T06:00:00.000Z,7.000,0,loaded,stopped`, ""}, "\r\n")
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}
