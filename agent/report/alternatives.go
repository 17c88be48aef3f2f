package report

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

// mostAlternatives are tried of themselves: more would not be read, and each takes its
// share of the time that a report takes.
const mostAlternatives = 5

// leastObservedS must have been observed for anything to be tried: less says nothing of
// what a plant does (common practice, no source).
const leastObservedS = 24 * 3600

// Limits of what is tried. All are common practice, no source, where none is named.
const (
	leastStepPa    = 13_789.5 // 2 psi: less is within what a gauge tells
	mostStepDownPa = 68_947.6 // 10 psi at one time: what users need shows in steps
	fastCycleS     = 120      // a load cycle: in a faster one the sump is hardly blown down
	// Of the energy or the time that a change could bring.
	worthShare = 0.05
	// 3 to 5 gal/cfm for load and unload (Improving Compressed Air System Performance,
	// a sourcebook for industry); 4 is the middle.
	scantStoreM3PerM3S = 3 * galPerCfm
	ampleStoreM3PerM3S = 4 * galPerCfm
	galPerCfm          = 0.003785411784 / (0.028316846592 / 60)
	// Above it a drive brings little.
	fullShare = 0.75
	// Of a like size: so much below the flow there is may be a rounding of sheets.
	likeSize = 0.96
	// A shift's air must be there when it begins.
	beforeShiftMin = 15
	usualStarts    = 6 // an hour, where the site file has no limit
	// A machine that takes less when loaded has a meter on part of it, or wired wrongly.
	leastOfRatedPower = 0.6
)

// Alternatives are what is tried in replay where nobody has said what: of each kind of
// change that the figures of this system speak for, one, what costs least to do first;
// at most five. Machines may stand in for those there are; nil: the examples. A system
// without machines whose states are known has none.
func Alternatives(data *Data, system string, machines []replay.Listed) []replay.Alternative {
	a := alternatives{b: &builder{data: data}}
	if !a.find(system, machines) {
		return nil
	}
	// Six kinds at most: the timer, which brings least, gives way.
	var all []replay.Alternative
	for _, kind := range []func() *replay.Alternative{a.leaks, a.lower, a.schedule, a.receiver, a.drive, a.timer} {
		if alt := kind(); alt != nil && len(all) < mostAlternatives {
			all = append(all, *alt)
		}
	}
	return all
}

// alternatives is one system and what stands in its figures.
type alternatives struct {
	b        *builder
	site     *sitefile.Site
	system   *sitefile.System
	of       int // place in data.Figures.Systems
	machines []machineAt
	listed   []replay.Listed
}

// machineAt is a machine and its place in data.Figures.Machines.
type machineAt struct {
	*sitefile.Machine
	at int
}

func (a *alternatives) find(system string, listed []replay.Listed) bool {
	a.site = a.b.data.Site
	for i := range a.site.Systems {
		if a.site.Systems[i].Name == system {
			a.system = &a.site.Systems[i]
		}
	}
	if a.of = a.b.system(system); a.system == nil || a.of < 0 {
		return false
	}
	for _, name := range a.system.Machines {
		m, ok := a.site.MachineByName(name)
		at := a.b.machine(name)
		if !ok || at < 0 || !a.b.ofMachine(at, "running_time").has() {
			return false // without its states nothing is replayed
		}
		if s, _, ok := a.of1(machineAt{m, at}, "observed_time"); !ok || s < leastObservedS {
			return false
		}
		a.machines = append(a.machines, machineAt{m, at})
	}
	if a.listed = listed; listed == nil {
		a.listed, _ = replay.Examples() // they are checked by a test
	}
	return len(a.machines) > 0
}

func (a *alternatives) figure(name string) (v, u float64, ok bool) {
	return valueOf(a.b.ofSystem(a.of, name))
}

func (a *alternatives) of1(m machineAt, name string) (v, u float64, ok bool) {
	return valueOf(a.b.ofMachine(m.at, name))
}

func valueOf(r ref) (v, u float64, ok bool) {
	if !r.has() {
		return 0, 0, false
	}
	if r.Uncertainty != nil {
		u = *r.Uncertainty
	}
	return *r.Value, u, true
}

