package remote

import (
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/outward"
)

// TestRefusesAllWithinABatch: a receiver that has taken a part of a batch, and then
// refuses whatever it gets for an hour, costs no sample. The series that it minds at all
// times is found all the same.
func TestRefusesAllWithinABatch(t *testing.T) {
	for from := 4; from < 22; from++ { // the third request is the first that is taken, and with the 21st all is settled
		synctest.Test(t, func(t *testing.T) {
			r := newReceiver()
			r.badSeries = seriesNo(7)
			r.phases = []phase{{From: from, Requests: 1000, For: time.Hour}}
			g := newRig(t, 40, r)
			if g.options.MostSamples = 2000; from%2 == 0 {
				g.options.Transport = wordy{r}
			}
			g.source.add(50)
			g.start()
			defer g.stop()
			time.Sleep(30 * time.Minute)
			g.source.add(10)
			if s := g.sender.State(); !s.Held || !strings.Contains(s.Why, "it refuses all that it is sent") || len(s.Refused) > 0 {
				t.Errorf("from request %d on: meanwhile %+v", from, s)
			}
			g.settle(3 * time.Hour)
			for p := range g.account(0) {
				if !r.badSeries(p.series) {
					t.Fatalf("from request %d on: %v is set aside", from, p)
				}
			}
			if r.requests > 120 {
				t.Errorf("from request %d on: %d requests", from, r.requests)
			}
			before := r.requests
			g.source.add(10)
			g.settle(time.Hour)
			if made := r.requests - before; made > 2 {
				t.Errorf("from request %d on: %d more for the next batch", from, made)
			}
		})
	}
}

// TestMindsARepetition: a receiver that refuses a sample because it has it, in words of
// its own, is no receiver that refuses everything; in the same words it is taken for
// one, for a day at most, once in all.
func TestMindsARepetition(t *testing.T) {
	for words, most := range map[string]time.Duration{"I have that": time.Minute, "no": mostDoubted + time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			r := newReceiver()
			r.badSeries = seriesNo(1)
			g := newRig(t, 6, r)
			g.options.Transport = onlyOnce{r, words}
			g.source.add(20)
			g.start()
			defer g.stop()
			g.settle(most)
			g.source.add(1)
			g.settle(time.Minute)
			r.mu.Lock()
			r.badSeries = func(name string) bool { return seriesNo(1)(name) || seriesNo(4)(name) }
			r.mu.Unlock()
			time.Sleep(suspectTime)
			refused := g.sender.State().SetAside
			g.source.add(20)
			g.settle(time.Minute)
			bad := 0
			for p := range g.source.points(0) {
				if seriesNo(1)(p.series) || seriesNo(4)(p.series) && p.ms >= firstMS+21*1000 {
					bad++
				}
			}
			if refused == 0 {
				t.Errorf("%s: nothing was set aside at first", words)
			}
			if aside := g.account(0); len(aside) != bad {
				t.Errorf("%s: %d are set aside, %d are bad", words, len(aside), bad)
			}
		})
	}
}

// TestSameWords: refusals are told apart by their words, not by their numbers and times.
func TestSameWords(t *testing.T) {
	for _, c := range []struct {
		one, other string
		same       bool
	}{
		{"metrics.example answers 400 Bad Request: no tenant", "metrics.example answers 400 Bad Request: no tenant", true},
		{"answers 400 Bad Request: no tenant", "answers 400 Bad Request: label value not allowed", false},
		{"answers 400 Bad Request: no tenant", "answers 400 Bad Request", false},
		{"no tenant (request 8f3a-77ab, at 2026-11-30T09:45:01.5Z)", "no tenant (request 0000-c, at 2026-11-30T09:45:02.123Z)", true},
		{`{"error":"no tenant","id":"a1"}`, `{"id":"b22","error":"no tenant"}`, false},
		{"request 9: no tenant of that na…", "request 10: no tenant of that n…", true},
		{"request 9: no tenant of that na…", "request 10: no label of that n…", false},
		{"…", "", true},
	} {
		if got := sameWords(c.one, c.other); got != c.same || sameWords(c.other, c.one) != c.same {
			t.Errorf("%q and %q: the same %v, want %v", c.one, c.other, got, c.same)
		}
	}
}

// TestLostAnswerOfAPart: where the answer of a part of a series was lost and the rest was
// never sent, the part that is there does not say that the rest is.
func TestLostAnswerOfAPart(t *testing.T) {
	for n := range 8 {
		synctest.Test(t, func(t *testing.T) {
			script := make([]string, n, n+1)
			for i := range script {
				script[i] = stepOK
			}
			r := newReceiver(append(script, stepLost)...)
			r.badPoint = func(p point) bool { return p.ms == firstMS+2000 && seriesNo(0)(p.series) }
			r.phases = []phase{{From: n + 2, Requests: 60, For: time.Second}}
			g := newRig(t, 2, r)
			g.source.add(8)
			g.start()
			defer g.stop()
			g.settle(time.Hour)
			if aside := g.account(0); len(aside) > 4 {
				t.Errorf("lost at request %d: %d are set aside", n, len(aside))
			}
		})
	}
}

