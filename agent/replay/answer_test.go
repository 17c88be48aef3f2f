package replay

import (
	"encoding/json"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/gum"
	"loadscribe/agent/replay/engine"
)

// TestVariableSpeedSaves: what a drive saves of a load/unload machine grows as the
// load falls, lies between what the two curves allow (testdata/vectors/part_load.csv:
// power tables within 3 points, textbook to 8 of them), and at a steady full load
// there is none: the drive loses. Up to about 40 % is said to be possible (trade fact,
// common practice, no source); no load here may save more than its curves do.
func TestVariableSpeedSaves(t *testing.T) {
	site := joinery(t)
	last := -100.0
	for _, load := range []struct{ share, least, most float64 }{
		{0.98, -6, 0},
		{0.75, 0, 14}, // of 0.82 (load/unload, no blow-down, U 27 %): 0.75 to 0.78, and the drive's 3 %
		{0.5, 8, 24},  // of 0.635: 0.53 to 0.58
		{0.25, 8, 36}, // of 0.45: 0.32 to 0.40
	} {
		a := try(t, studyOf(t, site, steady(site, load.share)), "comp1.control=variable speed | comp1.target=100 psi | comp1.cut_out=110 psi")
		saved := 100 * *a.Results[0].SavedShare.Value
		if saved < load.least || saved > load.most {
			t.Errorf("at %g of the flow %g %% is saved, want %g to %g", load.share, saved, load.least, load.most)
		}
		if saved <= last {
			t.Errorf("at %g of the flow %g %% is saved, no more than at a higher load (%g)", load.share, saved, last)
		}
		last = saved
		if half := 100 * *a.Results[0].SavedShare.Interval; half < 3 || half > 20 {
			t.Errorf("at %g of the flow its interval is ±%g points, for curves known to 5", load.share, half)
		}
	}
}

// TestTooSmallAMachine: 92 cfm asked of a machine of 56: the shortfall is told in time
// and air, and the pressure collapses to where the machine delivers what still flows.
func TestTooSmallAMachine(t *testing.T) {
	site := joinery(t)
	a := try(t, studyOf(t, site, steady(site, 0.5)), "comp1.replace=screw-15hp")
	r := a.Results[0]
	got := 56 * cfm * (1 + sheetFlow)
	near(t, "air that is missing", *r.Outcome.ShortM3, 86400*(0.5*185*cfm-got), 0.04*86400*got)
	near(t, "time it is short", r.Outcome.ShortS, 86400, 600)
	// Users get what holes let through, in proportion to the absolute pressure, and the
	// machine gives a little more at a lower one.
	want := 0.0
	for range 20 {
		want = (90*psi+atmPa)*got*(1+flowPerPa*(125*psi-want))/(0.5*185*cfm) - atmPa
	}
	near(t, "pressure it falls to", *r.Outcome.LowestPa.Value, want, 0.01*atmPa)
	if !strings.HasPrefix(r.Remarks[0], "SHORT OF AIR: the pressure would lie below what users need for 24.0 h") {
		t.Errorf("remarks: %q", r.Remarks)
	}
}

// TestSharedInputsCancel: the machine's flow, known to 2 %, moves demand and supply
// alike; its part of the energy is a small one, and of a saving that does not rest on
// it next to none.
func TestSharedInputsCancel(t *testing.T) {
	site := joinery(t)
	a := try(t, studyOf(t, site, steady(site, 0.5)), "comp1.cut_in=93 psi | comp1.cut_out=103 psi")
	for _, b := range a.Results[0].Budget {
		if b.Input == "flow" && b.Share > 0.02 {
			t.Errorf("the flow, which both share, brings %.0f %% of the saving's variance", 100*b.Share)
		}
	}
	if half := *a.Results[0].SavedKWh.Interval; half > 0.02**a.Measured.Energy.Value {
		t.Errorf("the saving is known to ±%g kWh of %g", half, *a.Measured.Energy.Value)
	}
}

