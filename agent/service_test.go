package agent

import (
	"errors"
	"strings"
	"testing"
	"time"
)

// TestServiceNotes: what was done is written down as a note; a wrong one is put
// right or taken back by a later one, and never deleted.
func TestServiceNotes(t *testing.T) {
	dir := t.TempDir()
	text := strings.Replace(historySite, `name = "m"`, `name = "m"
service = [{ item = "oil", hours = 4000, months = 12 }, { item = "oil filter", hours = 2000 }]`, 1)
	site := loadTestSite(t, dir, text, historyMap)
	rec, err := OpenRecorder(site, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	h := rec.history
	now := time.UnixMilli(testStartMS)
	meter := 1200.5
	add := func(n Note) uint64 {
		t.Helper()
		e, err := h.addNote(n, now)
		if err != nil {
			t.Fatalf("%+v: %v", n, err)
		}
		return e.Seq
	}
	held := func() map[string]uint64 {
		t.Helper()
		machines, err := h.service(now)
		if err != nil {
			t.Fatal(err)
		}
		notes := map[string]uint64{}
		for _, it := range machines[0].Items {
			if notes[it.Item] = it.Note; it.Note != 0 && it.Done == "" {
				t.Errorf("%+v has a note and no day", it)
			}
		}
		return notes
	}
	first := add(Note{Text: "changed", Service: "oil", HourMeter: &meter, Time: "-3d", Found: "dark, no water", Author: "R. Vale"})
	if got := held(); got["oil"] != first || got["oil filter"] != 0 {
		t.Errorf("%v, want oil by note %d", got, first)
	}
	// It was the filter: the new note stands for the old one, meter and day too.
	second := add(Note{Text: "it was the filter", Service: "oil filter", Corrects: first})
	done, err := h.serviceDone()
	if err != nil {
		t.Fatal(err)
	}
	if len(done) != 1 || done[0].Item != "oil filter" || done[0].Machine != "m" || done[0].HourMeter == nil || *done[0].HourMeter != meter ||
		done[0].AtMS != testStartMS-3*24*3_600_000 || done[0].Note != second ||
		done[0].Found != "dark, no water" || done[0].Text != "it was the filter" {
		t.Errorf("%+v", done)
	}
	third := add(Note{Text: "new wording", Corrects: second})
	if got := held(); got["oil filter"] != third {
		t.Errorf("%v, want the filter by note %d", got, third)
	}
	add(Note{Text: "nothing was done", Service: "none", Corrects: third})
	if got := held(); got["oil"] != 0 || got["oil filter"] != 0 {
		t.Errorf("%v after all was taken back", got)
	}
	if e, err := h.noteEvent(Note{Text: "clean after all", Found: "clean", Corrects: third}, now); err != nil || e.Data["found"] != "clean" {
		t.Errorf("%+v, %v: what was found is not put right", e, err)
	}
	bad := -1.0
	for _, tt := range []struct {
		note        Note
		field, says string
	}{
		{Note{Text: "x", Service: "oli"}, "service", `did you mean "oil"`},
		{Note{Text: "x", Service: "oil", Subject: "net"}, "subject", "say which"},
		{Note{Text: "x", Service: "none"}, "service", "name that note"},
		{Note{Text: "x", HourMeter: &meter}, "hour_meter", "name that too"},
		{Note{Text: "x", Found: "worn"}, "found", "name that too"},
		{Note{Text: "x", Service: "none", Corrects: first, Found: "worn"}, "service", "nothing that was found"},
		{Note{Text: "x", Service: "oil", Found: "a\x00b"}, "found", ""},
		{Note{Text: "x", Service: "oil", HourMeter: &bad}, "hour_meter", "no reading"},
	} {
		_, err := h.addNote(tt.note, now)
		if f := (*FieldError)(nil); !errors.As(err, &f) || f.Field != tt.field || !strings.Contains(f.Message, tt.says) {
			t.Errorf("%+v: %v, want %s: … %s", tt.note, err, tt.field, tt.says)
		}
	}
}

// TestServiceEffectIsAskedRight: a mark that there is, and days that can be compared.
func TestServiceEffectIsAskedRight(t *testing.T) {
	text := strings.Replace(historySite, `name = "m"`, `name = "m"
service = [{ item = "oil", hours = 4000 }]`, 1)
	rec, err := OpenRecorder(loadTestSite(t, t.TempDir(), text, historyMap), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	h, now := rec.history, time.UnixMilli(testStartMS)
	note, err := h.addNote(Note{Text: "changed", Service: "oil", Found: "dark"}, now)
	if err != nil {
		t.Fatal(err)
	}
	e, err := h.serviceEffect(ServiceEffectRequest{Note: note.Seq, Days: 7}, now)
	if err != nil || e.Item != "oil" || e.Machine != "m" || e.Found != "dark" || !strings.Contains(e.Absent, "no whole day before") || e.Periods != nil {
		t.Errorf("%+v, %v", e, err)
	}
	for _, tt := range []struct {
		r     ServiceEffectRequest
		field string
	}{{ServiceEffectRequest{note.Seq + 1, 7}, "note"}, {ServiceEffectRequest{note.Seq, 0}, "days"}, {ServiceEffectRequest{note.Seq, 29}, "days"}} {
		_, err := h.serviceEffect(tt.r, now)
		if f := (*FieldError)(nil); !errors.As(err, &f) || f.Field != tt.field {
			t.Errorf("%+v: %v, want a fault of %s", tt.r, err, tt.field)
		}
	}
}
