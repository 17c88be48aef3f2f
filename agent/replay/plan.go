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

// plan is a plant and a demand that are asked for, with the uncertainty of what
// they rest on.
type plan struct {
	units    []unit
	rotation *engine.Rotation
	volume   gum.Value
	demand   demandChange
	keys     []string // settings that differ from the present
	remarks  []string
	untold   string // why the record cannot tell what it comes to; empty: it can
}

// demandChange is what differs in what is taken.
type demandChange struct {
	leaksMended float64
	users       []userSpans
	followShare *float64
	awake       bool // machines may run at other times than they did
}

func (d *demandChange) nothing() bool {
	return !d.awake && d.leaksMended == 0 && len(d.users) == 0 && d.followShare == nil
}

// userSpans is a flow and when it flows.
type userSpans struct {
	flowM3S float64
	on      []engine.Span // nil: always
}

// asRecorded is the plant as the record shows it.
func (st *Study) asRecorded() plan {
	p := plan{volume: st.rec.Volume}
	for k := range st.rec.Machines {
		p.units = append(p.units, st.unitOf(k))
	}
	return p
}

// planOf puts an alternative's settings into the present plant. The error is a
// *RequestError.
func (st *Study) planOf(alt Alternative) (plan, error) {
	c, err := st.grammar.read(alt)
	if err != nil {
		return plan{}, err
	}
	p := st.base
	p.units, p.keys = slices.Clone(p.units), c.keys
	for _, m := range c.machines {
		if err := st.changeMachine(&p, m); err != nil {
			return plan{}, err
		}
	}
	if err := c.removedWhole(); err != nil {
		return plan{}, err
	}
	p.units = slices.DeleteFunc(p.units, func(u unit) bool {
		return slices.ContainsFunc(c.machines, func(m *machineChange) bool { return m.remove && m.name == u.name })
	})
	if len(p.units) == 0 {
		return plan{}, refuse(c.keys[len(c.keys)-1], "no machine is left; keep one, or add another with add.NAME")
	}
	if p.demand.awake && st.rec.LeakAbsent != "" {
		p.remarks = append(p.remarks, "while the plant was off nothing flowed, and what leaks is not known: at other times of running it takes more than is reckoned here")
	}
	if err := st.changePlant(&p, &c.plant); err != nil {
		return plan{}, err
	}
	if err := p.rankedBands(c); err != nil {
		return plan{}, err
	}
	for i := range p.units {
		if err := st.checkUnit(&p, i, c); err != nil {
			return plan{}, err
		}
	}
	return p, nil
}

// removedWhole refuses what is asked of a machine that is taken away.
func (c *changes) removedWhole() error {
	for _, m := range c.machines {
		for _, key := range c.keys {
			if short, ok := strings.CutPrefix(key, m.name+"."); m.remove && ok && short != "remove" && machineKeys[short].read != nil {
				return refuse(key, "%s is taken away by %s.remove; leave one of them out", m.name, m.name)
			}
		}
	}
	return nil
}

// rankedBands refuses bands that an order would pass over.
func (p *plan) rankedBands(c *changes) error {
	if p.rotation == nil {
		return nil
	}
	leads := p.units[p.rotation.Members[0]].name
	for _, k := range p.rotation.Members[1:] {
		m := c.find(p.units[k].name)
		if m == nil || m.cutInPa == nil && m.cutOutPa == nil {
			continue
		}
		key := m.name + ".cut_in"
		if m.cutInPa == nil {
			key = m.name + ".cut_out"
		}
		return refuse(key, "in an order each machine has the band of the one before it, lower by band_step: set that of %s, which leads, or leave the order out", leads)
	}
	return nil
}

func (p *plan) unit(name string) int {
	return slices.IndexFunc(p.units, func(u unit) bool { return u.name == name })
}

