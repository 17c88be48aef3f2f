package analysis

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Assumed levels, as shares of the rated value, where a machine has no bit
// that says what it does. The unloaded machine draws 15-35 % of full-load power
// (DOE sourcebook, from memory), so that 8 % parts stopped from running and
// 60 % parts unloaded from loaded. Current falls less when the machine unloads,
// because the power factor falls too (common practice, no source).
const (
	powerRunOn, powerRunOff     = 0.08, 0.06
	powerLoadOn, powerLoadOff   = 0.60, 0.50
	currentRunOn, currentRunOff = 0.15, 0.10
	currentLoadOn, currentOff   = 0.75, 0.65
	// levelDwellMS is how long a level must hold before it is believed. One
	// period of it is the sampling itself.
	levelDwellMS = 2000
	// Shares of load_fraction from which the machine counts as fully loaded,
	// and above which it delivers at all.
	fractionFull, fractionPart = 0.98, 0.02
	// Full-load power factor and efficiency used to get a rated current from
	// the nameplate.
	assumedPowerFactor, assumedEfficiency = 0.86, 0.93
)

// Time from motor on during which a machine that has not loaded yet counts as
// starting, by the motor's way of starting (common practice, no source).
const (
	directStartMS = 3_000
	otherStartMS  = 10_000 // wye-delta, soft starter, drive, or not said
)

// setStates decides from which channels the states come. lv are the levels that
// were learnt or set for the machine.
func (sp *spec) setStates(m *sitefile.Machine, lv Levels) {
	sp.startMS = otherStartMS
	if m.Motor.Starting == "direct" {
		sp.startMS = directStartMS
	}
	if sp.fraction >= 0 {
		sp.full = sp.countsAt(sp.fraction, fractionFull)
		sp.part = sp.countsAt(sp.fraction, fractionPart)
	}
	run, load, what := sp.levelsFor(m, lv)
	if m.Control == sitefile.StartStop {
		load = nil // it is loaded whenever it runs
	}
	switch {
	case sp.running >= 0 && sp.loaded >= 0:
		sp.master = sp.loaded
		sp.stateMethod = "from the running and loaded signals"
	case sp.running >= 0 && m.Control == sitefile.StartStop:
		sp.master = sp.running
		sp.stateMethod = "from the running signal; a start/stop machine is loaded whenever it runs"
	case sp.running >= 0 && sp.fraction >= 0:
		sp.master = sp.running
		sp.stateMethod = "from the running signal and the load fraction"
	case sp.running >= 0 && load != nil:
		sp.master, sp.loadLevel = sp.running, load
		sp.stateMethod = "running from its signal; loaded from " + what
	case sp.running >= 0:
		sp.master, sp.runOnly = sp.running, true
		sp.stateMethod = "from the running signal; whether it was loaded is not known"
	case sp.loaded >= 0 && run != nil:
		sp.master, sp.runLevel = sp.loaded, run
		sp.stateMethod = "loaded from its signal; running from " + what
	case run != nil:
		sp.master, sp.runLevel, sp.loadLevel = run.ch, run, load
		sp.runOnly = load == nil && m.Control != sitefile.StartStop
		sp.stateMethod = "from " + what
	default:
		sp.statesAbsent = "no running signal, and no power or current whose levels were learnt or follow from a rated value"
		if len(sp.chans) == 0 {
			sp.statesAbsent = "no channel of this machine is read"
		} else {
			sp.master = max(sp.pressure, 0)
		}
		return
	}
	sp.hasStates = true
	if (sp.runLevel != nil || sp.loadLevel != nil) && !sp.levelsLearnt {
		sp.assumed = append(sp.assumed, "levels (assumed shares of the rated value)")
	}
	sp.startMethod = fmt.Sprintf("a start is the motor coming on; for at most %d s after it a machine that has not loaded counts as starting", sp.startMS/1000)
}

// levelChannel is the channel that levels are on: power, else current; -1 where
// there is neither.
func (sp *spec) levelChannel() int {
	if sp.power >= 0 {
		return sp.power
	}
	return sp.current
}

// levelsFor makes the thresholds on power, else on current: those learnt or set,
// else shares of a rated value; nil where there is neither.
func (sp *spec) levelsFor(m *sitefile.Machine, lv Levels) (run, load *level, what string) {
	ch := sp.levelChannel()
	if ch >= 0 && lv.Channel == sp.chans[ch].id && lv.Kind == sp.chans[ch].kind && (lv.Run != nil || lv.Load != nil) {
		sp.levelsLearnt = true
		run, load = sp.levelFrom(ch, lv.Run), sp.levelFrom(ch, lv.Load)
		return run, load, fmt.Sprintf("%s: %s (levels %s, calibration %d, with hysteresis)",
			sp.levelWord(ch), sp.levelText(run, load), lv.Method, lv.Version)
	}
	if sp.power >= 0 && m.RatedPowerW > 0 {
		run = sp.levelAt(sp.power, powerRunOn*m.RatedPowerW, powerRunOff*m.RatedPowerW)
		load = sp.levelAt(sp.power, powerLoadOn*m.RatedPowerW, powerLoadOff*m.RatedPowerW)
		return run, load, fmt.Sprintf("power: running above %.0f %%, loaded above %.0f %% of rated power (assumed levels, with hysteresis)",
			100*powerRunOn, 100*powerLoadOn)
	}
	if sp.current >= 0 && m.Motor.PowerW > 0 && m.Motor.Volts > 0 {
		ratedA := ratedCurrent(m)
		run = sp.levelAt(sp.current, currentRunOn*ratedA, currentRunOff*ratedA)
		load = sp.levelAt(sp.current, currentLoadOn*ratedA, currentOff*ratedA)
		return run, load, fmt.Sprintf("motor current: running above %.0f %%, loaded above %.0f %% of the current reckoned from the nameplate (assumed levels, with hysteresis)",
			100*currentRunOn, 100*currentLoadOn)
	}
	return nil, nil, ""
}

