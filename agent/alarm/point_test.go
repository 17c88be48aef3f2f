package alarm

import (
	"fmt"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

// play gives a point one sight a letter, stepMS apart, and returns what came of each:
// "R3+30" is a raise at sight 3 of what was so since sight 0 at the time of step 0.
//
//	B bad, F fine, M between, u not seen, . no sight at all
func play(p *Point, text string, stepMS int64) string {
	var out []string
	for i, letter := range text {
		s := Sight{MonoMS: int64(i) * stepMS, WallMS: 1_000_000 + int64(i)*stepMS, Seen: true, Why: "timeout"}
		switch letter {
		case '.':
			continue
		case 'u':
			s.Seen = false
		case 'B':
			s.Verdict = Bad
		case 'F':
			s.Verdict = Fine
		case '1', '2':
			s.Verdict, s.Of = Bad, int64(letter-'0')
		}
		for _, c := range p.step(&s, nil) {
			word := fmt.Sprintf("%s at %d since %d", c.state, i, (c.since.wallMS-1_000_000)/stepMS)
			if c.since.atLeast {
				word += "!"
			}
			if c.of != 0 {
				word += fmt.Sprintf(" of %d", c.of)
			}
			out = append(out, word)
		}
	}
	return strings.Join(out, "; ")
}

func newPoint(afterMS, clearAfterMS, bridgeMS, gapMS int64) *Point {
	return &Point{Rule: &Rule{Alarm: sitefile.Alarm{Name: "rule"}, afterMS: afterMS, clearAfterMS: clearAfterMS, bridgeMS: bridgeMS}, GapMS: gapMS}
}

// TestDelays: sights a second apart, gaps from over 3 s on, on-delay 3 s, off-delay
// 2 s, but where a case says otherwise.
func TestDelays(t *testing.T) {
	for _, tt := range []struct {
		name                 string
		after, clear, bridge int64
		sights, want         string
	}{
		{"not for long enough", 3000, 2000, 0, "FBBBF", ""},
		{"as long as the delay", 3000, 2000, 0, "FBBBB", "raised at 4 since 1"},
		{"interrupted for one reading", 3000, 2000, 0, "FBBBFBBB", ""},
		{"noise within the deadband ends the wait", 3000, 2000, 0, "FBBBMBBB", ""},
		{"raised once, whatever goes on", 3000, 2000, 0, "FBBBBBBBBB", "raised at 4 since 1"},
		{"without delays", 0, 0, 0, "FBF", "raised at 1 since 1; returned at 2 since 2"},
		{"not back for long enough", 0, 2000, 0, "FBFFBFF", "raised at 1 since 1"},
		{"back for the off-delay", 0, 2000, 0, "FBFFF", "raised at 1 since 1; returned at 4 since 2"},
		{"between is not back", 0, 2000, 0, "FBMMMMMM", "raised at 1 since 1"},
		{"between breaks the off-delay", 0, 2000, 0, "FBFFMFFF", "raised at 1 since 1; returned at 7 since 5"},
		{"one failed reading is no gap", 3000, 2000, 0, "FBBuBB", "raised at 4 since 1"},
		{"a gap: the wait begins anew and its begin is at least", 3000, 2000, 0, "FBB....BBBB", "raised at 10 since 7!"},
		{"a gap does not return", 0, 2000, 0, "FBF....FF", "raised at 1 since 1"},
		{"after the gap it returns by readings alone", 0, 2000, 0, "FBF....FFF", "raised at 1 since 1; returned at 9 since 7!"},
		{"bad from the first reading on", 0, 0, 0, "B", "raised at 0 since 0!"},
		{"unseen readings raise nothing", 0, 0, 0, "uuuuuuu", ""},
		{"unseen readings return nothing", 0, 0, 0, "FBuuuuuuuu", "raised at 1 since 1"},
		{"a bridge over a short return", 6000, 2000, 5000, "FBBBFFFBBB", "raised at 7 since 1"},
		{"no bridge over a long one", 6000, 2000, 5000, "FBBFFFFFBBBB", ""},
		{"another code in its place", 0, 2000, 0, "F1122FFF", "raised at 1 since 1 of 1; returned at 3 since 3 of 1; raised at 3 since 3 of 2; returned at 7 since 5 of 2"},
		{"another code waits anew", 2000, 2000, 0, "F1122", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := play(newPoint(tt.after, tt.clear, tt.bridge, 3000), tt.sights, 1000); got != tt.want {
				t.Errorf("%s\n got %s\nwant %s", tt.sights, got, tt.want)
			}
		})
	}
}

