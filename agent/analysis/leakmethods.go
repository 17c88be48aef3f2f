package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// Limits of the methods (common practice, no source).
const (
	leastCycles      = 3    // whole load cycles
	leastDrop        = 10.0 // of a bleed-down, in what its two pressures can be told to
	leastBleedMin    = 2    // minutes of one fall
	leastBleedAll    = 10   // of all
	bendLimit        = 0.25 // by how much the lower half of the falls may differ from the upper
	leastBaseMinutes = 30
	// methodU is what each method may be wrong by its own assumptions alone, as a
	// standard uncertainty: without it two methods on the same inputs would have to
	// agree to the last digit.
	methodU = 0.02
)

// leakMethod is one way to tell the quiet demand.
type leakMethod struct {
	name    string
	flow    gum.Value // m³/s of free air
	pa      float64   // absolute, the pressure that flow refers to
	minutes []int     // that it is of
	seconds float64
	cycles  int
	why     string // it gives nothing
	note    string
	ran     float64 // share of the time in which a machine ran
	behind  string  // the part behind which it sees; empty: the whole system
	// At the pressure that all are brought to:
	steady gum.Value // without what is subtracted before
	weight float64
}

func invalid(name, format string, args ...any) leakMethod {
	return leakMethod{name: name, why: fmt.Sprintf(format, args...)}
}

// ownU is the part that a method has for itself.
func (m *leakMethod) ownU() gum.Value {
	return gum.New(0, math.Abs(float64(methodU*m.flow.V)), "assumptions of the "+m.name+" method alone")
}

// baseDemand is the mean of the balance over the quiet minutes: not the least of
// a noisy series, which lies too low.
func (b *airBalance) baseDemand(h *quietHours, outsidePa float64) leakMethod {
	m := leakMethod{name: "base demand", minutes: h.minutes()}
	if n := len(m.minutes); n < leastBaseMinutes {
		return invalid(m.name, "only %d quiet minutes, %d are needed", n, leastBaseMinutes)
	}
	m.flow, m.seconds = b.mean(m.minutes)
	m.flow = m.flow.Plus(m.ownU())
	m.pa = b.meanPa(m.minutes, outsidePa)
	m.note = "what the machines delivered less what the stores took, mean of the quiet minutes"
	if b.metered {
		m.note = "flow meter less what the stores behind it took, mean of the quiet minutes"
	}
	return m
}

// wholeVolume is the balance with all the volume of the system: a meter's balance
// has that behind the meter alone.
func (b *airBalance) wholeVolume() *airBalance {
	if !b.metered {
		return b
	}
	whole := *b
	whole.volume = knownVolume(b.sys)
	return &whole
}

// bleed is one bleed-down: neighbouring minutes in which no machine delivers.
type bleed struct {
	minutes []int
}

// falls are the parts of the quiet minutes in which pressure falls because no
// machine delivers. The first minute of each, in which the air may still cool, is
// left out if there is enough without it.
func (b *airBalance) falls(minutes []int) []bleed {
	if all := b.fallsFrom(minutes, false); minutesOf(all) >= leastBleedAll {
		return all
	}
	return b.fallsFrom(minutes, true)
}

func minutesOf(falls []bleed) (n int) {
	for _, f := range falls {
		n += len(f.minutes)
	}
	return n
}

func (b *airBalance) fallsFrom(minutes []int, keepFirst bool) (all []bleed) {
	var now bleed
	end := func() {
		if len(now.minutes) >= leastBleedMin && b.fellPa(now.minutes) >= leastDrop*float64(b.pressureU*math.Sqrt2) {
			all = append(all, now)
		}
		now = bleed{}
	}
	for at, i := range minutes {
		if at == 0 || minutes[at-1] != i-1 {
			end()
		}
		cool := keepFirst || i > 0 && !b.minutes[i-1].delivering && b.minutes[i-1].seenMS >= leastMinuteMS
		if b.minutes[i].delivering || !cool {
			end()
			continue
		}
		now.minutes = append(now.minutes, i)
	}
	end()
	return all
}

func (b *airBalance) fellPa(minutes []int) float64 {
	return b.minutes[minutes[0]].startPa - b.minutes[minutes[len(minutes)-1]].endPa
}

