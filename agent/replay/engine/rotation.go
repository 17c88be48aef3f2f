package engine

import "math"

// turning is a rotation at a moment.
type turning struct {
	*Rotation
	turn  int
	nextS float64
}

// band is the band of a machine at a rank.
func (r *Rotation) band(p *Plant, machine, rank int) band {
	lead := &p.Machines[r.Members[0]]
	b := band{lead.CutInPa, lead.CutOutPa, p.Machines[machine].TargetPa}
	for _, m := range r.Members {
		if p.Machines[m].Control == VariableSpeed {
			b.targetPa = p.Machines[m].TargetPa
			break
		}
	}
	lowerPa := float64(rank) * r.StepPa
	return band{b.inPa - lowerPa, b.outPa - lowerPa, b.targetPa - lowerPa}
}

// begin takes the turn that holds at a time.
func (t *turning) begin(tS float64) {
	t.turn, t.nextS = 0, t.FirstS
	if math.IsInf(t.EveryS, 1) {
		t.nextS = math.Inf(1)
		return
	}
	if tS >= t.FirstS {
		t.turn = int((tS-t.FirstS)/t.EveryS) + 1
		t.nextS = t.FirstS + float64(t.turn)*t.EveryS
	}
}

// turn gives the bands of a rotation's next turn.
func (pl *player) turn(t *turning) {
	t.turn++
	t.nextS = t.FirstS + float64(t.turn)*t.EveryS
	pl.bands(t)
}

// bands gives each member its band: at turn n the one whose place in the order is n
// is first.
func (pl *player) bands(t *turning) {
	n := len(t.Members)
	for place, m := range t.Members {
		rank := ((place-t.turn)%n + n) % n
		pl.units[m].setBand(t.band(pl.plant, m, rank), pl.pa)
	}
}
