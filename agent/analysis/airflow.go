package analysis

import (
	"fmt"
	"math"
	"strings"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
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
	own     gum.Value // the same without what the site file's volumes say of it
	absent  string    // why
	method  string
	inputs  []string
	assumed bool // it rests on the nameplate: wear cannot be seen in it
}

// nameplate is the rated flow with what is known of nameplates.
func nameplate(m *sitefile.Machine) fullFlow {
	if m.RatedFlowM3S <= 0 {
		return fullFlow{absent: "no pump-up test and no rated flow"}
	}
	return fullFlow{v: gum.New(m.RatedFlowM3S*flowMiddle, rectangular(flowHalfWidth*m.RatedFlowM3S), ratedFlowInput(m.Name)),
		method: nameplateFlow, inputs: []string{"rated flow (assumed)"}, assumed: true}
}

// findFullFlow sets full_load_flow and what other figures take for it: what was
// measured, by a pump-up test or the machine's own flow meter, and the nameplate
// only where nothing was.
func (s *sheet) findFullFlow(m *sitefile.Machine) {
	const name = "full_load_flow"
	wear := "; wear cannot be seen with an assumed flow: a pump-up test (loadscribe test pump-up) or a flow meter shows it"
	if measured := s.measuredFlows(m); len(measured) > 0 {
		s.full = s.together(measured)
		wear = s.wear(m)
	} else if s.full = nameplate(m); s.full.absent != "" {
		s.absent("no flow meter, "+s.full.absent, name)
		return
	}
	s.full.own = s.full.v
	if v, why := s.flowFromVolume(); s.full.assumed && why == "" && v.V > 0 {
		own := s.full.v
		s.full = s.together([]fullFlow{s.full, {v: v, method: "the volume of the site file's parts and how much faster the pressure rises loaded", inputs: []string{"volume of the parts", s.storage.tap}}})
		s.full.own = own
	}
	s.putValue(name, "m³/min", s.full.v.Scaled(60), "free air at the inlet at full load: "+s.full.method+wear, s.full.inputs)
}

// measuredFlows are a machine's full-load flow by each way it was measured.
func (s *sheet) measuredFlows(m *sitefile.Machine) []fullFlow {
	var all []fullFlow
	if r, later, ok := s.pumpUp(m); ok {
		f := fullFlow{v: r.FlowM3S, method: "pump-up test of " + s.day(r.ToMS), inputs: []string{"pump-up test of " + s.day(r.ToMS)}}
		if later {
			f.method += ", which was made after this window"
		}
		all = append(all, f)
	}
	if part := s.g.total.flowFull; s.g.sp.flow >= 0 && part.ms > 0 {
		c := &s.g.sp.chans[s.g.sp.flow]
		if v := s.metered(c, c.mean(part).v); v.V > 0 {
			all = append(all, fullFlow{v: v, method: fmt.Sprintf("the flow meter's mean over %s at full load", inWords(part.ms)),
				inputs: append([]string{c.input()}, s.basisInputs(c)...)})
		}
	}
	return all
}

// pumpUp is the machine's last pump-up test before the window's end, else the first
// one after it.
func (s *sheet) pumpUp(m *sitefile.Machine) (r TestResult, later, ok bool) {
	if r, ok = s.q.tests.pumpUp(m.Name, s.g.to); ok {
		return r, false, true
	}
	if all := s.q.tests.pumpUps[m.Name]; len(all) > 0 && all[0].ToMS < s.q.now {
		return all[0], true, true
	}
	return r, false, false
}

// day is the local date of a moment.
func (s *sheet) day(ms int64) string { return millis(ms).In(s.site.Location).Format(time.DateOnly) }

// together is the best of several flows of one machine, from their covariance. Where
// they lie further apart than they are known to, one of them is wrong, and the
// interval is widened by as much, as leak methods are.
func (s *sheet) together(of []fullFlow) fullFlow {
	values := make([]gum.Value, len(of))
	for i := range of {
		values[i] = of[i].v
	}
	best, err := gum.Combine(values)
	if err != nil || len(of) == 1 {
		return of[0]
	}
	f := fullFlow{v: best.Value}
	var methods []string
	for i, w := range best.Weights {
		if w == 0 {
			continue
		}
		methods = append(methods, fmt.Sprintf("%.0f %% %s (%s)", 100*w, of[i].method, shownIn(s.site, 60*of[i].v.V, "m³/min")))
		f.inputs = append(f.inputs, of[i].inputs...)
		f.assumed = f.assumed || of[i].assumed
	}
	f.method = strings.Join(methods, " and ") + ", weighted by their uncertainties and what these share"
	if by := farOff(values, best.Value); by > 1 {
		f.v = f.v.Plus(gum.New(0, best.U()*math.Sqrt(float64(by*by)-1), "disagreement of the flows of "+s.g.sp.name))
		f.method += fmt.Sprintf("; they disagree, and the interval is widened by %.2f for it", by)
	}
	if d := of[0].v.Minus(of[1].v); math.Abs(d.V) > 2*coverageFactor*d.U() {
		f.method += "; the two contradict each other more than their uncertainties allow: look at the volumes and at the meter"
	}
	return f
}

// farOff is how many times further from their mean the furthest of values lies than
// its difference from it is known to; 1 at least.
func farOff(values []gum.Value, mean gum.Value) float64 {
	most := 1.0
	for _, v := range values {
		if d := v.Minus(mean); d.U() > 0 {
			most = max(most, math.Abs(d.V)/float64(coverageFactor*d.U()))
		}
	}
	return most
}

// wear says what a measured flow has changed by since the nameplate and since the
// pump-up tests before.
func (s *sheet) wear(m *sitefile.Machine) string {
	text := ""
	if m.RatedFlowM3S > 0 {
		share := s.full.v.Scaled(100 / m.RatedFlowM3S)
		text = fmt.Sprintf("; that is %.1f ± %.1f %% of the nameplate, off which a new machine may be by some percent too", share.V, coverageFactor*share.U())
	}
	now, later, ok := s.pumpUp(m)
	if !ok || later {
		return text
	}
	all := s.q.tests.pumpUps[m.Name]
	if first := all[0]; first.Seq != now.Seq {
		change := now.FlowM3S.Over(first.FlowM3S).Scaled(100)
		text += fmt.Sprintf("; since the pump-up test of %s it has changed by %+.1f ± %.1f %%", s.day(first.ToMS), change.V-100, coverageFactor*change.U())
	}
	return text
}

// metered is what a flow meter reads as free air at the inlet.
func (s *sheet) metered(c *chanSpec, v float64) gum.Value {
	read := c.value(v)
	if s.wetThermal(c) {
		read = read.Plus(gum.New(0, rectangular(wetThermalLimit*v), wetAirInput(c)))
	}
	return read.Times(s.inlet.toInlet(c.unit.Basis, s.site.Scfm()))
}

// basisInputs are what it takes to bring a meter's reading to the inlet.
func (s *sheet) basisInputs(c *chanSpec) []string {
	if c.unit.Basis == quantity.FreeAir {
		return nil
	}
	return s.inlet.inputs
}