// leaks: half of them, where they are told.
func (a *alternatives) leaks() *replay.Alternative {
	if flow, u, ok := a.figure("leak_flow"); !ok || flow <= u {
		return nil
	}
	return &replay.Alternative{Name: "half the leaks mended", Set: []replay.Setting{{Key: "leaks_mended", Value: "50 %"}}}
}

// room is by how much the pressure may sink, in whole steps of the site's unit; 0: it
// may not. The gauge's own error is held back. What counts is the lower of what the
// stores had all but a twentieth of the time and what a load cycle went down to: a
// machine that follows the demand seldom comes to its cut-in, and would then.
func (a *alternatives) room() float64 {
	low, u, ok := a.figure("pressure_p05_shift")
	if !ok {
		low, u, ok = a.figure("pressure_p05")
	}
	if !ok || a.system.MinimumPressurePa <= 0 {
		return 0
	}
	for _, m := range a.machines {
		if cycle, _, ok := a.of1(m, "cycle_low"); ok {
			low = min(low, cycle)
		}
	}
	room := min((low-u)*1000-a.system.MinimumPressurePa, mostStepDownPa)
	if room < leastStepPa {
		return 0
	}
	return a.step() * math.Floor(room/a.step()+1e-9)
}

// step is what a controller is set in.
func (a *alternatives) step() float64 {
	if a.site.Units == quantity.US {
		return 6894.757 // 1 psi
	}
	return 10_000 // 0.1 bar
}

// bandOf is the band as set, or as seen where it is not known what is set.
func (a *alternatives) bandOf(m machineAt) (in, out float64, ok bool) {
	in, _, ok = a.of1(m, "cut_in_set")
	out, _, ok2 := a.of1(m, "cut_out_set")
	if !ok || !ok2 {
		in, _, ok = a.of1(m, "cut_in_seen")
		out, _, ok2 = a.of1(m, "cut_out_seen")
	}
	return in * 1000, out * 1000, ok && ok2 && in < out
}

// lower: the whole band by the room above the pressure that users need.
func (a *alternatives) lower() *replay.Alternative {
	down := a.room()
	if down == 0 {
		return nil
	}
	alt := &replay.Alternative{Name: "pressure lower by " + a.pressure(down)}
	for _, m := range a.machines {
		in, out, ok := a.bandOf(m)
		if !ok {
			return nil // one that stays would take the others' air
		}
		alt.Set = append(alt.Set, replay.Setting{Key: m.Name + ".cut_in", Value: a.pressure(in - down)},
			replay.Setting{Key: m.Name + ".cut_out", Value: a.pressure(out - down)})
		if m.Control == sitefile.VariableSpeed {
			held, _, ok := a.of1(m, "pressure_mean")
			if !ok || held*1000 >= out-down {
				return nil
			}
			alt.Set = append(alt.Set, replay.Setting{Key: m.Name + ".target", Value: a.pressure(held*1000 - down)})
		}
	}
	return alt
}

// schedule: off outside the shifts, where it uses much then and nobody is named who
// needs air.
func (a *alternatives) schedule() *replay.Alternative {
	off, _, ok := a.figure("energy_off_shift")
	all, _, ok2 := a.figure("energy")
	if !ok || !ok2 || off < worthShare*all || len(a.system.NightUsers) > 0 {
		return nil
	}
	var windows []string
	for i := range a.site.Shifts {
		windows = append(windows, widened(&a.site.Shifts[i]))
	}
	if len(windows) == 0 {
		return nil
	}
	alt := &replay.Alternative{Name: "off outside the shifts"}
	for _, m := range a.machines {
		alt.Set = append(alt.Set, replay.Setting{Key: m.Name + ".schedule", Value: strings.Join(windows, "; ")})
	}
	return alt
}

