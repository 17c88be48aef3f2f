package analysis

import (
	"fmt"
	"math"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// nominalLimit is what a vessel's volume may be off its plate (common practice, no
// source). Pipes that the site file does not name come on top.
const nominalLimit = 0.03

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
	return gum.New(m3, rectangular(nominalLimit*m3), volumeInput(sys.Name))
}

// perFlow is volume over full flow, in seconds: the flow adds p·Q/V to the slope
// of the pressure, demand being the same on both sides of a load.
func (s *sheet) perFlow(slope gum.Value, sys *sitefile.System) gum.Value {
	name := "machines"
	if sys != nil {
		name = sys.Name
	}
	exponent := gum.New(1, rectangular(exponentLimit), exponentInput(name))
	return exponent.Scaled(s.site.BarometerPa).Over(slope)
}

// flowFromVolume is a machine's full-load flow from the storage's known volume and
// the slopes of the pressure, m³/s of free air at the inlet: a second opinion. V 0
// where there is none; why says so.
func (s *sheet) flowFromVolume() (v gum.Value, why string) {
	st := s.storage
	if st == nil {
		return gum.Value{}, "nothing was observed in this window"
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
		method := "inlet pressure over " + machines[0].storage.method
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
	s.putValue(volume, "m³", known, "sum of the parts' volumes in the site file, which may be off by 3 %; pipes it does not name are extra; the pressure cannot confirm it: "+why, []string{"site file"})
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
			return slope, flow, m.g.sp.name + ": nothing was observed in this window"
		}
		if st.absent != "" {
			return slope, flow, m.g.sp.name + ": " + st.absent
		}
		slope = slope.Plus(st.slope)
		whole = whole && m.full.v.V > 0
		flow = flow.Plus(m.full.v)
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
	method := "sum of the parts' volumes in the site file, which may be off by 3 %; pipes it does not name are extra"
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
