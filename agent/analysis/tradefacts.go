package analysis

import (
	"fmt"

	"loadscribe/agent/sitefile"
)

// Facts of the trade (common practice, no source). They are hints beside a
// figure, to be thought about; no figure and no limit is made of them.
const (
	airsShare     = 0.2     // of a shop's electricity may go into air
	serviceFactor = 1.15    // of its nameplate a motor may give, to 40 °C
	approachK     = 50. / 9 // 10 °F: how near to ambient an aftercooler comes, about
)

// shareOfPlant says beside a system's energy how much of what the plant meter
// counted it is, over the steps in which both were observed.
func (s *sheet) shareOfPlant() {
	const name = "energy"
	f := s.figures[name]
	if s.q.plant == nil || f.Value == nil || len(s.machines) == 0 {
		return
	}
	from, to := cellOf(s.g.from+cellMS-1), cellOf(s.g.to)
	own, err := s.newLoadOver(from, to)
	var plant *load
	if err == nil {
		plant, err = s.q.plant.newLoadOver(from, to)
	}
	if err != nil {
		s.err = err
		return
	}
	var ours, all float64
	for at := from; at < to; at += own.step {
		a, b := own.at(at), plant.at(at)
		if least := int64(leastSeen * float64(own.step)); a.ms >= least && b.ms >= least {
			ours += a.joules
			all += b.joules
		}
	}
	switch {
	case !(all > 0) || !(ours > 0):
		return
	case ours > all:
		f.Method += fmt.Sprintf("; this is %.0f %% of what the plant meter counted meanwhile: one of the meters reads wrongly, or the machines are not behind the plant meter", 100*ours/all)
	default:
		f.Method += fmt.Sprintf("; this is %.0f %% of what the plant meter counted meanwhile; in a shop roughly %.0f %% may go into air (common practice, no source): a hint whether both meters can be right, no limit",
			100*ours/all, 100*airsShare)
	}
	s.figures[name] = f
}

// overNameplate says beside the loaded power where it asks more of the motor
// than its nameplate.
func (s *sheet) overNameplate(m *sitefile.Machine) {
	const name = "power_loaded"
	f := s.figures[name]
	if f.Value == nil || !(m.Motor.PowerW > 0) {
		return
	}
	share := *f.Value * wattsPerKW * assumedEfficiency / m.Motor.PowerW
	if share <= 1 {
		return
	}
	f.Method += fmt.Sprintf("; taken as the motor's own with an assumed efficiency of %.0f %%, its shaft gives %.0f %% of the nameplate: motors with a service factor of %.2f are made for %.0f %% at up to 40 °C, and for less above (common practice, no source): a hint, no limit",
		100*assumedEfficiency, 100*share, serviceFactor, 100*serviceFactor)
	s.figures[name] = f
}

// usualApproach says beside the approach what an aftercooler is usually good for.
func (s *sheet) usualApproach() {
	const name = "approach_temperature"
	f := s.figures[name]
	if f.Value == nil {
		return
	}
	f.Method += fmt.Sprintf("; a clean aftercooler comes within about %.1f K (10 °F) of ambient (common practice, no source): a hint, no limit", approachK)
	s.figures[name] = f
}
