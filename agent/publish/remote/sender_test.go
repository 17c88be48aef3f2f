package remote

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func jsonStrict(data []byte, to any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	return d.Decode(to)
}

// TestSends: what a source has goes out, what is added goes out, and a restart goes on
// where the sender was.
func TestSends(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRig(t, 5, newReceiver())
		g.source.add(300)
		g.start()
		g.settle(time.Minute)
		g.source.add(3)
		g.sender.Wake()
		synctest.Wait() // no time passes
		if at, _, _ := g.sender.position(); string(at) != "303" {
			t.Errorf("woken, it is at %s", at)
		}
		g.stop()
		before := g.receiver.requests
		g.source.add(50)
		g.start()
		g.settle(time.Minute)
		defer g.stop()
		if aside := g.account(0); len(aside) > 0 {
			t.Errorf("%d were set aside", len(aside))
		}
		s := g.sender.State()
		if got := g.receiver.requests - before; got > 2 {
			t.Errorf("%d requests for 50 scans after a restart", got)
		}
		for p, n := range g.receiver.points {
			if n != 1 {
				t.Fatalf("%v came %d times", p, n)
			}
		}
		if int(s.Samples) != len(g.source.points(0)) || int(s.Requests) != g.receiver.requests || s.Retried != 0 || s.OldestUnsentMS != 0 ||
			s.LastSampleMS != firstMS+352*1000 || s.Why != "" || s.To != "https://metrics.example" || s.Bytes == 0 {
			t.Errorf("state %+v", s)
		}
	})
}

// TestRetries: what each fault costs, and that nothing is lost or repeated by it.
func TestRetries(t *testing.T) {
	for _, c := range []struct {
		step        string
		least, most time.Duration // until all is there
		there       bool          // the resend finds it there
		held        bool
	}{
		{stepUnsent, 800 * time.Millisecond, time.Second, false, false},
		{stepLost, 800 * time.Millisecond, time.Second, true, false},
		{stepHalf, 800 * time.Millisecond, time.Second, true, false},
		{step500, 800 * time.Millisecond, time.Second, false, false},
		{step503, 800 * time.Millisecond, time.Second, false, false},
		{step429, 800 * time.Millisecond, time.Second, false, false},
		{stepHang, requestTime + 800*time.Millisecond, requestTime + time.Second, false, false},
		{step401, 48 * time.Second, time.Minute, false, true},
		{step404, 48 * time.Second, time.Minute, false, true},
		{stepRedirect, 48 * time.Second, time.Minute, false, true},
	} {
		t.Run(c.step, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := newRig(t, 5, newReceiver(c.step))
				g.source.add(20)
				began := time.Now()
				g.start()
				defer g.stop()
				time.Sleep(c.least - time.Millisecond)
				synctest.Wait()
				s := g.sender.State()
				if s.Samples != 0 || s.FailingSinceMS == 0 || s.Why == "" || s.Held != c.held || s.OldestUnsentMS != firstMS {
					t.Errorf("meanwhile %+v", s)
				}
				g.settle(time.Hour)
				took := g.receiver.times[len(g.receiver.times)-1].Sub(began)
				if took < c.least || took > c.most {
					t.Errorf("took %v, want %v to %v", took, c.least, c.most)
				}
				s = g.sender.State()
				all := int64(len(g.source.points(0)))
				if s.Retried != 1 || s.FailingSinceMS != 0 || s.Why != "" || c.there != (s.There == all) || c.there == (s.Samples == all) {
					t.Errorf("state %+v of %d samples", s, all)
				}
				if aside := g.account(0); len(aside) > 0 {
					t.Errorf("%d were set aside", len(aside))
				}
			})
		})
	}
}

