package analysis

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// changedFilter is a plant that is read every five minutes, loaded throughout, at
// 36.0 kW until noon of the ninth day and at 34.2 kW since; the record begins on
// a Monday at 00:00 UTC and ends after 18 days.
func changedFilter(t *testing.T) (*sitefile.Site, *memory, int64) {
	t.Helper()
	const every = 5 * time.Minute
	site := plant(t)
	for i := range site.Devices {
		site.Devices[i].Every = every
		for j := range site.Devices[i].Map.Channels {
			site.Devices[i].Map.Channels[j].Every = every
		}
	}
	tp, at, energy := newTape(site, monday), int64(8*dayMS+dayMS/2), 0.0
	for ms := int64(0); ms <= 18*dayMS; ms += every.Milliseconds() {
		p := int64(360)
		if ms >= at {
			p = 342
		}
		tp.add("controller", ms, 1, 1, 0, 0, 6500, 41)
		tp.add("meter", ms, p, int64(energy*10)%65536)
		energy += float64(p) / 10 / 12
	}
	return site, fold(site, tp.scans), monday + at
}

// TestServiceEffect: worked by hand. Of the rated 6 m³/min a machine gives 96.5 %
// (the middle of -12 to +5 %, as airflow.go takes it): 36.0 kW for 5.79 m³/min are
// 6.2176, 34.2 kW 5.9067: 0.3109 less; flow and meter are the same on both sides. The weeks are whole local days on either
// side of the day of the service, which belongs to neither.
func TestServiceEffect(t *testing.T) {
	site, src, at := changedFilter(t)
	mark := ServiceDone{Machine: "comp1", Item: "air filter", AtMS: at, Note: 7, Found: "grey with dust"}
	oil := ServiceDone{Machine: "comp1", Item: "oil", AtMS: at + dayMS, Note: 8}
	far := ServiceDone{Machine: "comp1", Item: "belt", AtMS: at - 20*dayMS, Note: 6}
	ask := ServiceEffectQuery{Mark: mark, Days: 7, Others: []ServiceDone{far, mark, oil}, RecordFromMS: monday, NowMS: monday + 18*dayMS}
	e, err := ServiceEffectOf(src, site, ask)
	if err != nil {
		t.Fatal(err)
	}
	if e.Days != 7 || e.Absent != "" || e.Periods == nil || e.Found != mark.Found {
		t.Fatalf("%d days, absent %q: %+v", e.Days, e.Absent, e)
	}
	if got, want := []string{e.Periods.First.From, e.Periods.First.To, e.Periods.Second.From, e.Periods.Second.To},
		[]string{stamp(monday + dayMS), stamp(monday + 8*dayMS), stamp(monday + 9*dayMS), stamp(monday + 16*dayMS)}; !slices.Equal(got, want) {
		t.Errorf("periods %v, want %v", got, want)
	}
	if len(e.Moves) != len(ServiceMoves("air filter")) {
		t.Fatalf("%d moves", len(e.Moves))
	}
	m := e.Moves[0]
	if m.Figure != "specific_power_loaded" || m.Row == nil || m.Judged != "lower as it should be, "+moreThanWrong {
		t.Fatalf("%+v", m)
	}
	if r := e.Periods.Rows[*m.Row]; r.Name != m.Figure || math.Abs(*r.Difference.Value+0.3109) > 0.0005 || !r.Told {
		t.Errorf("%s", asJSON(t, r))
	}
	if e.Sentence != "Of 3 known figures that the service “air filter” should move, one differs by more than we can be wrong by." {
		t.Errorf("sentence %q", e.Sentence)
	}
	if told := strings.Join(e.Remarks, "\n"); !strings.Contains(told, "cannot be told apart: oil") || strings.Contains(told, "belt") {
		t.Errorf("remarks:\n%s", told)
	}
}

// TestServiceEffectDays: as many whole days on one side as on the other, as far as
// record and present reach.
func TestServiceEffectDays(t *testing.T) {
	site, src, at := changedFilter(t)
	for _, tt := range []struct {
		name       string
		at, now    int64
		asked, got int
		absent     string
	}{
		{"the present cuts", at, at + 3*dayMS, 7, 2, ""},
		{"the record cuts", monday + 3*dayMS + 1, monday + 18*dayMS, 7, 3, ""},
		{"the same day", at, at + hourMS, 7, 0, "no whole day has passed"},
		{"before the record", monday - 5*dayMS, monday + 18*dayMS, 7, 0, "no whole day before"},
		{"the first day", monday + hourMS, monday + 18*dayMS, 7, 0, "no whole day before"},
	} {
		e, err := ServiceEffectOf(src, site, ServiceEffectQuery{Mark: ServiceDone{Machine: "comp1", Item: "oil", AtMS: tt.at, Note: 1}, Days: tt.asked, RecordFromMS: monday, NowMS: tt.now})
		if err != nil {
			t.Fatal(err)
		}
		if e.Days != tt.got || !strings.Contains(e.Absent, tt.absent) || (e.Absent == "") != (tt.absent == "") || (e.Periods == nil) != (tt.got == 0) {
			t.Errorf("%s: %d days, absent %q; want %d, %q", tt.name, e.Days, e.Absent, tt.got, tt.absent)
		}
		if tt.got > 0 && !slices.ContainsFunc(e.Remarks, func(r string) bool { return strings.Contains(r, "not the 7 that were asked for") }) {
			t.Errorf("%s: %v do not say that days are missing", tt.name, e.Remarks)
		}
	}
}

// TestServiceMoves: every figure that a service is said to move is one of ours, and
// an item is found by its own word before a wider one.
func TestServiceMoves(t *testing.T) {
	names := figureNames()
	for _, s := range serviceMoves {
		for _, m := range s.moves {
			if !slices.Contains(names, m.Figure) || m.Why == "" || m.Way != "" && m.Way != lower && m.Way != higher {
				t.Errorf("%v: %+v", s.words, m)
			}
		}
	}
	for item, want := range map[string]string{"Oil separator": "separator_drop", "oil filter": "discharge_temperature_max", "oil": "discharge_temperature_max",
		"Air filter": "specific_power_loaded", "line filter": "filter_drop", "aftercooler cleaning": "approach_temperature", "leak round": "leak_flow", "hoses": "specific_power_loaded"} {
		if got := ServiceMoves(item)[0].Figure; got != want {
			t.Errorf("%s moves %s first, want %s", item, got, want)
		}
	}
}

// TestServiceEffectOfLeaks: what only a system has is compared of the system.
func TestServiceEffectOfLeaks(t *testing.T) {
	site, src, at := changedFilter(t)
	e, err := ServiceEffectOf(src, site, ServiceEffectQuery{Mark: ServiceDone{Machine: "comp1", Item: "leaks mended", AtMS: at, Note: 1}, Days: 2, RecordFromMS: monday, NowMS: monday + 18*dayMS})
	if err != nil {
		t.Fatal(err)
	}
	if e.Periods.Kind != "system" || e.Moves[2].Figure != "energy" || e.Moves[2].Row == nil {
		t.Fatalf("%+v", e)
	}
	// Two days of 24 h at 36.0 and 34.2 kW: 43.2 kWh a day less.
	if r := e.Periods.Rows[*e.Moves[2].Row]; math.Abs(*r.Difference.Value+43.2) > 0.5 || !r.Told {
		t.Errorf("%s", asJSON(t, r))
	}
	if e.Moves[0].Absent == "" || e.Moves[0].Row != nil {
		t.Errorf("a plant that never rests has no quiet hours: %+v", e.Moves[0])
	}
}
