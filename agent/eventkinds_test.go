package agent

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/store"
)

// A slip of the pen must not read as "nothing happened".
func TestUnknownKindsAndSubjectsAreNamed(t *testing.T) {
	_, h := storyOf(t, func(r *Recorder) {
		old := store.Event{WallMS: testStartMS, Kind: "of_an_old_version", Subject: "sold", Text: "x"}
		if _, err := r.history.store.AppendEvent(old); err != nil {
			t.Fatal(err)
		}
	})
	for _, tt := range []struct {
		name  string
		q     EventQuery
		field string
		says  []string
	}{
		{"kind", EventQuery{Kinds: []string{"note", "nonsense"}}, "kind", []string{`"nonsense"`, "state, fault, note, leak_tag, config_changed", "raw_dropped"}},
		{"kind misspelt", EventQuery{Kinds: []string{"data_damagd"}}, "kind", []string{`did you mean "data_damaged"?`}},
		{"subject", EventQuery{Subjects: []string{"nobody"}}, "subject", []string{`"nobody"`, "use one of m"}},
	} {
		_, err := h.Events(tt.q)
		var field *FieldError
		if !errors.As(err, &field) || field.Field != tt.field {
			t.Errorf("%s: %v, want field %s", tt.name, err, tt.field)
			continue
		}
		for _, says := range tt.says {
			if !strings.Contains(field.Message, says) {
				t.Errorf("%s: %q does not say %q", tt.name, field.Message, says)
			}
		}
	}
	// What is stored can be asked for, though nothing makes it any more.
	page, err := h.Events(EventQuery{Kinds: []string{"of_an_old_version"}, Subjects: []string{"sold"}, Limit: 5})
	if err != nil || len(page.Events) != 1 {
		t.Errorf("got %+v, %v", page, err)
	}
}

// A note written to a stopped store lies behind its last scan.
func TestEventsEndIsBehindALateNote(t *testing.T) {
	late := time.Now().Add(time.Hour) // behind all else that is stored
	_, h := storyOf(t, func(r *Recorder) {
		if _, err := r.history.addNote(Note{Text: "found it dark"}, late); err != nil {
			t.Fatal(err)
		}
	})
	end, err := h.EventsEnd()
	if err != nil || end.Before(late) || end.Sub(late) > time.Second {
		t.Errorf("the events end at %v (%v), the note is of %v", end, err, late)
	}
}

// docs/events.md explains each kind that can come.
func TestEveryKindIsExplained(t *testing.T) {
	doc, err := os.ReadFile("../docs/events.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(doc), "## Kinds")
	table, _, _ = strings.Cut(table, "## Faults")
	for _, kind := range eventKinds {
		if !strings.Contains(table, "`"+kind+"`") {
			t.Errorf("docs/events.md does not explain the kind %s", kind)
		}
	}
}
