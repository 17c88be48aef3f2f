package analysis

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// question is what a report is made for.
type question struct {
	src   Source
	site  *sitefile.Site
	now   int64
	raw   bool                  // from raw scans alone
	spots map[string][]spotLine // by machine
	tests *tests                // guided ones
	plant *sheet                // of the plant meter; nil: none
}

// PlantKey is the Piece.Key of the plant meter.
const PlantKey = "plant:meter"

// plantSpec folds the meter of the whole plant; nil where the site has none.
func plantSpec(site *sitefile.Site, groups []*scan.Group) *spec {
	if site.Tariff.PlantMeter == "" {
		return nil
	}
	sp := newSpec(PlantKey, "plant meter")
	sp.system = true
	sp.statesAbsent = "a figure of one machine"
	if c, ok := resolveChannel(site, groups, site.Tariff.PlantMeter); ok {
		if c.role = scan.Power; c.unit.Dimension == quantity.Energy {
			c.role = scan.Energy
		}
		sp.master = sp.add(c)
		if c.role == scan.Power {
			sp.power = sp.master
		}
	}
	sp.setDraw()
	sp.setWatches(nil, Levels{})
	sp.setConfig()
	return sp
}

// newQuestion gathers what all subjects share.
func newQuestion(src Source, site *sitefile.Site, groups []*scan.Group, now int64, raw bool) (*question, error) {
	guided, err := testsOf(src)
	if err != nil {
		return nil, err
	}
	q := &question{src: src, site: site, now: now, raw: raw, tests: guided}
	for i := range site.Machines {
		sp := machineSpec(site, groups, &site.Machines[i], Levels{})
		if sp.draw < 0 || sp.drawsPower() {
			continue // no current to make power of
		}
		if q.spots, err = spotsOf(src); err != nil {
			return nil, err
		}
		break // they are those of all machines
	}
	if sp := plantSpec(site, groups); sp != nil {
		sp.fine = site.Tariff.FineDemand()
		q.plant = &sheet{g: newGathered(sp, 0, 0, nil), site: site, q: q}
		if sp.draw >= 0 {
			c := &sp.chans[sp.draw]
			q.plant.draw = &drawModel{c: c, inputs: []string{c.input()}}
		}
	}
	return q, nil
}

// cells gathers the cells of a subject in a stretch that begins and ends with
// cells. What was folded under other settings is left out, unless its raw scans
// are no longer kept.
func (q *question) cells(sp *spec, from, to int64) ([]cellSum, error) {
	g := newGathered(sp, from, to, nil)
	if len(sp.chans) == 0 || from >= to {
		return nil, nil
	}
	if q.raw {
		err := g.fromRaw(q.src, beginMS)
		return g.cells, err
	}
	pieces, err := q.src.Pieces(sp.key, from, to)
	if err != nil {
		return nil, fmt.Errorf("summaries of %s: %w", sp.name, err)
	}
	g.cells = make([]cellSum, 0, len(pieces))
	kept := rawFrom(q.src)
	for i := range pieces {
		p := &pieces[i]
		if !current(sp, p) && (p.StartMS >= kept || p.Version != pieceVersion || otherLayout(sp, p)) {
			continue
		}
		// As in gather: what raw scans no longer bear out is taken where it fits.
		if err := g.addCell(p); err != nil && current(sp, p) {
			return nil, fmt.Errorf("summaries of %s: %w", sp.name, err)
		}
	}
	return g.cells, g.order()
}

// addCell is addPiece without carries and total.
func (g *gathered) addCell(p *store.Piece) error {
	if err := g.scratch.decode(p.Delta, p.StartMS); err != nil {
		return err
	}
	if len(g.scratch.analog) != g.sp.analogs || len(g.scratch.counters) != g.sp.counters {
		return fmt.Errorf("%w: another number of channels", ErrSummary)
	}
	g.takeCell(&g.scratch, p.StartMS, p.StartMS+cellMS)
	return nil
}

