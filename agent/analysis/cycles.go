package analysis

import (
	"errors"
	"math"
	"slices"

	"loadscribe/agent/sitefile"
)

// CyclesQuery asks for what a machine did in [FromMS, ToMS), Unix ms UTC.
type CyclesQuery struct {
	FromMS, ToMS, NowMS int64
	Limit               int // cycles and starts that are listed at most, above 1 each
}

// Cycles is how a machine loaded, unloaded and rested in a window: the records that
// the figures of the same window are made of, one by one.
type Cycles struct {
	Machine string `json:"machine"`
	From    string `json:"from"`
	To      string `json:"to"`
	Control string `json:"control"`
	// Absent is why no load cycles are told; empty where they are.
	Absent    string   `json:"absent,omitempty"`
	Sentences []string `json:"sentences"`
	Notes     []string `json:"notes"` // what is not in the answer
	Method    string   `json:"method"`
	Inputs    []string `json:"inputs"`
	Coverage  float64  `json:"coverage"` // observed share of the window
	// Lengths are over all cycles and starts, listed or not.
	Lengths     []CycleLengths `json:"lengths"`
	CyclesTotal int            `json:"cycles_total"` // that were over in the window
	Cycles      []LoadCycle    `json:"cycles"`
	Starts      StartsSeen     `json:"starts"`
	Storage     CycleStorage   `json:"storage"`
	Unobserved  []CycleGap     `json:"unobserved"`
}

// What CycleLengths may be of.
const (
	LengthLoaded  = "loaded"
	LengthCycle   = "cycle"          // from a load to the next, no stop between
	LengthReload  = "unloaded"       // until it loaded again
	LengthStopped = "unloaded_stops" // until it stopped
	LengthRest    = "rest"           // from a stop to the next start
)

// CycleLengths tells how lengths of one kind are distributed, in seconds.
type CycleLengths struct {
	What      string  `json:"what"`
	Count     int     `json:"count"`
	ShortestS float64 `json:"shortest_s"`
	MedianS   float64 `json:"median_s"`
	LongestS  float64 `json:"longest_s"`
	Classes   []Class `json:"classes"`
}

// LoadCycle is one load and what followed until the next.
type LoadCycle struct {
	Start     string  `json:"start"` // of the load
	LoadedS   float64 `json:"loaded_s"`
	UnloadedS float64 `json:"unloaded_s"` // running; 0: it stopped from load
	Ended     string  `json:"ended"`      // the unloaded running: load or stop
	// CycleS is from this load to the next; left out where that was not seen.
	CycleS *float64 `json:"cycle_s,omitempty"`
	// Started is the start of the motor that led to this load; left out where it had
	// run unloaded since its last load, or was not seen to start.
	Started string `json:"started,omitempty"`
	// Gauge pressures, left out where none was read; low and high are the extreme
	// readings from the load to the end of the unloaded running.
	CutInKPa  *float64 `json:"cut_in_kpa,omitempty"`
	CutOutKPa *float64 `json:"cut_out_kpa,omitempty"`
	LowKPa    *float64 `json:"low_kpa,omitempty"`
	HighKPa   *float64 `json:"high_kpa,omitempty"`
	// Demand is the share of its full flow that was drawn from it in the cycle: loaded
	// time less the delivery delay, over the cycle. Left out where that cannot be said.
	Demand *float64 `json:"demand,omitempty"`
}

// CycleGap is a time in which nothing was observed.
type CycleGap struct {
	From   string `json:"from"`
	To     string `json:"to"`
	Reason string `json:"reason"`
}

// maxCycleGaps bounds the list of gaps: of more, the longest are told.
const maxCycleGaps = 500

// CyclesOf tells of a machine's cycles and starts.
func CyclesOf(src Source, site *sitefile.Site, machine string, q CyclesQuery) (Cycles, error) {
	from, to := q.FromMS, max(q.FromMS, min(q.ToMS, q.NowMS))
	c, err := cyclesOf(src, site, machine, from, to, q, gather)
	if errors.Is(err, errRawMissing) {
		from, to = cellOf(from), cellOf(to-1)+cellMS
		c, err = cyclesOf(src, site, machine, from, to, q, gatherWhole)
		c.Notes = append(c.Notes, widened(src))
	}
	return c, err
}