// TestHolesAreNotPlayed: of a day of which two fifths were not observed, the rest is
// replayed and said to be the rest.
func TestHolesAreNotPlayed(t *testing.T) {
	site := joinery(t)
	rec := steady(site, 0.5)
	var seen []analysis.ReplayMinute
	for i, m := range rec.Minutes {
		if i%100 < 60 {
			seen = append(seen, m)
		}
	}
	share := float64(len(seen)) / float64(len(rec.Minutes))
	rec.Minutes, rec.Coverage = seen, share
	rec.Measured.Energy = rec.Measured.Energy.Scaled(share)
	rec.Measured.ByMachine[0].Loads = int(float64(rec.Measured.ByMachine[0].Loads) * share)
	a := try(t, studyOf(t, site, rec), "volume_add=275 gal")
	near(t, "energy off", a.Fit.EnergyShare, 0, 0.02)
	if !strings.Contains(strings.Join(a.Remarks, "\n"), "39 % of the window was not observed") {
		t.Errorf("remarks: %q", a.Remarks)
	}
}

// TestNothingKnownIsAbsent: where the record says why nothing can be replayed, so does
// the answer, and a setting is refused with it.
func TestNothingKnownIsAbsent(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, analysis.ReplayRecord{System: "main", Absent: "no rated flow"})
	a := try(t, st, "leaks_mended=50 %")
	if a.Absent != "no rated flow" || len(a.Results) != 0 {
		t.Errorf("got %+v", a)
	}
	if _, err := st.Apply(Alternative{}); err == nil || !strings.Contains(err.Error(), "no rated flow") {
		t.Errorf("apply: %v", err)
	}
	rec := steady(site, 0.5)
	rec.LeakAbsent = "no quiet hours"
	if _, err := studyOf(t, site, rec).Apply(Alternative{Set: []Setting{{"leaks_mended", "50 %"}}}); err == nil || !strings.Contains(err.Error(), "no quiet hours") {
		t.Errorf("leaks that are not known: %v", err)
	}
	both := try(t, studyOf(t, site, rec), "leaks_mended=50 %", "volume_add=100 gal")
	if !strings.Contains(both.Results[0].Absent, "no quiet hours") || both.Results[1].Absent != "" || both.Results[1].SavedKWh.Value == nil {
		t.Errorf("one that cannot be told beside one that can: %+v", both.Results)
	}
}

// TestPoorFitIsSaidFirst: a measured energy a tenth above what the model makes is said
// before all else, and widens what is saved.
func TestPoorFitIsSaidFirst(t *testing.T) {
	site := joinery(t)
	good := try(t, studyOf(t, site, steady(site, 0.5)), "comp1.cut_in=93 psi | comp1.cut_out=103 psi")
	rec := steady(site, 0.5)
	rec.Measured.Energy.V *= 1.1
	poor := try(t, studyOf(t, site, rec), "comp1.cut_in=93 psi | comp1.cut_out=103 psi")
	if good.Fit.Poor || !poor.Fit.Poor || !strings.HasPrefix(poor.Fit.Words, "POOR: ") || poor.Remarks[0] != poor.Fit.Words {
		t.Errorf("%v %v, first remark %q", good.Fit, poor.Fit, poor.Remarks[0])
	}
	if wide, narrow := *poor.Results[0].SavedShare.Interval, *good.Results[0].SavedShare.Interval; wide < 1.5*narrow {
		t.Errorf("saved share ±%g where the replay is a tenth off, ±%g where it is not", wide, narrow)
	}
}

// TestStartsNearTheTimerAreChaotic: with a no-load stop as long as the machine rests,
// a little more or less demand decides whether it stops at all, and the answer says
// so; with a timer half as long it always stops.
func TestStartsNearTheTimerAreChaotic(t *testing.T) {
	site := joinery(t)
	rec := steady(site, 0.2)
	for i := range rec.Minutes {
		rec.Minutes[i].OwnU = 0.02 * 185 * cfm
	}
	// It rests for V·Δp/(pa·D) (testdata/vectors/storage.csv).
	rest := rec.Volume.V * 10 * psi / (atmPa * 0.2 * 185 * cfm)
	near(t, "rest", rest, 40, 3)
	a := try(t, studyOf(t, site, rec), "comp1.no_load_stop=40 s", "comp1.no_load_stop=20 s", "comp1.no_load_stop=20 s | comp1.least_between_starts=10 min")
	if !strings.Contains(a.Results[0].Outcome.Starts.Note, "chaotic") {
		t.Errorf("near its rests: %+v ± %v, note %q", *a.Results[0].Outcome.Starts.Value, *a.Results[0].Outcome.Starts.Interval, a.Results[0].Outcome.Starts.Note)
	}
	if !strings.Contains(strings.Join(a.Results[0].Remarks, "\n"), "lies near the time it rests") {
		t.Errorf("remarks: %q", a.Results[0].Remarks)
	}
	if note := a.Results[1].Outcome.Starts.Note; note != "" {
		t.Errorf("far below them: %q", note)
	}
	if !strings.Contains(strings.Join(a.Results[2].Remarks, "\n"), "the starts guard of comp1, 10 min from start to start, would keep it waiting") {
		t.Errorf("a guard that holds the machine back is not told: %q", a.Results[2].Remarks)
	}
	if !strings.Contains(strings.Join(a.Results[1].Remarks, "\n"), "its motor stands 6") {
		t.Errorf("a start a minute is not told: %q", a.Results[1].Remarks)
	}
}

