package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"loadscribe/agent/baseline"
	"loadscribe/agent/gum"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const (
	maxEdges = 4096 // of a window; of more, every second, fourth, … is taken
	// fitPoints is how many blocks make the line on one side of an edge: the
	// nearest, since demand changes.
	fitPoints = 5
	gapPoints = 2 // for the moment of the kink, which the nearest tell best
	// Air flows evenly so long after a load, and has stopped so long after an
	// unload (common practice, no source); blocks before that are left out.
	evenAfterLoadMS, evenAfterUnloadMS = 8000, 3000
	leastEdges                         = 6
	// What scatters more than this tells nothing: the slope that full flow makes,
	// as a share of itself, between edges and between the ways of taking it.
	mostScatter, mostContradiction = 0.25, 0.15
	// Demand may differ on the two sides of an edge, for a machine loads because
	// much is drawn and unloads because little is: by this share of full flow
	// (common practice, no source).
	demandStep = 0.05
	// Air that is compressed within half a minute has not given off all its heat:
	// an exponent of 1 (isothermal) to 1.1, of up to 1.2 within seconds (common
	// practice, no source).
	exponentLimit = 0.10
)

// edgeFit is what the pressure around one load or unload says.
type edgeFit struct {
	load  bool
	slope float64 // that the flow makes, Pa/s: with the air less without it
	wide  float64 // the same from all blocks
	gap   float64 // line after less line before, at the scan that showed it, Pa
	lateS float64 // how much earlier it may have been
	wall  int64   // of the scan that showed it
	at    float64 // the line before, at that scan, Pa
}

// addEdges takes edges in order and thins them where there are too many.
func (g *gathered) addEdges(more []airEdge) {
	g.edgeEvery = max(g.edgeEvery, 1)
	for i := range more {
		if g.edgesSeen%g.edgeEvery == 0 {
			g.total.edges = append(g.total.edges, more[i])
		}
		if g.edgesSeen++; len(g.total.edges) > maxEdges {
			kept := g.total.edges[:0]
			for k := 0; k < len(g.total.edges); k += 2 {
				kept = append(kept, g.total.edges[k])
			}
			g.total.edges, g.edgeEvery = kept, 2*g.edgeEvery
		}
	}
}

// fit makes the lines of one edge; ok is false where too few blocks are left.
func (c *chanSpec) fit(e *airEdge) (f edgeFit, ok bool) {
	least := int64(evenAfterUnloadMS)
	if e.load {
		least = evenAfterLoadMS
	}
	before, after := e.before(), e.after()
	for len(after) > 0 && after[0].ms < least {
		after = after[1:]
	}
	if len(before) < leastBlocks || len(after) < leastBlocks {
		return edgeFit{}, false
	}
	through := func(points []edgePoint) baseline.Line {
		return baseline.Straight(len(points), func(i int) (t, y float64) {
			return float64(points[i].ms) / 1000, c.si(float64(points[i].mean) / 16)
		})
	}
	a, b := through(before[max(0, len(before)-fitPoints):]), through(after[:min(fitPoints, len(after))])
	gapAfter, gapBefore := through(after[:min(gapPoints, len(after))]), through(before[max(0, len(before)-gapPoints):])
	f = edgeFit{load: e.load, slope: b.Slope - a.Slope, wide: through(after).Slope - through(before).Slope,
		gap: gapAfter.Value(0) - gapBefore.Value(0), lateS: float64(e.lateMS) / 1000,
		wall: e.wall, at: a.Value(0)}
	if !e.load {
		f.slope, f.wide = -f.slope, -f.wide
	}
	return f, true
}

// middleOf is the middle of values in order of time, its standard uncertainty from
// their scatter, and that scatter (1.4826 times the median deviation, which is the
// standard deviation of a normal distribution). Where neighbours are alike, there
// are fewer values than it seems.
func middleOf(values []float64) (middle, u, scatter float64) {
	n := len(values)
	middle = quantileOf(values, 0.5)
	deviations := make([]float64, n)
	for i, v := range values {
		deviations[i] = math.Abs(v - middle)
	}
	scatter = 1.4826 * quantileOf(deviations, 0.5)
	var own, next float64
	for i, v := range values {
		// Cut at three deviations: an outlier must not pass for likeness.
		d := min(max(v-middle, -3*scatter), 3*scatter)
		own += float64(d * d)
		if i > 0 {
			p := min(max(values[i-1]-middle, -3*scatter), 3*scatter)
			next += float64(d * p)
		}
	}
	alike := 0.0
	if own > 0 {
		alike = min(max(next/own, 0), 0.9)
	}
	// The median of normal values has √(π/2) times the uncertainty of their mean.
	return middle, scatter * math.Sqrt(math.Pi/2/float64(n)*(1+alike)/(1-alike)), scatter
}

// quantileOf is the value below which a share of the values lies.
func quantileOf(values []float64, share float64) float64 {
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	at := float64(share * float64(len(sorted)-1))
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	part := at - float64(i)
	return float64(sorted[i]*(1-part)) + float64(sorted[i+1]*part)
}

// storage is what a machine's loads and unloads say of its system's storage.
type storage struct {
	sys          *sitefile.System
	absent       string // why nothing is known
	loads, stops []edgeFit
	slope        gum.Value // that its full flow makes, Pa/s
	method       string
	tap          string
	delay        gum.Value // s
	delayAbsent  string
	delayMethod  string
	drop         gum.Value // Pa, of full flow between the outlet and the storage; V 0: not seen
}

