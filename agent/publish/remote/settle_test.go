package remote

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func seriesNo(n int) func(string) bool {
	name := fmt.Sprintf("loadscribe_reading_%03d ", n)
	return func(s string) bool { return strings.HasPrefix(strings.TrimPrefix(s, NameLabel+"="), name) }
}

// TestOneBadSeries: a series that the receiver will not have is found, set aside with
// the reply, and costs a request a batch from then on; after an hour it is tried again.
func TestOneBadSeries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		r.badSeries = seriesNo(7)
		g := newRig(t, 40, r)
		g.options.MostSamples = 2000
		g.source.add(50)
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		first := r.requests
		if first > 1+2*6+2*6+aloneRefused {
			t.Errorf("%d requests to find one of 40 series", first)
		}
		aside := g.account(0)
		bad := 0
		for p := range g.source.points(0) {
			if r.badSeries(p.series) {
				bad++
			}
		}
		if s := g.sender.State(); len(aside) != bad || s.Refused[ReasonOther] != int64(bad) || s.SetAside != int64(bad) || s.Aside == "" || s.Why != "" {
			t.Errorf("%d set aside, %d are bad: %+v", len(aside), bad, s)
		}
		for range 10 {
			g.source.add(1)
			time.Sleep(time.Minute)
		}
		synctest.Wait()
		if n := r.requests - first; n > 20 {
			t.Errorf("%d requests for ten batches with a series that is known to be refused", n)
		}
		r.mu.Lock()
		r.badSeries = nil
		r.mu.Unlock()
		time.Sleep(time.Hour)
		g.source.add(50)
		time.Sleep(time.Minute)
		synctest.Wait()
		before := len(aside)
		if aside = g.account(0); len(aside) > before+10 {
			t.Errorf("%d more are set aside after the receiver has changed its mind", len(aside)-before)
		}
	})
}

// TestOneOfTwoMended: of two series that were refused the one that the receiver takes
// again is sent an hour later at most, though the other is refused still.
func TestOneOfTwoMended(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		r.badSeries = func(name string) bool { return seriesNo(3)(name) || seriesNo(5)(name) }
		g := newRig(t, 8, r)
		g.source.add(20)
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		r.mu.Lock()
		r.badSeries = seriesNo(3)
		r.mu.Unlock()
		time.Sleep(suspectTime)
		first := g.source.scans
		g.source.add(20)
		g.settle(time.Hour)
		for p := range g.account(0) {
			if seriesNo(5)(p.series) && p.ms >= firstMS+int64(first)*1000 {
				t.Fatalf("%v is set aside, which the receiver takes again", p)
			}
		}
	})
}

// TestOneBadSample: of a series that is fine otherwise only the sample that the
// receiver will not have is set aside.
func TestOneBadSample(t *testing.T) {
	for _, scan := range []int{0, 1, 23, 48, 49} {
		synctest.Test(t, func(t *testing.T) {
			r := newReceiver()
			r.badPoint = func(p point) bool { return p.ms == firstMS+int64(scan)*1000 && seriesNo(0)(p.series) }
			g := newRig(t, 40, r)
			g.options.MostSamples = 2000
			g.source.add(50)
			g.start()
			defer g.stop()
			g.settle(time.Hour)
			if aside := g.account(0); len(aside) != 1 || g.sender.State().Refused[ReasonOther] != 1 {
				t.Errorf("scan %d: %d set aside: %v", scan, len(aside), g.sender.State().Refused)
			}
			if r.requests > 1+2*6+2*6 {
				t.Errorf("scan %d: %d requests to find one of 2000 samples", scan, r.requests)
			}
		})
	}
}