// TestStartsOfAMotorThatIsNotKnown are asked about where there are many, and more than now.
func TestStartsOfAMotorThatIsNotKnown(t *testing.T) {
	site := joinery(t)
	site.Machines[0].Motor.StartsPerHour = 0
	st := studyOf(t, site, steady(site, 0.2))
	for set, want := range map[string]bool{"comp1.no_load_stop=20 s": true, "comp1.no_load_stop=never": false} {
		if got := strings.Join(try(t, st, set).Results[0].Remarks, "\n"); strings.Contains(got, "what its motor stands is not known") != want {
			t.Errorf("%s: remarks %q", set, got)
		}
	}
}

// TestCautions: each kind of change carries its caution and defers to those who decide.
func TestCautions(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.5))
	all := []string{"pressure vessel", "its own wiring", "a machine fewer", "it is the maker's work", "starts an hour", "by a clock or by another", "a lower pressure", "above the rated pressure"}
	for set, want := range map[string][]string{
		"volume_add=100 gal":                                 {"pressure vessel"},
		"comp1.replace=screw-50hp":                           {"its own wiring"},
		"add.b=screw-10hp | comp1.remove=yes":                {"its own wiring", "by a clock or by another"},
		"comp1.control=modulating":                           {"it is the maker's work"},
		"comp1.control=load/unload":                          {},
		"comp1.control=start/stop":                           {"it is the maker's work", "starts an hour"},
		"comp1.no_load_stop=2 min":                           {"starts an hour"},
		"comp1.no_load_stop=never":                           {},
		"comp1.schedule=daily 00:00-24:00":                   {"by a clock or by another"},
		"comp1.cut_in=92 psi":                                {"a lower pressure"},
		"comp1.cut_in=98 psi":                                {"starts an hour"},
		"comp1.cut_in=95 psi":                                {},
		"comp1.cut_in=118 psi | comp1.cut_out=130 psi":       {"above the rated pressure"},
		"comp1.control=variable speed | comp1.target=97 psi": {"it is the maker's work"},
		"comp1.control=variable speed | comp1.target=80 psi": {"it is the maker's work", "a lower pressure"},
		"leaks_mended=10 %":                                  {},
		"user.x=+5 cfm":                                      {},
	} {
		got := try(t, st, set).Results[0].Cautions
		for _, words := range all {
			fired := slices.ContainsFunc(got, func(c string) bool { return strings.Contains(c, words) })
			if fired != slices.Contains(want, words) {
				t.Errorf("%s: caution %q given is %v; all: %q", set, words, fired, got)
			}
		}
	}
}

func TestAirIsToldInWholeNumbers(t *testing.T) {
	st := studyOf(t, joinery(t), steady(joinery(t), 0.5))
	for m3, want := range map[float64]string{1637: "57810 ft³", 1: "35.3 ft³"} {
		if got := st.air(m3); got != want {
			t.Errorf("%g m³: %s, want %s", m3, got, want)
		}
	}
}