// systemOf is the system that a machine belongs to; nil: none.
func systemOf(site *sitefile.Site, machine string) *sitefile.System {
	for i := range site.Systems {
		if slices.Contains(site.Systems[i].Machines, machine) {
			return &site.Systems[i]
		}
	}
	return nil
}

// findStorage reads the edges of a machine.
func (s *sheet) findStorage(m *sitefile.Machine) *storage {
	st := &storage{sys: systemOf(s.site, m.Name)}
	sp := s.g.sp
	if st.absent = s.noEdges(m, st.sys); st.absent != "" {
		st.delayAbsent = st.absent
		return st
	}
	c := &sp.chans[sp.tap]
	st.tap = c.id
	for i := range s.g.total.edges {
		f, ok := c.fit(&s.g.total.edges[i])
		switch {
		case !ok:
		case f.load:
			st.loads = append(st.loads, f)
		default:
			st.stops = append(st.stops, f)
		}
	}
	if len(st.loads) < leastEdges || len(st.stops) < leastEdges {
		st.absent = fmt.Sprintf("%d loads and %d unloads show the pressure on both sides long enough, %d of each are needed: some %d s before, and as long from %d s after a load on",
			len(st.loads), len(st.stops), leastEdges, leastBlocks*sp.blockMS/1000, evenAfterLoadMS/1000)
		st.delayAbsent = st.absent
		return st
	}
	s.slopes(m, st, c)
	if st.absent != "" {
		st.delayAbsent = st.absent
		return st
	}
	s.delays(m, st, c)
	return st
}

// noEdges is why a machine's edges cannot tell anything; empty where they may.
func (s *sheet) noEdges(m *sitefile.Machine, sys *sitefile.System) string {
	sp := s.g.sp
	if m.Control.PartLoad() {
		return "it gives as much air as is drawn and holds the pressure: no load makes a kink in the pressure that would show the storage"
	}
	if sys != nil {
		for _, name := range sys.Machines {
			if other, ok := s.site.MachineByName(name); ok && other.Control.PartLoad() {
				return fmt.Sprintf("%s follows the pressure and evens out what a load of this machine does to it", name)
			}
		}
	}
	switch {
	case !sp.hasStates:
		return sp.statesAbsent
	case sp.runOnly:
		return "no loaded signal, load fraction or power tells loaded from unloaded"
	case sp.tap < 0:
		return "no pressure is read where the air is stored, nor at the machine"
	}
	return ""
}

// slopes finds what full flow adds to the slope of the pressure.
func (s *sheet) slopes(m *sitefile.Machine, st *storage, c *chanSpec) {
	take := func(list []edgeFit, of func(*edgeFit) float64) (all []float64) {
		for i := range list {
			all = append(all, of(&list[i]))
		}
		return all
	}
	near := func(f *edgeFit) float64 { return f.slope }
	wide := func(f *edgeFit) float64 { return f.wide }
	load, loadU, loadScatter := middleOf(take(st.loads, near))
	stop, stopU, stopScatter := middleOf(take(st.stops, near))
	if load <= 0 || stop <= 0 {
		st.absent = "the pressure does not rise faster loaded than unloaded: demand changes more than the machine gives, or the pressure is not that of its storage"
		return
	}
	middle := float64((load + stop) / 2)
	loadWide, _, _ := middleOf(take(st.loads, wide))
	stopWide, _, _ := middleOf(take(st.stops, wide))
	unlike := max(math.Abs(load-stop), math.Abs(float64((loadWide+stopWide)/2)-middle)) / middle
	switch scatter := max(loadScatter/load, stopScatter/stop); {
	case scatter > mostScatter:
		st.absent = fmt.Sprintf("what its full flow adds to the slope of the pressure scatters by %.0f %% from load to load: demand changes too much", 100*scatter)
		return
	case unlike > mostContradiction:
		st.absent = fmt.Sprintf("what its full flow adds to the slope of the pressure differs by %.0f %% between loads and unloads, or near the edge and away from it: demand is not the same on both sides", 100*unlike)
		return
	}
	figure := "slope of the pressure"
	mean := s.g.total.analog[c.slot].sum
	gauge := 0.0
	if at := c.mean(mean).v; mean.ms > 0 && at > 0 {
		gauge = c.accuracyU(at) / at
	}
	st.slope = gum.New(middle, quad(loadU, stopU)/2, scatterInput(figure, m.Name)).
		Plus(gum.New(0, rectangular(float64(unlike*middle)), "unlike slopes of "+m.Name)).
		Plus(gum.New(0, rectangular(demandStep*middle), "demand on both sides of a load of "+m.Name+" (assumed)")).
		Plus(gum.New(0, float64(gauge*middle), accuracyInput(c)))
	st.method = fmt.Sprintf("what full flow adds to the slope of %s, median of %d loads and %d unloads (%s and %s in ten seconds)",
		c.id, len(st.loads), len(st.stops), s.shownPressure(10*load), s.shownPressure(10*stop))
}

// gaugePlace is where a pressure is read: -1 before the storage, so that the drop
// of the flow shows in it; 0 at the first receiver; 1 behind that, which it follows
// late.
func gaugePlace(sys *sitefile.System, c *chanSpec) int {
	if c.role == scan.DischargePressure || sys == nil {
		return -1
	}
	first := slices.IndexFunc(sys.Parts, func(p sitefile.Part) bool { return p.Kind == "receiver" })
	for _, tap := range sys.Taps {
		if tap.Pressure == c.id && first >= 0 {
			return cmp.Compare(rankOf(sys, tap), first)
		}
	}
	return -1
}