// changeMachine puts what is asked of a machine into the plan.
func (st *Study) changeMachine(p *plan, c *machineChange) error {
	at := p.unit(c.name)
	switch {
	case c.added:
		p.units = append(p.units, st.newUnit(c.name, c.replace, &p.units[0]))
		at = len(p.units) - 1
		p.remarks = append(p.remarks, fmt.Sprintf("%s is new: its flow and power are those of a list, %+.0f to %+.0f %% and ±%.0f %%", c.name,
			100*(sheetFlow-sheetFlowLimit), 100*(sheetFlow+sheetFlowLimit), 100*sheetPowerLimit))
	case c.replace != nil:
		p.units[at] = st.replaced(&p.units[at], c.replace)
	case len(c.otherThanTheList) > 0:
		listed, err := ownSheet(&p.units[at], c)
		if err != nil {
			return err
		}
		p.units[at] = st.replaced(&p.units[at], listed)
	}
	if c.replace != nil && len(c.otherThanTheList) > 0 {
		return refuse(c.otherThanTheList[0], "the machine is taken from the list; give flow, pressure and power yourself, or name one of the list, not both")
	}
	u := &p.units[at]
	if c.control != nil && *c.control != u.control {
		u.controlled(*c.control)
	}
	u.timed(c)
	p.demand.awake = p.demand.awake || c.always || c.schedule != nil || c.added && u.on == nil
	if err := st.scheduled(u, c); err != nil {
		return err
	}
	return u.banded(c)
}

// timed sets timers and part load.
func (u *unit) timed(c *machineChange) {
	if c.noLoadStopS != nil {
		u.noLoadStopS = *c.noLoadStopS
	}
	if c.leastBetweenS != nil {
		u.leastBetweenS = *c.leastBetweenS
	}
	if c.leastShare != nil {
		u.least = gum.Exact(*c.leastShare)
	}
	if c.modulationPa != nil {
		// It is given as what a controller is set to: from full flow to the least.
		u.modulation = gum.Exact(*c.modulationPa / max(0.05, 1-u.least.V))
	}
}

func (st *Study) scheduled(u *unit, c *machineChange) error {
	if c.always {
		u.on = nil
	}
	if c.schedule == nil {
		return nil
	}
	u.on = st.windowSpans(c.schedule)
	if len(u.on) == 0 {
		return refuse(c.name+".schedule", "it never runs in the window that is replayed; remove the machine with %s.remove = \"yes\" if that is meant", c.name)
	}
	return nil
}

// banded sets the band. A setting moves it by the difference to what is set now, for
// what is seen lies beside that by how late the controls answer; where what is set is
// not known, the setting is a reading of the machine's own gauge.
func (u *unit) banded(c *machineChange) error {
	if c.cutInPa != nil {
		u.cutIn = u.moved(u.cutIn, u.cutInSet, *c.cutInPa)
		u.cutInSet = *c.cutInPa
	}
	if c.cutOutPa != nil {
		u.cutOut = u.moved(u.cutOut, u.cutOutSet, *c.cutOutPa)
		u.cutOutSet = *c.cutOutPa
	}
	if c.targetPa != nil {
		u.target, u.targetSet = gum.Exact(*c.targetPa).Minus(u.gauge), true
	}
	if u.target.V <= 0 && u.control == sitefile.VariableSpeed && u.cutIn.V > 0 {
		// A fifth of the band above the cut-in: the least that users had.
		u.target = u.cutIn.Scaled(0.8).Plus(u.cutOut.Scaled(0.2))
	}
	return nil
}

func (u *unit) moved(seen gum.Value, set, wanted float64) gum.Value {
	if seen.V > 0 && set > 0 {
		seen.V += wanted - set
		return seen
	}
	return gum.Exact(wanted).Minus(u.gauge)
}

