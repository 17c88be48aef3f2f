package analysis

import (
	"math"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// How long what is watched for must last (common practice, no source): two
// devices are read seconds apart, an inlet valve takes a second to move, and
// power lags behind by as much.
const (
	watchHoldMS    = 600_000 // without another spell the finding is over
	absentGraceMS  = 60_000
	stuckGraceMS   = 300_000 // of a pressure, power or current
	stuckTurns     = 4
	stuckSlowMS    = 7_200_000 // of a temperature, and of a tap, which knows no machine
	stuckSlowTurns = 10
	stillGraceMS   = 1_800_000 // of a counter, or three of its counts
	signalGraceMS  = 15_000
	seenGraceMS    = 20_000
	pairLeastMS    = 30_000 // of contradictions in all
	noGapMS        = 1 << 40
)

// Shares of the rated value at which a fixed-speed machine is surely not, and
// surely, loaded: unloaded it draws 15-35 % of full-load power (DOE sourcebook,
// from memory); between the two nothing is said. Current falls less.
const (
	unseenPower, seenPower     = 0.50, 0.75
	unseenCurrent, seenCurrent = 0.65, 0.85
)

// setWatches decides what is watched for. m is nil for a system.
func (sp *spec) setWatches(m *sitefile.Machine, lv Levels) {
	sp.watchOf = make([]routed, len(sp.chans))
	for ch := range sp.chans {
		c := &sp.chans[ch]
		p := routed{ch: ch, absent: -1, impossible: -1, stuck: -1}
		if c.device != "" { // reckoned power has none
			p.absent = sp.addWatch(watch{kind: watchAbsent, ch: ch, other: -1, graceMS: max(absentGraceMS, c.gapMS), holdMS: watchHoldMS, leastMS: absentGraceMS})
			lo, hi := sp.limits(ch, m)
			p.impossible = sp.addWatch(watch{kind: watchImpossible, ch: ch, other: -1, holdMS: watchHoldMS, lo: lo, hi: hi})
			p.stuck = sp.stuckWatch(ch, m)
		}
		sp.watchOf[ch] = p
	}
	if m == nil || !sp.hasStates {
		return
	}
	sp.pairs(m, lv)
}

func (sp *spec) addWatch(w watch) int {
	sp.watches = append(sp.watches, w)
	return len(sp.watches) - 1
}

// limits are the counts beyond which a reading cannot be true, whatever the map
// allows: physics of this trade, generously.
func (sp *spec) limits(ch int, m *sitefile.Machine) (lo, hi int64) {
	c := &sp.chans[ch]
	lowSI, highSI := math.Inf(-1), math.Inf(1)
	switch {
	case c.class != classAnalog:
	case c.role == scan.Power || c.role == scan.FanPower || c.role == scan.DryerPower || c.role == scan.ApparentPower:
		// A power below zero is a current transformer turned round.
		lowSI = -1000
		if m != nil && m.RatedPowerW > 0 {
			lowSI = -0.05 * m.RatedPowerW
			if c.role == scan.Power {
				highSI = 4 * m.RatedPowerW // a start draws no more for long
			}
		}
	case c.role == scan.MotorCurrent:
		lowSI = -1
		if m != nil && m.Motor.PowerW > 0 && m.Motor.Volts > 0 {
			highSI = 10 * ratedCurrent(m)
		}
	case c.unit.Dimension == quantity.Pressure && c.role != scan.Barometer:
		lowSI = -105_000 // below vacuum, with room for a gauge's error
	case c.unit.Dimension == quantity.Temperature:
		lowSI, highSI = quantity.ZeroCK-60, quantity.ZeroCK+250
	}
	return sp.limit(ch, lowSI), sp.limit(ch, highSI)
}

// limit is a value in counts, cut where an integer ends.
func (sp *spec) limit(ch int, si float64) int64 {
	c := &sp.chans[ch]
	if c.countSI == 0 || math.IsInf(si, 0) {
		return int64(math.Copysign(maxCounts, si))
	}
	v := float64(si-c.offsetSI) / c.countSI
	return int64(math.Round(math.Max(-maxCounts, math.Min(maxCounts, v))))
}

// stuckWatch is the watch for a value that does not move, or -1.
func (sp *spec) stuckWatch(ch int, m *sitefile.Machine) int {
	c := &sp.chans[ch]
	w := watch{kind: watchStuck, ch: ch, other: -1, holdMS: 0, lo: -maxCounts}
	switch {
	case m == nil && c.unit.Dimension == quantity.Pressure:
		// A plant under pressure is never so tight that its pressure stands.
		w.graceMS, w.lo = stuckSlowMS, sp.limit(ch, 100_000)
	case m == nil || !sp.hasStates:
		return -1
	case c.role == scan.Energy || c.role == scan.RunHours || c.role == scan.LoadedHours && !sp.runOnly:
		stepMS := c.countSI * 1000 // of an hour meter
		if c.role == scan.Energy {
			if !(m.RatedPowerW > 0) {
				return -1
			}
			stepMS = 1000 * c.countSI / (0.1 * m.RatedPowerW) // an unloaded machine draws more
		}
		w.kind, w.holdMS = watchStill, watchHoldMS
		w.graceMS = max(stillGraceMS, int64(math.Min(3*stepMS, 1e12)))
	case sp.tellsStates(ch):
		return -1 // a stuck one shows no change of load
	case c.role == scan.Power || c.role == scan.MotorCurrent || c.role == scan.DischargePressure || c.role == scan.SumpPressure ||
		c.role == scan.ReceiverPressure || c.role == scan.HeaderPressure:
		w.graceMS, w.turns = stuckGraceMS, stuckTurns
	case c.role == scan.DischargeTemperature || c.role == scan.OilTemperature:
		w.graceMS, w.turns = stuckSlowMS, stuckSlowTurns
	default:
		return -1
	}
	return sp.addWatch(w)
}

// tellsStates reports whether the states come from the channel's level.
func (sp *spec) tellsStates(ch int) bool {
	return sp.runLevel != nil && sp.runLevel.ch == ch || sp.loadLevel != nil && sp.loadLevel.ch == ch
}

// pairs sets the watches on what two channels say of one machine.
func (sp *spec) pairs(m *sitefile.Machine, lv Levels) {
	add := func(kind watchKind, ch, other int, grace int64, lo, hi int64) {
		if ch >= 0 && other >= 0 {
			sp.pairWatches = append(sp.pairWatches, sp.addWatch(watch{kind: kind, ch: ch, other: other,
				graceMS: grace, holdMS: watchHoldMS, leastMS: pairLeastMS, lo: lo, hi: hi}))
		}
	}
	add(watchLoadedStopped, sp.loaded, sp.running, signalGraceMS, 0, 0)
	command, seen := sp.find(scan.LoadCommand), sp.find(scan.Loaded)
	add(watchIgnored, seen, command, signalGraceMS, 0, 0)
	add(watchUntold, seen, command, signalGraceMS, 0, 0)
	ch := sp.levelChannel()
	run, load, _ := sp.levelsFor(m, lv)
	if run != nil {
		add(watchPowerStopped, ch, sp.running, signalGraceMS, 0, run.on)
		add(watchRunningNoPower, ch, sp.running, signalGraceMS, run.off, 0)
	}
	if load == nil || m.Control != sitefile.LoadUnload {
		return
	}
	lo, hi := load.off, load.on
	if lv.Load == nil || !sp.levelsLearnt {
		rated, unseen, sure := m.RatedPowerW, unseenPower, seenPower
		if ch != sp.power {
			rated, unseen, sure = ratedCurrent(m), unseenCurrent, seenCurrent
		}
		lo, hi = sp.countsAt(ch, unseen*rated), sp.countsAt(ch, sure*rated)
	}
	add(watchLoadUnseen, ch, sp.loaded, seenGraceMS, lo, 0)
	add(watchLoadSeen, ch, sp.loaded, seenGraceMS, 0, hi)
}
