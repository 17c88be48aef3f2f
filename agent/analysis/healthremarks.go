package analysis

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/air"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Remark is something about a machine's health, or about the place it stands at,
// that a reader should know.
type Remark struct {
	Kind  string `json:"kind"`  // change, limit, blow_down or place
	About string `json:"about"` // the figure, or barometer
	// Since, RFC 3339 UTC, is when it was first seen; a drift has none.
	Since string `json:"since,omitempty"`
	// Change is by how much, in Unit, from the level before to the one after.
	Change   *float64 `json:"change,omitempty"`
	Unit     string   `json:"unit,omitempty"`
	Sentence string   `json:"sentence"`
	Evidence []string `json:"evidence,omitempty"` // what was read
}

const (
	remarkChange   = "change"
	remarkLimit    = "limit"
	remarkBlowDown = "blow_down"
	remarkPlace    = "place"
)

// A block of a trend's values has this much time behind it at least; where the
// window has days enough, each value is a day's.
const (
	blockMS   = 1_200_000
	dailyFrom = 28
)

// remarks lists what the health figures mean together.
func (s *sheet) remarks(m *sitefile.Machine) []Remark {
	all := []Remark{}
	if s.g.total.observedMS() > 0 {
		kept := s.blowDownRemarks()
		all = append(all, explained(s.changes(m), kept, m)...)
		all = append(all, s.limits(m)...)
		all = append(all, kept...)
	}
	return append(all, s.place()...)
}

// explained adds to a rise of the approach what else may have made it. Where the
// sump keeps its pressure, air flows at once after a load, while the flow that
// the approach is brought to has the delay of a sound machine taken off.
func explained(changes, kept []Remark, m *sitefile.Machine) []Remark {
	for i := range changes {
		if r := &changes[i]; r.About == "approach_temperature" && *r.Change > 0 && len(kept) > 0 && !m.Control.PartLoad() {
			r.Sentence += "; first mend the blow-down: a sump that keeps its pressure gives air at once after each load, which can raise this figure without dirt"
		}
	}
	return changes
}

// trended is a figure that is followed through the window.
type trended struct {
	name, unit string
	least      float64 // a change of less is none
	up, down   string  // what to look at
	of         func(b *block) (v float64, ok bool)
}

// block is a stretch of cells with enough time to make one value of.
type block struct {
	from, to int64
	health   []healthSum
	fraction sum
	loads    int64
	drops    []sum
	squares  sum
}

// changes tells of each figure that changed its level.
func (s *sheet) changes(m *sitefile.Machine) (all []Remark) {
	for _, t := range s.trended(m) {
		var values []float64
		var blocks []block
		for _, b := range s.blocks() {
			if v, ok := t.of(&b); ok {
				values, blocks = append(values, v), append(blocks, b)
			}
		}
		if c, ok := changeOf(values, t.least); ok {
			all = append(all, s.changed(&t, &c, blocks))
		}
	}
	return all
}

// trended are the figures that hold still while the machine is sound: load and
// weather are taken out of them.
func (s *sheet) trended(m *sitefile.Machine) (all []trended) {
	after, noAfter := s.thermometer(scan.AftercoolerTemp)
	ambient, noAmbient := s.thermometer(scan.AmbientTemperature)
	if noAfter == "" && noAmbient == "" {
		all = append(all, trended{"approach_temperature", "K", 1, "look for dirt on the cooler and for warm air that comes back to it and, with the machine isolated, since it starts by itself, at its fan",
			"the cooler was cleaned, or a sensor moved", func(b *block) (float64, bool) {
				e, why := s.approachOf(m, b.health, after, ambient, b.fraction, b.loads)
				return e.v, why == ""
			}})
	}
	if ch := s.g.sp.find(scan.SeparatorDrop); ch >= 0 && s.g.sp.dropAt[ch] >= 0 {
		all = append(all, trended{"separator_drop", "kPa", 2, "the separator element is filling", "the separator element was changed, or has a hole", func(b *block) (float64, bool) {
			return s.dropAtFullFlow(m, b, ch)
		}})
	}
	if at, why := s.lineVolts(); why == "" {
		all = append(all, trended{"phase_unbalance", "%", 0.5, "have an electrician look at fuses and contacts, and look for a large single-phase load", "the supply became more even", func(b *block) (float64, bool) {
			v, ok := s.volts(b.health, at)
			return unbalancePct(v), ok && b.health[at[0]].running.ms >= blockMS/2
		}})
	}
	return all
}