// TestRefusesAllOverLostAnswers: a receiver that refuses whatever it gets, loses answers
// and refuses again costs no sample without a trace: what was refused alone before a
// newer one of its series was taken is not there for that.
func TestRefusesAllOverLostAnswers(t *testing.T) {
	for n := range 3 * 4 * 4 {
		synctest.Test(t, func(t *testing.T) {
			before, unsent, refused := n%3, n/3%4, n/12+1
			script := slices.Repeat([]string{step401}, before)
			script = append(append(append(script, stepLost), slices.Repeat([]string{stepUnsent}, unsent)...), stepLost)
			r := newReceiver(script...)
			for _, from := range []int{1, before + refused + 2, before + 2*refused + unsent + 3} {
				r.phases = append(r.phases, phase{From: from, Requests: refused, For: time.Hour})
			}
			g := newRig(t, 3, r)
			g.source.add(2)
			g.start()
			defer g.stop()
			g.settle(6 * time.Hour)
			g.account(0)
		})
	}
}

// TestSuspectTakenLast: where only a series that was refused before is taken in the end,
// the others that were refused are not forgotten.
func TestSuspectTakenLast(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		r.badSeries = seriesNo(1)
		g := newRig(t, 3, r)
		g.source.add(20)
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		r.mu.Lock()
		r.badSeries = seriesNo(0)
		name := nameOf(g.source.at(0)[2].Labels)
		r.last[name] = point{name, firstMS + 1_000_000, 1}
		r.mu.Unlock()
		g.source.add(20)
		g.settle(time.Hour)
		g.account(0)
	})
}

// TestOneMindedAtFirst: a series whose oldest sample alone is minded, and nothing was
// taken before, is not taken for one that is minded whole.
func TestOneMindedAtFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		r.badPoint = func(p point) bool { return p.ms == firstMS || p.ms == firstMS+25*1000 }
		g := newRig(t, 1, r)
		for range 2 {
			g.source.add(20)
			g.start()
			g.settle(time.Hour)
			defer g.stop()
		}
		if aside := g.account(0); len(aside) != 2 {
			t.Errorf("%d are set aside of one series with two bad samples", len(aside))
		}
	})
}

// TestKilledBehindARefusal: the process ends after a newer sample was taken than one that
// was refused. The next one is told that the newer ones are there already, and does not
// take that for an answer about the one that is not.
func TestKilledBehindARefusal(t *testing.T) {
	for n := range 20 {
		synctest.Test(t, func(t *testing.T) {
			script := make([]string, n, n+1)
			for i := range script {
				script[i] = stepOK
			}
			r := newReceiver(append(script, stepKillLate)...)
			r.badPoint = func(p point) bool { return p.ms == firstMS+42*1000 }
			g := newRig(t, 1, r)
			g.source.add(60)
			g.start()
			time.Sleep(time.Minute)
			synctest.Wait()
			g.stop()
			r.script = nil
			g.source.add(20)
			g.start()
			defer g.stop()
			g.settle(time.Hour)
			if aside := g.account(0); len(aside) > 1+60/slicesOfTime+1 { // the slice that holds the end of what is there
				t.Errorf("killed at request %d: %d are set aside", n, len(aside))
			}
		})
	}
}

// TestKilledBehindManyRefusals: more series than the cursor notes were refused before the
// process ended. None is lost for that.
func TestKilledBehindManyRefusals(t *testing.T) {
	for n := 14; n < 22; n++ { // by then the oldest are refused for good
		synctest.Test(t, func(t *testing.T) {
			script := make([]string, n, n+1)
			for i := range script {
				script[i] = stepOK
			}
			r := newReceiver(append(script, stepKillLate)...)
			g := newRig(t, mostHoles+50, r)
			g.options.MostSamples = 20 * g.source.series
			g.source.add(16)
			for _, name := range namesOf(g.source.points(0)) { // another sender was a little ahead
				r.last[name] = point{name, firstMS + 3500, 1}
			}
			g.start()
			time.Sleep(time.Minute)
			synctest.Wait()
			g.stop()
			r.script = nil
			g.start()
			defer g.stop()
			g.settle(4 * time.Hour)
			g.account(0)
		})
	}
}

func namesOf(points map[point]bool) []string {
	names := map[string]bool{}
	for p := range points {
		names[p.series] = true
	}
	return slices.Sorted(maps.Keys(names))
}

// TestKilledOverAPartSent: of a batch of which an earlier process may have sent a part,
// an answer that was never seen does not say that the rest is there too.
func TestKilledOverAPartSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRig(t, 5, newReceiver())
		g.source.add(20)
		g.start()
		g.settle(time.Minute)
		g.stop()
		path := filepath.Join(g.dir, outward.FolderOf("head office"), cursorFile)
		if err := os.WriteFile(path, []byte("damaged"), 0o600); err != nil {
			t.Fatal(err)
		}
		g.source.add(15)
		g.receiver.script = []string{stepKill}
		g.start()
		time.Sleep(time.Minute)
		synctest.Wait()
		g.stop()
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		if aside := g.account(0); len(aside) > 200/slicesOfTime+5 {
			t.Errorf("%d are set aside", len(aside))
		}
	})
}
