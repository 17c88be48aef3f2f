package analysis

import (
	"fmt"
	"slices"

	"loadscribe/agent/air"
	"loadscribe/agent/sitefile"
)

// MostNightsMS is the longest window that NightsOf takes: each of its quarter hours
// is told.
const MostNightsMS = 35 * dayMS

// Nights tells of a system's quiet hours: which quarter hours of a window were
// taken for them and why others were not, and the figures that follow. It is the
// answer of /api/v1/nights.
type Nights struct {
	System string `json:"system"`
	From   string `json:"from"` // RFC 3339 UTC
	To     string `json:"to"`
	StepS  int64  `json:"step_s"` // of the quarter hours
	// Basis says where quiet hours come from, Agreement how the methods agree.
	Basis     string `json:"basis"`
	Agreement string `json:"agreement"`
	// Absent says why there is no quiet hour; empty: there are some.
	Absent   string        `json:"absent,omitempty"`
	Figures  []Figure      `json:"figures"`
	Tables   []Table       `json:"tables"`
	Nights   []Night       `json:"nights"`
	Quarters NightQuarters `json:"quarters"`
	// Instruments are the records behind the figures.
	Instruments []sitefile.InstrumentFacts `json:"instruments"`
	Notes       []string                   `json:"notes"`
}

// Night is a time in which nobody should work: from the end of one shift to the
// begin of the next. Where the site file has no shifts it is a time that was found
// quiet. Flow and pressure (gauge) are those of its quiet minutes; nil where none
// was taken, and Why says why.
type Night struct {
	From     string   `json:"from"`
	To       string   `json:"to"`
	Quiet    float64  `json:"quiet_s"`
	Flow     *float64 `json:"flow_m3s"`
	Pressure *float64 `json:"pressure_pa"`
	Why      string   `json:"why,omitempty"`
}

// NightQuarters are the quarter hours of the window, one after another. Flow and
// pressure are nil where they could not be told, and in shifts, in which nobody
// asks for leaks.
type NightQuarters struct {
	From     string     `json:"from"`
	Found    []Quarter  `json:"found"`
	Flow     []*float64 `json:"flow_m3s"`
	Pressure []*float64 `json:"pressure_pa"`
}

// Quarter is what became of a quarter hour.
type Quarter string

// What becomes of a quarter hour.
const (
	QuarterTaken    Quarter = "taken"    // it is quiet and counts
	QuarterShift    Quarter = "shift"    // somebody works by the site file
	QuarterUnseen   Quarter = "unseen"   // it cannot be balanced
	QuarterEmpty    Quarter = "empty"    // the pressure is too low for leaks to be told
	QuarterRestless Quarter = "restless" // more flows than at the night's level
	QuarterShort    Quarter = "short"    // level, but not for long enough at a stretch
	QuarterBusy     Quarter = "busy"     // of a night that is left out whole
)

// NightsOf tells of a system's quiet hours in [fromMS, toMS), Unix ms UTC, cut at
// nowMS. Its figures and hours are those of Compute over the same window.
func NightsOf(src Source, site *sitefile.Site, system string, fromMS, toMS, nowMS int64) (Nights, error) {
	if min(toMS, nowMS)-fromMS > MostNightsMS {
		return Nights{}, badDemand("from", "the window is longer than %d days: ask for less", MostNightsMS/dayMS)
	}
	c, err := computeAny(src, site, fromMS, toMS, nowMS, "")
	if err != nil {
		return Nights{}, err
	}
	s := c.systems[system]
	if s == nil {
		return Nights{}, badDemand("system", "system %q is not in the site file", system)
	}
	n := Nights{System: system, From: c.From, To: c.To, StepS: cellMS / 1000, Figures: named(s.list(), quietNames()), Tables: []Table{},
		Nights: []Night{}, Instruments: c.Instruments, Notes: slices.Compact(append([]string{}, c.Notes...)),
		Quarters: NightQuarters{From: stamp(cellOf(s.g.from)), Found: []Quarter{}, Flow: []*float64{}, Pressure: []*float64{}}}
	for _, t := range s.tables {
		if t.Name == "leak_methods" || t.Name == "quiet_nights" || t.Name == "quiet_users" {
			n.Tables = append(n.Tables, t)
		}
	}
	if s.quiet == nil { // no balance at all
		n.Absent = s.balance.absent
		return n, nil
	}
	n.Basis, n.Agreement, n.Absent = s.quiet.hours.basis, s.quiet.words, s.quiet.hours.absent
	v := newNightView(s.balance, s.quiet.hours, site)
	v.quarters(&n.Quarters, s.g.from, s.g.to)
	n.Nights = append(n.Nights, v.nights()...)
	return n, nil
}

// nightView judges the quarter hours of a balance once more, as quietHours did, and
// says what became of each.
type nightView struct {
	b         *airBalance
	h         *quietHours
	outsidePa float64
	taken     map[int]bool // minutes that count
	busy      map[int64]bool
	byCell    map[int64]quarterHour
	level     map[int64]float64 // of the night that a quarter hour is of
	blocks    [][]int           // minutes by night; nil without shifts
	cal       *calendar         // of the shifts; nil without
}

