package replay

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"

	"loadscribe/agent/analysis"
	"loadscribe/agent/gum"
	"loadscribe/agent/replay/engine"
)

// noise perturbs the demand; the zero noise does not.
type noise struct{ seed uint64 }

// parts of a minute that a perturbed demand is cut into.
const partsOfMinute = 4

// stretches are the demand as a plan and a shift of the inputs have it.
func (st *Study) stretches(d *demandChange, s shift, n noise) []engine.Stretch {
	t := st.taken(d, s)
	var all []engine.Stretch
	for _, run := range st.runs {
		minutes := st.rec.Minutes[run.from:run.to]
		flows := t.flows(minutes)
		stretch := engine.Stretch{StartS: st.seconds(minutes[0].StartMS), StartPa: minutes[0].StartPa}
		var random *rand.Rand
		parts := 1
		if n.seed != 0 {
			random = rand.New(rand.NewPCG(n.seed, uint64(minutes[0].StartMS)))
			parts = partsOfMinute
		}
		stretch.Segments = make([]engine.Segment, 0, parts*len(minutes))
		perturbed(flows, minutes, random)
		keepAir(flows)
		for i := range minutes {
			seg := t.segment(&minutes[i], flows[i])
			if random == nil {
				stretch.Segments = append(stretch.Segments, seg)
				continue
			}
			stretch.Segments = append(stretch.Segments, inside(seg, st.swing(run, i), random)...)
		}
		stretch.Segments = engine.MergeSegments(stretch.Segments, 0) // nights without any are one
		all = append(all, stretch)
	}
	return all
}

const (
	// chokedOver is absolute pressure before over behind a hole from which the flow
	// through it chokes.
	chokedOver = 1.893
	// leastOfChoked bounds how far a flow near no pressure is blown up to that at
	// enough: below it the flow is noise.
	leastOfChoked = 0.3
)

// taken is how the demand is made of the record's minutes.
type taken struct {
	scale     float64
	perPaRate float64 // m³ of a minute's flow for each Pa/s that the pressure rises, from another volume
	leak      float64 // at leakPa, m³/s
	leakPa    float64
	outsidePa float64
	fullPa    float64 // from which users get what they ask
	chokePa   float64 // from which what leaks goes with the absolute pressure
	follow    float64 // share of the mean demand that goes with the pressure
	rest      float64 // the same of what is no leak
	// leakFollows is the same of the leaks: all, unless somebody said otherwise.
	leakFollows float64
	d           *demandChange
	since       func(ms int64) float64
}

func (st *Study) taken(d *demandChange, s shift) *taken {
	rec := &st.rec
	t := &taken{scale: 1, leakFollows: 1, leakPa: rec.LeakPa, outsidePa: rec.OutsidePa, d: d, since: st.seconds}
	t.chokePa = (chokedOver - 1) * rec.OutsidePa
	t.fullPa = max(rec.MinimumPa, t.chokePa)
	if rec.MeanDemand.V > 0 {
		t.scale = max(0.01, s.of(rec.MeanDemand)/rec.MeanDemand.V)
	}
	t.perPaRate = (s.of(rec.Volume) - rec.Volume.V) / rec.InletPa
	t.follow = min(1, max(0, s.of(rec.FollowShare)))
	if d.followShare != nil {
		t.follow = *d.followShare
	}
	if rec.LeakAbsent == "" {
		t.leak = max(0, s.of(rec.Leak))
	}
	t.rest = t.follow
	if mean := s.of(rec.MeanDemand); t.leak > 0 && mean > t.leak {
		share := t.leak / mean
		if t.follow >= share {
			t.rest = (t.follow - share) / (1 - share)
		} else {
			t.leakFollows, t.rest = t.follow/share, 0 // somebody said so
		}
	}
	return t
}

// flows are the minutes' demands at their own pressure.
func (t *taken) flows(minutes []analysis.ReplayMinute) []float64 {
	all := make([]float64, len(minutes))
	for i := range minutes {
		m := &minutes[i]
		all[i] = m.FlowM3S*t.scale - t.perPaRate*(m.EndPa-m.StartPa)/minuteS
	}
	return all
}

// keepAir moves what is below nothing, a meter's noise, to the minutes after it, and
// from the last ones to those before: the air stays the same.
func keepAir(flows []float64) {
	debt := 0.0
	for i, f := range flows {
		f += debt
		debt = min(0, f)
		flows[i] = max(0, f)
	}
	for i := len(flows) - 1; i >= 0 && debt < 0; i-- {
		f := flows[i] + debt
		debt = min(0, f)
		flows[i] = max(0, f)
	}
}

