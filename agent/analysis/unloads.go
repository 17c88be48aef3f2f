package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

const (
	// leadMS is how much of the time before an unload its curves show.
	leadMS = 5_000
	// Unloads this near to one another are read in one go, and no more than these
	// hours at once.
	nearMS   = 600_000
	atOnceMS = 4 * hourMS
)

// UnloadQuery asks for the unloads that begin in [FromMS, ToMS), Unix ms UTC.
type UnloadQuery struct {
	FromMS, ToMS, NowMS int64
	Limit               int // curves at most, above 0: of more, evenly chosen ones have theirs
	Seconds             int // of each curve after the unload, above 0
	Points              int // of each curve at most, above 1
}

// Unloads is what power and sump pressure did in each unload of a window, laid
// over one another for a picture.
type Unloads struct {
	Machine string `json:"machine"`
	From    string `json:"from"`
	To      string `json:"to"`
	Total   int    `json:"total"` // that begin in the window
	// The channel of each curve and its unit; left out where there is none.
	Power     string `json:"power,omitempty"`
	PowerUnit string `json:"power_unit,omitempty"` // kW; A where only a current is read
	Sump      string `json:"sump,omitempty"`
	SumpUnit  string `json:"sump_unit,omitempty"`
	// Sentences say what the unloads show; Notes what is not in the answer.
	Sentences []string      `json:"sentences"`
	Notes     []string      `json:"notes"`
	Unloads   []UnloadCurve `json:"unloads"`
}

// UnloadCurve is one unload. A point is seconds after the unload, from five before
// it on, and the value, as it was read.
type UnloadCurve struct {
	Start   string       `json:"start"`
	LastedS float64      `json:"lasted_s"`
	Ended   string       `json:"ended"` // load, stop, lost (nothing was read from there on) or not
	Power   [][2]float64 `json:"power"`
	Sump    [][2]float64 `json:"sump"`
}

// moment is when an unload was, and how it ended.
type moment struct {
	wall, mono, ms int64
	ended          string
}

// seenUnload is an unload whose curve is being made.
type seenUnload struct {
	moment
	untilMS      int64 // of its curve, after the unload
	segment      uint32
	found        bool // its first scan, which tells the segment
	draws, sumps []rawPoint
}

type rawPoint struct {
	segment      uint32
	mono, counts int64
}

// UnloadsOf lays the unloads of a machine over one another: the moments from the
// summaries, the curves from the raw scans about them.
func UnloadsOf(src Source, site *sitefile.Site, machine string, q UnloadQuery) (Unloads, error) {
	out := Unloads{Machine: machine, From: stamp(q.FromMS), To: stamp(q.ToMS), Sentences: []string{}, Notes: []string{}, Unloads: []UnloadCurve{}}
	sp, err := specOf(src, site, machine)
	if err != nil {
		return out, err
	}
	switch {
	case !sp.hasStates:
		out.Notes = append(out.Notes, sp.statesAbsent)
		return out, nil
	case sp.runOnly:
		out.Notes = append(out.Notes, "no loaded signal, load fraction or power level tells loaded from unloaded")
		return out, nil
	}
	// What begins shortly before the end of the window ends behind it.
	end := min(cellOf(q.ToMS-1)+2*cellMS, max(cellOf(q.NowMS)+cellMS, q.ToMS))
	g, err := gather(src, sp, cellOf(q.FromMS), cellOf(end-1)+cellMS, nil)
	if err != nil {
		return out, err
	}
	all := unloadsIn(g, q.FromMS, q.ToMS)
	out.Total = len(all)
	out.name(sp)
	out.Sentences = append(out.Sentences, (&sheet{g: g}).unloadSentences()...)
	chosen := everySoMany(all, q.Limit)
	if len(chosen) < len(all) {
		out.Notes = append(out.Notes, fmt.Sprintf("curves of %d of %d unloads, evenly chosen", len(chosen), len(all)))
	}
	if kept := rawFrom(src); kept > 0 && len(chosen) > 0 && chosen[0].wall < kept {
		out.Notes = append(out.Notes, fmt.Sprintf("raw readings before %s are no longer kept: unloads before that have no curve", stamp(kept)))
	}
	out.Unloads, err = readCurves(src, sp, chosen, q)
	return out, err
}

