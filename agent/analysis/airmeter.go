package analysis

import (
	"fmt"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// wetThermalLimit is by how much of its reading a thermal mass meter may be off in
// air that no dryer has dried: it is calibrated in dry air, and drops carry off far
// more heat than air does (common practice, no source).
const wetThermalLimit = 0.10

// meterKind says after a method what kind of meter it is of.
func (s *sheet) meterKind(c *chanSpec) string {
	switch c.flowMeter {
	case "":
		return "; the kind of meter is not said in the site file"
	case sitefile.ThermalMass:
		if s.wetThermal(c) {
			return fmt.Sprintf("; a thermal mass meter in wet air, ± %.0f %% for it", 100*wetThermalLimit)
		}
		return "; a thermal mass meter in dried air"
	}
	// What these see is a volume or a speed under pressure.
	return fmt.Sprintf("; a %s meter, whose reading is taken to be corrected for pressure and temperature", c.flowMeter)
}

// wetThermal reports whether a channel is a thermal mass meter that no dryer comes
// before.
func (s *sheet) wetThermal(c *chanSpec) bool {
	return c.flowMeter == sitefile.ThermalMass && !behindDryer(s.site, c.id)
}

// behindDryer reports whether a dryer lies before the tap that a channel is read at.
// A machine's own meter stands at its outlet, before everything.
func behindDryer(site *sitefile.Site, id string) bool {
	for i := range site.Systems {
		sys := &site.Systems[i]
		for _, tap := range sys.Taps {
			if tap.Flow != id {
				continue
			}
			for _, p := range sys.Parts {
				if p.Kind == "dryer" {
					return true
				}
				if p.Name == tap.At {
					break
				}
			}
		}
	}
	return false
}

// meterFindings names the flow meters that stand where they cannot be trusted.
func (s *sheet) meterFindings() []Finding {
	ch := s.g.sp.find(scan.Flow)
	if ch < 0 || s.g.total.observedMS() == 0 {
		return nil
	}
	c := &s.g.sp.chans[ch]
	if !s.wetThermal(c) {
		return nil
	}
	return []Finding{{Kind: findingContradictory, Subject: c.id, From: stamp(s.g.from), To: stamp(s.g.to),
		Sentence: fmt.Sprintf("%s is a thermal mass flow meter where no dryer has dried the air: its reading may be off by %.0f %% and more, as soon as drops reach it; move it behind the dryer, or name the dryer before it in the system's parts",
			c.id, 100*wetThermalLimit),
		Evidence: []string{c.id}}}
}