// checkUnit refuses what cannot be, in words of the settings.
func (st *Study) checkUnit(p *plan, i int, c *changes) error {
	u := &p.units[i]
	field := func(short string) string { return u.name + "." + short }
	units := st.site.Units
	pa := func(v float64) string { return quantity.Format(v, quantity.Pressure, units) }
	switch m := c.find(u.name); {
	case m == nil:
	case m.targetPa != nil && u.control != sitefile.VariableSpeed:
		return refuse(field("target"), "only a machine of variable speed holds a pressure; %s is %s: set cut_in and cut_out", u.name, u.control)
	case m.modulationPa != nil && (!u.control.PartLoad() || u.control == sitefile.VariableSpeed):
		return refuse(field("modulation"), "a machine with %s does not throttle; set %s too, or leave it out", u.control, field("control"))
	case m.noLoadStopS != nil && u.control == sitefile.StartStop:
		return refuse(field("no_load_stop"), "a machine with %s stops when it unloads; leave the timer out", u.control)
	case m.leastShare != nil && !u.control.PartLoad():
		return refuse(field("least_share"), "a machine with %s gives all or nothing; set %s too, or leave it out", u.control, field("control"))
	}
	if u.cutIn.V <= 0 || u.cutOut.V <= 0 {
		return refuse(field("cut_in"), "its band is not seen in this week and not in the site file; set %s and %s", field("cut_in"), field("cut_out"))
	}
	if u.cutIn.V >= u.cutOut.V {
		return refuse(field("cut_in"), "%s is not below the cut-out of %s; set both", pa(u.cutInShown()), pa(u.cutOutShown()))
	}
	if width := u.cutOut.V - u.cutIn.V; !u.control.PartLoad() && width <= u.drop.V {
		return refuse(field("cut_out"), "the band of %s is no wider than the drop of %s between where the controls read and the stores: it would unload as soon as it loads; widen it",
			difference(width, units), difference(u.drop.V, units))
	}
	if u.control == sitefile.VariableSpeed && (u.target.V <= 0 || u.target.V >= u.cutOut.V-500) {
		lower := p.rankPa(i)
		wrong := fmt.Sprintf("the pressure that it holds, %s, is not below the cut-out of %s, at which it unloads", pa(u.target.V+u.gauge.V-lower), pa(u.cutOutShown()-lower))
		if lower > 0 {
			wrong += fmt.Sprintf(": that is the leader's less %s for its place in the order; set %s, or name it as the trim: then it keeps its own band", difference(lower, units), field("target"))
		}
		return refuse(field("target"), "%s", wrong)
	}
	if limit := 1.1 * u.ratedPressurePa; u.ratedPressurePa > 0 && u.cutOutShown() > limit && p.rebanded(i) {
		return refuse(field("cut_out"), "%s is more than a tenth above the rated pressure of %s: the safety valve and the motor are made for that; set it lower, or replace the machine",
			pa(u.cutOutShown()), pa(u.ratedPressurePa))
	}
	return nil
}

// rankPa is how far an order takes a machine's band down to begin with.
func (p *plan) rankPa(i int) float64 {
	if p.rotation == nil {
		return 0
	}
	return float64(max(0, slices.Index(p.rotation.Members, i))) * p.rotation.StepPa
}

// rebanded reports a machine whose band or rated pressure is another than now: what
// stands as it is is not for an alternative to refuse.
func (p *plan) rebanded(i int) bool {
	u := &p.units[i]
	return u.another || p.rotation != nil && slices.Contains(p.rotation.Members, i) ||
		p.changed(func(k string) bool { return k == u.name+".cut_in" || k == u.name+".cut_out" })
}

// cutInShown and cutOutShown are what the machine's own display shows, so far as it
// is known.
func (u *unit) cutInShown() float64  { return shown(u.cutInSet, u.cutIn, u.gauge) }
func (u *unit) cutOutShown() float64 { return shown(u.cutOutSet, u.cutOut, u.gauge) }

func shown(set float64, seen, gauge gum.Value) float64 {
	if set > 0 {
		return set
	}
	return seen.V + gauge.V
}

func (c *changes) find(name string) *machineChange {
	for _, m := range c.machines {
		if m.name == name {
			return m
		}
	}
	return nil
}

// windowSpans are the times of the window in any of the week windows.
func (st *Study) windowSpans(windows []sitefile.WeekWindow) []engine.Span {
	return st.spansWhere(func(at time.Time) bool {
		return slices.ContainsFunc(windows, func(w sitefile.WeekWindow) bool { return w.Contains(at) })
	})
}

// spansWhere are the minutes of the window in which something is so, joined. The
// last one goes on.
func (st *Study) spansWhere(is func(local time.Time) bool) (all []engine.Span) {
	for ms := st.rec.FromMS; ms < st.rec.ToMS; ms += minuteMS {
		if !is(time.UnixMilli(ms).In(st.site.Location)) {
			continue
		}
		from := st.seconds(ms)
		if n := len(all); n > 0 && all[n-1].ToS == from {
			all[n-1].ToS = from + minuteS
			continue
		}
		all = append(all, engine.Span{FromS: from, ToS: from + minuteS})
	}
	if n := len(all); n > 0 && all[n-1].ToS >= st.seconds(st.rec.ToMS) {
		all[n-1].ToS = math.Inf(1)
	}
	return all
}

const (
	minuteMS = 60_000
	minuteS  = 60.0
)

func (st *Study) seconds(ms int64) float64 { return float64(ms-st.rec.FromMS) / 1000 }
