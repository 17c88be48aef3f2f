package replay

import (
	"fmt"
	"strings"

	"loadscribe/agent/quantity"
)

// caution is what must be said of a kind of change. What it changes is decided by
// people who may: this program only reckons.
type caution struct {
	fires func(st *Study, p *plan) bool
	text  string
}

const theyDecide = "the maker's instructions, local codes and licensed people decide"

// cautions by kind of change. The table is never changed.
var cautionTable = []caution{
	{
		func(_ *Study, p *plan) bool {
			return p.changed(func(k string) bool { return k == "volume" || k == "volume_add" })
		},
		"a receiver is a pressure vessel: it needs its certificate, safety valve, drain and inspection, and licensed people to fit it; nobody alters one; " + theyDecide,
	},
	{
		func(_ *Study, p *plan) bool {
			return p.changed(func(k string) bool {
				return strings.HasSuffix(k, ".replace") || strings.HasPrefix(k, addPrefix) || strings.HasSuffix(k, ".rated_flow") || strings.HasSuffix(k, ".rated_power")
			})
		},
		"another machine needs its own wiring, protection, ventilation and piping, by licensed people; " + theyDecide,
	},
	{
		func(_ *Study, p *plan) bool {
			return p.changed(func(k string) bool { return strings.HasSuffix(k, ".control") })
		},
		"another control alters valves, wiring or the drive inside the machine, and a drive the motor's cooling and the line's harmonics: it is the maker's work, never a setting of protections; " + theyDecide,
	},
	{
		func(_ *Study, p *plan) bool {
			return p.changed(func(k string) bool {
				return strings.HasSuffix(k, ".no_load_stop") || strings.HasSuffix(k, ".least_between_starts")
			})
		},
		"a motor stands only so many starts an hour: see its plate and the maker's limit before a timer is made shorter; a machine that stops by its timer starts again without warning; " + theyDecide,
	},
	{
		func(_ *Study, p *plan) bool {
			return p.changed(func(k string) bool {
				return strings.HasSuffix(k, ".schedule") || k == "order" || k == "base" || k == "trim"
			})
		},
		"a machine that is started by a clock or by another starts without warning: signs and lock-out must say so; " + theyDecide,
	},
	{
		func(_ *Study, p *plan) bool {
			return p.changed(func(k string) bool {
				return strings.HasSuffix(k, ".cut_in") || strings.HasSuffix(k, ".cut_out") || strings.HasSuffix(k, ".target") || k == "band_step"
			})
		},
		"a lower pressure must still serve every user, at the end of the pipe and in the worst minute; change it in small steps; never touch safety valves or protections",
	},
}

// cautions are those of a plan.
func (st *Study) cautions(p *plan) (all []string) {
	for _, c := range cautionTable {
		if c.fires(st, p) {
			all = append(all, c.text)
		}
	}
	for i := range p.units {
		u := &p.units[i]
		if u.ratedPressurePa > 0 && u.cutOutShown() > u.ratedPressurePa && p.changed(func(k string) bool { return strings.HasPrefix(k, u.name+".") }) {
			all = append(all, fmt.Sprintf("%s: the cut-out of %s is above the rated pressure of %s: the motor may be overloaded and the safety valve may open; do not set it without the maker's word",
				u.name, quantity.Format(u.cutOutShown(), quantity.Pressure, st.site.Units), quantity.Format(u.ratedPressurePa, quantity.Pressure, st.site.Units)))
		}
	}
	return all
}