func newNightView(b *airBalance, h *quietHours, site *sitefile.Site) *nightView {
	v := &nightView{b: b, h: h, outsidePa: site.BarometerPa, taken: map[int]bool{}, busy: map[int64]bool{},
		byCell: map[int64]quarterHour{}, level: map[int64]float64{}}
	for _, i := range h.minutes() {
		v.taken[i] = true
	}
	blocks, share := [][]int{v.all()}, 0.1
	if len(site.Shifts) > 0 {
		v.blocks, v.cal = b.offShift(site), newCalendar(site)
		blocks, share = v.blocks, quietLevel
	}
	for _, block := range blocks {
		quarters := b.quarters(block, v.outsidePa)
		if len(quarters) == 0 {
			continue
		}
		level := quantile(quarters, share)
		for _, q := range quarters {
			v.byCell[q.startMS], v.level[q.startMS] = q, level
		}
	}
	for i := range h.busy {
		for _, m := range h.busy[i].minutes {
			v.busy[cellOf(b.minutes[m].startMS)] = true
		}
	}
	return v
}

func (v *nightView) all() []int {
	all := make([]int, len(v.b.minutes))
	for i := range all {
		all[i] = i
	}
	return all
}

// cellMinutes are the places of a cell's minutes outside the shifts.
func (v *nightView) cellMinutes(cell int64) (all []int) {
	if len(v.b.minutes) == 0 {
		return nil
	}
	at := (cell - v.b.minutes[0].startMS) / minuteMS
	for i := max(0, at); i < min(at+cellMS/minuteMS, int64(len(v.b.minutes))); i++ {
		if cellOf(v.b.minutes[i].startMS) == cell {
			all = append(all, int(i))
		}
	}
	return all
}

func (v *nightView) quarters(out *NightQuarters, fromMS, toMS int64) {
	for cell := cellOf(fromMS); cell < toMS; cell += cellMS {
		found := v.judge(cell)
		out.Found = append(out.Found, found)
		var flow, pressure *float64
		if q, ok := v.byCell[cell]; ok && found != QuarterShift {
			flow, pressure = number64(v.b.flowIn(q.minutes)), number64(v.b.meanPa(q.minutes, 0))
		}
		out.Flow, out.Pressure = append(out.Flow, flow), append(out.Pressure, pressure)
	}
}

// judge says what became of a cell.
func (v *nightView) judge(cell int64) Quarter {
	minutes := v.cellMinutes(cell)
	if slices.ContainsFunc(minutes, func(i int) bool { return v.taken[i] }) {
		return QuarterTaken
	}
	q, balanced := v.byCell[cell]
	switch {
	case v.busy[cell]:
		return QuarterBusy
	case balanced && q.quiet(v.level[cell]):
		return QuarterShort
	case balanced:
		return QuarterRestless
	case v.works(cell):
		return QuarterShift
	case v.tooLow(minutes):
		return QuarterEmpty
	}
	return QuarterUnseen
}

// works reports whether all of a cell lies in shifts.
func (v *nightView) works(cell int64) bool {
	if v.cal == nil {
		return false
	}
	for at := cell; at < cell+cellMS; at += minuteMS {
		if v.cal.offShift(at) {
			return false
		}
	}
	return true
}

// tooLow reports whether a cell was observed, with too little pressure.
func (v *nightView) tooLow(minutes []int) bool {
	low := 0
	for _, i := range minutes {
		if v.b.whole(i) && v.b.minutes[i].hasPressure && !air.Choked(v.b.minutes[i].endPa+v.outsidePa, v.outsidePa) {
			low++
		}
	}
	return low >= leastQuarterMinutes
}

// nights are the times without shifts, or those that were found.
func (v *nightView) nights() (all []Night) {
	if v.blocks == nil {
		for i := range v.h.nights {
			n := &v.h.nights[i]
			all = append(all, v.told(n.fromMS, n.toMS, n.minutes))
		}
		return all
	}
	for _, block := range v.blocks {
		first, last := v.b.minutes[block[0]].startMS, v.b.minutes[block[len(block)-1]].startMS+minuteMS
		n := v.told(first, last, slices.DeleteFunc(slices.Clone(block), func(i int) bool { return !v.taken[i] }))
		if n.Flow == nil {
			n.Why = v.why(block)
		}
		all = append(all, n)
	}
	return all
}

func (v *nightView) told(fromMS, toMS int64, taken []int) Night {
	n := Night{From: stamp(fromMS), To: stamp(toMS), Quiet: float64(len(taken)) * minuteMS / 1000}
	if len(taken) > 0 {
		n.Flow, n.Pressure = number64(v.b.flowIn(taken)), number64(v.b.meanPa(taken, 0))
	}
	return n
}

// why says why nothing of a night was taken.
func (v *nightView) why(block []int) string {
	count := map[Quarter]int{}
	first := cellOf(v.b.minutes[block[0]].startMS)
	for cell := first; cell <= v.b.minutes[block[len(block)-1]].startMS; cell += cellMS {
		count[v.judge(cell)]++
	}
	switch {
	case count[QuarterBusy] > 0:
		return fmt.Sprintf("left out whole: more than %g times as much flowed as in the middle night, so that somebody worked", busyNight)
	case count[QuarterRestless]+count[QuarterShort] > 0:
		return "demand never kept level for half an hour"
	case count[QuarterEmpty] > 0:
		return "the pressure was too low for leaks to be told"
	}
	return "it was not observed well enough: readings, or the pressure, are missing"
}
