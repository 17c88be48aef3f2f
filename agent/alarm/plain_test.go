package alarm

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"
)

// plainModel judges a whole history of sights anew for each of them, with no state
// kept but what has been raised and returned: the slow obvious version that the point
// is held against.
type plainModel struct {
	afterMS, clearAfterMS, bridgeMS, gapMS int64
	sights                                 []Sight // those that showed something
	begun                                  int     // sights before this one belong to what came before the last change
	raised                                 bool
	of                                     int64
	raises                                 []int64
}

// broken reports whether between two sights there was a gap.
func (m *plainModel) broken(i int) bool {
	d := m.sights[i].MonoMS - m.sights[i-1].MonoMS
	return d > m.gapMS || d < 0
}

// stretch is the first sight of the unbroken stretch that ends with the newest, all of
// which are such.
func (m *plainModel) stretch(such func(i int) bool) int {
	first := len(m.sights)
	for i := len(m.sights) - 1; i >= m.begun && such(i); i-- {
		first = i
		if i == 0 || m.broken(i) {
			break
		}
	}
	return first
}

// badFrom is the first sight of what is bad now; ok is false where nothing is. Sights
// that are not bad belong to it while they end less than the bridge after a bad one.
func (m *plainModel) badFrom() (int, bool) {
	last := len(m.sights) - 1
	if m.sights[last].Verdict != Bad {
		return 0, false
	}
	of := m.sights[last].Of
	first := last
	for i := last - 1; i >= m.begun; i-- {
		if m.broken(i + 1) {
			break
		}
		s := &m.sights[i]
		switch {
		case s.Verdict == Bad && s.Of == of:
			first = i
		case s.Verdict == Bad:
			return first, true
		default:
			// the bad sight before it in this stretch, if any, must be less than the bridge ago
			bridged := false
			for k := i - 1; k >= m.begun && !m.broken(k+1); k-- {
				if m.sights[k].Verdict == Bad {
					bridged = s.MonoMS-m.sights[k].MonoMS < m.bridgeMS && m.sights[k].Of == of
					break
				}
			}
			if !bridged {
				return first, true
			}
		}
	}
	return first, true
}

// see returns what a sight brings about, in words.
func (m *plainModel) see(s Sight) (out []string) {
	if !s.Seen {
		return nil
	}
	m.sights = append(m.sights, s)
	last := len(m.sights) - 1
	change := func(word string, first int) {
		since := &m.sights[first]
		atLeast := first == 0 || m.broken(first)
		out = append(out, fmt.Sprintf("%s since %d %t of %d", word, since.MonoMS, atLeast, m.of))
		m.raised, m.begun = word == "raised", last+1
	}
	if m.raised && s.Verdict == Bad && s.Of != m.of && !m.chatters(s.MonoMS) {
		first := last // or since it was fine, where that led up to this sight
		for i := last - 1; i >= m.begun && m.sights[i].Verdict == Fine && !m.broken(i+1); i-- {
			first = i
		}
		atLeast := first < last && (first == 0 || m.broken(first))
		out = append(out, fmt.Sprintf("returned since %d %t of %d", m.sights[first].MonoMS, atLeast, m.of))
		m.raised, m.begun = false, last
	}
	if m.raised {
		first := m.stretch(func(i int) bool { return m.sights[i].Verdict == Fine })
		if first <= last && s.MonoMS-m.sights[first].MonoMS >= m.calm(s.MonoMS) {
			change("returned", first)
		}
		return out
	}
	if first, bad := m.badFrom(); bad && s.MonoMS-m.sights[first].MonoMS >= m.afterMS {
		m.of = s.Of
		m.raises = append(m.raises, s.MonoMS)
		change("raised", first)
	}
	return out
}

// calm is for how long it must be fine.
func (m *plainModel) calm(now int64) int64 {
	if m.chatters(now) {
		return max(m.clearAfterMS, 600_000)
	}
	return m.clearAfterMS
}

// chatters reports whether it was raised six times within the hour.
func (m *plainModel) chatters(now int64) bool {
	n := 0
	for _, at := range m.raises {
		if now-at < 3_600_000 && at <= now {
			n++
		}
	}
	return n >= 6
}

// TestPointAgainstPlainModel: whatever is seen, with gaps, failed readings and other
// codes, the point changes as the plain model does.
func TestPointAgainstPlainModel(t *testing.T) {
	changes := 0
	rapid.Check(t, func(t *rapid.T) {
		delay := rapid.SampledFrom([]int64{0, 1000, 3000, 10_000})
		m := &plainModel{afterMS: delay.Draw(t, "after"), clearAfterMS: delay.Draw(t, "clear after"),
			bridgeMS: rapid.SampledFrom([]int64{0, 0, 2000, 5000}).Draw(t, "bridge"), gapMS: 3000}
		p := newPoint(m.afterMS, m.clearAfterMS, m.bridgeMS, m.gapMS)
		codes := rapid.Bool().Draw(t, "codes")
		mono := int64(0)
		// long runs of one verdict, as plants have them, make delays run out
		for range rapid.IntRange(1, 40).Draw(t, "runs") {
			verdict := rapid.SampledFrom([]Verdict{Between, Fine, Fine, Bad, Bad}).Draw(t, "verdict")
			of := int64(0)
			if codes && verdict == Bad {
				of = rapid.Int64Range(1, 2).Draw(t, "code")
			}
			for range rapid.IntRange(1, 12).Draw(t, "length") {
				mono += rapid.SampledFrom([]int64{500, 1000, 1000, 1000, 2900, 3000, 3001, 60_000}).Draw(t, "step")
				s := Sight{MonoMS: mono, WallMS: mono, Seen: rapid.IntRange(0, 9).Draw(t, "seen") > 0, Verdict: verdict, Of: of}
				want := m.see(s)
				var got []string
				for _, c := range p.step(&s, nil) {
					got = append(got, fmt.Sprintf("%s since %d %t of %d", c.state, c.since.monoMS, c.since.atLeast, c.of))
				}
				changes += len(want)
				if fmt.Sprint(got) != fmt.Sprint(want) {
					t.Fatalf("at %d ms, %+v: the point says %q, the plain model %q", mono, s, got, want)
				}
			}
		}
	})
	least := 100
	if testing.Short() { // a fifth of the draws
		least /= 5
	}
	if changes < least {
		t.Errorf("%d changes in all: the draws hardly raise anything", changes)
	}
}
