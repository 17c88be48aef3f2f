package engine

import (
	"math"
	"slices"
)

// holdPa is how far either side of its target a variable speed machine goes from
// full to least speed: what its controller's integral part makes of the error in
// the time of a minute's mean. 1 mbar is below what the sensors show.
const holdPa = 100

// piece is a range of the stores' pressure over which a flow and a power are linear.
type piece struct {
	fromPa, toPa       float64 // -Inf, +Inf at the ends
	atPa               float64 // where flow and power are these
	flowM3S, flowPerPa float64
	powerW, powerPerPa float64
	state              State
}

// law is what a delivering machine does over the stores' pressure, pieces in rising
// pressure, joined without a jump.
type law struct {
	pieces []piece
	outPa  float64 // the stores' pressure at which it unloads; +Inf: never
}

// band is where a machine's controls act, after its rank.
type band struct{ inPa, outPa, targetPa float64 }

// node is a flow share and the pressure of the stores at which it is delivered.
type node struct{ share, pa float64 }

// common is what the machines share between them and the stores: the drop for each
// squared m³/s, and the flow of others that one reads with its own.
type common struct{ perM3S2, othersM3S float64 }

// aboveStores is what a machine's controls read above the stores at a share.
func (m *Machine) aboveStores(c common, share float64) float64 {
	flowM3S := c.othersM3S + share*m.FullFlowM3S
	return m.DropPa*share*share + c.perM3S2*flowM3S*flowM3S
}

// steady tells that it delivers all or nothing.
func (m *Machine) steady() bool { return m.Control == LoadUnload || m.Control == StartStop }

// lawOf is the law of a machine within a band.
func lawOf(m *Machine, b band, c common) law {
	nodes := m.nodes(b, c)
	first, last := nodes[0], nodes[len(nodes)-1]
	l := law{outPa: b.outPa - m.aboveStores(c, last.share)}
	if m.Control == Modulating {
		l.outPa = math.Inf(1)
	}
	full := m.end(first, c)
	full.fromPa, full.toPa, full.state = math.Inf(-1), first.pa, Loaded
	if len(nodes) == 1 {
		full.toPa = math.Inf(1)
		l.pieces = []piece{full}
		return l
	}
	l.pieces = append(l.pieces, full)
	for i := range nodes[1:] {
		from, to := m.end(nodes[i], c), m.end(nodes[i+1], c)
		width := nodes[i+1].pa - nodes[i].pa
		from.fromPa, from.toPa, from.state = nodes[i].pa, nodes[i+1].pa, PartLoad
		from.flowPerPa = (to.flowM3S - from.flowM3S) / width
		from.powerPerPa = (to.powerW - from.powerW) / width
		l.pieces = append(l.pieces, from)
	}
	least := m.end(last, c)
	least.fromPa, least.toPa, least.state = last.pa, math.Inf(1), PartLoad
	l.pieces = append(l.pieces, least)
	return l
}

// nodes of a machine's law, in rising pressure: only one where it delivers all or
// nothing.
func (m *Machine) nodes(b band, c common) []node {
	least, fullPa, leastPa := m.LeastShare, b.outPa-m.ModulationPa, b.outPa
	switch m.Control {
	case LoadUnload, StartStop:
		return []node{{1, m.RatedPa - m.aboveStores(c, 1)}}
	case Modulating:
		least = 0
	case VariableSpeed:
		fullPa, leastPa = b.targetPa-holdPa, b.targetPa+holdPa
	}
	var nodes []node
	for _, share := range m.shares(least, m.DropPa > 0 || c.perM3S2 > 0) {
		at := fullPa + (leastPa-fullPa)*(1-share)/(1-least)
		nodes = append(nodes, node{share, at - m.aboveStores(c, share)})
	}
	return nodes
}