// ratedCurrent is the motor's full-load current reckoned from its nameplate.
func ratedCurrent(m *sitefile.Machine) float64 {
	return m.Motor.PowerW / (math.Sqrt(3) * m.Motor.Volts * assumedPowerFactor * assumedEfficiency)
}

func (sp *spec) levelWord(ch int) string {
	if ch == sp.power {
		return "power"
	}
	return "motor current"
}

// levelText says the levels in SI.
func (sp *spec) levelText(run, load *level) string {
	var parts []string
	for _, l := range []struct {
		word string
		*level
	}{{"running", run}, {"loaded", load}} {
		if l.level != nil {
			parts = append(parts, fmt.Sprintf("%s above %s", l.word, sp.chans[l.ch].valueText(l.on)))
		}
	}
	return strings.Join(parts, ", ")
}

// mapValue is a value in the map's unit.
func (c *chanSpec) mapValue(counts int64) float64 {
	return float64(c.si(float64(counts))-c.unit.Offset) / c.unit.Scale
}

// valueText is a value in the map's unit, for a sentence.
func (c *chanSpec) valueText(counts int64) string {
	v := c.mapValue(counts)
	if c.unit.Dimension == quantity.Plain {
		return fmt.Sprintf("%.6g", v)
	}
	return fmt.Sprintf("%.6g %s", v, c.unit.Symbol)
}

func (sp *spec) levelFrom(ch int, t *Threshold) *level {
	if t == nil || t.On <= t.Off {
		return nil
	}
	return &level{ch: ch, on: t.On, off: t.Off, dwellMS: sp.dwellMS(ch)}
}

// dwellMS is how long a level of the channel must hold, beyond its period.
func (sp *spec) dwellMS(ch int) int64 { return max(0, levelDwellMS-sp.chans[ch].periodMS) }

func (sp *spec) levelAt(ch int, onSI, offSI float64) *level {
	c := &sp.chans[ch]
	if !(c.countSI > 0) {
		return nil
	}
	return &level{ch: ch, on: sp.countsAt(ch, onSI), off: sp.countsAt(ch, offSI), dwellMS: sp.dwellMS(ch)}
}

// countsAt is the counts of a value in SI, rounded.
func (sp *spec) countsAt(ch int, si float64) int64 {
	if sp.percentFraction(ch) {
		si *= 100
	}
	return sp.chans[ch].countsOf(si)
}

// countsOf is the inverse of si, rounded.
func (c *chanSpec) countsOf(si float64) int64 {
	if c.countSI == 0 {
		return 0
	}
	return int64(math.Round((float64(si) - c.offsetSI) / c.countSI))
}

// percentFraction reports a load fraction written as a plain number to 100.
func (sp *spec) percentFraction(ch int) bool {
	c := &sp.chans[ch]
	return c.role == scan.LoadFraction && c.unit.Dimension == quantity.Plain && c.spanSI > 1.5
}

// fingerprint names all that the fold depends on. Accuracies, prices and rated
// flow are not among it: they come at query.
func (sp *spec) fingerprint() string {
	var b strings.Builder
	fmt.Fprintf(&b, "v%d %s %s start=%d bin=%d master=%d full=%d part=%d warm=%d/%d health=%v drops=%v square=%d flow=%d tap=%d/%d/%d\n",
		foldVersion, sp.key, sp.control, sp.startMS, sp.binShift, sp.master, sp.full, sp.part, sp.warm, sp.warmShift, sp.health, sp.dropAt, sp.square,
		sp.flow, sp.tap, sp.blockMS, sp.lateMS)
	for i := range sp.chans {
		c := &sp.chans[i]
		fmt.Fprintf(&b, "%s %s kind=%d class=%d gap=%d mod=%d", c.role, c.id, c.kind, c.class, c.gapMS, c.modulus)
		if c.inverted {
			b.WriteString(" inverted")
		}
		b.WriteByte('\n')
	}
	if sp.sump >= 0 {
		fmt.Fprintf(&b, "sump %d zero=%d\n", sp.sump, sp.sumpZero)
	}
	if r := sp.reckon; r != nil {
		fmt.Fprintf(&b, "reckoned %d", r.ch)
		for _, ch := range append([]int{r.lead, r.pf}, r.volts...) {
			fmt.Fprintf(&b, " %d*%g%+g*%g", ch, sp.chans[ch].countSI, sp.chans[ch].offsetSI, sp.factorScale(ch))
		}
		b.WriteByte('\n')
	}
	for i := range sp.runSigns {
		sign := &sp.runSigns[i]
		fmt.Fprintf(&b, "runs %d %d", sign.running, sign.loaded)
		if l := sign.level; l != nil {
			fmt.Fprintf(&b, " level %d on=%d off=%d dwell=%d", l.ch, l.on, l.off, l.dwellMS)
		}
		b.WriteByte('\n')
	}
	if sp.hasLow {
		fmt.Fprintf(&b, "low %d %t\n", sp.lowBelow, sp.lowTurned)
	}
	for i := range sp.watches {
		fmt.Fprintf(&b, "watch %v\n", sp.watches[i])
	}
	for _, l := range []*level{sp.runLevel, sp.loadLevel} {
		if l != nil {
			fmt.Fprintf(&b, "level %d on=%d off=%d dwell=%d\n", l.ch, l.on, l.off, l.dwellMS)
		}
	}
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:8])
}
