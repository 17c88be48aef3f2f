package analysis

// cellSum is the part of a cell (or of a cell cut by a boundary) that prices,
// shifts and demand windows need.
type cellSum struct {
	from, to int64 // wall times
	d        cellParts
}

type cellParts struct {
	stateMS       [numStates]int64
	starts, loads int64
	power         [numStates]sum         // of the draw channel
	slots         *[slotsPerCell]slotSum // of the draw channel and the energy counter; nil: not asked for
	counters      []int64                // differences while observed
	counterMS     []int64
	health        []healthSum // nil: the motor did not run
	warmth        binList
	fraction      sum   // of load, while the motor ran
	drops         []sum // see delta.drops; nil: no air flowed
	squares       sum
}

func (p *cellParts) add(d *delta) {
	for i := range p.stateMS {
		p.stateMS[i] += d.stateMS[i]
	}
	p.starts += int64(len(d.starts))
	p.loads += d.loads
	for i := range d.power.all {
		p.power[i].merge(d.power.all[i])
	}
	if p.slots != nil {
		for i := range d.slots {
			p.slots[i].merge(&d.slots[i])
		}
	}
	for i := range d.counters {
		p.counters[i] += d.counters[i].diff
		p.counterMS[i] += d.counters[i].ms
	}
	p.addHealth(d)
}

// drawn is the draw channel over all states.
func (p *cellParts) drawn() (all sum) {
	for i := range p.power {
		all.merge(p.power[i])
	}
	return all
}