func cyclesOf(src Source, site *sitefile.Site, machine string, from, to int64, q CyclesQuery, get gatherer) (Cycles, error) {
	out := Cycles{Machine: machine, From: stamp(from), To: stamp(to), Sentences: []string{}, Notes: []string{}, Inputs: []string{},
		Lengths: []CycleLengths{}, Cycles: []LoadCycle{}, Unobserved: []CycleGap{},
		Starts: StartsSeen{List: []SeenStart{}, Rolling: []RollingStarts{}}, Storage: CycleStorage{Inputs: []string{}, Points: []CyclePoint{}}}
	sp, err := specOf(src, site, machine)
	if err != nil {
		return out, err
	}
	m, _ := site.MachineByName(machine)
	out.Control = string(m.Control)
	asked, err := newQuestion(src, site, sitefile.Groups(site), q.NowMS, false)
	if err != nil {
		return out, err
	}
	s, err := asked.machineSheet(m, sp, from, to, shiftSplits(site, from, to), get)
	if err != nil {
		return out, err
	}
	out.Notes = append(out.Notes, s.g.notes()...)
	out.Coverage, out.Inputs, out.Method = s.coverage, append(out.Inputs, s.stateInputs()...), sp.stateMethod
	switch {
	case s.g.total.observedMS() == 0:
		out.Absent = nothingSeen
	case !sp.hasStates:
		out.Absent = sp.statesAbsent
	case sp.runOnly:
		out.Absent = "no loaded signal, load fraction or power level tells loaded from unloaded"
	}
	s.fillCycles(&out, m, q.Limit)
	return out, nil
}

// fillCycles puts what the sheet knows into the answer.
func (s *sheet) fillCycles(out *Cycles, m *sitefile.Machine, limit int) {
	out.Unobserved = append(out.Unobserved, s.cycleGaps(out)...)
	out.Starts = s.startsSeen(m, limit, out)
	if out.Absent == "" {
		list := s.loadCycles(m)
		out.CyclesTotal = len(list)
		out.Lengths = append(out.Lengths, s.cycleLengthsOf()...)
		out.Storage = s.cycleStorage(m, list)
		out.Cycles = append(out.Cycles, chosenCycles(list, limit)...)
		if len(out.Cycles) < len(list) {
			out.Notes = append(out.Notes, notAll(len(out.Cycles), len(list), "cycles")+", the shortest and the longest among them")
		}
	} else {
		out.Storage.Absent = out.Absent
	}
	out.Sentences = append(out.Sentences, s.cycleSentences(out, m)...)
}

// chosenCycles takes at most so many evenly, the shortest and the longest from
// load to load among them: those are looked for.
func chosenCycles(list []LoadCycle, limit int) []LoadCycle {
	if len(list) <= limit {
		return list
	}
	places := make([]int, len(list))
	short, long := -1, -1
	for i := range list {
		places[i] = i
		c := &list[i]
		if c.CycleS == nil || c.Ended != "load" {
			continue
		}
		if short < 0 || *c.CycleS < *list[short].CycleS {
			short = i
		}
		if long < 0 || *c.CycleS > *list[long].CycleS {
			long = i
		}
	}
	chosen := everySoMany(places, limit)
	for n := limit; n >= max(limit-2, 1); n-- {
		some := everySoMany(places, n)
		for _, i := range []int{short, long} {
			if i >= 0 && !slices.Contains(some, i) {
				some = append(some, i)
			}
		}
		if len(some) <= limit {
			chosen = some
			break
		}
	}
	slices.Sort(chosen)
	all := make([]LoadCycle, len(chosen))
	for k, i := range chosen {
		all[k] = list[i]
	}
	return all
}

// cycleGaps lists the unobserved times.
func (s *sheet) cycleGaps(out *Cycles) (all []CycleGap) {
	var runs []Run
	for _, r := range s.g.runs(s.g.from, s.g.to) {
		if r.State == Unobserved {
			runs = append(runs, r)
		}
	}
	if len(runs) > maxCycleGaps {
		out.Notes = append(out.Notes, notAll(maxCycleGaps, len(runs), "unobserved times")+": the longest")
		slices.SortStableFunc(runs, func(a, b Run) int { return int(b.ToMS - b.FromMS - a.ToMS + a.FromMS) })
		runs = runs[:maxCycleGaps]
		slices.SortFunc(runs, func(a, b Run) int { return int(a.FromMS - b.FromMS) })
	}
	for _, r := range runs {
		all = append(all, CycleGap{stamp(r.FromMS), stamp(r.ToMS), r.Reason})
	}
	return all
}

// round is one load with its next.
type round struct {
	startMono int64 // of the motor's start that led to the load; 0: it was running, or not seen
	startWall int64
	nextWall  int64 // of the next load; 0: not seen
	ms        int64 // until then
}

