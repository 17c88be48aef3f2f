package replay

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay/engine"
	"loadscribe/agent/sitefile"
)

// changePlant puts what is asked of the plant as a whole into the plan.
func (st *Study) changePlant(p *plan, c *plantChange) error {
	if c.volumeM3 != nil && c.addM3 != nil {
		return refuse("volume_add", "volume is set too; set one of them")
	}
	if c.volumeM3 != nil {
		p.volume = gum.Exact(*c.volumeM3)
	}
	if c.addM3 != nil {
		p.volume = p.volume.Plus(gum.Exact(*c.addM3))
	}
	if c.leaksMended > 0 && st.rec.LeakAbsent != "" {
		p.untold = "what leaks is not known: " + st.rec.LeakAbsent
	}
	p.demand.leaksMended, p.demand.followShare = c.leaksMended, c.followShare
	for _, u := range c.users {
		spans := userSpans{flowM3S: u.flowM3S}
		switch {
		case u.shifts:
			spans.on = st.spansWhere(st.inShift())
		case u.windows != nil:
			spans.on = st.windowSpans(u.windows)
		}
		if (u.shifts || u.windows != nil) && len(spans.on) == 0 {
			return refuse(userPrefix+u.name, "none of its time lies in the window that is replayed")
		}
		p.remarks = append(slices.Clip(p.remarks), st.tooMuchSaved(&p.demand, u.name, &spans)...)
		p.demand.users = append(p.demand.users, spans)
	}
	return st.ordered(p, c)
}

// inShift tells whether somebody works, by the site's shifts and holidays.
func (st *Study) inShift() func(time.Time) bool {
	off := map[string]*[24 * 60]bool{}
	return func(local time.Time) bool {
		day := local.Format(time.DateOnly)
		if off[day] == nil {
			minutes := st.site.OffShiftOn(local)
			off[day] = &minutes
		}
		return !off[day][local.Hour()*60+local.Minute()]
	}
}

// ordered gives machines their ranks.
func (st *Study) ordered(p *plan, c *plantChange) error {
	if c.base != nil || c.trim != "" {
		if c.order != "" || c.first != nil || c.rotateS != nil {
			return refuse("base", "base and trim are a fixed order of their own; leave order, first and rotate_every out")
		}
		if c.base == nil || c.trim == "" {
			return refuse("base", `name both the base machines and the one that trims, like base = "comp1" and trim = "comp2"`)
		}
		c.order, c.first = "fixed", append(slices.Clone(c.base), c.trim)
	}
	switch {
	case c.order == "" && (c.first != nil || c.rotateS != nil || c.bandStepPa != nil):
		return refuse("order", `write order = "fixed" or order = "rotating" beside first, rotate_every and band_step`)
	case c.order == "":
		return nil
	case len(p.units) < 2:
		return refuse("order", "there is only one machine; add another with add.NAME")
	case c.order == "fixed" && c.rotateS != nil:
		return refuse("rotate_every", `a fixed order does not rotate; write order = "rotating"`)
	}
	r := &engine.Rotation{EveryS: math.Inf(1), StepPa: bandBehindPa}
	if c.bandStepPa != nil {
		r.StepPa = *c.bandStepPa
	}
	if c.order == "rotating" {
		r.EveryS = dayS
		if c.rotateS != nil {
			r.EveryS = *c.rotateS
		}
		r.FirstS = st.firstTurn(r.EveryS)
	}
	var err error
	if r.Members, err = p.members(c); err != nil {
		return err
	}
	if k := p.unit(c.trim); k >= 0 && p.units[k].holdsItsOwn() {
		r.Members = slices.DeleteFunc(r.Members, func(m int) bool { return m == k })
		p.remarks = append(slices.Clip(p.remarks), fmt.Sprintf("%s keeps its own band and the pressure that it holds: %s.target sets that", c.trim, c.trim))
		if len(r.Members) < 2 {
			return nil
		}
	}
	p.rotation = r
	// The first one's band is everybody's, moved by the ranks.
	first := &p.units[r.Members[0]]
	for rank, k := range r.Members[1:] {
		u := &p.units[k]
		u.cutIn, u.cutOut, u.cutInSet, u.cutOutSet = first.cutIn, first.cutOut, 0, 0
		switch {
		case u.control != sitefile.VariableSpeed:
		case u.holdsItsOwn(): // the rank takes it down again
			u.target.V += r.StepPa * float64(rank+1)
		default:
			u.target = u.cutIn.Scaled(0.8).Plus(u.cutOut.Scaled(0.2))
		}
	}
	return nil
}

// holdsItsOwn reports a machine of variable speed of which it is known what pressure it
// holds: the present one's, or one that was set.
func (u *unit) holdsItsOwn() bool {
	return u.control == sitefile.VariableSpeed && (u.targetSet || u.from >= 0 && !u.another && !u.refitted)
}

// members are the machines in the order of their ranks: those named, then the rest.
// One of variable speed that is not named stays out of it and keeps its band, where
// two others are left: it trims, whoever leads.
func (p *plan) members(c *plantChange) (all []int, err error) {
	for i, name := range c.first {
		field := "first"
		if c.base != nil {
			field = "base"
		}
		if c.base != nil && i == len(c.first)-1 {
			field = "trim"
		}
		k := p.unit(name)
		if k < 0 {
			var known []string
			for i := range p.units {
				known = append(known, p.units[i].name)
			}
			return nil, refuse(field, "there is no machine %q; there are %s", name, strings.Join(known, ", "))
		}
		if slices.Contains(all, k) {
			return nil, refuse(field, "%q is named twice", name)
		}
		all = append(all, k)
	}
	var trims []int
	for k := range p.units {
		switch {
		case slices.Contains(all, k):
		case p.units[k].control == sitefile.VariableSpeed:
			trims = append(trims, k)
		default:
			all = append(all, k)
		}
	}
	if len(all) < 2 {
		all = append(all, trims...)
	}
	return all, nil
}

// firstTurn is when the first turn of a rotation after the window's beginning comes:
// turns are counted from the first midnight, local time.
func (st *Study) firstTurn(everyS float64) float64 {
	begin := time.UnixMilli(st.rec.FromMS).In(st.site.Location)
	y, m, d := begin.Date()
	sinceS := begin.Sub(time.Date(y, m, d, 0, 0, 0, 0, st.site.Location)).Seconds()
	return everyS - math.Mod(sinceS, everyS)
}

// gaps are remarks on control gaps: a base machine that gives more than the trim can
// follow makes both load and unload in turn.
func (st *Study) gaps(p *plan) (all []string) {
	if len(p.units) < 2 {
		return nil
	}
	flow := func(v float64) string { return quantity.Format(v, quantity.Flow, st.site.Units) }
	for i := range p.units {
		trim := &p.units[i]
		if trim.control != sitefile.VariableSpeed && trim.control != sitefile.VariableDisplacement {
			continue
		}
		rangeM3S := trim.flow.V * (1 - trim.least.V)
		for k := range p.units {
			base := &p.units[k]
			if k == i || base.control.PartLoad() || base.flow.V <= rangeM3S {
				continue
			}
			all = append(all, fmt.Sprintf("control gap: %s follows the demand over %s, less than the %s that %s gives: at demands between them both load and unload in turn",
				trim.name, flow(rangeM3S), flow(base.flow.V), base.name))
		}
	}
	return all
}
