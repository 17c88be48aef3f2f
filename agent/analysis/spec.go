package analysis

import (
	"math"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// foldVersion is raised whenever the same scans would fold to other bytes.
const foldVersion = 8

// class is how a channel takes part in the fold.
type class uint8

const (
	classAnalog class = iota
	classCounter
	classBit
	classCode
)

// chanSpec is one channel of a subject.
type chanSpec struct {
	role         scan.Role
	id           string
	device, name string
	kind         scan.Kind
	class        class
	slot         int   // place in delta.analog or delta.counters
	gapMS        int64 // of its group; how long its value is held
	periodMS     int64
	modulus      int64 // where an integer counter wraps; 0: unknown
	inverted     bool  // a bit whose 0 means yes
	// SI value = counts·countSI + offsetSI.
	countSI, offsetSI float64
	unit              quantity.Unit
	spanSI            float64 // of the valid range; 0: unknown
	accuracy          sitefile.Accuracy
	accuracyGiven     bool
	ownAccuracy       bool               // it is of this channel alone
	zeroSI            float64            // where its instrument reads zero, in SI
	flowMeter         sitefile.FlowMeter // its kind, of a flow; empty: not said
}

// spec is all the fold of one machine or system depends on.
type spec struct {
	key, name string
	system    bool
	control   sitefile.Control
	chans     []chanSpec
	analogs   int
	counters  int
	// Places in chans; -1 where there is none.
	running, loaded, standby, fault        int
	power, current, fraction, pressure     int
	sump                                   int
	flow, tap                              int   // of delta.minutes; the pressure of delta.edges
	minutes                                bool  // minutes are kept
	wantMinutes, wantEdges                 bool  // the query wants them; the fold always has them
	blockMS, lateMS                        int64 // of a profile's blocks; how late a change of state may be seen beside the master's period
	keepBlocks                             int   // blocks remembered while no profile is open
	master                                 int
	sumpZero, sumpLeast                    int64     // counts of the sump pressure at zero gauge, and the least under load
	draw, energy                           int       // the channel of delta.power; the energy counter
	reckon                                 *reckoned // nil: power is metered, or cannot be reckoned
	runLevel, loadLevel                    *level
	full                                   int64 // counts of load_fraction that count as full load
	part                                   int64 // counts of load_fraction above which air flows
	startMS                                int64
	fine                                   bool  // the query wants slots; the fold always has them
	binShift                               uint  // pressure counts per histogram bin, as a power of two
	health                                 []int // channels of delta.health
	healthAt                               []int // by channel: place in health; -1: none
	dropAt                                 []int // by channel: place in delta.drops; -1: none
	drops, square                          int   // how many those are; the channel of delta.squares, -1: none
	warm                                   int   // the channel of delta.warmth; -1: none
	warmShift                              uint  // its counts per bin, as a power of two
	hasStates                              bool
	runOnly                                bool                    // running is known, loaded is not
	levelsLearnt                           bool                    // the levels are a calibration, not assumed
	runSigns                               []runSign               // of a system's machines
	hasLow, lowTurned                      bool                    // the minimum pressure is known; its counts run downwards
	lowBelow                               int64                   // see setLow
	onShift                                func(wallMS int64) bool // the query wants the pressure of shift hours; nil: it does not
	watches                                []watch
	watchOf                                []routed // by channel: places in watches
	pairWatches                            []int    // of two channels
	stateMethod, statesAbsent, startMethod string
	assumed                                []string // assumed inputs of the states
	config, layout                         string   // see fingerprint, layoutOf
}

// level is a threshold with hysteresis on an analogue channel, in counts.
type level struct {
	ch      int
	on, off int64
	dwellMS int64
}

// newSpec makes an empty spec.
func newSpec(key, name string) *spec {
	return &spec{key: key, name: name, running: -1, loaded: -1, standby: -1, fault: -1,
		power: -1, current: -1, fraction: -1, pressure: -1, sump: -1, flow: -1, tap: -1, master: -1, draw: -1, energy: -1, square: -1, warm: -1}
}

// MachineKey is the Piece.Key of a machine.
func MachineKey(name string) string { return "machine:" + name }

// SystemKey is the Piece.Key of a system.
func SystemKey(name string) string { return "system:" + name }

func machineSpec(site *sitefile.Site, groups []*scan.Group, m *sitefile.Machine, lv Levels) *spec {
	sp := machineStates(site, groups, m, lv)
	sp.setDraw()
	sp.setBins()
	sp.setTap(site, groups) // before what has an entry for each channel
	sp.setHealth()
	sp.setDrops()
	sp.setMinutes()
	sp.setWatches(m, lv)
	sp.setConfig()
	return sp
}

// machineStates is a machine's channels and what its states are told by, all
// that others need of it.
func machineStates(site *sitefile.Site, groups []*scan.Group, m *sitefile.Machine, lv Levels) *spec {
	sp := newSpec(MachineKey(m.Name), m.Name)
	sp.control = m.Control
	at := map[scan.Role]int{}
	for _, role := range scan.Roles() {
		id, ok := m.Roles[role]
		if !ok {
			continue
		}
		if c, ok := resolveChannel(site, groups, id); ok {
			c.role = role
			at[role] = sp.add(c)
		}
	}
	place := func(roles ...scan.Role) int {
		for _, r := range roles {
			if i, ok := at[r]; ok {
				return i
			}
		}
		return -1
	}
	sp.running = place(scan.MotorRunning)
	sp.loaded = place(scan.Loaded, scan.LoadCommand)
	sp.standby = place(scan.Standby)
	sp.fault = place(scan.FaultCode)
	sp.power = place(scan.Power)
	sp.current = place(scan.MotorCurrent)
	sp.fraction = place(scan.LoadFraction)
	sp.pressure = place(scan.DischargePressure, scan.ReceiverPressure, scan.HeaderPressure)
	sp.setSump(place(scan.SumpPressure))
	sp.setStates(m, lv)
	return sp
}

// setSump takes a sump pressure whose counts rise with it.
func (sp *spec) setSump(ch int) {
	if ch >= 0 && sp.chans[ch].unit.Dimension == quantity.Pressure && sp.chans[ch].countSI > 0 {
		sp.sump, sp.sumpZero, sp.sumpLeast = ch, clamped(sp.limit(ch, 0)), clamped(sp.limit(ch, leastSumpPa))
	}
}

// systemSpec folds the taps of a system. Its pressure is the tap furthest
// downstream, since that is what the plant gets.
func systemSpec(site *sitefile.Site, groups []*scan.Group, s *sitefile.System, levels Calibrations) *spec {
	sp := newSpec(SystemKey(s.Name), s.Name)
	sp.system = true
	best := -2
	for _, tap := range s.Taps {
		rank := rankOf(s, tap)
		if c, ok := resolveChannel(site, groups, tap.Pressure); ok {
			c.role = scan.HeaderPressure
			if i := sp.add(c); rank > best {
				sp.pressure, best = i, rank
			}
		}
		if c, ok := resolveChannel(site, groups, tap.Flow); ok {
			c.role = scan.Flow
			sp.add(c)
		}
	}
	sp.master = sp.pressure
	if sp.master < 0 && len(sp.chans) > 0 {
		sp.master = 0
	}
	sp.statesAbsent = "a figure of one machine"
	sp.setBins()
	sp.setMinutes()
	sp.setLow(s.MinimumPressurePa)
	sp.setWatches(nil, Levels{})
	sp.addRunSigns(site, groups, s, levels)
	sp.setConfig()
	return sp
}

// add appends c with its class and slot.
func (sp *spec) add(c chanSpec) int {
	sp.place(&c)
	c.countSI *= unitOfCounts(c.kind, c.class == classCounter)
	sp.chans = append(sp.chans, c)
	return len(sp.chans) - 1
}

// place sets the class and slot of c, which is to be appended.
func (sp *spec) place(c *chanSpec) {
	switch {
	case c.role.Counter():
		c.class, c.slot = classCounter, sp.counters
		sp.counters++
	case c.role == scan.FaultCode:
		c.class = classCode
	case c.role == scan.MotorRunning || c.role == scan.Loaded || c.role == scan.LoadCommand ||
		c.role == scan.Standby || c.role == scan.PurgeValve:
		c.class = classBit
	default:
		c.class, c.slot = classAnalog, sp.analogs
		sp.analogs++
	}
}

// find returns the place of the first channel with the role, or -1.
func (sp *spec) find(role scan.Role) int {
	for i := range sp.chans {
		if sp.chans[i].role == role {
			return i
		}
	}
	return -1
}

// devices lists the devices whose scans the subject needs.
func (sp *spec) devices() []string {
	var all []string
	seen := map[string]bool{}
	for i := range sp.chans {
		// Reckoned power has no device of its own.
		if d := sp.chans[i].device; d != "" && !seen[d] {
			seen[d] = true
			all = append(all, d)
		}
	}
	return all
}

// setBins chooses how many pressure counts share a histogram bin: at least
// 500 Pa, so that a fine or floating channel does not fill the summary with
// bins that no gauge could tell apart.
func (sp *spec) setBins() {
	const leastBinPa = 500
	if sp.pressure >= 0 {
		sp.binShift = binShift(sp.chans[sp.pressure].countSI, leastBinPa)
	}
}

// binShift is the power of two of counts that make a bin of at least least.
func binShift(countSI, least float64) (shift uint) {
	for width := math.Abs(countSI); width > 0 && width < least && shift < 40; width *= 2 {
		shift++
	}
	return shift
}

// resolveChannel gathers what is known of a channel from the map, which has
// the scale that holds now, and from its group, which has the raw kind and the
// period.
func resolveChannel(site *sitefile.Site, groups []*scan.Group, id string) (chanSpec, bool) {
	device, name, ok := scan.SplitID(id)
	if !ok {
		return chanSpec{}, false
	}
	c := chanSpec{id: id, device: device, name: name}
	found := false
	var scale, offset float64
	for _, g := range groups {
		if g.Device != device {
			continue
		}
		if i := g.Index(name); i >= 0 {
			ch := &g.Channels[i]
			c.kind, scale, offset = ch.Kind, ch.Scale, ch.Offset
			c.gapMS, c.periodMS = g.GapMS(), g.PeriodMS
			if u, err := quantity.ParseUnit(ch.Unit); err == nil {
				c.unit = u
			} else {
				c.unit = quantity.Unit{Symbol: ch.Unit, Scale: 1}
			}
			found = true
		}
	}
	if !found {
		return chanSpec{}, false
	}
	c.fromMap(site, &scale, &offset)
	c.countSI = scale * c.unit.Scale
	c.offsetSI = float64(offset*c.unit.Scale) + c.unit.Offset
	if c.unit.Dimension == quantity.Pressure && c.unit.Absolute {
		// Pressures are gauge inside the analysis.
		c.offsetSI -= site.BarometerPa
	}
	c.zeroSI = c.unit.Offset
	if c.unit.Dimension == quantity.Pressure && c.unit.Absolute {
		c.zeroSI -= site.BarometerPa
	}
	return c, true
}

// fromMap takes unit, scale, wrap and metrology from the site's map.
func (c *chanSpec) fromMap(site *sitefile.Site, scale, offset *float64) {
	for i := range site.Devices {
		d := &site.Devices[i]
		if d.Name != c.device || d.Map == nil {
			continue
		}
		for j := range d.Map.Channels {
			mc := &d.Map.Channels[j]
			if mc.Name != c.name {
				continue
			}
			*scale, *offset = mc.Scale, mc.Offset
			c.unit = mc.Unit
			c.modulus, c.inverted = mc.Modulus(), mc.Inverted()
			if mc.Valid != nil {
				c.spanSI = (mc.Valid[1] - mc.Valid[0]) * mc.Unit.Scale
			}
			if mc.Unit.Dimension == quantity.Flow {
				c.flowMeter = d.FlowMeterOf(mc)
			}
			c.setAccuracy(d, mc)
		}
	}
}
