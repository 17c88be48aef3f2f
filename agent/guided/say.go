package guided

import (
	"fmt"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
)

// flowText is a flow with its uncertainty, for people.
func (p *Plan) flowText(v gum.Value) string {
	symbol, factor, digits := p.flowUnit()
	return fmt.Sprintf("%.*f ± %.*f %s", digits, v.V*factor, digits, 2*v.U()*factor, symbol)
}

// flowUnit is what flows are shown in, and what m³/s are multiplied by.
func (p *Plan) flowUnit() (symbol string, factor float64, digits int) {
	symbol, factor, _ = p.units.Display("m³/min")
	if p.units == quantity.US {
		return symbol, 60 * factor, 1
	}
	return symbol, 60 * factor, 3
}

// pressureText is a gauge pressure, for people.
func (p *Plan) pressureText(pa float64) string {
	if p.units == quantity.US {
		return fmt.Sprintf("%.1f psi", quantity.US.Unit(quantity.Pressure).FromSI(pa))
	}
	return fmt.Sprintf("%.2f bar(g)", pa/1e5)
}

// differenceText is a rise or a fall of pressure, for people.
func (p *Plan) differenceText(pa float64) string {
	if p.units == quantity.US {
		return fmt.Sprintf("%.1f psi", quantity.US.Unit(quantity.Pressure).FromSI(pa))
	}
	return fmt.Sprintf("%.0f kPa", pa/1e3)
}

// volumeText is a volume, for people.
func (p *Plan) volumeText(m3 float64) string {
	if p.units == quantity.US {
		return fmt.Sprintf("%.1f gal", quantity.US.Unit(quantity.Volume).FromSI(m3))
	}
	return fmt.Sprintf("%.3f m³", m3)
}
