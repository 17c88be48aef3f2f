package agent_test

import (
	"math"
	"testing"
	"time"

	"loadscribe/agent"
)

// What is said of a tag follows in time on what was said before, a day's slack for
// dates alone: found three days ago and mended 30 hours ago, it leaks again neither 60
// hours ago nor is mended once more before that.
func TestLeakTagsFollowInTime(t *testing.T) {
	s := newStaged(t, "growing-leaks", "2026-03-03 20:00", time.Minute)
	s.play(t, 0, nil)
	found, err := s.agent.TagLeak(agent.LeakTagEntry{Place: "x", Who: "x", Time: "-72h"})
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct {
		action, at string
		kept       bool
	}{
		{"mended", "-97h", false},
		{"mended", "-30h", true},
		{"again", "-60h", false},
		{"again", "-40h", true}, // within a day of it, as a date alone may be
		{"mended", "-65h", false},
		{"mended", "-20h", true},
		{"correct", "-5h", false}, // found after it was mended
		{"correct", "-50h", true},
	} {
		_, err := s.agent.TagLeak(agent.LeakTagEntry{Action: step.action, Tag: found.Seq, Who: "x", Time: step.at})
		if (err == nil) != step.kept {
			t.Errorf("%s at %s: %v", step.action, step.at, err)
		}
	}
}

// The bounds themselves are taken: a hole of 50 mm, and a jet as wide as its hole. A
// coefficient alone puts right that of the tag.
func TestLeakTagsAtTheirBounds(t *testing.T) {
	s := newStaged(t, "growing-leaks", "2026-03-03 20:00", time.Minute)
	s.play(t, 0, nil)
	found, err := s.agent.TagLeak(agent.LeakTagEntry{Place: "x", Who: "x", Hole: "50 mm", Coefficient: 1})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.agent.TagLeak(agent.LeakTagEntry{Place: "x", Who: "x", Hole: "50.1 mm"}); err == nil {
		t.Error("a hole of 50.1 mm is taken")
	}
	if _, err := s.agent.TagLeak(agent.LeakTagEntry{Action: "correct", Tag: found.Seq, Who: "x", Coefficient: 0.61}); err != nil {
		t.Fatal(err)
	}
	l, err := s.agent.Leaks("main", s.From.UnixMilli(), s.To.UnixMilli())
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Tags) != 1 || l.Tags[0].Coefficient != 0.61 || math.Abs(*l.Tags[0].HoleM-0.05) > 1e-12 {
		t.Errorf("put right: %+v", l.Tags)
	}
}
