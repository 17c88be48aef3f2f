package agent

import (
	"errors"
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"loadscribe/agent/store"
)

func TestNotes(t *testing.T) {
	now := time.UnixMilli(testStartMS + storyEnd*1000)
	first, fixed := uint64(0), uint64(0)
	_, h := storyOf(t, func(r *Recorder) {
		e, err := r.history.addNote(Note{Text: " air filter changed\r\nold one black ", Subject: "m", Time: "-1h", Author: "R. Vale"}, now)
		if err != nil || e.Text != "air filter changed\nold one black" || e.WallMS != now.Add(-time.Hour).UnixMilli() {
			t.Errorf("%+v, %v", e, err)
		}
		first = e.Seq
		e, err = r.history.addNote(Note{Text: "it was the oil filter", Corrects: first}, now)
		if err != nil || e.Subject != "m" || e.WallMS != now.Add(-time.Hour).UnixMilli() {
			t.Errorf("a correction stands beside what it corrects: %+v, %v", e, err)
		}
		fixed = e.Seq
		for _, tt := range []struct {
			note        Note
			field, says string
		}{
			{Note{}, "text", "empty"},
			{Note{Text: " \n "}, "text", "empty"},
			{Note{Text: strings.Repeat("ö", 2001)}, "text", "2001 characters"},
			{Note{Text: "bell\a"}, "text", "control character"},
			{Note{Text: "\xff"}, "text", "UTF-8"},
			{Note{Text: "x", Author: strings.Repeat("a", 161)}, "author", "at most 160"},
			{Note{Text: "x", Subject: "mm"}, "subject", `did you mean "m"`},
			{Note{Text: "x", Time: "yesterday"}, "time", "is not a time"},
			{Note{Text: "x", Time: "2100-01-01"}, "time", "future"},
			{Note{Text: "x", Time: "1980-02-25"}, "time", "before 2000"},
			{Note{Text: "x", Corrects: 9999}, "corrects", "no note of number 9999"},
		} {
			_, err := r.history.addNote(tt.note, now)
			var field *FieldError
			if !errors.As(err, &field) || field.Field != tt.field || !strings.Contains(field.Message, tt.says) {
				t.Errorf("%+v: %v, want field %s with %q", tt.note, err, tt.field, tt.says)
			}
		}
	})
	page, err := h.Events(EventQuery{Kinds: []string{"note"}, Limit: 10})
	if err != nil || len(page.Events) != 2 {
		t.Fatalf("%+v, %v: want two notes", page, err)
	}
	if e := page.Events[1]; e.Seq != first || e.Data["corrected_by"] != fmt.Sprint(fixed) || e.Data["author"] != "R. Vale" {
		t.Errorf("the corrected note: %+v", e)
	}
	if e := page.Events[0]; e.Seq != fixed || e.Data["corrects"] != fmt.Sprint(first) || e.Data["corrected_by"] != "" {
		t.Errorf("the correction: %+v", e)
	}
}

// A note needs no running agent, and says so where one is.
func TestNoteToAStoppedAgent(t *testing.T) {
	site, h := storyOf(t)
	h.Close()
	e, err := AddNoteStopped(site, Options{}, Note{Text: "drained the receiver"})
	if err != nil || e.Kind != "note" || e.Seq == 0 {
		t.Fatalf("%+v, %v", e, err)
	}
	a, err := Open(site, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if _, err := AddNoteStopped(site, Options{}, Note{Text: "x"}); !errors.Is(err, store.ErrLocked) {
		t.Errorf("while an agent runs: %v, want ErrLocked", err)
	}
}

// A disk that takes nothing is no reason to send a note again: it is kept once,
// and the answer says that it is not safe yet.
func TestNoteWhileTheDiskTakesNothing(t *testing.T) {
	disk := &badDisk{FS: store.SystemFS()}
	site := loadTestSite(t, t.TempDir(), historySite, historyMap)
	a, err := Open(site, Options{Dial: noLine, Store: store.Options{FS: disk}})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	notes := func() int {
		page, err := a.Events(EventQuery{Kinds: []string{"note"}, Limit: 10})
		if err != nil {
			t.Fatal(err)
		}
		return len(page.Events)
	}
	disk.fail(syscall.EIO, "create", "write", "sync")
	e, err := a.AddNote(Note{Text: "belt tightened"})
	if err != nil || !e.NotSafe || e.Seq == 0 || notes() != 1 {
		t.Errorf("while the disk fails: %+v, %v, %d notes; want it kept once and not safe", e, err, notes())
	}
	disk.fail(nil)
	if e, err = a.AddNote(Note{Text: "oil filled up"}); err != nil || e.NotSafe || notes() != 2 {
		t.Errorf("when it takes data again: %+v, %v, %d notes; want two, safe", e, err, notes())
	}
}