// TestBacksOff: waits double to minutes, and what a receiver asks for is kept, in both
// forms and an hour at most (RFC 9110, section 10.2.3).
func TestBacksOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		r.always = func() (int, string) { return 503, "" }
		g := newRig(t, 2, r)
		g.source.add(1)
		g.start()
		time.Sleep(24 * time.Hour)
		g.stop()
		for i := 1; i < len(r.times); i++ {
			most := min(firstWait<<min(i-1, 20), mostWait)
			if gap := r.times[i].Sub(r.times[i-1]); gap < most*4/5 || gap > most {
				t.Fatalf("wait %d is %v, want %v or up to a fifth less", i, gap, most)
			}
		}
		if n := len(r.times); n < 280 || n > 380 {
			t.Errorf("%d requests in a day", n)
		}
	})
	for said, want := range map[string]time.Duration{"90": 90 * time.Second, "date": 2 * time.Minute, "100000": time.Hour, "never": time.Second} {
		synctest.Test(t, func(t *testing.T) {
			if said == "date" {
				said = time.Now().Add(2 * time.Minute).UTC().Format("Mon, 02 Jan 2006 15:04:05 GMT")
			}
			r := newReceiver()
			g := newRig(t, 2, r)
			g.options.Transport = retryAfter{r, said}
			g.source.add(1)
			g.start()
			g.settle(2 * time.Hour)
			g.stop()
			if gap := r.times[1].Sub(r.times[0]); gap < want*4/5 || gap > want {
				t.Errorf("Retry-After: %s: waited %v, want %v", said, gap, want)
			}
		})
	}
}

// TestSetUpFaultsHold: a fault that a person must mend loses nothing, costs a request
// each ten minutes and is over as soon as it is mended.
func TestSetUpFaultsHold(t *testing.T) {
	for _, code := range []int{301, 401, 403, 404, 405, 410, 415} {
		synctest.Test(t, func(t *testing.T) {
			broken := true
			r := newReceiver()
			r.always = func() (int, string) { return code, "see the \x1b[31mmanual\r\nplease" }
			g := newRig(t, 3, r)
			g.source.add(100)
			g.start()
			defer g.stop()
			time.Sleep(24 * time.Hour)
			synctest.Wait()
			s := g.sender.State()
			if !s.Held || !strings.Contains(s.Why, fmt.Sprintf("metrics.example answers %d", code)) || !strings.Contains(s.Why, "see the  [31mmanual  please") || s.Samples != 0 {
				t.Errorf("%d: state %+v", code, s)
			}
			if n := r.requests; n < 140 || n > 190 {
				t.Errorf("%d: %d requests in a day", code, n)
			}
			r.mu.Lock()
			r.always, broken = nil, false
			r.mu.Unlock()
			g.settle(mostHeld + time.Minute)
			if aside := g.account(0); len(aside) > 0 || g.sender.State().Held || broken {
				t.Errorf("%d: %d were set aside", code, len(aside))
			}
		})
	}
}

// TestSourceFails: a source that cannot be read is asked again, and said.
func TestSourceFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRig(t, 3, newReceiver())
		g.source.add(10)
		g.source.err = errors.New("the store is away")
		g.start()
		defer g.stop()
		time.Sleep(time.Hour)
		synctest.Wait()
		if s := g.sender.State(); !strings.Contains(s.Why, "the store is away") || s.FailingSinceMS == 0 {
			t.Errorf("state %+v", s)
		}
		if g.source.asked > 30 {
			t.Errorf("asked %d times in an hour", g.source.asked)
		}
		g.source.mu.Lock()
		g.source.err = nil
		g.source.mu.Unlock()
		g.settle(10 * time.Minute)
		g.account(0)
	})
}

// TestMissed: what retention drops while the receiver is away is counted, once, and the
// rest arrives.
func TestMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReceiver()
		r.always = func() (int, string) { return 503, "" }
		g := newRig(t, 3, r)
		g.source.add(500)
		g.start()
		defer g.stop()
		time.Sleep(time.Hour)
		g.source.drop(300)
		r.mu.Lock()
		r.always = nil
		r.mu.Unlock()
		g.settle(time.Hour)
		// The batch that was under way when they were dropped was in memory.
		had := 0
		for p := range r.points {
			if p.ms < firstMS+300*1000 {
				had++
			}
		}
		if s := g.sender.State(); s.Missed == 0 || int(s.Missed) > 300 || had == 0 {
			t.Errorf("missed %d, %d of the dropped arrived", s.Missed, had)
		}
		missed := g.sender.State().Missed
		g.account(300)
		time.Sleep(time.Hour)
		if now := g.sender.State().Missed; now != missed {
			t.Errorf("missed grows from %d to %d", missed, now)
		}
	})
}
