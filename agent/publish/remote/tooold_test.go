package remote

import (
	"testing"
	"testing/synctest"
	"time"
)

// TestTooOldIsNotThere: "too old" tells of the receiver's other series, not of what it
// has of ours. After an outage with answers that may have been lost, and after a kill in
// the middle of it, what is too old was never delivered and does not count as there,
// and what is not too old is sent.
func TestTooOldIsNotThere(t *testing.T) {
	for name, kill := range map[string]bool{"answers are lost": false, "killed as well": true} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var bound int64
				r := newReceiver(stepHang, step503, stepUnsent)
				if kill {
					r.script = append(r.script, stepKill)
				}
				r.bound = func() int64 { return bound }
				g := newRig(t, 6, r)
				g.source.add(200) // some batches of 200 samples
				g.start()
				time.Sleep(time.Second)
				bound = firstMS + 90*1000 // within a batch that is not the first
				if kill {
					time.Sleep(5 * time.Minute)
					synctest.Wait()
					g.stop()
					g.start()
				}
				defer g.stop()
				g.settle(time.Hour)
				aside, old := g.account(0), 0
				for p := range g.source.points(0) {
					if p.ms < bound {
						old++
					}
				}
				s := g.sender.State()
				if len(aside) < old || len(aside) > old+200/slicesOfTime+6 || s.There != 0 || s.Refused[ReasonTooOld] != int64(len(aside)) {
					t.Errorf("%d set aside, %d are too old: %+v", len(aside), old, s)
				}
			})
		})
	}
}

// TestSuspectsForTwoReasons: of series that were refused before, one is too old now and
// another is refused as ever: both are set aside, and none is forgotten.
func TestSuspectsForTwoReasons(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		r.badSeries = func(name string) bool { return seriesNo(0)(name) || seriesNo(1)(name) }
		g := newRig(t, 8, r)
		g.source.add(20)
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		r.mu.Lock()
		r.badSeries = seriesNo(1)
		r.mu.Unlock()
		r.ahead(firstMS + 30*1000)
		g.source.add(20)
		g.settle(time.Hour)
		g.account(0)
		s := g.sender.State()
		if all, settled := len(g.source.points(0)), s.Samples+s.There+s.Refused[ReasonTooOld]+s.Refused[ReasonOther]; settled != int64(all) {
			t.Errorf("%d samples are accounted for, of %d: %+v", settled, all, s)
		}
	})
}