// logs sums ln(p1/p2) and the time of falls: what leaks of a volume follows the
// absolute pressure, so that a fall is exponential and its rate the same at all
// pressures.
func (b *airBalance) logs(falls []bleed, outsidePa float64) (ln, seconds float64) {
	for _, f := range falls {
		from, to := b.minutes[f.minutes[0]].startPa+outsidePa, b.minutes[f.minutes[len(f.minutes)-1]].endPa+outsidePa
		ln += math.Log(from / to)
		seconds += float64(len(f.minutes)) * minuteMS / 1000
	}
	return ln, seconds
}

// halves cuts each fall that is long enough at its middle.
func halves(falls []bleed) (upper, lower []bleed) {
	for _, f := range falls {
		if n := len(f.minutes) / 2; n >= leastBleedMin {
			upper = append(upper, bleed{f.minutes[:n]})
			lower = append(lower, bleed{f.minutes[n:]})
		}
	}
	return upper, lower
}

// bleedDown is V·p/(p0·T)·ln(p1/p2), absolute pressures, over the falls: the exact
// form of which the handbooks' factor 1.25 is one value.
func (b *airBalance) bleedDown(h *quietHours, site *sitefile.Site) leakMethod {
	outsidePa := site.BarometerPa
	m := leakMethod{name: "bleed-down"}
	if b.wholeVolume().volume.V <= 0 {
		return invalid(m.name, "the volume that bleeds down is not known: give it in the site file")
	}
	falls := b.falls(h.minutes())
	if upper, lower := halves(falls); len(upper) > 0 {
		lnU, sU := b.logs(upper, outsidePa)
		lnL, sL := b.logs(lower, outsidePa)
		noise := float64(b.pressureU*math.Sqrt2) / (b.meanPa(lower[0].minutes, outsidePa)) * math.Sqrt(float64(len(lower)))
		if off := lnL/sL/(lnU/sU) - 1; math.Abs(off) > bendLimit+float64(3*noise/lnL) {
			falls = upper
			m.note = fmt.Sprintf("the lower half of the falls differs by %+.0f %% from the upper, as where a part is cut off below some pressure or a user has a regulator: the upper half is taken. ", 100*off)
		}
	}
	for _, f := range falls {
		m.minutes = append(m.minutes, f.minutes...)
	}
	if n := len(m.minutes); n < leastBleedAll {
		return invalid(m.name, "pressure was seen to fall with no machine delivering for %d minutes only, %d are needed", n, leastBleedAll)
	}
	whole, sums := b.wholeVolume(), b.sum(m.minutes)
	m.seconds = sums.seconds
	drift := b.drift(h, falls, outsidePa)
	m.flow = whole.stored(&sums).Scaled(-1 / m.seconds).Times(drift)
	m.flow = m.flow.Plus(m.ownU())
	ln, seconds := b.logs(falls, outsidePa)
	// At the mean pressure the balance's straight form is the exact one.
	var drop float64
	for _, f := range falls {
		drop += b.fellPa(f.minutes)
	}
	m.pa = air.DecayMeanPa(drop, ln)
	m.cycles = len(falls)
	from, to := math.Inf(-1), math.Inf(1)
	for _, i := range m.minutes {
		from, to = max(from, b.minutes[i].startPa), min(to, b.minutes[i].endPa)
	}
	m.note += fmt.Sprintf("%d falls between %s and %s, %.1f %% of the absolute pressure a minute; exact (logarithmic) form",
		len(falls), shownIn(site, from/1000, "kPa"), shownIn(site, to/1000, "kPa"), 100*(1-math.Exp(-ln/seconds*60)))
	if math.Abs(drift.V-1) >= driftSaid {
		m.note += fmt.Sprintf("; times %.2f, since the hours in which they lie are not like all quiet hours", drift.V)
	}
	return m
}

// loadedShare is Q·(loaded time - delay)/time over whole load cycles: unloaded
// running and stops are not loaded. Only where one machine does it all.
func (b *airBalance) loadedShare(h *quietHours, machines []*sheet, outsidePa float64) leakMethod {
	const name = "loaded share"
	k, why := b.onlyMachine(h, machines)
	if why != "" {
		return leakMethod{name: name, why: why}
	}
	c := quietCycles{b: b, quiet: map[int]bool{}}
	for _, i := range h.minutes() {
		c.quiet[i] = true
	}
	c.walk(machines[k])
	if c.n < leastCycles {
		return invalid(name, "%d whole load cycles lie in quiet hours, %d are needed", c.n, leastCycles)
	}
	m := leakMethod{name: name, minutes: c.minutes, seconds: c.seconds, cycles: c.n}
	n := float64(c.n)
	q := b.flow[k]
	on := gum.Exact(c.loadedS).Minus(b.delay[k].Scaled(n))
	rest := float64(b.pressureU*math.Sqrt(2*n)) * b.volume.V / b.inletPa
	m.flow = air.LoadedM3S(q, on, c.seconds).
		Plus(gum.New(0, float64(math.Sqrt(2*n)*b.edgeU[k])*q.V, momentsInput(b.machines[k])).
			Plus(gum.New(0, rest, "pressure at the ends of the load cycles")).
			Scaled(1 / c.seconds))
	m.flow = m.flow.Plus(m.ownU())
	m.pa = b.meanPa(m.minutes, outsidePa)
	m.note = fmt.Sprintf("%s loaded for %.1f %% of %d whole cycles, of %.0f s each", b.machines[k], 100*air.LeakShare(c.loadedS, c.seconds-c.loadedS), c.n, c.seconds/n)
	return m
}

