package analysis

import (
	"fmt"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// True flow lies -12 to +5 % off the nameplate (common practice, no source). The
// nameplate is corrected to the middle of that range; the rest of it is a
// rectangular limit.
const (
	flowMiddle    = 1 - 0.035
	flowHalfWidth = 0.085
	nameplateFlow = "rated flow less 3.5 % (true flow lies -12 to +5 % off the nameplate)"
)

// fullFlow is what a machine delivers at full load.
type fullFlow struct {
	v       gum.Value // m³/s of free air at the inlet; V 0: not known
	absent  string    // why
	method  string
	inputs  []string
	assumed bool // of the nameplate: wear cannot be seen in it
}

// nameplate is the rated flow with what is known of nameplates.
func nameplate(m *sitefile.Machine) fullFlow {
	if m.RatedFlowM3S <= 0 {
		return fullFlow{absent: "no rated flow in the site file"}
	}
	return fullFlow{v: gum.New(m.RatedFlowM3S*flowMiddle, rectangular(flowHalfWidth*m.RatedFlowM3S), ratedFlowInput(m.Name)),
		method: nameplateFlow, inputs: []string{"rated flow (assumed)"}, assumed: true}
}

// findFullFlow sets full_load_flow and what other figures take for it.
func (s *sheet) findFullFlow(m *sitefile.Machine) {
	const name = "full_load_flow"
	s.full = nameplate(m)
	if s.full.v.V == 0 {
		s.absent(s.full.absent, name)
		return
	}
	method := s.full.method
	if s.full.assumed {
		method += "; wear cannot be seen with an assumed flow: a pump-up test (loadscribe test pump-up) or a flow meter shows it"
	}
	s.putValue(name, "m³/min", s.full.v.Scaled(60), fmt.Sprintf("free air at the inlet at full load: %s", method), s.full.inputs)
}