// widened is a shift with a quarter of an hour before and after, where that stays in
// its day.
func widened(w *sitefile.WeekWindow) string {
	from, until := w.FromMinute, w.UntilMinute
	over := until <= from
	if from >= beforeShiftMin && (!over || from-beforeShiftMin >= until) {
		from -= beforeShiftMin
	}
	if until+beforeShiftMin <= 24*60 && (!over || until+beforeShiftMin <= from) {
		until += beforeShiftMin
	}
	days, _, _ := strings.Cut(strings.TrimSpace(w.Text), " ")
	return fmt.Sprintf("%s %02d:%02d-%02d:%02d", days, from/60, from%60, until/60, until%60)
}

// receiver: more storage where it is scant and the machines load and unload fast.
func (a *alternatives) receiver() *replay.Alternative {
	volume, _, ok := a.figure("effective_volume")
	if !ok {
		return nil
	}
	var flow float64
	scant := false
	for _, m := range a.machines {
		if m.Control.PartLoad() {
			continue
		}
		one, _, ok := a.of1(m, "full_load_flow")
		cycle, _, cycles := a.of1(m, "mean_load_cycle")
		if ok {
			flow = max(flow, one/60) // m³/min; the one that trims is as large as the largest
		}
		scant = scant || cycles && cycle < fastCycleS
	}
	if !scant || volume >= scantStoreM3PerM3S*flow {
		return nil
	}
	add := ampleStoreM3PerM3S*flow - volume
	value := fmt.Sprintf("%.0f gal", 20*math.Ceil(add/0.003785411784/20))
	if a.site.Units != quantity.US {
		value = fmt.Sprintf("%.0f l", 100*math.Ceil(add*1000/100))
	}
	return &replay.Alternative{Name: "receiver of " + value + " more", Set: []replay.Setting{{Key: "volume_add", Value: value}}}
}

// drive: a machine of variable speed and like size in place of the one that runs most
// without load; smaller where the demand leaves room.
func (a *alternatives) drive() *replay.Alternative {
	all, _, ok := a.figure("energy")
	if !ok {
		return nil
	}
	var worst machineAt
	var most float64
	for _, m := range a.machines {
		load, _, ok := a.of1(m, "duty_cycle")
		if m.Control.PartLoad() {
			load, _, ok = a.of1(m, "mean_load_fraction")
		}
		spent, _, ok2 := a.of1(m, "energy")
		loadedKW, _, seen := a.of1(m, "power_loaded")
		switch {
		case seen && loadedKW*1000 < leastOfRatedPower*m.RatedPowerW:
			return nil // another machine's data sheet is no match for this meter
		case m.Control == sitefile.VariableSpeed:
			return nil // one trims already
		case ok && ok2 && load < fullShare && m.Control != sitefile.StartStop && spent*(1-load) > most:
			worst, most = m, spent*(1-load)
		}
	}
	if most < worthShare*all {
		return nil
	}
	need := worst.RatedFlowM3S * likeSize
	if peak, u, ok := a.figure("air_demand_peak"); ok && len(a.machines) == 1 {
		need = min(need, (peak+u)/60)
	}
	_, out, ok := a.bandOf(worst)
	if !ok || need <= 0 {
		return nil
	}
	if with := a.likeDrive(need, out); with != nil {
		return &replay.Alternative{Name: fmt.Sprintf("variable speed, %s, in place of %s", a.flow(with.RatedFlowM3S), worst.Name),
			Set: []replay.Setting{{Key: worst.Name + ".replace", Value: with.ID}}}
	}
	return nil
}

// likeDrive is the smallest of the list that gives what is needed; nil: none does.
func (a *alternatives) likeDrive(needM3S, cutOutPa float64) (with *replay.Listed) {
	for i := range a.listed {
		l := &a.listed[i]
		if l.Control == string(sitefile.VariableSpeed) && l.RatedFlowM3S*likeSize >= needM3S && l.RatedPressurePa*1.1 >= cutOutPa &&
			(with == nil || l.RatedFlowM3S < with.RatedFlowM3S) {
			with = l
		}
	}
	return with
}

func (a *alternatives) pressure(pa float64) string {
	return quantity.Format(pa, quantity.Pressure, a.site.Units)
}

func (a *alternatives) flow(m3s float64) string {
	return quantity.Format(m3s, quantity.Flow, a.site.Units)
}
