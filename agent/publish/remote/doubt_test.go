package remote

import (
	"os"
	"path/filepath"
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
			g.options.MostSamples = 2000
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
// one, for a day at most.
func TestMindsARepetition(t *testing.T) {
	for words, most := range map[string]time.Duration{"I have that": time.Minute, "no": mostDoubted + time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			r := newReceiver()
			r.badSeries = seriesNo(1)
			g := newRig(t, 3, r)
			g.options.Transport = onlyOnce{r, words}
			g.source.add(20)
			g.start()
			defer g.stop()
			g.settle(most)
			bad := 0
			for p := range g.source.points(0) {
				if r.badSeries(p.series) {
					bad++
				}
			}
			if aside := g.account(0); len(aside) != bad {
				t.Errorf("%s: %d are set aside, %d are bad", words, len(aside), bad)
			}
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
