package quantity

import "strings"

// cfmPerM3Min is the number of cubic feet a minute in a cubic metre a minute:
// 1/0.3048³.
const cfmPerM3Min = 35.31466672148859

// compound are the units of figures that no single Unit covers, with the unit
// shown to people of the US system and the factor between them.
var compound = map[string]struct {
	us     string
	factor float64
}{
	"kW/(m³/min)": {"kW/100 cfm", 100 / cfmPerM3Min},
	// Volumes of air; a receiver's size is a quantity of the site file, not a
	// figure, and stays in gallons.
	"m³": {"ft³", cfmPerM3Min},
	// Of figures K is a difference of temperatures: no zero is moved.
	"K":   {"°F", 1.8},
	"l/d": {"gal/d", 1 / 3.785411784},
}

// Display says how a figure's fixed unit is shown to people of system s: shown
// = value·factor + offset, in symbol. A difference or an uncertainty takes the
// factor alone. A unit that has no other form (s, 1/h, a currency) comes back
// as it is.
func (s System) Display(unit string) (symbol string, factor, offset float64) {
	if c, ok := compound[unit]; ok {
		if s == US {
			return c.us, c.factor, 0
		}
		return unit, 1, 0
	}
	// Energy or money for a volume of air, whatever the currency is called.
	if of, ok := strings.CutSuffix(unit, "/m³"); ok && s == US {
		return of + "/1000 ft³", 1000 / cfmPerM3Min, 0
	}
	from, err := ParseUnit(unit)
	if err != nil || unit == "1" || unit == "s" {
		return unit, 1, 0
	}
	to := s.Unit(from.Dimension)
	return to.Symbol, from.Scale / to.Scale, (from.Offset - to.Offset) / to.Scale
}