// TestRefusesAll: a receiver that answers 400 to everything is no reason to throw a
// week away: it is held, in a bounded number of requests, and goes on when it is mended.
// Mended within a search it may cost what TestMendedWithinASearch says.
func TestRefusesAll(t *testing.T) {
	for series, code := range map[int]int{1: 400, 3: 422, 40: 400, 150: 413} {
		synctest.Test(t, func(t *testing.T) {
			r := newReceiver()
			r.always = func() (int, string) { return code, "no tenant" }
			g := newRig(t, series, r)
			g.options.MostSamples = 2000
			g.source.add(50)
			g.start()
			defer g.stop()
			const hours = 6
			time.Sleep(hours * time.Hour)
			synctest.Wait()
			s := g.sender.State()
			if !s.Held || !strings.Contains(s.Why, "it refuses all") || !strings.Contains(s.Why, "no tenant") || s.SetAside != 0 || len(s.Refused) != 0 {
				t.Errorf("%d series: state %+v", series, s)
			}
			if perHour := r.requests / hours; perHour > 7*(mostUntaken+14) {
				t.Errorf("%d series: %d requests an hour", series, perHour)
			}
			for i := freeRequests; i < min(len(r.times), mostUntaken); i++ {
				if gap := r.times[i].Sub(r.times[i-1]); series == 40 && gap < slowEvery {
					t.Fatalf("request %d of a batch comes %v after the one before", i, gap)
				}
			}
			r.mu.Lock()
			r.always = nil
			r.mu.Unlock()
			g.settle(time.Hour)
			if aside := g.account(0); len(aside) >= aloneRefused {
				t.Errorf("%d series: %d were set aside", series, len(aside))
			}
		})
	}
}

// TestMendedWithinASearch: a receiver that refuses whatever it gets and is mended while
// a batch is being split takes it all. Of the one series whose samples are tried singly
// just then the oldest may come too late for a receiver that is strict about order.
func TestMendedWithinASearch(t *testing.T) {
	for _, strict := range []bool{true, false} {
		late := 0
		for n := 1; n < mostUntaken; n++ {
			synctest.Test(t, func(t *testing.T) {
				r := newReceiver()
				r.strict = strict
				r.always = func() (int, string) {
					if r.requests == n {
						r.always = nil
					}
					return 400, "no tenant"
				}
				g := newRig(t, 40, r)
				g.options.MostSamples = 2000
				g.source.add(50)
				g.start()
				defer g.stop()
				g.settle(time.Hour)
				if !strict {
					clear(r.arrivals) // it minds no order, and what is in doubt comes after the rest
				}
				aside := g.account(0)
				of := map[string]bool{}
				for p := range aside {
					of[p.series] = true
				}
				if len(of) > 1 || len(aside) >= aloneRefused || len(aside) > 0 && !strict {
					t.Errorf("mended after %d requests: %d of %d series were set aside", n, len(aside), len(of))
				}
				late += len(aside)
				if s := g.sender.State(); s.Held || s.Refused[ReasonOther] > 0 || s.There > 0 {
					t.Errorf("mended after %d requests: state %+v", n, s)
				}
				g.source.add(10) // and no series is under suspicion from then on
				before := len(r.times)
				g.settle(time.Hour)
				if made := len(r.times) - before; made > 2 {
					t.Errorf("mended after %d requests: %d more for the next batch", n, made)
				}
			})
		}
		if late > mostUntaken {
			t.Errorf("%d samples came too late in %d searches", late, mostUntaken-1)
		}
	}
}

// TestTooLarge: requests become smaller until the receiver takes them, and stay so.
func TestTooLarge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		g := newRig(t, 40, r)
		g.options.Transport = atMost{r, 300}
		g.options.MostSamples = 2000
		g.source.add(1000)
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		if aside := g.account(0); len(aside) > 0 {
			t.Errorf("%d were set aside", len(aside))
		}
		if n := len(g.source.points(0)); r.requests > 2*n/150 {
			t.Errorf("%d requests for %d samples", r.requests, n)
		}
	})
}

