package remote

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"loadscribe/agent/outward"
)

// TestKilledAnywhere ends the process at each request in turn, before and after the
// receiver has taken it, with and without something to split: nothing is lost.
func TestKilledAnywhere(t *testing.T) {
	kills := 24
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

// plan is what befalls a sender in TestWhateverHappens.
type plan struct {
	Series    int
	Strict    bool
	BadSeries []int
	BadScans  []int
	Script    []string
	Acts      []string
	Most      int
	filled    bool // the disk was full: the cursor may be older than what was sent
}

func drawPlan(t *rapid.T) plan {
	steps := []string{stepOK, stepOK, stepOK, stepLost, stepUnsent, stepHalf, step500, step503, step429, step401, step404, stepRedirect, stepHang, stepKill, stepKillLate}
	acts := []string{"add", "add", "sleep", "sleep", "restart", "full", "room"}
	return plan{
		Series:    rapid.IntRange(2, 12).Draw(t, "series"),
		Strict:    rapid.Bool().Draw(t, "strict"),
		BadSeries: rapid.SliceOfNDistinct(rapid.IntRange(1, 11), 0, 2, rapid.ID[int]).Draw(t, "bad series"),
		BadScans:  rapid.SliceOfN(rapid.IntRange(0, 40), 0, 2).Draw(t, "bad scans"),
		Script:    rapid.SliceOfN(rapid.SampledFrom(steps), 0, 20).Draw(t, "script"),
		Acts:      rapid.SliceOfN(rapid.SampledFrom(acts), 1, 12).Draw(t, "acts"),
		Most:      rapid.IntRange(10, 120).Draw(t, "most"),
	}
}

// recorder keeps what a plan's run complains of.
type recorder struct{ said []string }

func (*recorder) Helper()                     {}
func (r *recorder) Errorf(f string, a ...any) { r.said = append(r.said, fmt.Sprintf(f, a...)) }
func (r *recorder) Fatalf(f string, a ...any) { r.Errorf(f, a...); panic(r) }

// TestWhateverHappens lets lost answers, refusals, kills, a full disk and restarts
// befall a sender in any order. In the end each sample is with the receiver or set
// aside, in its order, what is set aside is what the receiver minds, the counters add
// up, and there is no loop (-rapid.checks=3000 for longer).
func TestWhateverHappens(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := drawPlan(rt)
		var said recorder
		synctest.Test(t, func(t *testing.T) { p.run(t.TempDir(), &said) })
		if len(said.said) > 0 {
			rt.Fatalf("%s", strings.Join(said.said, "\n"))
		}
	})
}

func (p *plan) run(dir string, said *recorder) {
	r := newReceiver(p.Script...)
	r.strict = p.Strict
	r.badSeries = func(name string) bool {
		for _, n := range p.BadSeries {
			if seriesNo(n)(name) {
				return true
			}
		}
		return false
	}
	r.badPoint = func(at point) bool {
		for _, n := range p.BadScans {
			if at.ms == firstMS+int64(n)*1000 && seriesNo(0)(at.series) {
				return true
			}
		}
		return false
	}
	g := rigIn(said, dir, p.Series, r)
	g.options.MostSamples = p.Most
	g.start()
	defer func() {
		g.stop()
		if failed := recover(); failed != nil && failed != any(said) {
			panic(failed)
		}
	}()
	for _, act := range p.Acts {
		switch act {
		case "add":
			g.source.add(8)
		case "sleep":
			time.Sleep(40 * time.Second)
		case "restart":
			p.restart(g)
		case "full", "room":
			g.disk.fill(act == "full")
			p.filled = p.filled || act == "full"
		}
		synctest.Wait()
		p.reviveIfDead(g)
	}
	g.source.add(8)
	g.disk.fill(false)
	for len(r.left()) > 0 { // the rest of the script
		time.Sleep(time.Minute)
		synctest.Wait()
		g.source.add(1)
		p.reviveIfDead(g)
	}
	p.reviveIfDead(g)
	g.source.add(8 + max(0, 48-g.source.scans)) // a sample that is minded and alone is held until more comes
	g.settle(3 * time.Hour)
	g.stop()
	p.judge(g)
}

func (p *plan) restart(g *rig) {
	g.stop()
	g.start()
}

// reviveIfDead starts a process in place of one that the script has killed.
func (p *plan) reviveIfDead(g *rig) {
	g.disk.mu.Lock()
	dead := g.disk.dead
	g.disk.mu.Unlock()
	if dead {
		p.restart(g)
	}
}

