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
	first := add(Note{Text: "changed", Service: "oil", HourMeter: &meter, Time: "-3d"})
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
		done[0].AtMS != testStartMS-3*24*3_600_000 || done[0].Note != second {
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
	bad := -1.0
	for _, tt := range []struct {
		note        Note
		field, says string
	}{
		{Note{Text: "x", Service: "oli"}, "service", `did you mean "oil"`},
		{Note{Text: "x", Service: "oil", Subject: "net"}, "subject", "say which"},
		{Note{Text: "x", Service: "none"}, "service", "name that note"},
		{Note{Text: "x", HourMeter: &meter}, "hour_meter", "name that too"},
		{Note{Text: "x", Service: "oil", HourMeter: &bad}, "hour_meter", "no reading"},
	} {
		_, err := h.addNote(tt.note, now)
		if f := (*FieldError)(nil); !errors.As(err, &f) || f.Field != tt.field || !strings.Contains(f.Message, tt.says) {
			t.Errorf("%+v: %v, want %s: … %s", tt.note, err, tt.field, tt.says)
		}
	}
}
