package pulse

import (
	"context"
	"testing"
	"testing/synctest"
	"time"
)

func TestLook(t *testing.T) {
	const second = time.Second
	for _, c := range []struct {
		name  string
		do    func(p *Pulse) (string, time.Duration)
		hangs string
		since time.Duration
	}{
		{"idle for a day", func(p *Pulse) (string, time.Duration) { return p.Look(24 * time.Hour) }, "", 0},
		{"busy as long as it may be", func(p *Pulse) (string, time.Duration) {
			p.Busy("reading", 5*second)
			p.Look(5 * second)
			return p.Look(Grace)
		}, "", 0},
		{"longer", func(p *Pulse) (string, time.Duration) {
			p.Busy("reading", 5*second)
			p.Look(5 * second)
			p.Look(Grace)
			return p.Look(second)
		}, "reading", 6*second + Grace},
		{"each step counts anew", func(p *Pulse) (string, time.Duration) {
			for range 100 {
				p.Busy("reading", 5*second)
				p.Look(10 * second)
			}
			return p.Look(second)
		}, "", 0},
		{"it comes back", func(p *Pulse) (string, time.Duration) {
			p.Busy("reading", 0)
			p.Look(time.Hour)
			p.Idle()
			return p.Look(time.Hour)
		}, "", 0},
	} {
		if hangs, since := c.do(&Pulse{}); hangs != c.hangs || since != c.since {
			t.Errorf("%s: got %q since %v, want %q since %v", c.name, hangs, since, c.hangs, c.since)
		}
	}
}

// TestASleepIsNoHang: the looks stand still with the process, so that hours of sleep,
// between two of them, count as seconds.
func TestASleepIsNoHang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		var p Pulse
		p.Busy("reading", 0)
		looks, hung := 0, ""
		asleep := make(chan struct{})
		go func() {
			time.Sleep(8 * time.Hour) // the computer's
			close(asleep)
		}()
		done := make(chan struct{})
		go func() {
			defer close(done)
			Watch(ctx, func(passed time.Duration) {
				if looks++; looks == 3 {
					<-asleep
				}
				if hangs, _ := p.Look(passed); hangs != "" {
					hung = hangs
				}
			})
		}()
		time.Sleep(8*time.Hour + 5*time.Second)
		stop()
		<-done
		if hung != "" || looks < 5 {
			t.Errorf("after the computer slept it is said to hang in %q; %d looks", hung, looks)
		}
	})
}