func (p *plan) judge(g *rig) {
	g.t.Helper()
	r := g.receiver
	for at := range g.account(0) {
		if minded := r.badSeries(at.series) || seriesNo(0)(at.series) && len(p.BadScans) > 0; !minded && !p.filled {
			g.t.Errorf("%v is set aside, which the receiver does not mind", at)
		}
	}
	for at := range r.points {
		if r.badSeries(at.series) || r.badPoint(at) {
			g.t.Errorf("%v is with a receiver that minds it", at)
		}
	}
	s, err := ReadState(g.dir, g.config())
	if err != nil {
		g.t.Fatalf("%v", err)
	}
	settled := s.Samples + s.There
	for _, n := range s.Refused {
		settled += n
	}
	if all := int64(len(g.source.points(0))); settled < all && !p.filled {
		g.t.Errorf("%d samples are accounted for, of %d", settled, all)
	}
	if most := 100 + 25*len(p.Script) + g.source.scans*p.Series; r.requests > most {
		g.t.Errorf("%d requests, at most %d expected", r.requests, most)
	}
}

func (r *receiver) left() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.script
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

// cutDisk is a disk whose power fails after so many steps: names that were not synced
// by then are as they were before.
type cutDisk struct {
	outward.Disk
	steps  int
	undo   []func()
	synced map[string]bool // folders
}

func (c *cutDisk) step(do func() error) error {
	if c.steps <= 0 {
		return errDead
	}
	c.steps--
	return do()
}

func (c *cutDisk) WriteSynced(path string, data []byte) error {
	return c.step(func() error {
		c.undo = append(c.undo, func() { os.Remove(path) })
		return os.WriteFile(path, data, 0o600)
	})
}

func (c *cutDisk) Rename(from, to string) error {
	return c.step(func() error {
		if before, err := os.ReadFile(to); err == nil {
			c.undo = append(c.undo, func() { os.WriteFile(to, before, 0o600) })
		} else {
			c.undo = append(c.undo, func() { os.Remove(to) })
		}
		return c.Disk.Rename(from, to)
	})
}

func (c *cutDisk) SyncDir(dir string) error {
	return c.step(func() error {
		c.undo = nil
		if c.synced == nil {
			c.synced = map[string]bool{}
		}
		c.synced[dir] = true
		return nil
	})
}

// TestCursorIsSafe cuts the power after each step of writing cursors: what keep has
// called safe is there, or a later one.
func TestCursorIsSafe(t *testing.T) {
	for steps := range 14 {
		power := &cutDisk{steps: steps}
		data := t.TempDir()
		k := keeper{dir: filepath.Join(data, "remote-write", "to-a"), files: power}
		safe := int64(0)
		for n := range int64(5) {
			if k.keep(&cursor{Format: cursorFormat, Samples: n + 1}) == nil {
				safe = n + 1
				if !power.synced[data] || !power.synced[filepath.Dir(k.dir)] { // else a new folder's name may go
					t.Errorf("%d steps: synced are %v", steps, power.synced)
				}
			}
		}
		for i := len(power.undo) - 1; i >= 0; i-- {
			power.undo[i]()
		}
		found, err := k.load()
		switch {
		case err != nil:
			t.Errorf("%d steps: %v", steps, err)
		case found == nil && safe > 0, found != nil && found.Samples < safe:
			t.Errorf("%d steps: cursor %d was safe, found %+v", steps, safe, found)
		}
	}
}

// TestPowerCuts cuts the power after each step that is done to the disk: the cursor is
// whole, and nothing is lost.
func TestPowerCuts(t *testing.T) {
	for steps := range 40 {
		synctest.Test(t, func(t *testing.T) {
			g := newRig(t, 5, newReceiver())
			g.source.add(400)
			power := &cutDisk{steps: steps}
			s, err := Open(g.dir, g.config(), g.source, g.options)
			if err != nil {
				t.Fatal(err)
			}
			s.keeper.files = power
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			running(ctx, t, s)()
			for i := len(power.undo) - 1; i >= 0; i-- {
				power.undo[i]()
			}
			g.start()
			defer g.stop()
			g.settle(time.Hour)
			if s := g.sender.State(); s.Note != "" {
				t.Errorf("%d steps: %s", steps, s.Note)
			}
			g.account(0)
		})
	}
}
