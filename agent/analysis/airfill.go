package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// Assumptions of the balance (common practice, no source).
const (
	// What the site file says of the stores' volume, against what follows the
	// pressure: pipes that are not in it, condensate that is.
	volumeLimit = 0.10
	// Water in the air at the inlet is not known: none to all that air of 20 °C
	// holds, 2.34 kPa.
	vapourMiddlePa = 1170.0
	// Air in the stores, against air at the inlet.
	storeLimitK, inletK = 10.0, 293.0
	// Noise of a pressure reading, beside its resolution, in counts.
	noiseCounts = 0.5
	// A load fraction may be one of speed or of valve travel: below full load the
	// flow may then be less or more by this share of what is missing to full load.
	partLimit = 0.10
)

// newAirBalance makes the balance of a system from its own sheet and those of
// its machines, which are of one window.
func newAirBalance(sys *sitefile.System, s *sheet, machines []*sheet) *airBalance {
	b := &airBalance{sys: sys, inletPa: s.site.BarometerPa - vapourMiddlePa}
	if b.absent = b.lacks(machines); b.absent != "" {
		return b
	}
	b.storeU = quad(rectangular(vapourMiddlePa/b.inletPa), rectangular(storeLimitK/inletK))
	first := s.g.from + mod(-s.g.from, minuteMS)
	count := max(0, (s.g.to-first)/minuteMS)
	b.minutes = make([]airMinute, count)
	n := len(machines)
	for i := range b.minutes {
		b.minutes[i] = airMinute{startMS: first + int64(i)*minuteMS, seenMS: math.MaxInt64, fullS: make([]float64, n),
			loads: make([]int32, n), edges: make([]int32, n), partS: make([]float64, n)}
	}
	for k, m := range machines {
		b.addMachine(k, m)
	}
	b.addVolume(sys)
	return b
}

// lacks says what a balance cannot be made without.
func (b *airBalance) lacks(machines []*sheet) string {
	if len(machines) == 0 {
		return "the system has no machine"
	}
	for _, m := range machines {
		name := m.g.sp.name
		switch sp := m.g.sp; {
		case !sp.hasStates:
			return name + ": " + sp.statesAbsent
		case sp.runOnly:
			return name + ": no loaded signal, load fraction or power tells loaded from unloaded"
		case m.full.v.V <= 0:
			return name + ": no rated flow"
		}
	}
	return ""
}

// addVolume takes the stores from the site file.
func (b *airBalance) addVolume(sys *sitefile.System) {
	var m3 float64
	for i := range sys.Parts {
		m3 += sys.Parts[i].VolumeM3
	}
	if m3 == 0 {
		b.absent = "no part of the system has a volume: give the receivers' and the pipes' in the site file"
		return
	}
	b.volume = gum.New(m3, rectangular(volumeLimit*m3), fmt.Sprintf("volume of %s by the site file (assumed within %.0f %%)", sys.Name, 100*volumeLimit))
	b.inputs = append(b.inputs, "volume of the stores")
}

// stretch is a time in one state, in wall time.
type stretch struct {
	from, to int64
	state    State
	seenLoad bool // it began with a load that was seen
}

// stretches are the times that a machine was observed in, by state, cut to the
// window.
func (g *gathered) stretches() []stretch {
	var all []stretch
	var now stretch
	if e := g.entry; e != nil && e.known {
		now = stretch{from: g.from, state: e.state}
	}
	end := func(at int64) {
		if at = min(at, g.to); now.state != Unobserved && at > now.from {
			now.to = at
			all = append(all, now)
		}
	}
	gaps := g.total.gaps
	for i := range g.total.transitions {
		t := &g.total.transitions[i]
		at := t.wall
		if t.fresh && len(gaps) > 0 && gaps[0].to == t.wall {
			at = gaps[0].from
			gaps = gaps[1:]
		}
		end(at)
		now = stretch{from: max(t.wall, g.from), state: t.state, seenLoad: !t.fresh && t.state.delivering() && !now.state.delivering()}
	}
	if x := g.exit; x != nil && x.hasLast {
		end(x.lastWall)
	}
	return all
}

// addMachine lays a machine's time over the minutes.
func (b *airBalance) addMachine(k int, s *sheet) {
	sp := s.g.sp
	name := sp.name
	b.machines = append(b.machines, name)
	b.flow = append(b.flow, s.full.v)
	b.inputs = append(b.inputs, "rated flow of "+name+" (assumed)", "delivery delay of "+name+" (assumed)")
	b.delayU = append(b.delayU, rectangular(deliveryDelayLimitS))
	b.edgeU = append(b.edgeU, rectangular(s.periodS()))
	b.scanS = max(b.scanS, s.periodS())
	share, u := s.partShare()
	seen := make([]int64, len(b.minutes))
	for _, t := range s.g.stretches() {
		b.over(t.from, t.to, func(i int, ms int64) { seen[i] += ms })
		if !t.state.delivering() {
			continue
		}
		from := t.from
		if t.seenLoad {
			from += int64(deliveryDelayS * 1000)
			b.count(from, func(m *airMinute) { m.loads[k]++; m.edges[k]++ })
		}
		b.count(t.to, func(m *airMinute) { m.edges[k]++ })
		b.over(from, t.to, func(i int, ms int64) {
			m, seconds := &b.minutes[i], float64(ms)/1000
			m.delivering = true
			if t.state == Loaded {
				m.fullS[k] += seconds
				return
			}
			m.fullS[k] += float64(seconds * share)
			m.partS[k] += float64(seconds * u)
		})
	}
	for i := range b.minutes {
		b.minutes[i].seenMS = min(b.minutes[i].seenMS, seen[i])
	}
}

// over visits the minutes of a stretch of wall time with the milliseconds of it
// that each has.
func (b *airBalance) over(from, to int64, visit func(i int, ms int64)) {
	if len(b.minutes) == 0 {
		return
	}
	first := b.minutes[0].startMS
	from, to = max(from, first), min(to, first+int64(len(b.minutes))*minuteMS)
	for at := from; at < to; {
		i := (at - first) / minuteMS
		end := min(to, first+(i+1)*minuteMS)
		visit(int(i), end-at)
		at = end
	}
}

// count visits the minute of a moment.
func (b *airBalance) count(at int64, visit func(*airMinute)) {
	b.over(at, at+1, func(i int, _ int64) { visit(&b.minutes[i]) })
}

// partShare is what a machine delivered at part load, as a share of full flow,
// and the most that may be wrong with it.
func (s *sheet) partShare() (share, limit float64) {
	sp, f := s.g.sp, s.g.total.fraction.all[PartLoad]
	if sp.fraction < 0 || f.ms == 0 {
		return 0.5, 0.5 // nothing is known of it
	}
	mean := sp.chans[sp.fraction].mean(f).v * sp.fractionScale()
	return mean, partLimit * (1 - mean)
}