// TestSavedThatIsNotThere: who leaves more air than was taken saves what was there, and
// that is said.
func TestSavedThatIsNotThere(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.5))
	const words = "what is not there is not saved"
	for set, want := range map[string]bool{"user.x=-500 cfm": true, "user.x=-10 cfm": false, "user.x=+10 cfm": false} {
		if got := strings.Join(try(t, st, set).Results[0].Remarks, "\n"); strings.Contains(got, words) != want {
			t.Errorf("%s: remarks %q", set, got)
		}
	}
	// 92.5 cfm are taken, of which 20 at 100 psi leak: all but those.
	if got := strings.Join(try(t, st, "user.x=-145 cfm").Results[0].Remarks, "\n"); !strings.Contains(got, "only 50 %") {
		t.Errorf("half of it: remarks %q", got)
	}
}

// TestSameQuestionSameAnswer to the last bit, whatever the number of cores.
func TestSameQuestionSameAnswer(t *testing.T) {
	site := joinery(t)
	ask := func(cores int) string {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cores))
		rec := steady(site, 0.4)
		rec.Volume = gum.New(rec.Volume.V, 0.05, "volume")
		text, err := json.Marshal(try(t, studyOf(t, site, rec), "volume_add=100 gal", "comp1.control=variable speed"))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	if one, four := ask(1), ask(4); one != four {
		t.Errorf("one core\n%s\nfour\n%s", one, four)
	}
}

// TestMoreStorageGoesToTheLine: with blow-down, load/unload power falls monotonically
// towards the line P = U + (1-U)·C as storage grows, and stays above it
// (testdata/vectors/part_load.csv, shape from memory).
func TestMoreStorageGoesToTheLine(t *testing.T) {
	site := joinery(t)
	rec := steady(site, 0.5)
	m := &rec.Machines[0]
	m.UnloadStartPower, m.BlowDownS, m.DelayS, m.DelayPower = gum.Exact(25e3), gum.Exact(15), gum.Exact(2), gum.Exact(25e3)
	rec.Measured.Energy = gum.Value{}
	rec.Measured.EnergyBasis = "not read"
	a := try(t, studyOf(t, site, rec), "volume=185 gal", "volume=555 gal", "volume=925 gal", "volume=1850 gal", "volume=40000 gal")
	line := 24 * (37 + 10) / 2.0
	last := math.Inf(1)
	for _, r := range a.Results {
		kwh := *r.Outcome.Energy.Value
		if kwh >= last || kwh < line*0.995 {
			t.Errorf("%s: %g kWh, after %g with less; the line is %g", r.Name, kwh, last, line)
		}
		last = kwh
	}
	near(t, "endless storage", last, line, 0.02*line)
}

// TestShortnessThatIsThereAnyway: after a trip the stores stand empty with any setting. A
// few minutes more of it, as a larger receiver takes to fill, are no shortness of that
// setting; a half more is.
func TestShortnessThatIsThereAnyway(t *testing.T) {
	site := joinery(t)
	st := studyOf(t, site, steady(site, 0.5))
	as := func(shortS, shortM3 float64) *plays {
		return &plays{result: &engine.Result{ShortS: shortS, ShortM3: shortM3, Machines: make([]engine.MachineResult, len(st.base.units))}}
	}
	e := &evaluation{st: st, present: as(1388, 34)}
	for _, c := range []struct {
		shortS, shortM3 float64
		told            bool
	}{{1528, 20, false}, {1404, 36, false}, {2082, 34, true}, {1388, 51, true}} {
		said := strings.Join(e.remarksOf(&st.base, as(c.shortS, c.shortM3), gum.Exact(0)), "\n")
		if strings.Contains(said, ShortOfAir) != c.told {
			t.Errorf("%+v: %q", c, said)
		}
	}
}

// TestTheTargetIsTold: a drive that is put in without a target holds a fifth of the
// band above the cut-in, and the answer says so; one that was set is not told again.
func TestTheTargetIsTold(t *testing.T) {
	site := joinery(t)
	a := try(t, studyOf(t, site, steady(site, 0.5)), "comp1.replace=drive-50hp", "comp1.replace=drive-50hp | comp1.target=100 psi")
	said := func(i int) bool {
		return strings.Contains(strings.Join(a.Results[i].Remarks, "\n"), "comp1: no target was set: it holds 97.0 psi")
	}
	if !said(0) || said(1) {
		t.Errorf("%q\n%q", a.Results[0].Remarks, a.Results[1].Remarks)
	}
}