// load is a subject's energy by equal steps of time.
type load struct {
	from, step  int64
	joules      []float64
	unloaded    []float64
	ms          []int64 // observed
	hasUnloaded bool
}

func (l *load) end() int64 { return l.from + int64(len(l.joules))*l.step }

// newLoad lays cells out. step is cellMS, or slotMS where the cells have slots.
func newLoad(cells []cellEnergy, step int64, hasUnloaded bool) *load {
	l := &load{step: step, hasUnloaded: hasUnloaded}
	if len(cells) == 0 {
		return l
	}
	l.from = cellOf(cells[0].from)
	n := (cellOf(cells[len(cells)-1].from) + cellMS - l.from) / step
	l.joules, l.unloaded, l.ms = make([]float64, n), make([]float64, n), make([]int64, n)
	for i := range cells {
		c := &cells[i]
		at := (cellOf(c.from) - l.from) / step
		if step == cellMS {
			l.joules[at] += c.joules
			l.unloaded[at] += c.unloaded
			l.ms[at] += c.ms
			continue
		}
		for k := range c.slots {
			s := &c.slots[k]
			l.joules[at+int64(k)] += s.joules
			l.unloaded[at+int64(k)] += s.unloaded
			l.ms[at+int64(k)] += s.ms
		}
	}
	l.once()
	return l
}

// once brings a step that the clock went over twice, since it was set back, to the mean
// of both times: no meter of the utility counts a quarter hour twice.
func (l *load) once() {
	for i, ms := range l.ms {
		if float64(ms) <= (2-leastSeen)*float64(l.step) {
			continue
		}
		share := float64(l.step) / float64(ms)
		l.joules[i] *= share
		l.unloaded[i] *= share
		l.ms[i] = l.step
	}
}

// plus adds the load of another machine. A step in which one of them was not
// observed counts as observed for as long as the less observed of them was.
func (l *load) plus(o *load) *load {
	if len(l.joules) == 0 || len(o.joules) == 0 {
		one := l
		if len(l.joules) == 0 {
			one = o
		}
		sum := *one
		sum.ms = make([]int64, len(one.ms))
		return &sum
	}
	sum := &load{from: min(l.from, o.from), step: l.step, hasUnloaded: l.hasUnloaded && o.hasUnloaded}
	n := (max(l.end(), o.end()) - sum.from) / sum.step
	sum.joules, sum.unloaded, sum.ms = make([]float64, n), make([]float64, n), make([]int64, n)
	for i := range sum.joules {
		at := sum.from + int64(i)*sum.step
		a, b := l.at(at), o.at(at)
		sum.joules[i] = a.joules + b.joules
		sum.unloaded[i] = a.unloaded + b.unloaded
		sum.ms[i] = min(a.ms, b.ms)
	}
	return sum
}

func (l *load) at(ms int64) slotEnergy {
	i := (ms - l.from) / l.step
	if ms < l.from || i >= int64(len(l.joules)) {
		return slotEnergy{}
	}
	return slotEnergy{l.joules[i], l.unloaded[i], l.ms[i]}
}

// less is the load without a part of it, which is given by step.
func (l *load) less(part func(at int64) float64) *load {
	rest := *l
	rest.joules = make([]float64, len(l.joules))
	for i := range rest.joules {
		rest.joules[i] = l.joules[i] - part(l.from+int64(i)*l.step)
	}
	return &rest
}

// peak is the highest mean power over a demand window.
type peak struct {
	begin, end int64
	watts      float64
	seen       bool // there was a window at all
	full       bool // every window was wholly observed
}

// leastSeen is the share of a window that must be observed for it to count as
// whole.
const leastSeen = 0.99