// onlyMachine is the load/unload machine that alone delivered in the quiet
// minutes.
func (b *airBalance) onlyMachine(h *quietHours, machines []*sheet) (int, string) {
	only := -1
	for k := range b.machines {
		var s float64
		for _, i := range h.minutes() {
			s += b.minutes[i].fullS[k]
		}
		switch {
		case s == 0:
		case only >= 0:
			return 0, "more than one machine delivered in the quiet hours: a share of one says nothing"
		default:
			only = k
		}
	}
	switch {
	case only < 0:
		return 0, "no machine loaded in the quiet hours"
	case machines[only].g.sp.control.PartLoad():
		return 0, b.machines[only] + " can deliver a part of its flow: its loaded time says nothing"
	case b.flow[only].V <= 0:
		return 0, "the flow of " + b.machines[only] + " is not known"
	}
	return only, ""
}

// quietCycles gathers whole load cycles.
type quietCycles struct {
	b                *airBalance
	quiet            map[int]bool
	n                int
	loadedS, seconds float64
	minutes          []int
}

// walk goes through a machine's times from load to load.
func (c *quietCycles) walk(m *sheet) {
	atLoad := map[int64]cycle{}
	for _, y := range m.g.total.cycles {
		if y.hasPressure {
			atLoad[y.loadWall] = y
		}
	}
	var from, last, loaded int64 = -1, 0, 0
	for _, t := range m.g.stretches() {
		if t.from != last {
			from = -1 // not seen in between
		}
		if t.seenLoad {
			if from >= 0 && sameAtLoad(atLoad, from, t.from) {
				c.take(from, t.from, loaded)
			}
			from, loaded = t.from, 0
		}
		if t.state == Loaded {
			loaded += t.to - t.from
		}
		last = t.to
	}
}

// sameAtLoad reports whether pressure at two loads was the same, within a quarter of
// the swing between them; true where it is not known: a load comes at the cut-in.
func sameAtLoad(atLoad map[int64]cycle, from, to int64) bool {
	a, knownA := atLoad[from]
	z, knownZ := atLoad[to]
	if !knownA || !knownZ {
		return true
	}
	swing := 2 * (a.maxCounts - a.minCounts)
	off := z.atLoad - a.atLoad
	return max(off, -off) <= swing/4
}

// take adds a cycle, if all its minutes are quiet.
func (c *quietCycles) take(from, to, loaded int64) {
	var of []int
	ok := true
	c.b.over(from, to, func(i int, _ int64) {
		ok = ok && c.quiet[i]
		of = append(of, i)
	})
	if !ok || len(of) == 0 {
		return
	}
	if n := len(c.minutes); n > 0 && c.minutes[n-1] == of[0] {
		of = of[1:]
	}
	c.n++
	c.minutes = append(c.minutes, of...)
	c.loadedS += float64(loaded) / 1000
	c.seconds += float64(to-from) / 1000
}

// shownIn is a value of a sentence in the site's units.
func shownIn(site *sitefile.Site, v float64, unit string) string {
	symbol, factor, offset := site.Units.Display(unit)
	if v = float64(v*factor) + offset; math.Abs(v) >= 1000 {
		return fmt.Sprintf("%.0f %s", v, symbol)
	}
	return fmt.Sprintf("%.3g %s", v, symbol)
}

// ratedFlowM3S is what a system's machines are rated at together.
func ratedFlowM3S(site *sitefile.Site, sys *sitefile.System) (sum float64) {
	for _, name := range sys.Machines {
		if m, ok := site.MachineByName(name); ok {
			sum += m.RatedFlowM3S
		}
	}
	return sum
}
