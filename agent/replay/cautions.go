package replay

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// caution is what must be said of a kind of change. What it changes is decided by
// people who may: this program only reckons.
type caution struct {
	fires func(st *Study, p *plan) bool
	about func(key string) bool // the settings that bring it
	text  string
}

const theyDecide = "the maker's instructions, local codes and licensed people decide"

// cautions by kind of change. The table is never changed.
var cautionTable = []caution{
	{
		func(_ *Study, p *plan) bool {
			return p.changed(func(k string) bool { return k == "volume" || k == "volume_add" })
		},
		func(k string) bool { return k == "volume" || k == "volume_add" },
		"a receiver is a pressure vessel: it needs its certificate, safety valve, drain and inspection, and licensed people to fit it; nobody alters one; " + theyDecide,
	},
	{
		func(_ *Study, p *plan) bool { return p.any(func(u *unit) bool { return u.another }) },
		func(k string) bool {
			return endsIn(k, "replace", "rated_flow", "rated_pressure", "rated_power", "unloaded_power") || strings.HasPrefix(k, addPrefix)
		},
		"another machine needs its own wiring, protection, ventilation and piping, by licensed people; " + theyDecide,
	},
	{
		func(st *Study, p *plan) bool { return len(p.units) < len(st.base.units) },
		func(k string) bool { return endsIn(k, "remove") },
		"with a machine fewer none may stand by while another is serviced or fails; taking one out is work for licensed people; " + theyDecide,
	},
	{
		func(_ *Study, p *plan) bool {
			return p.any(func(u *unit) bool { return u.refitted }) || p.changed(func(k string) bool {
				return strings.HasSuffix(k, ".modulation") || strings.HasSuffix(k, ".least_share")
			})
		},
		func(k string) bool { return endsIn(k, "control", "modulation", "least_share") },
		"another control, or another range of it, alters valves, wiring or the drive inside the machine, and a drive the motor's cooling and the line's harmonics: it is the maker's work, never a setting of protections; " + theyDecide,
	},
	{
		(*Study).mayStartMore,
		func(k string) bool {
			return endsIn(k, "cut_in", "cut_out", "no_load_stop", "least_between_starts", "control") || strings.HasPrefix(k, addPrefix)
		},
		"a motor stands only so many starts an hour, and an inlet only so many loads: see its plate and the maker's limit before a timer is made shorter or a band narrower; a machine that stops by itself starts again without warning; " + theyDecide,
	},
	{
		func(_ *Study, p *plan) bool {
			return p.changed(func(k string) bool {
				return strings.HasSuffix(k, ".schedule") || k == "order" || k == "base" || k == "trim" || strings.HasPrefix(k, addPrefix)
			})
		},
		func(k string) bool {
			return endsIn(k, "schedule") || k == "order" || k == "base" || k == "trim" || strings.HasPrefix(k, addPrefix)
		},
		"a machine that is started by a clock or by another starts without warning: signs and lock-out must say so; " + theyDecide,
	},
	{
		(*Study).mayBeLower,
		func(k string) bool { return endsIn(k, "cut_in", "cut_out", "target", "control") || k == "band_step" },
		"a lower pressure must still serve every user, at the end of the pipe and in the worst minute; change it in small steps; never touch safety valves or protections",
	},
}

// endsIn reports a setting of a machine by one of these names.
func endsIn(key string, names ...string) bool {
	return slices.ContainsFunc(names, func(n string) bool { return strings.HasSuffix(key, "."+n) })
}

// any reports whether something is so of a machine.
func (p *plan) any(is func(u *unit) bool) bool {
	for i := range p.units {
		if is(&p.units[i]) {
			return true
		}
	}
	return false
}

// was is the machine that stands there now; nil: none does.
func (st *Study) was(u *unit) *unit {
	if u.from < 0 {
		return nil
	}
	return &st.base.units[u.from]
}

// samePa is a difference of pressures that is none.
const samePa = 100

// mayStartMore: a shorter timer or guard, start and stop, or a narrower band.
func (st *Study) mayStartMore(p *plan) bool {
	return p.any(func(u *unit) bool {
		was := st.was(u)
		switch {
		case was == nil || u.another:
			return u.control == sitefile.StartStop
		case u.control == sitefile.StartStop && was.control != sitefile.StartStop:
			return true
		}
		narrower := u.control == was.control && u.cutOut.V-u.cutIn.V < was.cutOut.V-was.cutIn.V-samePa
		return narrower || u.noLoadStopS < was.noLoadStopS || u.leastBetweenS < was.leastBetweenS
	})
}

// mayBeLower: a lower band or target, or machines whose bands lie below one another.
func (st *Study) mayBeLower(p *plan) bool {
	if p.rotation != nil && p.rotation.StepPa > 0 {
		return true
	}
	return p.any(func(u *unit) bool {
		was := st.was(u)
		if was == nil {
			return false
		}
		held := was.cutIn.V // the least that users had
		if was.control == sitefile.VariableSpeed {
			held = was.target.V
		}
		return u.cutIn.V < was.cutIn.V-samePa || u.cutOut.V < was.cutOut.V-samePa ||
			u.control == sitefile.VariableSpeed && u.target.V < held-samePa
	})
}

// cautions are those of a plan.
func (st *Study) cautions(p *plan) (all []string) {
	for _, c := range cautionTable {
		if c.fires(st, p) {
			all = append(all, c.text)
		}
	}
	for i := range p.units {
		if text := st.beyondPlate(p, i); text != "" {
			all = append(all, text)
		}
	}
	return all
}

// beyondPlate warns of a band that reaches above the rated pressure; empty: it does not.
func (st *Study) beyondPlate(p *plan, i int) string {
	u := &p.units[i]
	if u.ratedPressurePa <= 0 || u.cutOutShown() <= u.ratedPressurePa || !p.rebanded(i) {
		return ""
	}
	return fmt.Sprintf("%s: the cut-out of %s is above the rated pressure of %s: the motor may be overloaded and the safety valve may open; do not set it without the maker's word",
		u.name, quantity.Format(u.cutOutShown(), quantity.Pressure, st.site.Units), quantity.Format(u.ratedPressurePa, quantity.Pressure, st.site.Units))
}
