package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// dropKind is one pressure drop of a machine: read as such, or the difference of
// two pressures.
type dropKind struct {
	name, what string
	from, to   scan.Role // to is empty for a drop that is read
	part       string    // where it ends in the system, whose flow may be another; empty: in the machine
}

func dropKinds() []dropKind {
	return []dropKind{
		{"separator_drop", "across the oil separator", scan.SeparatorDrop, "", ""},
		{"filter_drop", "across the filter", scan.FilterDrop, "", "filter"},
		{"dryer_drop", "across the dryer", scan.DryerDrop, "", "dryer"},
		{"package_drop", "from sump to outlet: separator, minimum-pressure valve, coolers", scan.SumpPressure, scan.DischargePressure, ""},
		{"treatment_drop", "from the machine's outlet to the receiver: whatever dryer, filters and piping lie between", scan.DischargePressure, scan.ReceiverPressure, "receiver"},
	}
}

// pressureDrops sets the drops at the flow there was, and brings them to rated
// flow in a table.
func (s *sheet) pressureDrops(m *sitefile.Machine) {
	share, basis, inputs := s.flowSquare(m)
	table := Table{Name: "pressure_drops", Method: "mean while air flows, from " + fmt.Sprint(dropSettleMS/1000) +
		" s after each load on; at rated flow by the square of the flow: " + basis,
		Columns: []Column{{"drop", "kPa"}, {"uncertainty", "kPa"}, {"flow, share of rated", "1"}, {"drop at rated flow", "kPa"}, {"uncertainty of that", "kPa"}}}
	for _, k := range dropKinds() {
		drop, ok := s.drop(&k)
		if !ok {
			continue
		}
		row := Row{Name: k.name, Values: []*float64{number64(drop.v), number64(coverageFactor * drop.u), nil, nil, nil}}
		if row.Note = s.elsewhere(&k, m); row.Note == "" && share.v > 0 {
			rated := drop.over(share)
			row.Values = []*float64{row.Values[0], row.Values[1], number64(math.Sqrt(share.v)), number64(rated.v), number64(coverageFactor * rated.u)}
		}
		table.Rows = append(table.Rows, row)
	}
	if len(table.Rows) > 0 {
		if len(inputs) > 0 {
			table.Method += "; inputs: " + strings.Join(inputs, ", ")
		}
		s.tables = append(s.tables, table)
	}
}

// drop sets one figure, in kPa.
func (s *sheet) drop(k *dropKind) (estimate, bool) {
	sp := s.g.sp
	var parts []gum.Value
	var inputs []string
	var ms int64
	for _, role := range []scan.Role{k.from, k.to} {
		if role == "" {
			continue
		}
		ch := sp.find(role)
		switch {
		case ch < 0 || sp.dropAt[ch] < 0 && sp.chans[ch].unit.Dimension != quantity.Pressure:
			s.absent("no channel for "+string(role), k.name)
			return estimate{}, false
		case sp.dropAt[ch] < 0:
			s.absent("when air flows is not known: no loaded signal, load fraction or power tells loaded from unloaded", k.name)
			return estimate{}, false
		case s.g.total.drops[sp.dropAt[ch]].ms == 0:
			s.absent(fmt.Sprintf("no load lasted longer than %d s with a reading, and before that air does not flow evenly", dropSettleMS/1000), k.name)
			return estimate{}, false
		}
		c, sum := &sp.chans[ch], s.g.total.drops[sp.dropAt[ch]]
		parts = append(parts, c.value(c.mean(sum).v).Scaled(1/pascalsPerKPa))
		inputs = append(inputs, c.input())
		ms = sum.ms
	}
	drop, method := parts[0], "as it is read"
	if len(parts) == 2 {
		drop, method = parts[0].Minus(parts[1]), "difference of two gauges, each with its own error"
	}
	s.ratioValue(k.name, "kPa", drop, fmt.Sprintf("mean pressure drop %s, while air flows, %s", k.what, method),
		fmt.Sprintf("%s of air flowing, from %d s after each load on", inWords(ms), dropSettleMS/1000), append(inputs, s.stateInputs()...))
	return estimateOf(drop), true
}

// flowSquare is the mean square of the flow over rated flow, while drops are
// taken; v is 0 where it is not known.
func (s *sheet) flowSquare(m *sitefile.Machine) (share estimate, basis string, inputs []string) {
	sp, sq := s.g.sp, s.g.total.squares
	if m.RatedFlowM3S <= 0 {
		return estimate{}, "no rated flow in the site file", nil
	}
	full := estimateOf(s.full.v.Scaled(1 / m.RatedFlowM3S))
	switch {
	case sp.square < 0 && m.Control.PartLoad():
		return estimate{}, "no channel tells the flow at part load", nil
	case sp.square < 0:
		return squared(full), "a loaded machine gives its full-load flow: " + s.full.method, s.full.inputs
	case sq.ms == 0:
		return estimate{}, "the flow was not read while air flowed", nil
	}
	c := &sp.chans[sp.square]
	counts := math.Sqrt(sq.twice.Float64() / (2 * float64(sq.ms)))
	flow := estimate{float64(counts * math.Abs(c.countSI)), 0}
	flow.u = c.reading(flow.v)
	if c.role == scan.Flow {
		return squared(flow.scaled(s.inlet.toInlet(c.unit.Basis, s.site.Scfm()).V / m.RatedFlowM3S)), "the flow meter's root mean square over rated flow", []string{c.input()}
	}
	part := flow.scaled(sp.fractionScale())
	return squared(estimate{float64(part.v * full.v), quad(part.u*full.v, part.v*full.u)}),
		"the load fraction's root mean square, of full-load flow: " + s.full.method, append([]string{c.input()}, s.full.inputs...)
}

// squared is e times itself: its parts are the same and add up.
func squared(e estimate) estimate { return estimate{float64(e.v * e.v), float64(2 * e.v * e.u)} }

// elsewhere says why the flow where a drop lies is not this machine's; empty
// where it is.
func (s *sheet) elsewhere(k *dropKind, m *sitefile.Machine) string {
	if k.part == "" {
		return ""
	}
	for i := range s.site.Systems {
		sys := &s.site.Systems[i]
		if !slices.Contains(sys.Machines, m.Name) {
			continue
		}
		if len(sys.Machines) > 1 {
			return "the air of several machines passes it: this machine's flow does not tell what it is at rated flow"
		}
		receivers := 0
		for _, p := range sys.Parts {
			if p.Kind == k.part && receivers > 0 {
				return "a receiver lies before it: the flow there is not the machine's"
			}
			if p.Kind == "receiver" {
				receivers++
			}
		}
		return ""
	}
	return "the machine is in no system of the site file, which would say whose air passes it"
}