// segment is a minute with what was mended, added and no longer taken.
func (t *taken) segment(m *analysis.ReplayMinute, flow float64) engine.Segment {
	atPa := (m.StartPa + m.EndPa) / 2
	abs := atPa + t.outsidePa
	if atPa < t.fullPa {
		// Users were short already: they ask for what they would get with enough. It is
		// the engine's law of a demand that is short, backwards.
		choked := max(atPa, t.chokePa) + t.outsidePa
		flow *= (t.fullPa + t.outsidePa) / choked / min(1, max(atPa/t.chokePa, leastOfChoked))
		atPa, abs = t.fullPa, t.fullPa+t.outsidePa
		if leak := t.leak * abs / (t.leakPa + t.outsidePa); t.d.awake && leak > 0 && (flow < leak || m.StartPa < t.chokePa) {
			// The plant was off and what leaks found no pressure: it will.
			flow = leak
		}
	}
	leak := min(flow, t.leak*abs/(t.leakPa+t.outsidePa))
	perPa := (t.leakFollows*leak + t.rest*(flow-leak)) / abs
	if share := t.d.leaksMended; share > 0 {
		flow -= share * leak
		perPa -= share * t.leakFollows * leak / abs
		leak -= share * leak
	}
	at := t.since(m.StartMS)
	for _, u := range t.d.users {
		if change := u.change(at, flow, leak); change != 0 {
			if change < 0 && flow > leak {
				perPa += t.rest * change / abs
			}
			flow += change
		}
	}
	return engine.Segment{Seconds: minuteS, DemandM3S: flow, AtPa: atPa, FollowM3SPerPa: max(0, perPa)}
}

// change is what the user makes of a minute's flow. Who no longer takes air takes none
// from the leaks.
func (u *userSpans) change(at, flow, leak float64) float64 {
	if flowing := u.share(at); flowing > 0 {
		return max(u.flowM3S*flowing, leak-flow)
	}
	return 0
}

// tooMuchSaved is a remark on a user who is to take no more air than all users took.
func (st *Study) tooMuchSaved(d *demandChange, name string, u *userSpans) []string {
	t := st.taken(d, shift{})
	var asked, found float64
	for _, run := range st.runs {
		minutes := st.rec.Minutes[run.from:run.to]
		flows := t.flows(minutes)
		keepAir(flows)
		for i := range minutes {
			at := st.seconds(minutes[i].StartMS)
			abs := (minutes[i].StartPa+minutes[i].EndPa)/2 + t.outsidePa
			leak := min(flows[i], t.leak*abs/(t.leakPa+t.outsidePa))
			asked -= u.flowM3S * u.share(at)
			found -= u.change(at, flows[i], leak)
		}
	}
	if u.flowM3S >= 0 || found >= (1-tooLittleFound)*asked {
		return nil
	}
	return []string{fmt.Sprintf("%s%s is to take no more than all users together did: only %.0f %% of the air that it is to leave was taken at those times; what is not there is not saved",
		userPrefix, name, 100*found/asked)}
}

// tooLittleFound is the share of the air to be saved that may be missing unsaid.
const tooLittleFound = 0.05

// share of the minute that begins at a time in which the user takes air.
func (u *userSpans) share(at float64) float64 {
	if u.on == nil {
		return 1
	}
	k := sort.Search(len(u.on), func(i int) bool { return u.on[i].ToS > at })
	if k == len(u.on) {
		return 0
	}
	return max(0, min(u.on[k].ToS, at+minuteS)-max(u.on[k].FromS, at)) / minuteS
}

// perturbed adds to each minute what it may be off by itself.
func perturbed(flows []float64, minutes []analysis.ReplayMinute, random *rand.Rand) {
	if random == nil {
		return
	}
	for i := range flows {
		flows[i] += minutes[i].OwnU * random.NormFloat64()
	}
}

// inside cuts a minute's demand into parts that swing about it; the air stays.
func inside(seg engine.Segment, swing float64, random *rand.Rand) []engine.Segment {
	var swings [partsOfMinute]float64
	mean := 0.0
	for i := range swings {
		swings[i] = swing * random.NormFloat64()
		mean += swings[i] / partsOfMinute
	}
	least := math.Inf(1)
	for i := range swings {
		swings[i] -= mean
		least = min(least, swings[i])
	}
	shrink := 1.0
	if least < 0 && seg.DemandM3S+least < 0 {
		shrink = seg.DemandM3S / -least
	}
	all := make([]engine.Segment, partsOfMinute)
	for i := range all {
		all[i] = seg
		all[i].Seconds = seg.Seconds / partsOfMinute
		all[i].DemandM3S += shrink * swings[i]
	}
	return all
}

// swingMinutes is how many minutes either side tell how much the demand swings.
const swingMinutes = 5

// swing is how much the demand may go up and down inside a minute: as much as from
// minute to minute about it, less what the minutes' own uncertainty makes of it. A
// demand that steps once a quarter of an hour steps in few minutes.
func (st *Study) swing(run minuteRun, i int) float64 {
	minutes := st.rec.Minutes[run.from:run.to]
	from, to := max(1, i-swingMinutes), min(len(minutes)-1, i+swingMinutes)
	var sum, own, n float64
	for k := from; k <= to; k++ {
		d := minutes[k].FlowM3S - minutes[k-1].FlowM3S
		sum += d * d / 2
		own += minutes[k].OwnU * minutes[k].OwnU
		n++
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(max(0, sum-own) / n)
}

// minuteRun is an unbroken run of minutes, half open.
type minuteRun struct{ from, to int }

// runsOf cuts the minutes where one is missing.
func runsOf(minutes []analysis.ReplayMinute) (all []minuteRun) {
	for i := range minutes {
		if i > 0 && minutes[i].StartMS == minutes[i-1].StartMS+minuteMS {
			all[len(all)-1].to = i + 1
			continue
		}
		all = append(all, minuteRun{i, i + 1})
	}
	return all
}

// demandValues are what the demand rests on.
func (st *Study) demandValues() []gum.Value {
	return []gum.Value{st.rec.MeanDemand, st.rec.Volume, st.rec.FollowShare, st.rec.Leak, st.rec.CommonDropPa}
}
