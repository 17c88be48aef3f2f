package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Assumptions of the balance (common practice, no source).
const (
	// Air in the stores, against air at the inlet.
	storeLimitK = 10.0
	// Noise of a pressure reading, beside its resolution, in counts.
	noiseCounts = 0.5
	// A controller renews its registers once a second at the slowest.
	refreshS = 1.0
	// A load fraction may be one of speed or of valve travel: below full load the
	// flow may then be less or more by this share of what is missing to full load.
	partLimit = 0.10
	// Drop at full flow from the machine's outlet to the stores.
	dropMiddlePa, dropLimitPa = 30_000.0, 30_000.0
)

// newAirBalance makes the balance of a system from its own sheet and those of
// its machines, which are of one window.
func newAirBalance(sys *sitefile.System, s *sheet, machines []*sheet) *airBalance {
	b := &airBalance{sys: sys, names: airNames{exponent: heatInput(sys.Name), stored: storedAirInput(sys.Name)}}
	if b.absent = b.lacks(s, machines); b.absent != "" {
		return b
	}
	if b.absent = b.lay(s.g, machines); b.absent != "" {
		return b
	}
	b.addInlet(machines)
	b.addMeter(s)
	if !b.addVolume(s) {
		return b
	}
	tap := b.addTap(s, machines)
	for k, m := range machines {
		b.addMachine(k, m, m == tap)
	}
	b.addReadings(s)
	return b
}

// lacks says what a balance cannot be made without.
func (b *airBalance) lacks(s *sheet, machines []*sheet) string {
	if len(machines) == 0 {
		return "the system has no machine"
	}
	for _, m := range machines {
		name := m.g.sp.name
		switch sp := m.g.sp; {
		case m.g.total.observedMS() == 0:
			return name + ": " + nothingSeen
		case s.meteredFlow() >= 0 || m.meteredFlow() >= 0:
		case !sp.hasStates:
			return name + ": " + sp.statesAbsent
		case sp.runOnly:
			return name + ": no loaded signal, load fraction or power tells loaded from unloaded"
		case m.full.v.V <= 0:
			return name + ": no flow meter and " + m.full.absent
		}
	}
	return ""
}

// meteredFlow is the place of the flow channel, or -1.
func (s *sheet) meteredFlow() int {
	if ch := s.g.sp.find(scan.Flow); ch >= 0 && s.g.sp.chans[ch].unit.Dimension == quantity.Flow {
		return ch
	}
	return -1
}

// lay makes the window's whole minutes; of a window that is too long those from the
// first that anything was recorded in to the last, or it says why not.
func (b *airBalance) lay(g *gathered, of []*sheet) (absent string) {
	from, to := g.from, g.to
	if to-from > longestDemandMS {
		from, to = recorded(g, of)
	}
	first := from + mod(-from, minuteMS)
	if to-first > longestDemandMS {
		return fmt.Sprintf("the window is longer than %d days: air is balanced by the minute, ask for less", longestDemandMS/dayMS)
	}
	machines := len(of)
	b.minutes = make([]airMinute, max(0, (to-first)/minuteMS))
	floats := make([]float64, 3*machines*len(b.minutes))
	counts := make([]int32, machines*len(b.minutes))
	for i := range b.minutes {
		m := &b.minutes[i]
		m.startMS, m.seenMS = first+int64(i)*minuteMS, math.MaxInt64
		m.fullS, m.partS, m.loads = floats[:machines:machines], floats[machines:2*machines:2*machines], floats[2*machines:3*machines:3*machines]
		m.edges, floats, counts = counts[:machines:machines], floats[3*machines:], counts[machines:]
	}
	return ""
}

// recorded is the part of the window from the first to the last cell that anything
// was recorded in.
func recorded(g *gathered, machines []*sheet) (from, to int64) {
	from, to = g.to, g.from
	add := func(g *gathered) {
		if n := len(g.cells); n > 0 {
			from, to = min(from, g.cells[0].from), max(to, g.cells[n-1].to)
		}
	}
	add(g)
	for _, m := range machines {
		add(m.g)
	}
	return max(from, g.from), min(to, g.to)
}

// at is the minute that begins at a wall time; nil outside the window.
func (b *airBalance) at(startMS int64) *airMinute {
	if len(b.minutes) == 0 || startMS < b.minutes[0].startMS {
		return nil
	}
	if i := (startMS - b.minutes[0].startMS) / minuteMS; i < int64(len(b.minutes)) {
		return &b.minutes[i]
	}
	return nil
}

// addInlet takes the dry pressure at the inlet: what is stored is dry air, what
// is drawn in is not.
func (b *airBalance) addInlet(machines []*sheet) {
	b.inlet = airAtInlet(machines...)
	b.dryPa = b.inlet.of(air.Condition.DryPa)
	b.inletPa = b.dryPa.V
	b.storeU = rectangular(storeLimitK / b.inlet.temperature.V)
	b.inputs = append(append(b.inputs, b.inlet.inputs...), b.names.stored, b.names.exponent)
}

// addMeter takes the supply from the system's flow meter.
func (b *airBalance) addMeter(s *sheet) {
	if ch := s.meteredFlow(); ch >= 0 {
		b.metered = true
		b.takeMeter(s, ch)
		b.method = "what the flow meter counts"
		return
	}
	b.method = "air of the machines by state, delay and full-load flow"
}

