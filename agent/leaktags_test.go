package agent_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
)

// The life of leak tags beside a measured leak: an evening of a simulated shop whose
// leak is known. Nothing that was said is lost, and a slip is told by its field.
func TestLeakTags(t *testing.T) {
	s := newStaged(t, "growing-leaks", "2026-03-03 20:00", 2*time.Hour)
	s.play(t, 0, nil)
	list := func() agent.Leaks {
		t.Helper()
		l, err := s.agent.Leaks("main", s.From.UnixMilli(), s.To.UnixMilli())
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	keep := func(e agent.LeakTagEntry) uint64 {
		t.Helper()
		kept, err := s.agent.TagLeak(e)
		if err != nil || kept.NotSafe || kept.Kind != "leak_tag" || kept.Subject != "main" {
			t.Fatalf("%+v: %+v %v", e, kept, err)
		}
		return kept.Seq
	}
	empty := list()
	leak := s.World.Truth().Plant(s.From, s.To).LeakedM3 / s.To.Sub(s.From).Seconds()
	if m := empty.Measured; m == nil || math.Abs(m.FlowM3S-leak) > m.U || !strings.HasPrefix(empty.Sentence, "No open leak is tagged; ") || empty.Pressure == nil {
		t.Fatalf("without tags: %+v; true %.5f m³/s", empty, leak)
	}

	hose := keep(agent.LeakTagEntry{Place: "hose reel, bay 2", Hole: "1/8 in", Coefficient: 0.97, Who: "R. Vale"})
	drain := keep(agent.LeakTagEntry{Action: "found", Place: "filter drain", Hole: "1 mm", Who: "R. Vale", What: "hisses", Time: "-90m"})
	bare := keep(agent.LeakTagEntry{Place: "somewhere above", Who: "R. Vale"})
	l := list()
	if len(l.Tags) != 3 || l.Tags[0].Tag != drain || l.Open.Count != 3 || l.Open.Unsized != 1 || l.Tags[2].FlowM3S != nil {
		t.Fatalf("three tags, the first found first: %+v", l)
	}
	// The DOE's leak table (from memory), which is of 0.97: 1/8 in at 100 psig lets
	// out 26 cfm of free air; choked flow follows the absolute pressure.
	const cfm, psi = 4.719474e-4, 6894.757
	want := 26 * cfm * (*l.Pressure + s.Site.BarometerPa) / (114.7 * psi)
	if got := *l.Tags[1].FlowM3S; l.Tags[1].Tag != hose || math.Abs(got/want-1) > 0.02 {
		t.Errorf("a hole of 1/8 in: %.5f m³/s, the table %.5f", got, want)
	}
	// A sharp edge of 1 mm is (1/3.175)² of that hole, at 0.65 in place of 0.97.
	if got, want := *l.Tags[0].FlowM3S, *l.Tags[1].FlowM3S*0.65/0.97/(3.175*3.175); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("a sharp hole of 1 mm: %g m³/s, want %g", got, want)
	}
	sum := *l.Tags[0].FlowM3S + *l.Tags[1].FlowM3S
	if math.Abs(l.Open.FlowM3S-sum) > 1e-12 || math.Abs(l.Untagged.FlowM3S-(l.Measured.FlowM3S-sum)) > 1e-12 {
		t.Errorf("sums: %+v %+v", l.Open, l.Untagged)
	}
	if u := math.Hypot(l.Measured.U, l.Open.U); math.Abs(l.Untagged.U-u) > 1e-12 || l.Open.U < sum*0.5 || l.Open.U > sum {
		t.Errorf("uncertainties: %+v of %+v", l.Untagged, l.Open)
	}
	if !strings.Contains(l.Sentence, "2 tags make ") || !strings.HasSuffix(l.Sentence, "Without a size: 1 tag.") {
		t.Errorf("sentence %q", l.Sentence)
	}

	keep(agent.LeakTagEntry{Action: "mended", Tag: hose, Who: "M. Ode", What: "new coupling"})
	keep(agent.LeakTagEntry{Action: "correct", Tag: drain, Hole: "2 mm", Place: "filter drain, second", Who: "R. Vale"})
	keep(agent.LeakTagEntry{Action: "withdraw", Tag: bare, Who: "R. Vale", What: "it was a fan"})
	l = list()
	if l.Mended.Count != 1 || l.Open.Count != 1 || l.Tags[1].State != "mended" || l.Tags[1].MendedBy != "M. Ode" || l.Tags[2].State != "withdrawn" {
		t.Errorf("after mending: %+v", l)
	}
	if d := l.Tags[0]; *d.HoleM != 0.002 || d.Place != "filter drain, second" || len(d.Entries) != 2 || d.Found != l.Tags[0].Entries[0].Time {
		t.Errorf("put right: %+v", d)
	}
	// What was mended within the days of the measure is still in it.
	if !strings.Contains(l.Sentence, "Mended since these days began: 1 tag, ") {
		t.Errorf("sentence %q", l.Sentence)
	}
	keep(agent.LeakTagEntry{Action: "again", Tag: hose, Who: "R. Vale"})
	if again := list().Tags[1]; again.State != "open" || again.Mended != 0 || len(again.Entries) != 3 {
		t.Errorf("leaks again: %+v", again)
	}
	// A hole that is put right keeps its coefficient; all that was said stays.
	keep(agent.LeakTagEntry{Action: "correct", Tag: hose, Hole: "1/16 in", Who: "R. Vale"})
	if again := list().Tags[1]; again.Coefficient != 0.97 || math.Abs(*again.HoleM-0.0254/16) > 1e-9 {
		t.Errorf("a hole put right without its coefficient: %+v", again)
	}
	refusals(t, s, hose, bare)
	// All of it is in the events, and none is gone.
	page, err := s.agent.Events(agent.EventQuery{ToMS: s.To.UnixMilli() + 1, Kinds: []string{"leak_tag"}, Limit: 99})
	if err != nil || len(page.Events) != 8 {
		t.Errorf("%d events, want 8: %v", len(page.Events), err)
	}
}

