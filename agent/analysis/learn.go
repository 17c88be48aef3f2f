package analysis

import (
	"fmt"
	"sort"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// What must be in the data before levels are learnt from it (common practice,
// no source): so much time at each level, seen so often, so far apart, and with
// so little time spent between them.
const (
	learnLeastMS  = 300_000
	learnVisits   = 3
	learnApart    = 0.15 // of the upper level
	learnValley   = 0.25 // density between the levels over that of the smaller peak
	learnBins     = 100
	learnStopped  = 0.08    // of the running level; an unloaded machine draws 15 % and more
	learnLowest   = 0.45    // an idling part-load machine draws no more of its running level
	startSkipMS   = 15_000  // of a start's inrush that is no level
	learnMaxCount = 1 << 20 // readings taken; the latest of the window
)

// Mode is one level at which a machine was found to run, in the channel's unit.
type Mode struct {
	Name    string  `json:"name"` // stopped, unloaded or loaded
	Median  float64 `json:"median"`
	P05     float64 `json:"p05"`
	P95     float64 `json:"p95"`
	Seconds float64 `json:"seconds"`
	Visits  int     `json:"visits"`
}

// Learning is what Learn found.
type Learning struct {
	Levels Levels
	Modes  []Mode // in the channel's unit
	// Missing says what the data does not show, in words; empty where both
	// levels were learnt that the machine's states need.
	Missing string
}

// reading is one value with the time until the next.
type reading struct {
	counts int64
	dtMS   int64
	broken bool // a gap lies before it
}

// Learn finds the levels of a machine's power, or of its current where it has
// no power, in the data of [fromMS, toMS). Nothing is kept: the caller decides
// whether the levels become a calibration.
func Learn(src Source, site *sitefile.Site, machine string, fromMS, toMS int64) (Learning, error) {
	sp, err := specOf(src, site, machine)
	if err != nil {
		return Learning{}, err
	}
	ch := sp.levelChannel()
	if ch < 0 {
		return Learning{Missing: "neither power nor motor current is read"}, nil
	}
	c := &sp.chans[ch]
	all, err := readings(src, c, fromMS, toMS)
	if err != nil {
		return Learning{}, fmt.Errorf("read %s: %w", c.id, err)
	}
	l := Learning{Levels: Levels{Channel: c.id, Kind: c.kind}}
	if len(all) == 0 {
		l.Missing = "no reading of " + c.id + " in this time"
		return l, nil
	}
	b := learner{sp: sp, c: c, all: all}
	b.learn(&l)
	return l, nil
}

// readings lists the channel's good values.
func readings(src Source, c *chanSpec, fromMS, toMS int64) ([]reading, error) {
	var all []reading
	var lastMono int64
	var segment uint32
	q := store.ScanQuery{Devices: []string{c.device}, FromMS: fromMS, ToMS: toMS}
	err := src.Scans(q, func(s *scan.Scan) error {
		in := s.Group.Index(c.name)
		if in < 0 || s.Group.Channels[in].Kind != c.kind {
			return nil
		}
		raw, ok := s.Get(in)
		if !ok {
			return nil
		}
		v, ok := fixedCounts(c.kind, false, raw)
		if !ok {
			return nil
		}
		dt := s.MonoMS - lastMono
		broken := len(all) == 0 || s.Segment != segment || dt <= 0 || dt > s.Group.GapMS()
		if !broken {
			all[len(all)-1].dtMS = dt
		}
		if len(all) >= 2*learnMaxCount {
			all = append(all[:0], all[learnMaxCount:]...)
		}
		all = append(all, reading{counts: v, broken: broken})
		lastMono, segment = s.MonoMS, s.Segment
		return nil
	})
	return all, err
}

// learner splits one channel's readings into levels.
type learner struct {
	sp  *spec
	c   *chanSpec
	all []reading
}

func (b *learner) learn(l *Learning) {
	all := histogramOf(b.all, func(int) bool { return true })
	top := b.si(all.at(0.99))
	if !(top > 0) {
		l.Missing = b.c.id + " shows nothing but zero"
		return
	}
	// The running level: the middle of what is drawn above a trace.
	trace := b.counts(learnStopped / 4 * top)
	top = b.si(histogramOf(b.all, func(i int) bool { return b.all[i].counts > trace }).at(0.9))
	stopped := b.counts(learnStopped * top)
	running := histogramOf(b.all, b.pastStart(stopped))
	if running.ms < learnLeastMS {
		l.Missing = fmt.Sprintf("the machine ran only %d s of this time, past its starts; %d s are needed", running.ms/1000, learnLeastMS/1000)
		return
	}
	v, why := b.split(running, stopped)
	low := running
	if why == "" {
		low = histogramOf(b.all, func(i int) bool { return b.all[i].counts >= stopped && b.all[i].counts < v.off })
		l.Levels.Load = &Threshold{On: v.on, Off: v.off}
		b.modes(l, stopped, v)
		for _, m := range l.Modes[len(l.Modes)-2:] {
			if m.Visits < learnVisits || m.Seconds*1000 < learnLeastMS {
				why = fmt.Sprintf("the %s level was seen %d times for %.0f s in all; %d times and %d s are needed",
					m.Name, m.Visits, m.Seconds, learnVisits, learnLeastMS/1000)
			}
		}
	}
	if why != "" {
		l.Levels.Load, l.Modes, l.Missing = nil, nil, why
		if b.sp.control != sitefile.StartStop {
			return
		}
		l.Missing = "" // it needs no more than to be told from standing still
		low = running
	}
	// Running begins at half the lowest level at which it runs.
	floor := b.si(low.at(0.5))
	l.Levels.Run = &Threshold{On: b.counts(0.5 * floor), Off: b.counts(0.4 * floor)}
	if l.Levels.Run.On <= l.Levels.Run.Off {
		l.Levels.Run.On = l.Levels.Run.Off + 1
	}
	l.Levels.Method = fmt.Sprintf("learnt from %s of its own readings", inWords(running.ms))
}

func (b *learner) si(counts int64) float64 { return b.c.si(float64(counts)) }
func (b *learner) counts(si float64) int64 { return b.c.countsOf(si) }

// pastStart picks the readings of a running machine, but for the first seconds
// after it came on.
func (b *learner) pastStart(stopped int64) func(i int) bool {
	keep := make([]bool, len(b.all))
	since := int64(0)
	for i := range b.all {
		r := &b.all[i]
		if r.broken || r.counts < stopped {
			since = 0
		}
		keep[i] = r.counts >= stopped && since >= startSkipMS
		if r.counts >= stopped {
			since += r.dtMS
			if r.dtMS >= startSkipMS/2 && since >= r.dtMS {
				since = max(since, startSkipMS) // slow sampling: the first reading is the start
			}
		}
	}
	return func(i int) bool { return keep[i] }
}

// valley is the emptiest stretch between two levels.
type valley struct{ on, off int64 }

// split finds two levels in the histogram and the valley between them, or says
// why there are none.
func (b *learner) split(h *histogram, stopped int64) (v valley, why string) {
	g := h.grid()
	if len(g.smooth) < 3 {
		return v, "only one level of running was seen"
	}
	at := g.otsu()
	if b.sp.control.PartLoad() {
		if at = g.lowest(); at < 0 {
			return v, "no level of idling stands apart from part load"
		}
	}
	m0, m1 := g.median(0, at+1), g.median(at+1, len(g.dens))
	lo, hi := b.si(g.mid(m0)), b.si(g.mid(m1))
	if hi-lo < learnApart*hi {
		return v, "only one level of running was seen"
	}
	if b.sp.control.PartLoad() && lo > learnLowest*b.si(h.at(0.9)) {
		return v, "no level of idling stands apart from part load"
	}
	from, to, least := g.valley(m0, m1)
	peak := min(g.peak(0, from), g.peak(to+1, len(g.smooth)))
	if peak == 0 || float64(least) > learnValley*float64(peak) {
		return v, "the levels run into each other: the machine spends time at everything between"
	}
	mid, half := (g.mid(from)+g.mid(to))/2, (g.mid(to)-g.mid(from))/2+g.width/2
	v = valley{on: mid + half/4, off: mid - half/4}
	if v.on <= v.off {
		v.on = v.off + 1
	}
	return b.centre(v, stopped, g.mid(m0), g.mid(m1)), ""
}

// modes describes the levels found.
func (b *learner) modes(l *Learning, stopped int64, v valley) {
	// Which level each reading belongs to, with the hysteresis of the fold.
	names := []string{"stopped", "unloaded", "loaded"}
	level, before := make([]int, len(b.all)), -1
	visits := [3]int{}
	for i := range b.all {
		n := b.all[i].counts
		k := 1
		switch {
		case n < stopped:
			k = 0
		case n >= v.on, n >= v.off && before == 2:
			k = 2
		}
		if k != before || b.all[i].broken {
			visits[k]++
		}
		level[i], before = k, k
	}
	for k, name := range names {
		h := histogramOf(b.all, func(i int) bool { return level[i] == k })
		if h.ms == 0 {
			if k == 0 {
				continue
			}
			l.Modes = append(l.Modes, Mode{Name: name})
			continue
		}
		l.Modes = append(l.Modes, Mode{Name: name, Median: b.c.mapValue(h.at(0.5)), P05: b.c.mapValue(h.at(0.05)), P95: b.c.mapValue(h.at(0.95)),
			Seconds: float64(h.ms) / 1000, Visits: visits[k]})
	}
}

// histogram is time by counts, ascending.
type histogram struct {
	bins []bin // halfMS holds whole milliseconds here
	ms   int64
}

func histogramOf(all []reading, take func(i int) bool) *histogram {
	m := map[int64]int64{}
	for i := range all {
		if all[i].dtMS > 0 && take(i) {
			m[all[i].counts] += all[i].dtMS
		}
	}
	h := &histogram{bins: make([]bin, 0, len(m))}
	for at, ms := range m {
		h.bins = append(h.bins, bin{at, ms})
		h.ms += ms
	}
	sort.Slice(h.bins, func(i, j int) bool { return h.bins[i].at < h.bins[j].at })
	return h
}

// at is the counts below which a share of the time lies.
func (h *histogram) at(share float64) int64 {
	want, sum := int64(share*float64(h.ms)), int64(0)
	for _, b := range h.bins {
		if sum += b.halfMS; sum > want {
			return b.at
		}
	}
	if len(h.bins) == 0 {
		return 0
	}
	return h.bins[len(h.bins)-1].at
}
