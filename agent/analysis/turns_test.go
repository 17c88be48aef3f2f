package analysis

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"loadscribe/agent/scan"
)

// turnTape is two hours of a machine that does as the letters say, one a
// second: s standby, t starting time's running unloaded, u unloaded, l loaded,
// x tripped, ? no answer, | the agent is stopped for a minute.
func turnTape(t *testing.T, story string) (*tape, int64) {
	t.Helper()
	site := plant(t)
	tp := newTape(site, 1_772_431_200_000) // 2026-03-02 06:00 UTC
	mono := int64(0)
	for _, r := range story {
		mono += 1000
		switch r {
		case 's':
			tp.add("controller", mono, 0, 0, 1, 0, 6000, 1)
		case 'u':
			tp.add("controller", mono, 1, 0, 0, 0, 6000, 1)
		case 'l':
			tp.add("controller", mono, 1, 1, 0, 0, 6000, 1)
		case 'x':
			tp.add("controller", mono, 0, 0, 0, 7, 6000, 1)
		case '?':
			tp.bad("controller", mono, scan.Timeout)
		case '|':
			mono += 60_000
			tp.segment++
		}
	}
	return tp, mono + 1000
}

func turnText(tp *tape, v Turn) string {
	held := fmt.Sprintf("%gs", float64(v.HeldMS)/1000)
	if !v.HeldKnown {
		held += "+"
	}
	return fmt.Sprintf("%g %s: %s>%s %s %s", float64(v.WallMS-tp.wall)/1000, v.Word(), v.From, v.To, held, v.Reason)
}

func TestTurns(t *testing.T) {
	tp, end := turnTape(t, "ssss"+"llll"+"uuu"+"ll"+"xxx"+"?????"+"ss"+"|"+"ll")
	site := plant(t)
	got, err := Turns(fold(site, tp.scans), site, "comp1", tp.wall, tp.wall+end, tp.wall+end)
	if err != nil {
		t.Fatal(err)
	}
	// Loading by its own bit ends the start phase, so that a start goes
	// straight to loaded.
	want := []string{
		"1 found: unobserved>standby 0s+ ",
		"5 start: standby>loaded 4s+ ",
		"9 unload: loaded>unloaded 4s ",
		"12 load: unloaded>loaded 3s ",
		"14 trip: loaded>tripped 2s ",
		"16 lost: tripped>unobserved 2s timeout",
		"22 found: unobserved>standby 6s timeout",
		"23 lost: standby>unobserved 1s+ agent stopped",
		"85 found: unobserved>loaded 62s agent stopped",
	}
	var texts []string
	for _, v := range got {
		texts = append(texts, turnText(tp, v))
	}
	if !slices.Equal(texts, want) {
		t.Errorf("got\n%q\nwant\n%q", texts, want)
	}
	// Half a minute later nobody has heard more.
	late, err := Turns(fold(site, tp.scans), site, "comp1", tp.wall, tp.wall+end+60_000, tp.wall+end+30_000)
	if err != nil || len(late) != len(got)+1 || late[len(got)].Word() != TurnLost {
		t.Errorf("%d changes after a silence, %v; want one more, lost", len(late), err)
	}
}

// However a window is split, and wherever the store was sealed, the parts hold
// the same changes as the whole; and they are the edges of StateRuns.
func TestTurnsFitTogether(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 6))
	for round := range 40 {
		story := make([]rune, 0, 6000)
		for len(story) < 6000 {
			letter := []rune("ssuullx?|")[r.IntN(9)]
			for range 1 + r.IntN(400) {
				story = append(story, letter)
				if letter == '|' {
					break
				}
			}
		}
		tp, end := turnTape(t, string(story))
		site := plant(t)
		cuts := []uint64{uint64(r.IntN(3000) + 1), uint64(3000 + r.IntN(3000))}
		src := fold(site, tp.scans, cuts...)
		whole, err := Turns(src, site, "comp1", tp.wall, tp.wall+end, tp.wall+end)
		if err != nil {
			t.Fatal(err)
		}
		var parts []Turn
		for from := tp.wall; from < tp.wall+end; {
			to := min(from+1+r.Int64N(2_000_000), tp.wall+end)
			some, err := Turns(src, site, "comp1", from, to, tp.wall+end)
			if err != nil {
				t.Fatal(err)
			}
			parts = append(parts, some...)
			from = to
		}
		// A gap that still lasts may get its reason later: times and states hold.
		same := func(a, b Turn) bool {
			return a.WallMS == b.WallMS && a.From == b.From && a.To == b.To && a.HeldMS == b.HeldMS
		}
		slices.SortStableFunc(whole, func(a, b Turn) int { return int(a.WallMS - b.WallMS) })
		slices.SortStableFunc(parts, func(a, b Turn) int { return int(a.WallMS - b.WallMS) })
		if !slices.EqualFunc(whole, parts, same) {
			t.Fatalf("round %d: %d changes as a whole, %d in parts", round, len(whole), len(parts))
		}
		runs, err := StateRuns(src, site, "comp1", tp.wall, tp.wall+end)
		if err != nil {
			t.Fatal(err)
		}
		var edges, turns []string
		for i := range runs[1:] {
			if runs[i].State != runs[i+1].State {
				edges = append(edges, fmt.Sprint(runs[i+1].FromMS, runs[i].State, runs[i+1].State))
			}
		}
		for i := range whole {
			if i > 0 && whole[i].WallMS == whole[i-1].WallMS {
				continue // a state of no length, which a run cannot show
			}
			turns = append(turns, fmt.Sprint(whole[i].WallMS, whole[i].From, whole[i].To))
		}
		if len(edges) == 0 || missing(edges, turns) > 0 {
			t.Fatalf("round %d: %d of %d edges of the runs are no changes", round, missing(edges, turns), len(edges))
		}
	}
}

func missing(edges, turns []string) int {
	n := 0
	for _, e := range edges {
		if !slices.Contains(turns, e) {
			n++
		}
	}
	return n
}