// peak finds the highest of the charge's windows that lie wholly in [from, to).
func (l *load) peak(s *sitefile.Site, c *sitefile.DemandCharge, from, to int64) peak {
	best := peak{full: true}
	if len(l.joules) == 0 {
		return peak{}
	}
	if from < l.from || to > l.end() {
		best.full = false
	}
	from, to = max(from, l.from), min(to, l.end())
	clock := localClock{loc: s.Location}
	var applies byDay[[96]bool]
	l.windows(c, &clock, from, to, func(begin, end int64) {
		day, minute := clock.dayAndMinute(begin)
		if !applies.on(day, func(date time.Time) [96]bool { return s.Tariff.AppliesOn(c, date) })[minute/15] {
			return
		}
		watts, ms := l.mean(begin, end)
		if float64(ms) < leastSeen*float64(end-begin) {
			best.full = false
		}
		if ms > 0 && (!best.seen || watts > best.watts) {
			best.begin, best.end, best.watts, best.seen = begin, end, watts, true
		}
	})
	return best
}

// windows visits the demand windows that lie wholly in [from, to), which are at
// steps of the load. A fixed window ends where the clock begins the next one,
// so that one over a change of daylight saving is longer or shorter.
func (l *load) windows(c *sitefile.DemandCharge, clock *localClock, from, to int64, visit func(begin, end int64)) {
	span := c.Window.Milliseconds()
	first := from - mod(from, l.step)
	if first < from {
		first += l.step
	}
	begin := int64(math.MinInt64)
	for at := first; at <= to; at += l.step {
		switch {
		case c.Rolling:
			if at+span <= to {
				visit(at, at+span)
			}
		case mod(clock.at(at), span) == 0:
			if begin > math.MinInt64 {
				visit(begin, at)
			}
			begin = at
		}
	}
}

// mean is the mean power over a window; what was not observed counts as none.
func (l *load) mean(begin, end int64) (watts float64, ms int64) {
	var joules float64
	for at := begin; at < end; at += l.step {
		s := l.at(at)
		joules += s.joules
		ms += s.ms
	}
	return joules / (float64(end-begin) / 1000), ms
}

// loadOver is the subject's load in a stretch of whole cells, which may be
// wider than the window that is asked for. A system's is the sum of its
// machines'.
func (s *sheet) loadOver(from, to int64) (*load, error) {
	if s.wide != nil && s.wideFrom == from && s.wideTo == to {
		return s.wide, nil
	}
	l, err := s.newLoadOver(from, to)
	s.wide, s.wideFrom, s.wideTo = l, from, to
	return l, err
}

func (s *sheet) newLoadOver(from, to int64) (*load, error) {
	if len(s.machines) > 0 {
		var sum *load
		for _, m := range s.machines {
			l, err := m.loadOver(from, to)
			if err != nil {
				return nil, err
			}
			if sum == nil {
				sum = l
			} else {
				sum = sum.plus(l)
			}
		}
		return sum, nil
	}
	step := s.step()
	if s.draw == nil && s.g.sp.energy < 0 {
		return &load{step: step}, nil
	}
	cells, err := s.wideCells(from, to)
	if err != nil {
		return nil, err
	}
	if s.energy.byCounter || s.draw == nil {
		return newLoad(s.g.sp.chans[s.g.sp.energy].counted(cells), step, false), nil
	}
	return newLoad(s.draw.cells(cells), step, s.g.sp.hasStates && !s.g.sp.runOnly), nil
}

// wideCells are the cells of a stretch: those of the window that are whole are
// at hand, what lies before and after is gathered.
func (s *sheet) wideCells(from, to int64) ([]cellSum, error) {
	first, last := cellOf(s.g.from+cellMS-1), cellOf(s.g.to)
	if first >= last {
		first, last = from, from
	}
	before, err := s.q.cells(s.g.sp, from, min(first, to))
	if err != nil {
		return nil, err
	}
	after, err := s.q.cells(s.g.sp, max(from, last), to)
	if err != nil {
		return nil, err
	}
	all := append(make([]cellSum, 0, len(before)+len(s.g.cells)+len(after)), before...)
	for i := range s.g.cells {
		if c := &s.g.cells[i]; c.from >= max(from, first) && c.from < min(to, last) {
			all = append(all, *c)
		}
	}
	return append(all, after...), nil
}

func (s *sheet) step() int64 { return slotLength(s.site) }