// dropAtFullFlow is a drop, as the figure of that name takes it, brought to full
// flow by the square of the flow. The seconds in which no air flows yet after a
// load are not in it: else short loads would be taken for a cleaner separator.
func (s *sheet) dropAtFullFlow(m *sitefile.Machine, b *block, ch int) (kPa float64, ok bool) {
	f := b.drops[s.g.sp.dropAt[ch]]
	if f.ms < leastFlowingMS {
		return 0, false
	}
	kPa = s.g.sp.chans[ch].mean(f).v / pascalsPerKPa
	if !m.Control.PartLoad() {
		return kPa, true
	}
	const leastSquare = 0.16
	square := s.meanSquare(m, b.squares)
	return kPa / square, square > leastSquare
}

// meanSquare is the mean square of the flow, while drops are taken, over full
// flow; 0 where it is not known.
func (s *sheet) meanSquare(m *sitefile.Machine, squares sum) float64 {
	sp := s.g.sp
	if sp.square < 0 || squares.ms == 0 {
		return 0
	}
	c := &sp.chans[sp.square]
	per := c.countSI
	switch {
	case c.role != scan.Flow:
		per *= sp.fractionScale()
	case m.RatedFlowM3S > 0:
		per *= s.inlet.toInlet(c.unit.Basis, s.site.Scfm()).V / m.RatedFlowM3S
	default:
		return 0
	}
	return squares.twice.Float64() / (2 * float64(squares.ms)) * float64(per*per)
}

// blocks cuts the window's cells into stretches with enough running, none over a
// local midnight; into days where there are many.
func (s *sheet) blocks() (all []block) {
	days := map[string]bool{}
	for i := range s.g.cells {
		if s.g.cells[i].d.health != nil {
			days[s.dayOf(s.g.cells[i].from)] = true
		}
	}
	daily := len(days) >= dailyFrom
	var b block
	day := ""
	keep := func() {
		if b.health != nil && b.ran() >= blockMS/2 {
			all = append(all, b)
		}
		b = block{}
	}
	for i := range s.g.cells {
		c := &s.g.cells[i]
		if c.d.health == nil {
			continue
		}
		if d := s.dayOf(c.from); d != day {
			keep()
			day = d
		}
		if b.health == nil {
			b = block{from: c.from, health: make([]healthSum, len(c.d.health)), drops: make([]sum, s.g.sp.drops)}
		}
		for k := range c.d.health {
			b.health[k].merge(&c.d.health[k])
		}
		for k := range c.d.drops {
			b.drops[k].merge(c.d.drops[k])
		}
		b.squares.merge(c.d.squares)
		b.fraction.merge(c.d.fraction)
		b.loads += c.d.loads
		b.to = c.to
		if !daily && b.flowed() >= blockMS {
			keep()
		}
	}
	keep()
	return all
}

func (s *sheet) dayOf(ms int64) string {
	return time.UnixMilli(ms).In(s.site.Location).Format(time.DateOnly)
}

// ran and flowed are the longest times of any channel.
func (b *block) ran() (ms int64) {
	for i := range b.health {
		ms = max(ms, b.health[i].running.ms)
	}
	return ms
}

func (b *block) flowed() (ms int64) {
	for i := range b.health {
		ms = max(ms, b.health[i].flowing.ms)
	}
	return ms
}

// changed says a change in words.
func (s *sheet) changed(t *trended, c *change, blocks []block) Remark {
	by := c.after - c.before
	rose, look := "rose", t.up
	if by < 0 {
		rose, look = "fell", t.down
	}
	r := Remark{Kind: remarkChange, About: t.name, Change: &by, Unit: t.unit}
	if c.drift {
		r.Sentence = fmt.Sprintf("%s has drifted: from %s in the earlier part to %s in the later part of the window; %s",
			t.name, s.shown(c.before, t.unit), s.shown(c.after, t.unit), look)
		return r
	}
	since := blocks[c.at].from
	r.Since = stamp(since)
	unseen := ""
	if last := blocks[c.at-1].to; last < since {
		unseen = fmt.Sprintf(", or since %s, between which there is no value", s.localStamp(last))
	}
	r.Sentence = fmt.Sprintf("%s %s by %s about %s%s: from %s before to %s since; %s",
		t.name, rose, s.shown(math.Abs(by), t.unit), s.localStamp(since), unseen, s.shown(c.before, t.unit), s.shown(c.after, t.unit), look)
	return r
}