// takeMeter adds a meter's minutes.
func (b *airBalance) takeMeter(s *sheet, ch int) {
	c := &s.g.sp.chans[ch]
	b.names.meter = accuracyInput(c)
	b.inputs = append(b.inputs, c.input())
	b.scanS = max(b.scanS, float64(c.periodMS)/1000)
	basis := b.inlet.toInlet(c.unit.Basis, s.site.Scfm())
	b.basis = basis.Scaled(1 / basis.V)
	if s.wetThermal(c) {
		b.basis = b.basis.Plus(gum.New(0, rectangular(wetThermalLimit), wetAirInput(c)))
	}
	first := !b.counts
	b.counts = true
	before := make([]int64, len(b.minutes))
	for i := range b.minutes {
		before[i], b.minutes[i].meteredMS = b.minutes[i].meteredMS, 0
	}
	var total sum
	for i := range s.g.total.minutes {
		mark := &s.g.total.minutes[i]
		m := b.at(mark.at)
		if m == nil || mark.flow.ms == 0 {
			continue
		}
		total.merge(mark.flow)
		m.meteredM3 += float64(c.integral(mark.flow).v * basis.V)
		m.meteredMS += mark.flow.ms
	}
	if b.meterU == 0 && total.ms > 0 {
		if mean := c.mean(total); mean.v > 0 {
			b.meterU = mean.u / mean.v
		}
	}
	for i := range b.minutes { // of several meters, the one that was seen least
		if m := &b.minutes[i]; !first {
			m.meteredMS = min(m.meteredMS, before[i])
		}
	}
}

// addVolume takes the stores from the site file: all of them, or those behind
// the meter. It is false where a balance cannot be made.
func (b *airBalance) addVolume(s *sheet) bool {
	behind := !b.metered
	at := ""
	if b.metered {
		at = b.meterAt(s)
	}
	var m3 float64
	for i := range b.sys.Parts {
		p := &b.sys.Parts[i]
		behind = behind || p.Name == at
		if behind {
			m3 += p.VolumeM3
		}
	}
	if b.metered {
		b.method += ", less what the stores from " + at + " on took; what flows off before the meter is not in it"
	} else {
		b.method += ", less what the stores took"
		if m3 == 0 {
			b.absent = "no part of the system has a volume: give the receivers' and the pipes' in the site file"
			return false
		}
	}
	b.volume = storeVolume(b.sys, m3)
	b.inputs = append(b.inputs, fmt.Sprintf("%s (site file, assumed within %.0f %%)", volumeInput(b.sys.Name), 100*volumeLimit))
	return true
}

// meterAt is the part that the flow meter's tap names.
func (b *airBalance) meterAt(s *sheet) string {
	id := s.g.sp.chans[s.meteredFlow()].id
	for _, tap := range b.sys.Taps {
		if tap.Flow == id {
			return tap.At
		}
	}
	return ""
}

// addTap takes the pressure at the minutes' ends from the system's tap, else
// from the outlet of the first machine that has one, which it returns.
func (b *airBalance) addTap(s *sheet, machines []*sheet) *sheet {
	if b.takePressure(s) {
		return nil
	}
	for _, m := range machines {
		if b.takePressure(m) {
			b.method += "; the pressure is read at the outlet of " + m.g.sp.name + " and corrected for a drop by the square of the flow"
			if st := m.storage; st != nil && st.drop.V > 0 {
				b.drop = st.drop
				b.method += fmt.Sprintf(", %.1f kPa at full flow by what it falls with each unload", st.drop.V/1000)
				return m
			}
			b.drop = gum.New(dropMiddlePa, rectangular(dropLimitPa), dropInput(b.sys.Name))
			b.inputs = append(b.inputs, dropInput(b.sys.Name))
			return m
		}
	}
	return nil
}

// takePressure is false where the subject has no pressure.
func (b *airBalance) takePressure(s *sheet) bool {
	sp := s.g.sp
	if sp.pressure < 0 || sp.chans[sp.pressure].unit.Dimension != quantity.Pressure {
		return false
	}
	c := &sp.chans[sp.pressure]
	b.names.gauge, b.names.reading = accuracyInput(c), resolutionInput(c, "at each minute")
	b.inputs = append(b.inputs, c.input())
	b.scanS = max(b.scanS, float64(c.periodMS)/1000)
	count := math.Abs(c.countSI)
	b.pressureU = quad(resolutionU(count), float64(noiseCounts*count))
	if t := s.g.total.analog[c.slot].sum; t.ms > 0 {
		if mean := c.mean(t); mean.v > 0 {
			b.gaugeU = c.accuracyU(mean.v) / mean.v
		}
	}
	marks := map[int64]float64{}
	seen := make([]int64, len(b.minutes))
	for i := range s.g.total.minutes {
		mark := &s.g.total.minutes[i]
		if b.at(mark.at) != nil {
			seen[(mark.at-b.minutes[0].startMS)/minuteMS] += mark.seenMS
		}
		if _, twice := marks[mark.at]; mark.hasPressure {
			marks[mark.at] = c.si(float64(mark.pressure) / 16)
			if twice { // the clock showed this moment twice
				marks[mark.at] = math.NaN()
			}
		}
	}
	for i := range b.minutes {
		m := &b.minutes[i]
		m.seenMS = min(m.seenMS, seen[i])
		start, known := marks[m.startMS]
		end, ended := marks[m.startMS+minuteMS]
		m.startPa, m.endPa = start, end
		m.hasPressure = known && ended && !math.IsNaN(start) && !math.IsNaN(end)
	}
	return true
}

// addReadings takes what the moment of a reading brings: while the pressure
// moves, a register that is renewed once a second is late by a part of that.
func (b *airBalance) addReadings(s *sheet) {
	if b.volume.V == 0 {
		return
	}
	slope := b.full * b.inletPa / b.volume.V
	b.pressureU = quad(b.pressureU, resolutionU(float64(slope*max(refreshS, b.scanS))))
}