func refusals(t *testing.T, s *staged, open, withdrawn uint64) {
	t.Helper()
	for _, tt := range []struct {
		field string
		entry agent.LeakTagEntry
	}{
		{"place", agent.LeakTagEntry{Who: "x"}},
		{"who", agent.LeakTagEntry{Place: "x"}},
		{"hole", agent.LeakTagEntry{Place: "x", Who: "x", Hole: "large"}},
		{"hole", agent.LeakTagEntry{Place: "x", Who: "x", Hole: "1/0 in"}},
		{"hole", agent.LeakTagEntry{Place: "x", Who: "x", Hole: "3 ft"}},
		{"coefficient", agent.LeakTagEntry{Place: "x", Who: "x", Hole: "3 mm", Coefficient: 2}},
		{"system", agent.LeakTagEntry{Place: "x", Who: "x", System: "mian"}},
		{"action", agent.LeakTagEntry{Place: "x", Who: "x", Action: "gone"}},
		{"tag", agent.LeakTagEntry{Action: "mended", Who: "x"}},
		{"tag", agent.LeakTagEntry{Action: "mended", Who: "x", Tag: 99_999}},
		{"tag", agent.LeakTagEntry{Action: "again", Who: "x", Tag: open}},
		{"tag", agent.LeakTagEntry{Action: "mended", Who: "x", Tag: withdrawn}},
		{"what", agent.LeakTagEntry{Action: "withdraw", Who: "x", Tag: open}},
		{"time", agent.LeakTagEntry{Place: "x", Who: "x", Time: "2090-01-01"}},
		{"time", agent.LeakTagEntry{Action: "mended", Who: "x", Tag: open, Time: "2020-01-01"}},
		{"coefficient", agent.LeakTagEntry{Action: "mended", Who: "x", Tag: open, Coefficient: 0.5}},
		{"place", agent.LeakTagEntry{Action: "mended", Who: "x", Tag: open, Place: "elsewhere"}},
	} {
		_, err := s.agent.TagLeak(tt.entry)
		if wrong := (*agent.FieldError)(nil); !errors.As(err, &wrong) || wrong.Field != tt.field {
			t.Errorf("%+v: %v, want the field %s", tt.entry, err, tt.field)
		}
	}
}

// Of several who mend or take back one tag at once, one is heard: what may be said
// depends on what was said before.
func TestLeakTagsAtOnce(t *testing.T) {
	s := newStaged(t, "growing-leaks", "2026-03-03 20:00", time.Minute)
	s.play(t, 0, nil)
	for range 20 {
		found, err := s.agent.TagLeak(agent.LeakTagEntry{Place: "x", Who: "x"})
		if err != nil {
			t.Fatal(err)
		}
		kept := make(chan error, 8)
		for range cap(kept) {
			go func() {
				_, err := s.agent.TagLeak(agent.LeakTagEntry{Action: "mended", Tag: found.Seq, Who: "x"})
				kept <- err
			}()
		}
		good := 0
		for range cap(kept) {
			if err := <-kept; err == nil {
				good++
			}
		}
		if good != 1 {
			t.Fatalf("tag %d was mended %d times", found.Seq, good)
		}
	}
}
