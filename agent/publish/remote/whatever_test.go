package remote

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

// plan is what befalls a sender in TestWhateverHappens.
type plan struct {
	Series    int
	Strict    bool
	BadSeries []int
	BadScans  []int
	Others    []int // series that another sender writes ahead
	Script    []string
	Acts      []string
	Most      int
	Phases    []phase
	filled    bool // the disk was full: the cursor may be older than what was sent
	aged      bool // the receiver took nothing older than some time
}

func drawPlan(t *rapid.T) plan {
	steps := []string{stepOK, stepOK, stepOK, stepLost, stepUnsent, stepHalf, step500, step503, step429, step401, step404, stepRedirect, stepHang, stepKill, stepKillLate}
	acts := []string{"add", "add", "sleep", "sleep", "restart", "full", "room", "ahead"}
	var others []int
	if rapid.Bool().Draw(t, "sure") { // else "out of order" may mean that it is there
		steps, acts = slices.DeleteFunc(steps, leavesDoubt), slices.DeleteFunc(acts, leavesDoubt)
		others = rapid.SliceOfNDistinct(rapid.IntRange(1, 11), 0, 5, rapid.ID[int]).Draw(t, "others")
	}
	p := plan{
		Series:    rapid.IntRange(2, 12).Draw(t, "series"),
		Strict:    rapid.Bool().Draw(t, "strict"),
		BadSeries: rapid.SliceOfNDistinct(rapid.IntRange(1, 11), 0, 2, rapid.ID[int]).Draw(t, "bad series"),
		BadScans:  rapid.SliceOfN(rapid.IntRange(0, 40), 0, 2).Draw(t, "bad scans"),
		Others:    others,
		Script:    rapid.SliceOfN(rapid.SampledFrom(steps), 0, 20).Draw(t, "script"),
		Acts:      rapid.SliceOfN(rapid.SampledFrom(acts), 1, 12).Draw(t, "acts"),
		Most:      rapid.IntRange(10, 120).Draw(t, "most"),
		Phases:    rapid.SliceOfN(rapid.Custom(drawPhase), 0, 2).Draw(t, "phases"),
	}
	if slices.Contains(p.Acts, "full") { // what was refused alone cannot be noted then: see the package comment
		p.Phases = nil
	}
	return p
}

// leavesDoubt reports whether a step or an act leaves a sender in doubt what is there.
func leavesDoubt(step string) bool {
	return slices.Contains([]string{stepLost, stepUnsent, stepHalf, step500, step503, stepHang, stepKill, stepKillLate, "restart", "full"}, step)
}

func drawPhase(t *rapid.T) phase {
	return phase{From: rapid.IntRange(0, 60).Draw(t, "from"), Requests: rapid.IntRange(1, 60).Draw(t, "requests"),
		For: time.Duration(rapid.IntRange(1, 3600).Draw(t, "seconds")) * time.Second}
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
	r.strict, r.phases = p.Strict, slices.Clone(p.Phases)
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
	for _, n := range p.Others {
		name := nameOf([]Label{{NameLabel, fmt.Sprintf("loadscribe_reading_%03d", n)}, {"site", "harrow-lane"}})
		r.last[name] = point{name, firstMS + 1_000_000_000, 1}
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
		case "ahead": // others bring the receiver what is newer
			p.aged = true
			r.ahead(firstMS + int64(g.source.scans)*700)
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
	g.settle(6 * time.Hour)
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
	if !p.Strict && (len(p.Phases) > 0 || p.filled) {
		clear(r.arrivals) // it minds no order, and what is in doubt comes after the rest
	}
	wronged := map[string]bool{}
	for at := range g.account(0) {
		others := p.Strict && slices.ContainsFunc(p.Others, func(n int) bool { return seriesNo(n)(at.series) })
		if minded := others || r.badSeries(at.series) || seriesNo(0)(at.series) && len(p.BadScans) > 0; !minded && !p.filled && !p.aged {
			wronged[at.series] = true
		}
	}
	// A process that begins within a phase does not know what newer samples are there, nor
	// does one whose answers were lost about it: it sets aside rather than guess.
	within := len(p.Phases) > 0 && slices.ContainsFunc(slices.Concat(p.Script, p.Acts), leavesDoubt)
	if len(wronged) > len(p.Phases) && !within {
		g.t.Errorf("set aside, which the receiver does not mind: %v", wronged)
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
	if most := 100 + 25*len(p.Script) + 300*len(p.Phases) + g.source.scans*p.Series; r.requests > most {
		g.t.Errorf("%d requests, at most %d expected", r.requests, most)
	}
}

func (r *receiver) left() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.script
}

// ahead makes a receiver refuse what is older than a time.
func (r *receiver) ahead(boundMS int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.bound = func() int64 { return boundMS }
}
