package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"loadscribe/agent/air"
	"loadscribe/agent/sitefile"
)

// How quiet hours are told (common practice, no source).
const (
	// A quarter hour of a night is quiet while no more flows than at the night's
	// level, which is its lower quartile, and a quarter of that, and three times
	// what one quarter hour can be told to.
	quietLevel, quietMore, quietNoise = 0.25, 0.25, 3.0
	leastQuarterMinutes               = 10
	leastRunQuarters                  = 2  // that follow each other: a lull is no quiet hour
	leastQuietMinutes                 = 30 // in all
	// A night at more than this many times the level of the middle one is left
	// out: somebody worked.
	busyNight = 2.5
	// Without shifts, quiet is what lasts this long at a stretch and lies this far
	// below the rest.
	leastLullQuarters, lullBelow = 8, 2.0
)

// quietHours are the minutes of a window in which nobody takes air on purpose.
type quietHours struct {
	absent string
	nights []quietNight
	basis  string // where they come from, in words
	busy   []quietNight
}

// quietNight is one time without shifts, from the end of one to the begin of the
// next, and its quiet minutes: places in the balance, in order.
type quietNight struct {
	fromMS, toMS int64 // of the minutes
	minutes      []int
	level        float64 // m³/s of free air for each Pa absolute
}

// minutes are those of all nights.
func (h *quietHours) minutes() (all []int) {
	for i := range h.nights {
		all = append(all, h.nights[i].minutes...)
	}
	return all
}

// quarterHour is a quarter hour's demand for each pascal of absolute pressure:
// what leaks follows that, so that a night in which pressure falls is level too.
type quarterHour struct {
	startMS      int64
	minutes      []int
	level, noise float64
	follows      bool // the quarter before it is the one in time
}

// meanPa is the absolute pressure over minutes that are whole.
func (b *airBalance) meanPa(minutes []int, outsidePa float64) float64 {
	var sum float64
	for _, i := range minutes {
		sum += float64((b.minutes[i].startPa + b.minutes[i].endPa) / 2)
	}
	return sum/float64(len(minutes)) + outsidePa
}

// flowIn is the demand over minutes that are whole, as mean has it, without its
// uncertainty.
func (b *airBalance) flowIn(minutes []int) float64 {
	s := b.sum(minutes)
	if s.seconds == 0 {
		return 0
	}
	m3 := s.meteredM3
	if !b.metered {
		for k := range b.flow {
			m3 += float64(s.fullS[k] * b.flow[k].V)
		}
	}
	gainPa := s.gainPa - float64(b.drop.V*s.drops)
	return (m3 - float64(gainPa*b.volume.V)/b.inletPa) / s.seconds
}

// quarters are the quarter hours of minutes in order that can be balanced and in
// which pressure is high enough for air to leave a hole at the speed of sound:
// below that nothing can be told of leaks.
func (b *airBalance) quarters(minutes []int, outsidePa float64) []quarterHour {
	var all []quarterHour
	for at := 0; at < len(minutes); {
		cell := cellOf(b.minutes[minutes[at]].startMS)
		end := at
		for end < len(minutes) && cellOf(b.minutes[minutes[end]].startMS) == cell {
			end++
		}
		of := slices.DeleteFunc(slices.Clone(minutes[at:end]), func(i int) bool {
			return !b.whole(i) || !b.minutes[i].hasPressure || !air.Choked(b.minutes[i].endPa+outsidePa, outsidePa)
		})
		at = end
		if len(of) < leastQuarterMinutes {
			continue
		}
		pa := b.meanPa(of, outsidePa)
		q := quarterHour{startMS: cell, minutes: of, level: b.flowIn(of) / pa, noise: b.noiseM3() / (60 * float64(len(of))) / pa}
		q.follows = len(all) > 0 && all[len(all)-1].startMS == cell-cellMS
		all = append(all, q)
	}
	return all
}

// quietHours finds them outside the site's shifts, or without shifts in the
// demand alone.
func (b *airBalance) quietHours(site *sitefile.Site) *quietHours {
	h := &quietHours{}
	if len(site.Shifts) == 0 {
		h.fromDemand(b, site.BarometerPa)
		return h
	}
	texts := make([]string, len(site.Shifts))
	for i := range site.Shifts {
		texts[i] = site.Shifts[i].Text
	}
	h.basis = "outside the shifts (" + strings.Join(texts, ", ") + ")"
	blocks := b.offShift(site)
	if len(blocks) == 0 {
		h.absent = "no quiet hour: the shifts in the site file (" + strings.Join(texts, ", ") + ") leave no time of this window in which nobody works"
		return h
	}
	for _, block := range blocks {
		if n, ok := b.night(block, site.BarometerPa); ok {
			h.nights = append(h.nights, n)
		}
	}
	h.leaveBusy()
	h.least()
	return h
}