// shown is a value in the site's units.
func (s *sheet) shown(v float64, unit string) string {
	symbol, factor, offset := s.site.Units.Display(unit)
	return fmt.Sprintf("%.1f %s", float64(v*factor)+offset, symbol)
}

func (s *sheet) localStamp(ms int64) string {
	return time.UnixMilli(ms).In(s.site.Location).Format("Mon 2006-01-02 15:04")
}

// Where a remark begins. Common practice, no source.
const (
	narrowMarginK = 10
	leastMarginK  = 0.05 // less is shown as none
	wetShare      = 0.2
	unevenPct     = 1.0 // NEMA MG 1-14.36 derates above it (read)
)

// limits tells of figures that ask for something to be done now.
func (s *sheet) limits(m *sitefile.Machine) (all []Remark) {
	say := func(about, format string, args ...any) {
		all = append(all, Remark{Kind: remarkLimit, About: about, Sentence: fmt.Sprintf(format, args...)})
	}
	if f := s.figures["discharge_margin"]; f.Value != nil && *f.Value < narrowMarginK {
		near := "reached"
		if *f.Value >= leastMarginK {
			near = "came within " + s.shown(*f.Value, f.Unit) + " of"
		}
		say(f.Name, "the discharge temperature %s the trip temperature: look at the cooler, the air to the room and, with the machine stopped and its sump vented, the oil level", near)
	}
	if f := s.figures["phase_unbalance"]; f.Value != nil && *f.Value > unevenPct && *f.Value > *f.Uncertainty {
		say(f.Name, "the line voltages are up to %.1f %% off their mean: %s", *f.Value, unevenMeans(m, *f.Value))
	}
	if f := s.figures["water_risk_share"]; f.Value != nil && *f.Value > wetShare {
		if s.humidityChan() < 0 {
			say(f.Name, "if the air drawn in were saturated (no humidity is read, the worst is assumed), the discharge was below the dew point in the sump for %.0f %% of its loaded time, and water would stay in the oil: look at an oil sample before anything is changed", 100**f.Value)
		} else {
			say(f.Name, "for %.0f %% of its loaded time the discharge was below the dew point in the sump: water stays in the oil; the machine runs too short or too cold to drive it out", 100**f.Value)
		}
	}
	return all
}

// unevenMeans says what uneven voltages mean to the motor.
func unevenMeans(m *sitefile.Machine, pct float64) string {
	switch {
	case m.Motor.Starting == "drive":
		return "the drive, not the motor, is fed by them; its maker says how much it bears"
	case pct > mostUnbalance:
		return fmt.Sprintf("above %d %% a motor is not to be run (NEMA MG 1-14.36); have an electrician look at it now", mostUnbalance)
	}
	return "a motor on them may give less than its rated power, see motor_derating"
}

// Of height: above this motors are cooled less than their rating counts on (NEMA
// MG 1 and IEC 60034-1; 3300 ft read on a stored page, the hundredth for each
// 100 m of the latter from memory).
const ratedHeightM = 1000

// place says what the height does to air and motor.
func (s *sheet) place() []Remark {
	pa := s.barometerPa()
	height := air.StandardHeightM(pa)
	if pa <= 0 || height < 300 {
		return nil
	}
	sentence := fmt.Sprintf("the air outside has %.1f kPa, as at %.0f m: each m³ of free air holds %.0f %% less air than at sea level, so that a flow in free air is that much less in mass, and the same gauge pressure is a higher ratio of compression",
		pa/pascalsPerKPa, height, 100*(1-pa/air.StandardPa(0)))
	if height > ratedHeightM {
		sentence += fmt.Sprintf("; above %d m thin air cools the motor less: about 1 %% of the permitted temperature rise for each 100 m, here %.0f %%, unless it is rated for the height", ratedHeightM, (height-ratedHeightM)/100)
	}
	return []Remark{{Kind: remarkPlace, About: "barometer", Sentence: sentence}}
}