// TestChattering: what comes and goes every second is raised 6 times and then stands
// until all has been well for ten minutes; messages stop after three.
func TestChattering(t *testing.T) {
	p := newPoint(0, 0, 0, 3000)
	sights := strings.Repeat("FB", 300) + strings.Repeat("F", 700)
	got := strings.Split(play(p, sights, 1000), "; ")
	if want := "raised at 11 since 11"; len(got) != 12 || got[10] != want {
		t.Fatalf("%d changes, the sixth raise %q, want 12 and %q: %q", len(got), got[min(10, len(got)-1)], want, got)
	}
	// the last bad reading is number 599: well from 600 on, for 600 s
	if want := "returned at 1200 since 600"; got[11] != want {
		t.Errorf("at last %q, want %q", got[11], want)
	}
	told := 0
	for i := range 10 {
		if _, ok := p.mayTell(int64(i) * 1000); ok {
			told++
		}
	}
	if told != mostTold {
		t.Errorf("%d of 10 raises within an hour are told, want %d", told, mostTold)
	}
	if heldBack, ok := p.mayTell(chatterSpanMS + 5000); !ok || heldBack != 7 {
		t.Errorf("an hour later: told %t with %d held back, want 7", ok, heldBack)
	}
}

// TestChangingCodesAreBounded: a code that is another one at each reading, as of a
// register that is no fault code at all, is raised six times and then stands.
func TestChangingCodesAreBounded(t *testing.T) {
	p := newPoint(0, 1000, 0, 3000)
	n := 0
	for second := range int64(3600) {
		n += len(p.step(&Sight{MonoMS: 1000 * second, Seen: true, Verdict: Bad, Of: second + 1}, nil))
	}
	if n != 2*mostRaised-1 {
		t.Errorf("%d records of an hour, want %d raised and %d returned", n, mostRaised, mostRaised-1)
	}
}

// TestBlind: a point says what it does not see.
func TestBlind(t *testing.T) {
	p := newPoint(0, 0, 0, 3000)
	if why, blind := p.Blind(0); !blind || !strings.Contains(why, "since the recording started") {
		t.Errorf("before the first reading: %t %q", blind, why)
	}
	p.step(&Sight{MonoMS: 1000, Seen: true, Verdict: Fine}, nil)
	if why, blind := p.Blind(4000); blind {
		t.Errorf("3 s after a reading it is blind: %s", why)
	}
	if why, blind := p.Blind(4001); !blind || why != "nothing is read of it any more" {
		t.Errorf("after a gap: %t %q", blind, why)
	}
	p.step(&Sight{MonoMS: 5000, Why: "timeout"}, nil)
	if why, blind := p.Blind(5000); !blind || why != "timeout" {
		t.Errorf("after a failed reading: %t %q", blind, why)
	}
}

// TestQuietSightsAllocateNothing: it is asked of each channel of each scan.
func TestQuietSightsAllocateNothing(t *testing.T) {
	p := newPoint(3000, 1000, 0, 3000)
	e := &Engine{book: NewBook(nil)}
	s := Sight{Seen: true, Verdict: Fine}
	if n := testing.AllocsPerRun(1000, func() { s.MonoMS += 1000; e.See(p, &s) }); n != 0 {
		t.Errorf("%g allocations a sight", n)
	}
}