// TestOutOfBounds: what is too old for the receiver is counted as such and set aside;
// what is not is taken, but for a part of one batch at the boundary.
func TestOutOfBounds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		r.bound = func() int64 { return firstMS + 333*1000 }
		g := newRig(t, 12, r)
		g.source.add(600)
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		aside := g.account(0)
		old := 0
		for p := range g.source.points(0) {
			if p.ms < r.bound() {
				old++
			}
		}
		if s := g.sender.State(); len(aside) < old || len(aside) > old+200/slicesOfTime+12 || s.Refused[ReasonTooOld] != int64(len(aside)) {
			t.Errorf("%d set aside, %d are too old: %v", len(aside), old, s.Refused)
		}
		if s := g.sender.State(); s.Held || s.Why != "" {
			t.Errorf("state %+v", s)
		}
	})
}

// TestBadBesideOld: a sample that the receiver minds, in a batch that begins too old for
// it, is found before anything later of its series is sent.
func TestBadBesideOld(t *testing.T) {
	for bad := 326; bad < 345; bad++ {
		synctest.Test(t, func(t *testing.T) {
			r := newReceiver()
			r.bound = func() int64 { return firstMS + 325*1000 }
			r.badPoint = func(p point) bool { return p.ms == firstMS+int64(bad)*1000 && seriesNo(0)(p.series) }
			g := newRig(t, 12, r)
			g.source.add(400)
			g.start()
			defer g.stop()
			g.settle(time.Hour)
			for p := range g.account(0) {
				if p.ms >= firstMS+330*1000 && !r.badPoint(p) {
					t.Fatalf("bad is scan %d, but %v is set aside", bad, p)
				}
			}
		})
	}
}

// TestAnotherSender: series that somebody else writes ahead of us are refused, however
// many there are and though an answer was lost; the others are taken whole.
func TestAnotherSender(t *testing.T) {
	for _, late := range []int{1, 4, 8} {
		for _, script := range [][]string{nil, {stepUnsent}, {stepOK, stepUnsent, stepHang}} {
			synctest.Test(t, func(t *testing.T) {
				r := newReceiver(script...)
				g := newRig(t, 40, r)
				g.source.add(30)
				theirs := map[string]bool{}
				for i := range late {
					name := nameOf([]Label{{NameLabel, fmt.Sprintf("loadscribe_reading_%03d", 1+i*40/late)}, {"site", "harrow-lane"}})
					r.last[name] = point{name, firstMS + 1_000_000, 1}
					theirs[name] = true
				}
				g.start()
				defer g.stop()
				g.settle(time.Hour)
				aside := g.account(0)
				for p := range aside {
					if !theirs[p.series] {
						t.Fatalf("%d of another sender, %v: %v is set aside", late, script, p)
					}
				}
				if s := g.sender.State(); len(aside) == 0 || s.Refused[ReasonOutOfOrder] != int64(len(aside)) || s.There != 0 {
					t.Errorf("%d of another sender, %v: %d set aside: %+v", late, script, len(aside), s)
				}
			})
		}
	}
}

// TestRefusesAllAmongAnotherSendersSeries: a receiver that refuses whatever it gets while
// such series are looked for costs one other series at most.
func TestRefusesAllAmongAnotherSendersSeries(t *testing.T) {
	for from := 2; from < 32; from += 2 {
		synctest.Test(t, func(t *testing.T) {
			r := newReceiver()
			r.phases = []phase{{From: from, Requests: 8, For: time.Hour}}
			g := newRig(t, 40, r)
			g.source.add(10)
			theirs := func(i int) bool { return i%10 == 1 }
			for i := range 40 {
				if name := nameOf([]Label{{NameLabel, fmt.Sprintf("loadscribe_reading_%03d", i)}, {"site", "harrow-lane"}}); theirs(i) {
					r.last[name] = point{name, firstMS + 1_000_000, 1}
				}
			}
			g.start()
			defer g.stop()
			g.settle(6 * time.Hour)
			wronged := map[string]bool{}
			for p := range g.account(0) {
				if r.last[p.series].ms != firstMS+1_000_000 {
					wronged[p.series] = true
				}
			}
			if len(wronged) > 1 {
				t.Errorf("from request %d on: %d other series are set aside", from, len(wronged))
			}
		})
	}
}
