package agent

import (
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// TestRestartTellsWhatTheLastRunCouldNot: a run that was killed has left no
// event of its end, and a clock behind the record hides it from whoever asks
// for a time by that clock. Both are told, once, and nothing is hidden.
func TestRestartTellsWhatTheLastRunCouldNot(t *testing.T) {
	site, h := storyOf(t, func(rec *Recorder) {
		if _, err := rec.history.store.AppendEvent(store.Event{Kind: kindStarted, WallMS: testStartMS, Text: "recording starts"}); err != nil {
			t.Fatal(err)
		}
	})
	h.Close()
	const lastMS = testStartMS + storyEnd*1000
	reopen := func(wallMS int64) *Agent {
		t.Helper()
		a, err := Open(site, Options{Dial: noLine, Clock: &manualClock{mono: 1000, wall: wallMS}})
		if err != nil {
			t.Fatal(err)
		}
		if err := a.tellRestart(); err != nil {
			t.Fatal(err)
		}
		return a
	}
	texts := func(a *Agent, kinds ...string) (all []string) {
		t.Helper()
		page, err := a.Events(EventQuery{Limit: 1000, Kinds: kinds})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.Events {
			all = append(all, e.Text)
		}
		return all
	}

	a := reopen(lastMS + 13_000)
	g := a.groups[slices.IndexFunc(a.groups, func(g *scan.Group) bool { return g.Index("running") >= 0 })]
	for i := range int64(3) {
		s := scan.Scan{Group: g, MonoMS: 1000 + i*1000, WallMS: lastMS + 13_000 + i*1000, Values: make([]int64, len(g.Channels))}
		if err := a.store.Append([]scan.Scan{s}); err != nil {
			t.Fatal(err)
		}
	}
	broke, err := a.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == kindBroke })
	// A backup that was made while recording went on looks the same: nothing need have broken off.
	if err != nil || len(broke) != 1 || broke[0].WallMS != lastMS || !strings.Contains(broke[0].Text, "or this record is a backup") {
		t.Fatalf("%v (%v); want one break at the last reading, %d", broke, err, lastMS)
	}
	said := strings.Join(texts(a, kindState), "\n")
	if strings.Contains(said, "agent stopped") || strings.Count(said, "(recording broke off)") != 2 {
		t.Errorf("the gap of the break reads:\n%s", said)
	}
	if a.State().Store.RecordTo != 0 || len(texts(a, kindBehind)) != 0 {
		t.Error("a clock that is right is said to be behind")
	}
	if err := a.note(kindStopped, "", "recording stops", nil); err != nil {
		t.Fatal(err)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}

	const newestMS = lastMS + 15_000
	a = reopen(testStartMS - 3*86_400_000)
	defer a.Close()
	if n := len(texts(a, kindBroke)); n != 1 {
		t.Errorf("%d breaks after a run that was stopped in order, want the one before", n)
	}
	newest := time.UnixMilli(newestMS).In(site.Location).Format("2006-01-02 15:04:05")
	if behind := texts(a, kindBehind); len(behind) != 1 || !strings.Contains(behind[0], newest) || !strings.Contains(behind[0], "3 d 2 h") {
		t.Errorf("of the clock it says %q; want the newest reading, %s, and by how much", behind, newest)
	}
	if got := a.State().Store.RecordTo; got != newestMS {
		t.Errorf("record_to is %v, want %v", got, Stamp(newestMS))
	}
	rep, err := a.Figures(testStartMS, newestMS+86_400_000, "m")
	if err != nil || rep.From != Stamp(testStartMS).String() || rep.To != Stamp(newestMS+1).String() {
		t.Errorf("figures from %v to %v (%v): the window must reach to the newest reading", rep.From, rep.To, err)
	}
	if !strings.Contains(strings.Join(texts(a, kindState), "\n"), "tripped") {
		t.Error("the events of the record are hidden")
	}
}

// TestStoreWatchTellsOnce: a trouble that lasts two looks makes one event when
// it begins and one when it is over; one look makes none.
func TestStoreWatchTellsOnce(t *testing.T) {
	var w storeWatch
	var got []string
	for i, what := range []string{"", "full", "", "full", "full", "still full", "", "full", "", "", ""} {
		if e := w.look(what, int64(i)*2000, 0); e.Kind != "" {
			got = append(got, e.Kind+": "+e.Text)
		}
	}
	want := []string{"store_down: full: readings wait in memory",
		"store_up: the data directory takes readings again after 12 s; none was lost"}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	for range 2 {
		w.look("full", 30_000, 5)
	}
	w.look("", 40_000, 5)
	if e := w.look("", 42_000, 5); !strings.Contains(e.Text, "5 could not be kept") {
		t.Errorf("after a loss: %q", e.Text)
	}
}

// TestStopBesideABreak: a run that was stopped half a minute after the one
// before it broke off has not broken off, and the other way round.
func TestStopBesideABreak(t *testing.T) {
	const at = int64(testStartMS)
	for _, ends := range [][2]string{{kindBroke, kindStopped}, {kindStopped, kindBroke}} {
		_, h := storyOf(t, func(rec *Recorder) {
			for i, kind := range ends {
				if _, err := rec.history.store.AppendEvent(store.Event{Kind: kind, WallMS: at + int64(i)*30_000}); err != nil {
					t.Fatal(err)
				}
			}
		})
		page := make([]Event, 2)
		for i := range page {
			page[i] = Event{Time: Stamp(at + int64(i)*30_000 - 900), Kind: kindState, Text: "nothing was read from here on (agent stopped)",
				Data: map[string]string{"reason": scan.AgentStopped.String()}}
		}
		if err := h.markBroken(page); err != nil {
			t.Fatal(err)
		}
		for i, kind := range ends {
			if broke := strings.Contains(page[i].Text, "broke off"); broke != (kind == kindBroke) {
				t.Errorf("after %q the gap reads %q", kind, page[i].Text)
			}
		}
		h.Close()
	}
}
