package remote

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestKilledAnywhere ends the process at each request in turn, before and after the
// receiver has taken it, with and without something to split: nothing is lost.
func TestKilledAnywhere(t *testing.T) {
	kills := 24
	if testing.Short() { // under the race detector
		kills = 8
	}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		kills = 80
	}
	for _, bad := range []int{-1, 0, 4, 9} {
		for _, step := range []string{stepKill, stepKillLate} {
			for n := range kills {
				synctest.Test(t, func(t *testing.T) {
					script := make([]string, n, n+1)
					for i := range script {
						script[i] = stepOK
					}
					r := newReceiver(append(script, step)...)
					if bad >= 0 {
						r.badSeries = seriesNo(bad)
					}
					g := newRig(t, 10, r)
					g.source.add(50)
					g.start()
					time.Sleep(time.Minute)
					synctest.Wait()
					g.stop()
					r.script = nil // of those that need fewer requests
					g.source.add(20)
					g.start()
					defer g.stop()
					g.settle(time.Hour)
					aside := g.account(0)
					if t.Failed() {
						t.Fatalf("%s at %d, bad %d: %+v", step, n, bad, g.sender.State())
					}
					for p := range aside {
						if r.badSeries == nil || !r.badSeries(p.series) {
							t.Fatalf("%s at %d, bad %d: %v is set aside", step, n, bad, p)
						}
					}
					if r.requests > 200 {
						t.Errorf("%s at %d: %d requests", step, n, r.requests)
					}
				})
			}
		}
	}
}

// TestSourceForgets: a source that cannot end the batch again where it ended before
// the kill gives more: what is new of it arrives all the same, or is set aside.
func TestSourceForgets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRig(t, 5, newReceiver(stepKillLate))
		g.source.add(20)
		g.source.forgets = true
		g.start()
		time.Sleep(time.Minute)
		g.stop()
		g.source.add(15)
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		if s := g.sender.State(); s.There == 0 {
			t.Errorf("%+v", s)
		}
		if aside := g.account(0); len(aside) > 200/slicesOfTime+5 {
			t.Errorf("%d set aside", len(aside))
		}
	})
}

// TestStaleCursor: while the disk was full samples went out, and then the process was
// killed. The next one finds them there, sends what is new, and sets aside no more than
// what may be between the two.
func TestStaleCursor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newRig(t, 5, newReceiver())
		g.source.add(100)
		g.start()
		g.settle(time.Minute)
		for range 5 {
			g.disk.fill(true)
			g.source.add(60)
			g.settle(time.Minute)
		}
		if g.sender.State().CursorFault == "" {
			t.Error("a disk that is full passes for one that takes the cursor")
		}
		g.receiver.kill()
		g.stop()
		g.disk.fill(false)
		g.source.add(110)
		g.start()
		defer g.stop()
		g.settle(time.Hour)
		s := g.sender.State()
		if aside := g.account(0); len(aside) > 200/slicesOfTime+5 || s.There < 1000 || s.CursorFault != "" {
			t.Errorf("%d set aside: %+v", len(aside), s)
		}
	})
}

// TestDamagedCursor: a cursor that cannot be read is set aside, the next one beside it,
// and the sending begins anew: a strict receiver has it all already, which counts so.
func TestDamagedCursor(t *testing.T) {
	for name, spoil := range map[string]func([]byte) []byte{
		"empty":    func([]byte) []byte { return nil },
		"cut":      func(b []byte) []byte { return b[:len(b)-9] },
		"flipped":  func(b []byte) []byte { b[20] ^= 1; return b },
		"longer":   func(b []byte) []byte { return append(b, "x\n"...) },
		"huge":     func([]byte) []byte { return make([]byte, mostCursor+100) },
		"no JSON":  func([]byte) []byte { return seal([]byte("hello")) },
		"newer":    func([]byte) []byte { return seal([]byte(`{"format":2}`)) },
		"position": func([]byte) []byte { return seal([]byte(`{"format":1,"position":7}`)) },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := newRig(t, 5, newReceiver())
				g.source.add(300)
				g.start()
				g.settle(time.Minute)
				g.stop()
				path := filepath.Join(g.dir, "hex-68656164206f6666696365", cursorFile)
				data, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(path, spoil(data), 0o600); err != nil {
					t.Fatal(err)
				}
				g.source.add(110)
				g.start()
				g.settle(time.Hour)
				s := g.sender.State()
				if aside := g.account(0); len(aside) > 200/slicesOfTime+5 || s.There < 5*200 || !strings.Contains(s.Note, "cursor.damaged-1") {
					t.Errorf("%d set aside: %+v", len(aside), s)
				}
				g.stop()
				if _, err := os.Stat(path + ".damaged-1"); err != nil {
					t.Error(err)
				}
			})
		})
	}
}
