package agent

import (
	"errors"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/replay"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// reportShop records a minute loaded and a minute unloaded in turn, so many seconds from
// testStartMS on.
func reportShop(t *testing.T, seconds int64) (rec *Recorder, clock *manualClock) {
	t.Helper()
	clock = &manualClock{wall: testStartMS}
	rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), historySite, meterMap), Options{Clock: clock})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := rec.Close(); err != nil {
			t.Error(err)
		}
	})
	for s := range seconds {
		clock.advance(1000)
		counts := int64(300)
		if s%120 >= 60 {
			counts = 90
		}
		one := scan.Scan{Group: rec.Groups()[0], MonoMS: clock.mono, WallMS: clock.wall, Values: []int64{counts}}
		if err := rec.Append([]scan.Scan{one}); err != nil {
			t.Fatal(err)
		}
	}
	return rec, clock
}

// TestReportRefusesAChangedPast: a report as of a time is refused once anything has
// changed what was recorded before it, and only then.
func TestReportRefusesAChangedPast(t *testing.T) {
	at := Stamp(testStartMS + 601_000).String()
	for _, tt := range []struct {
		kind    string
		refused bool
	}{
		{analysis.LevelsEvent, true}, {store.KindImport, true}, {store.KindImportUndone, true}, {kindAligned, true},
		{"clock_set", true}, {store.KindRawDropped, true}, {"data_damaged", true},
		{kindNote, false}, {"device_down", false}, {"agent_started", false},
	} {
		rec, clock := reportShop(t, 600)
		h := rec.history
		ask := ReportRequest{From: Stamp(testStartMS).String(), To: "now", MadeAt: at}
		event := func(text string) {
			clock.advance(2000)
			if _, err := h.store.AppendEvent(store.Event{Kind: tt.kind, Subject: "m", WallMS: clock.wall, Text: text}); err != nil {
				t.Fatal(err)
			}
		}
		event("known then") // at 602 s
		ask.MadeAt = Stamp(clock.wall).String()
		if _, err := h.Report(t.Context(), ask, nil); err != nil {
			t.Errorf("%s before: %v", tt.kind, err)
		}
		event("came later")
		_, err := h.Report(t.Context(), ask, nil)
		wrong := (*FieldError)(nil)
		if refused := errors.As(err, &wrong); refused != tt.refused || refused && (wrong.Field != "made_at" || !strings.Contains(wrong.Message, tt.kind) || !strings.Contains(wrong.Message, "came later")) {
			t.Errorf("%s after: %v, want it refused: %v", tt.kind, err, tt.refused)
		}
		ask.MadeAt = ""
		if _, err := h.Report(t.Context(), ask, nil); err != nil {
			t.Errorf("%s, of the present: %v", tt.kind, err)
		}
	}
}

// TestReportOfTheFuture: nobody knows what will be recorded, be it in half a minute.
func TestReportOfTheFuture(t *testing.T) {
	rec, clock := reportShop(t, 60)
	_, err := rec.history.Report(t.Context(), ReportRequest{MadeAt: Stamp(clock.wall + 30_000).String()}, nil)
	if wrong := (*FieldError)(nil); !errors.As(err, &wrong) || wrong.Field != "made_at" || !strings.Contains(wrong.Message, "future") {
		t.Errorf("%v", err)
	}
}

// TestReportOverAClockSetLate: the agent begins with a clock of 1970, which is
// set; the readings before have other times since.
func TestReportOverAClockSetLate(t *testing.T) {
	r := &lateRun{t: t, dir: t.TempDir()}
	r.begin(testStartMS)
	defer r.stop()
	r.record(120)
	r.set()
	r.record(120)
	for _, tt := range []struct {
		at      int64 // seconds after testStartMS
		refused bool
	}{{60, true}, {240, false}} {
		_, err := r.a.Report(t.Context(), ReportRequest{MadeAt: Stamp(testStartMS + tt.at*1000).String()}, nil)
		if wrong := (*FieldError)(nil); errors.As(err, &wrong) != tt.refused || !tt.refused && err != nil {
			t.Errorf("as of %d s: %v, want it refused: %v", tt.at, err, tt.refused)
		}
	}
}

