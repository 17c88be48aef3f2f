package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// What follows the pressure, against what the site file says of it: within 10 % in
// all, of which 3 % is what a vessel may be off its plate; the rest is pipes that
// are not in the file and condensate that is in the vessels (common practice, no
// source).
const volumeLimit, nominalLimit = 0.10, 0.03

// storeVolume is the volume of named parts of a system, m³. A guided test shares
// the vessels with it, not the pipes.
func storeVolume(sys *sitefile.System, m3 float64) gum.Value {
	unnamed := math.Sqrt(volumeLimit*volumeLimit - nominalLimit*nominalLimit)
	return gum.New(m3, rectangular(nominalLimit*m3), volumeInput(sys.Name)).
		Plus(gum.New(0, rectangular(unnamed*m3), unnamedInput(sys.Name)))
}

// knownVolume is the storage by the site file's parts, m³; V 0: not given.
func knownVolume(sys *sitefile.System) gum.Value {
	var m3 float64
	if sys != nil {
		for i := range sys.Parts {
			m3 += sys.Parts[i].VolumeM3
		}
	}
	if m3 == 0 {
		return gum.Value{}
	}
	return storeVolume(sys, m3)
}

// perFlow is volume over full flow, in seconds: the flow adds p·Q/V to the slope
// of the pressure, demand being the same on both sides of a load. What is stored is
// dry air, so that p is that of the dry air at the inlet.
func (s *sheet) perFlow(slope gum.Value, sys *sitefile.System) gum.Value {
	name := "machines"
	if sys != nil {
		name = sys.Name
	}
	exponent := gum.New(1, rectangular(exponentLimit), exponentInput(name))
	stored := gum.New(1, rectangular(storeLimitK/s.inlet.temperature.V), storedAirInput(name))
	return exponent.Times(s.inlet.of(air.Condition.DryPa)).Over(stored).Over(slope)
}

// flowFromVolume is a machine's full-load flow from the storage's known volume and
// the slopes of the pressure, m³/s of free air at the inlet: a second opinion. V 0
// where there is none; why says so.
func (s *sheet) flowFromVolume() (v gum.Value, why string) {
	st := s.storage
	if st == nil {
		return gum.Value{}, nothingSeen
	}
	volume := knownVolume(st.sys)
	switch {
	case st.absent != "":
		return gum.Value{}, st.absent
	case volume.V == 0:
		return gum.Value{}, "no part of the system has a volume in the site file"
	}
	return volume.Over(s.perFlow(st.slope, st.sys)), ""
}

// storageFigures sets volume_per_flow and effective_volume of a system.
func (s *sheet) storageFigures(sys *sitefile.System, machines []*sheet) {
	const ratio, volume = "volume_per_flow", "effective_volume"
	known := knownVolume(sys)
	slope, flow, why := s.joint(machines)
	if why == "" {
		perFlow := s.perFlow(slope, sys)
		method := "pressure of the dry air at the inlet over " + machines[0].storage.method
		if len(machines) > 1 {
			method += fmt.Sprintf("; the slopes of all %d machines added", len(machines))
		}
		s.putValue(ratio, "s", perFlow, method+"; demand taken for the same on both sides, air for isothermal", []string{machines[0].storage.tap, "barometer"})
		if flow.V > 0 {
			s.seenVolume(perFlow.Times(flow), known)
			return
		}
		why = "no full-load flow is known to make a volume of it"
	} else {
		s.absent(why, ratio)
	}
	if known.V == 0 {
		s.absent(why, volume)
		return
	}
	s.putValue(volume, "m³", known, "sum of the parts' volumes in the site file, within 10 %, since pipes it does not name are extra; the pressure cannot confirm it: "+why, []string{"site file"})
}

// joint adds up the slopes and the flows of a system's machines.
func (s *sheet) joint(machines []*sheet) (slope, flow gum.Value, why string) {
	if len(machines) == 0 {
		return slope, flow, "the system has no machine"
	}
	whole := true
	for _, m := range machines {
		st := m.storage
		if st == nil {
			return slope, flow, m.g.sp.name + ": " + nothingSeen
		}
		if st.absent != "" {
			return slope, flow, m.g.sp.name + ": " + st.absent
		}
		slope = slope.Plus(st.slope)
		whole = whole && m.full.own.V > 0
		flow = flow.Plus(m.full.own)
	}
	if !whole {
		flow = gum.Value{}
	}
	return slope, flow, ""
}

// seenVolume sets effective_volume by slopes and rated flow, or by the site file
// where that says it, which it is then compared with.
func (s *sheet) seenVolume(seen, known gum.Value) {
	const name = "effective_volume"
	by := fmt.Sprintf("volume_per_flow times the full-load flow: %.3g ± %.2g m³", seen.V, float64(coverageFactor*seen.U()))
	if known.V == 0 {
		s.putValue(name, "m³", seen, by, []string{"volume_per_flow", "full_load_flow"})
		return
	}
	method := "sum of the parts' volumes in the site file, within 10 %, since pipes it does not name are extra"
	difference := seen.Minus(known)
	if off := float64(coverageFactor * difference.U()); math.Abs(difference.V) > off {
		s.unlikeVolume = fmt.Sprintf("the storage of %s behaves as %.2f m³, the parts in the site file are %.2f m³: unlike by more than the %.2f m³ that this is known to. Look for a vessel that is shut off or missing in the site file, water in the receiver, a machine far off its nameplate",
			s.g.sp.name, seen.V, known.V, off)
		method += "; unlike " + by
	} else {
		method += "; like " + by
	}
	s.putValue(name, "m³", known, method, []string{"site file"})
}