// rounds walks the changes of state from load to load.
func (g *gathered) rounds() map[int64]round {
	all := map[int64]round{}
	state := Unobserved
	if g.entry != nil && g.entry.known {
		state = g.entry.state
	}
	var open, mono int64 // the last load, by both clocks
	var began round
	for i := range g.total.transitions {
		t := &g.total.transitions[i]
		switch {
		case t.fresh:
			open, began = 0, round{}
		case !state.Running() && t.state.Running():
			began = round{startMono: t.mono, startWall: t.wall}
		case state.Running() && !t.state.Running():
			began = round{}
		}
		if !t.fresh && !state.delivering() && t.state.delivering() {
			if last, ok := all[open]; ok && open != 0 {
				last.nextWall, last.ms = t.wall, t.mono-mono
				all[open] = last
			}
			open, mono = t.wall, t.mono
			all[open] = began
			began = round{}
		}
		state = t.state
	}
	return all
}

// loadCycles are the records of the cycles that were over in the window.
func (s *sheet) loadCycles(m *sitefile.Machine) []LoadCycle {
	rounds := s.g.rounds()
	atLoad := map[int64]cycle{}
	for _, y := range s.g.total.cycles {
		if y.hasPressure {
			atLoad[y.loadWall] = y
		}
	}
	delay := s.deliveryDelay(m).V
	list := make([]LoadCycle, 0, len(s.g.total.cycles))
	for i := range s.g.total.cycles {
		y := &s.g.total.cycles[i]
		c := LoadCycle{Start: stamp(y.loadWall), LoadedS: float64(y.loadMS) / 1000, UnloadedS: float64(y.unloadMS) / 1000, Ended: TurnLoad}
		if y.end == endedByStop {
			c.Ended = TurnStop
		}
		r := rounds[y.loadWall]
		if r.startWall != 0 {
			c.Started = stamp(r.startWall)
		}
		switch {
		case r.ms > 0:
			c.CycleS = number64(float64(r.ms) / 1000)
		case y.end == endedByLoad: // it loaded before the window
			c.CycleS = number64(float64(y.loadMS+y.unloadMS) / 1000)
		}
		s.cyclePressures(&c, y)
		if r.ms > 0 && !m.Control.PartLoad() && sameAtLoad(atLoad, y.loadWall, r.nextWall) && c.LoadedS > delay {
			c.Demand = number64(rounded((c.LoadedS-delay) / *c.CycleS, 10_000))
		}
		list = append(list, c)
	}
	return list
}

// cyclePressures sets where a cycle loaded and unloaded.
func (s *sheet) cyclePressures(c *LoadCycle, y *cycle) {
	p := s.pressureOf()
	if p == nil || !y.hasPressure {
		return
	}
	kPa := func(counts float64) *float64 { return number64(rounded(p.si(counts)/pascalsPerKPa, 1000)) }
	low, high := y.minCounts, y.maxCounts
	if p.countSI < 0 {
		low, high = high, low
	}
	c.CutInKPa, c.CutOutKPa = kPa(float64(y.atLoad)/2), kPa(float64(s.atUnload(y))/2)
	c.LowKPa, c.HighKPa = kPa(float64(low)), kPa(float64(high))
}

// rounded keeps the lists short: finer than any gauge is nothing.
func rounded(v, per float64) float64 { return math.Round(v*per) / per }

// cycleLengthsOf are the distributions that have anything in them.
func (s *sheet) cycleLengthsOf() (all []CycleLengths) {
	of := map[string][]int64{}
	for _, c := range s.g.total.cycles {
		of[LengthLoaded] = append(of[LengthLoaded], c.loadMS)
		switch {
		case c.end == endedByLoad:
			of[LengthCycle] = append(of[LengthCycle], c.loadMS+c.unloadMS)
			of[LengthReload] = append(of[LengthReload], c.unloadMS)
		case c.unloadMS > 0:
			of[LengthStopped] = append(of[LengthStopped], c.unloadMS)
		}
	}
	for _, st := range s.g.total.starts {
		if st.restMS > 0 {
			of[LengthRest] = append(of[LengthRest], st.restMS)
		}
	}
	for _, what := range []string{LengthLoaded, LengthReload, LengthStopped, LengthCycle, LengthRest} {
		ms := of[what]
		if len(ms) == 0 {
			continue
		}
		slices.Sort(ms)
		all = append(all, CycleLengths{What: what, Count: len(ms), ShortestS: float64(ms[0]) / 1000, MedianS: medianCount(ms) / 1000,
			LongestS: float64(ms[len(ms)-1]) / 1000, Classes: distribution(ms)})
	}
	return all
}