// TestReportGapsAndTheClock: a clock that is set forward leaves labels out, not time; a
// silence beside it is told at its true length.
func TestReportGapsAndTheClock(t *testing.T) {
	for name, tt := range map[string]struct {
		silentTo int64 // from second 300 on nothing is recorded
		forward  int64 // the clock is set forward after it
		gaps     []float64
	}{
		"a silence":            {600, 0, []float64{301}},
		"an hour forward":      {300, 3600, nil},
		"both":                 {600, 3600, []float64{301}},
		"an hour back":         {300, -3600, nil},
		"back, and a silence":  {600, -60, []float64{241}},
		"a little, as of NTP":  {300, 1, nil},
		"all of it in a while": {302, 0, nil},
	} {
		clock := &manualClock{wall: testStartMS}
		rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), historySite, meterMap), Options{Clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		for s := range int64(900) {
			wall := clock.wall + s*1000
			if s >= tt.silentTo {
				wall += tt.forward * 1000
			} else if s >= 300 {
				continue
			}
			if err := rec.Append([]scan.Scan{{Group: rec.Groups()[0], MonoMS: s * 1000, WallMS: wall, Values: []int64{300}}}); err != nil {
				t.Fatal(err)
			}
		}
		clock.advance(2 * time.Hour.Milliseconds())
		doc, err := rec.history.Report(t.Context(), ReportRequest{From: Stamp(testStartMS).String(), To: "now"}, nil)
		if err != nil {
			t.Fatal(err)
		}
		var got []float64
		for _, g := range doc.Data.Gaps {
			got = append(got, g.ForS)
		}
		if len(got) != len(tt.gaps) || len(got) > 0 && got[0] != tt.gaps[0] {
			t.Errorf("%s: gaps of %v s, want %v: %+v", name, got, tt.gaps, doc.Data.Gaps)
		}
		if err := rec.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestReportNamesItsInputs: the command that makes a report again names files for the
// alternatives and machines that were given, and for no others.
func TestReportNamesItsInputs(t *testing.T) {
	rec, _ := reportShop(t, 300)
	changes := []replay.Alternative{{Name: "leaks", Set: []replay.Setting{{Key: "leaks_mended", Value: "50 %"}}}}
	machines := []replay.Listed{}
	for _, tt := range []struct {
		inputs  ReportInputs
		changes []replay.Alternative
		says    string // empty: no --changes
	}{
		{ReportInputs{}, nil, ""},
		{ReportInputs{Changes: "c.toml", Machines: "m.toml"}, nil, ""},
		{ReportInputs{Changes: "my c.toml"}, changes, " --changes 'my c.toml' "},
		{ReportInputs{}, changes, " --changes changes.toml "},
	} {
		doc, err := rec.history.Report(t.Context(), ReportRequest{Inputs: tt.inputs, Alternatives: tt.changes, Machines: machines}, nil)
		if err != nil {
			t.Errorf("%+v: %v", tt.inputs, err)
			continue
		}
		if c := doc.Made.Command; strings.Contains(c, "--machines") || strings.Contains(c, "--changes") != (tt.says != "") || !strings.Contains(c, tt.says) {
			t.Errorf("%+v, %d alternatives: %s", tt.inputs, len(tt.changes), c)
		}
	}
	for _, name := range []string{"a\nb", "a\x1b[31m", "\u202egpj", strings.Repeat("x", 256)} {
		_, err := rec.history.Report(t.Context(), ReportRequest{Inputs: ReportInputs{Machines: name}}, nil)
		if wrong := (*FieldError)(nil); !errors.As(err, &wrong) || wrong.Field != "inputs.machines" {
			t.Errorf("%q: %v", name, err)
		}
	}
}