// name says which channels the curves are of.
func (u *Unloads) name(sp *spec) {
	if sp.draw >= 0 {
		u.Power, u.PowerUnit = sp.chans[sp.draw].id, "A"
		if sp.drawsPower() {
			u.PowerUnit = "kW"
		}
	}
	if sp.sump >= 0 {
		u.Sump, u.SumpUnit = sp.chans[sp.sump].id, "kPa"
	}
}

// unloadsIn walks the transitions.
func unloadsIn(g *gathered, from, to int64) (all []moment) {
	state := Unobserved
	if g.entry != nil && g.entry.known {
		state = g.entry.state
	}
	var open *moment
	for i := range g.total.transitions {
		t := &g.total.transitions[i]
		if open != nil {
			open.ms, open.ended = t.mono-open.mono, TurnLoad
			switch {
			case t.fresh:
				open.ms, open.ended = 0, TurnLost
			case !t.state.Running():
				open.ended = TurnStop
			}
			open = nil
		}
		if !t.fresh && state.delivering() && t.state == Unloaded && t.wall >= from && t.wall < to {
			all = append(all, moment{wall: t.wall, mono: t.mono, ended: "not"})
			open = &all[len(all)-1]
		}
		state = t.state
	}
	if open != nil && g.exit != nil && g.exit.hasLast {
		open.ms = max(0, g.exit.lastMono-open.mono)
		if !g.exit.known {
			open.ended = TurnLost
		}
	}
	slices.SortStableFunc(all, func(a, b moment) int { return cmp.Compare(a.wall, b.wall) })
	return all
}

// everySoMany takes at most so many, the first and the last among them.
func everySoMany[T any](all []T, limit int) []T {
	if len(all) <= limit {
		return all
	}
	chosen := make([]T, limit)
	for i := range chosen {
		chosen[i] = all[i*(len(all)-1)/max(limit-1, 1)]
	}
	return chosen
}

// readCurves reads the raw scans about the unloads, which are in order of time,
// and keeps no more of them than one go needs.
func readCurves(src Source, sp *spec, list []moment, q UnloadQuery) ([]UnloadCurve, error) {
	curves := []UnloadCurve{}
	reach := int64(q.Seconds)*1000 + leadMS
	for len(list) > 0 {
		n := 1
		for n < len(list) && list[n].wall-list[n-1].wall <= reach+nearMS && list[n].wall-list[0].wall <= atOnceMS {
			n++
		}
		seen := make([]seenUnload, n)
		for i := range seen {
			seen[i] = seenUnload{moment: list[i], untilMS: int64(q.Seconds) * 1000}
			if list[i].ended != TurnLost {
				seen[i].untilMS = min(seen[i].untilMS, list[i].ms)
			}
		}
		if err := readTogether(src, sp, seen, reach); err != nil {
			return curves, err
		}
		for i := range seen {
			curves = append(curves, seen[i].draw(sp, q))
		}
		list = list[n:]
	}
	return curves, nil
}