// shares at which flow and power bend, falling from 1 to the least; drops: and the
// pressure between them.
func (m *Machine) shares(least float64, drops bool) []float64 {
	all := []float64{1, least}
	for _, c := range m.Curve {
		if c.Flow > least && c.Flow < 1 {
			all = append(all, c.Flow)
		}
	}
	if drops {
		for i := 1; i < 8; i++ {
			if s := float64(i) / 8; s > least {
				all = append(all, s)
			}
		}
	}
	slices.Sort(all)
	slices.Reverse(all)
	return slices.Compact(all)
}

// end is the piece beyond a node: its share stays.
func (m *Machine) end(n node, c common) piece {
	abovePa := n.pa + m.aboveStores(c, n.share) - m.RatedPa
	flowM3S, powerW := n.share*m.FullFlowM3S, m.curveAt(n.share)*m.FullPowerW
	return piece{
		atPa:    n.pa,
		flowM3S: flowM3S * (1 - m.FlowPerPa*abovePa), flowPerPa: -flowM3S * m.FlowPerPa,
		powerW: powerW * (1 + m.PowerPerPa*abovePa), powerPerPa: powerW * m.PowerPerPa,
	}
}

// curveAt is the share of full power at a flow share.
func (m *Machine) curveAt(share float64) float64 {
	if m.steady() {
		return 1
	}
	if len(m.Curve) == 0 {
		unloaded := m.UnloadedW / m.FullPowerW
		return unloaded + (1-unloaded)*share
	}
	for i := 1; i < len(m.Curve); i++ {
		a, b := m.Curve[i-1], m.Curve[i]
		if share <= b.Flow {
			return a.Power + (b.Power-a.Power)*(share-a.Flow)/(b.Flow-a.Flow)
		}
	}
	return m.Curve[len(m.Curve)-1].Power
}

// pieceAt is the piece that holds a pressure; at a border the upper one.
func pieceAt(pieces []piece, pa float64) int {
	i := 0
	for i < len(pieces)-1 && pa >= pieces[i].toPa {
		i++
	}
	return i
}

// demandLaw is what users take over the stores' pressure: nothing below none, then a
// straight line, then in proportion to the absolute pressure, then as asked.
type demandLaw struct {
	pieces [4]piece
	at     int
}

// chokedOver is absolute pressure before over behind a hole, from which the flow
// through it chokes: ((κ+1)/2)^(κ/(κ-1)) with κ = 1.4.
const chokedOver = 1.8929

// fullPa is the pressure from which users get what they ask.
func (p *Plant) fullPa() float64 { return max(p.MinimumPa, p.chokePa()) }

func (p *Plant) chokePa() float64 { return p.OutsidePa * (chokedOver - 1) }

// set takes a segment's demand.
func (d *demandLaw) set(p *Plant, s *Segment, pa float64) {
	fullPa, chokePa := p.fullPa(), p.chokePa()
	full := s.DemandM3S + s.FollowM3SPerPa*(fullPa-s.AtPa)
	perPa, choked, chokedPerPa := 0.0, full, 0.0
	if full > 0 { // a demand below nothing is a meter's error, which the pressure does not change
		perPa = full / (fullPa + p.OutsidePa)
		choked = perPa * (chokePa + p.OutsidePa)
		chokedPerPa = choked / chokePa
	}
	d.pieces = [4]piece{
		{fromPa: math.Inf(-1), toPa: 0, flowM3S: choked - chokedPerPa*chokePa},
		{fromPa: 0, toPa: chokePa, atPa: chokePa, flowM3S: choked, flowPerPa: chokedPerPa},
		{fromPa: chokePa, toPa: fullPa, atPa: chokePa, flowM3S: choked, flowPerPa: perPa},
		{fromPa: fullPa, toPa: math.Inf(1), atPa: fullPa, flowM3S: full, flowPerPa: s.FollowM3SPerPa},
	}
	d.at = pieceAt(d.pieces[:], pa)
}

// fullM3S is what is asked where the pressure is short.
func (d *demandLaw) fullM3S() float64 { return d.pieces[3].flowM3S }

// short tells that users get less than they ask for.
func (d *demandLaw) short() bool { return d.at < 3 }