// offShift is the minutes outside the shifts, by night.
func (b *airBalance) offShift(site *sitefile.Site) (blocks [][]int) {
	cal := newCalendar(site)
	before := false
	for i := range b.minutes {
		off := cal.offShift(b.minutes[i].startMS)
		if off && !before {
			blocks = append(blocks, nil)
		}
		if off {
			blocks[len(blocks)-1] = append(blocks[len(blocks)-1], i)
		}
		before = off
	}
	return blocks
}

// night finds the quiet minutes of one night.
func (b *airBalance) night(block []int, outsidePa float64) (quietNight, bool) {
	quarters := b.quarters(block, outsidePa)
	if len(quarters) == 0 {
		return quietNight{}, false
	}
	level := quantile(quarters, quietLevel)
	return quietRuns(quarters, level, leastRunQuarters)
}

// quantile is a level below which a share of the quarter hours lie.
func quantile(quarters []quarterHour, share float64) float64 {
	levels := make([]float64, len(quarters))
	for i := range quarters {
		levels[i] = quarters[i].level
	}
	return quantileOf(levels, share)
}

// quiet reports whether no more flows than at a level.
func (q *quarterHour) quiet(level float64) bool {
	return q.level <= level+max(float64(quietMore*math.Abs(level)), float64(quietNoise*q.noise))
}

// quietRuns are the minutes of quarter hours that are quiet, at least some in a
// row.
func quietRuns(quarters []quarterHour, level float64, least int) (n quietNight, ok bool) {
	n.level = level
	for at := 0; at < len(quarters); {
		end := at
		for end < len(quarters) && quarters[end].quiet(level) && (end == at || quarters[end].follows) {
			end++
		}
		if end-at >= least {
			if n.minutes == nil {
				n.fromMS = quarters[at].startMS
			}
			n.toMS = quarters[end-1].startMS + cellMS
			for _, q := range quarters[at:end] {
				n.minutes = append(n.minutes, q.minutes...)
			}
		}
		at = max(end, at+1)
	}
	return n, n.minutes != nil
}

// leaveBusy leaves out nights in which somebody worked throughout.
func (h *quietHours) leaveBusy() {
	if len(h.nights) < 3 {
		return
	}
	levels := make([]float64, len(h.nights))
	for i := range h.nights {
		levels[i] = h.nights[i].level
	}
	slices.Sort(levels)
	most := busyNight * levels[len(levels)/2]
	h.nights = slices.DeleteFunc(h.nights, func(n quietNight) bool {
		busy := most > 0 && n.level > most
		if busy {
			h.busy = append(h.busy, n)
		}
		return busy
	})
}

// least holds what was found to the least that a figure needs.
func (h *quietHours) least() {
	switch n := len(h.minutes()); {
	case h.absent != "":
	case n == 0:
		h.absent = "no quiet hour: " + h.basis + " no half hour was observed in which demand kept level and pressure stood on the system"
	case n < leastQuietMinutes:
		h.absent = fmt.Sprintf("no quiet hour: %s only %d minutes were level and observed, %d are needed", h.basis, n, leastQuietMinutes)
	}
}

// fromDemand finds quiet hours where no shift is known: the long stretches at
// the bottom of demand, if they lie well below the rest of it.
func (h *quietHours) fromDemand(b *airBalance, outsidePa float64) {
	h.basis = "in the demand alone, for the site file has no shifts,"
	all := make([]int, len(b.minutes))
	for i := range all {
		all[i] = i
	}
	quarters := b.quarters(all, outsidePa)
	if len(quarters) == 0 {
		h.least()
		return
	}
	level := quantile(quarters, 0.1)
	rest := slices.DeleteFunc(slices.Clone(quarters), func(q quarterHour) bool { return q.quiet(level) })
	if len(rest) < leastLullQuarters || quantile(rest, 0.5) < float64(lullBelow*level) {
		h.absent = "no quiet hour: the site file has no shifts, and demand has no low level apart from the rest: write the shifts"
		return
	}
	for at := 0; at < len(quarters); {
		end := at + 1
		for end < len(quarters) && quarters[end].follows {
			end++
		}
		for _, part := range quietParts(quarters[at:end], level) {
			if n, ok := quietRuns(part, level, leastLullQuarters); ok {
				h.nights = append(h.nights, n)
			}
		}
		at = end
	}
	h.least()
}

// quietParts cuts a row of quarter hours where one is not quiet.
func quietParts(quarters []quarterHour, level float64) (parts [][]quarterHour) {
	from := 0
	for i := range quarters {
		if !quarters[i].quiet(level) {
			parts = append(parts, quarters[from:i])
			from = i + 1
		}
	}
	return append(parts, quarters[from:])
}