// readTogether folds the scans about some unloads, so that a value is what the
// figures take it for, and notes those of the draw and of the sump pressure.
func readTogether(src Source, sp *spec, list []seenUnload, reach int64) error {
	c, d := &carry{}, newDelta(sp)
	c.init(len(sp.chans), len(sp.watches))
	routes := map[*scan.Group]*route{}
	query := store.ScanQuery{Devices: sp.devices(), FromMS: list[0].wall - leadMS, ToMS: list[len(list)-1].wall + reach}
	err := src.Scans(query, func(s *scan.Scan) error {
		r, ok := routes[s.Group]
		if !ok {
			made := sp.routeFor(s.Group)
			r = &made
			routes[s.Group] = r
		}
		if len(r.pairs) == 0 {
			return nil
		}
		d.reset()
		sp.step(c, d, s, r)
		first := sort.Search(len(list), func(i int) bool { return list[i].wall >= s.WallMS-reach })
		for i := first; i < len(list) && list[i].wall <= s.WallMS+leadMS; i++ {
			list[i].note(sp, c, s)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("read scans of %s: %w", sp.name, err)
	}
	return nil
}

// note takes what a scan has brought.
func (u *seenUnload) note(sp *spec, c *carry, s *scan.Scan) {
	if s.WallMS == u.wall && s.MonoMS == u.mono {
		u.segment, u.found = s.Segment, true
	}
	if u.found && (s.Segment != u.segment || s.MonoMS-u.mono > u.untilMS) {
		return
	}
	take := func(ch int, into *[]rawPoint) {
		if ch < 0 {
			return
		}
		t := &c.tracks[ch]
		if !t.fresh || t.mono != s.MonoMS || t.wall != s.WallMS {
			return
		}
		if n := len(*into); n > 0 && (*into)[n-1].mono == t.mono && (*into)[n-1].segment == s.Segment {
			return // another device's scan of the same moment
		}
		*into = append(*into, rawPoint{s.Segment, t.mono, t.counts})
	}
	take(sp.draw, &u.draws)
	take(sp.sump, &u.sumps)
}

// draw makes the curves of what was noted.
func (u *seenUnload) draw(sp *spec, q UnloadQuery) UnloadCurve {
	all := UnloadCurve{Start: stamp(u.wall), LastedS: float64(u.ms) / 1000, Ended: u.ended, Power: [][2]float64{}, Sump: [][2]float64{}}
	curve := func(ch int, points []rawPoint, per float64) [][2]float64 {
		out := [][2]float64{}
		points = slices.DeleteFunc(points, func(p rawPoint) bool {
			return !u.found || p.segment != u.segment || p.mono-u.mono < -leadMS || p.mono-u.mono > u.untilMS
		})
		n := min(len(points), q.Points)
		for i := range n {
			p := points[i*(len(points)-1)/max(n-1, 1)]
			v := sp.chans[ch].si(float64(p.counts)) / per
			out = append(out, [2]float64{float64(p.mono-u.mono) / 1000, math.Round(v*1000) / 1000})
		}
		return out
	}
	if sp.draw >= 0 {
		per := 1.0
		if sp.drawsPower() {
			per = wattsPerKW
		}
		all.Power = curve(sp.draw, u.draws, per)
	}
	if sp.sump >= 0 {
		all.Sump = curve(sp.sump, u.sumps, pascalsPerKPa)
	}
	return all
}

// unloadSentences say what the unloads show: how many settled, how long they
// blew down, and what wants looking at.
func (s *sheet) unloadSentences() []string {
	sp, falls := s.g.sp, s.g.total.falls
	n := tallyUnloads(falls)
	text := n.settledOf()
	all := []string{strings.ToUpper(text[:1]) + text[1:] + "."}
	var took []int64
	for i := range falls {
		if t := falls[i].took(); falls[i].verdict == blownDown && t > 0 {
			took = append(took, t)
		}
	}
	if len(took) > 0 {
		all = append(all, fmt.Sprintf("Nine tenths of the blow-down took %.0f s (median of %d).", medianCount(took)/1000, len(took)))
	}
	for _, r := range s.blowDownRemarks() {
		all = append(all, r.Sentence)
	}
	valve := slices.DeleteFunc(s.g.spells(), func(f found) bool {
		kind := sp.watches[f.watch].kind
		return kind != watchLoadSeen && kind != watchLoadUnseen
	})
	for _, f := range sp.joined(valve) {
		all = append(all, sp.finding(&f).Sentence)
	}
	return all
}
