package replay

import (
	"math"
	"slices"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// Now is a setting as the plant has it, so far as that is known.
type Now struct {
	Key     string   `json:"key"`               // as it is changed
	Machine string   `json:"machine,omitempty"` // empty: of the plant
	Name    string   `json:"name"`              // in words
	Value   *float64 `json:"value"`             // SI; nil: not known, or no number
	Unit    string   `json:"unit"`              // Pa, s, m³ or 1; empty: Text says it
	Text    string   `json:"text"`              // as a person would write it; empty: not known
	Basis   string   `json:"basis"`             // what that rests on

	dim quantity.Dimension
}

// Change is one setting of an alternative beside what it is now: a line of the sheet
// that people take to the machine.
type Change struct {
	Key     string `json:"key"`
	Machine string `json:"machine,omitempty"`
	Name    string `json:"name"`
	// Was is the present setting in the unit of the new one; empty: not known.
	Was      string   `json:"was"`
	Basis    string   `json:"basis"`
	Becomes  string   `json:"becomes"`
	Does     string   `json:"does"`     // what the setting is for
	Cautions []string `json:"cautions"` // those of the alternative that this setting brings
}

// settingWords are a setting's name and what it is for. The table is never changed.
var settingWords = map[string][2]string{
	"cut_in":               {"cut-in pressure", "below it the machine loads"},
	"cut_out":              {"cut-out pressure", "above it the machine unloads"},
	"target":               {"pressure that is held", "the drive keeps the pressure here by its speed"},
	"no_load_stop":         {"no-load stop", "how long it runs without load before the motor stops"},
	"least_between_starts": {"least time between starts", "keeps the motor from starting too often"},
	"schedule":             {"hours", "when it may run"},
	"control":              {"control", "how it matches air to demand"},
	"modulation":           {"throttling range", "how far below the cut-out the inlet begins to close"},
	"least_share":          {"least flow", "the least share of the flow at part load"},
	"replace":              {"machine", "another one stands in its place"},
	"remove":               {"machine", "it is taken away"},
	"rated_flow":           {"rated flow", "of another machine in its place, by its data sheet"},
	"rated_pressure":       {"rated pressure", "of another machine in its place, by its data sheet"},
	"rated_power":          {"rated power", "of another machine in its place, by its data sheet"},
	"unloaded_power":       {"unloaded power", "of another machine in its place, by its data sheet"},
	"volume":               {"volume", "all that follows the pressure: receivers and pipes"},
	"volume_add":           {"receiver added", "more air is stored, so that machines turn less often"},
	"leaks_mended":         {"leaks mended", "a share of the air that leaks is saved"},
	"follows_pressure":     {"demand that follows the pressure", "an assumption of the replay: nothing to be set"},
	"order":                {"order of machines", "which of them leads"},
	"first":                {"who leads", "the order in which machines load"},
	"rotate_every":         {"turns", "after so long another one leads"},
	"band_step":            {"step between bands", "how far the next machine's band lies below"},
	"base":                 {"base machines", "these run first and full"},
	"trim":                 {"trim machine", "it follows the demand"},
}

// settingsNow are the settings of each machine and of the plant as they are.
func (st *Study) settingsNow() []Now {
	all := []Now{}
	if st.rec.Absent != "" {
		return all
	}
	for i := range st.base.units {
		u := &st.base.units[i]
		for _, short := range u.settable() {
			all = append(all, st.nowOf(u.name+"."+short))
		}
	}
	return append(all, st.nowOf("volume"), st.nowOf("leaks_mended"), st.nowOf("follows_pressure"))
}

// settable are the settings that a machine of this control has.
func (u *unit) settable() []string {
	all := []string{"cut_in", "cut_out"}
	if u.control == sitefile.VariableSpeed {
		all = append(all, "target")
	}
	if u.control != sitefile.StartStop {
		all = append(all, "no_load_stop")
	}
	all = append(all, "least_between_starts", "schedule", "control")
	if u.control.PartLoad() {
		if u.control != sitefile.VariableSpeed {
			all = append(all, "modulation")
		}
		all = append(all, "least_share")
	}
	return all
}

// nowOf is one setting as it is; of a key that is none yet nothing is known.
func (st *Study) nowOf(key string) Now {
	for i := range st.base.units {
		u := &st.base.units[i]
		if short, ok := strings.CutPrefix(key, u.name+"."); ok && machineKeys[short].read != nil {
			n := st.unitNow(u, short)
			n.Key, n.Machine, n.Name = key, u.name, settingWords[short][0]
			return n
		}
	}
	n := st.plantNow(key)
	n.Key, n.Name = key, settingWords[key][0]
	switch {
	case strings.HasPrefix(key, addPrefix):
		n.Name, n.Text, n.Basis = "machine beside them", "none", "the site file has no such machine"
	case strings.HasPrefix(key, userPrefix):
		n.Name, n.Text, n.Basis = "user "+strings.TrimPrefix(key, userPrefix), "none", "in the measured demand as it was"
	}
	return n
}

// told is a number with its unit, in words of the site.
func (st *Study) told(si float64, unit string, d quantity.Dimension, basis string) Now {
	n := Now{Value: &si, Unit: unit, Basis: basis, dim: d}
	n.Text = quantity.Format(si, d, st.site.Units)
	if d == quantity.Duration && si >= 120 {
		n.Text = seconds(si)
	}
	return n
}

func (st *Study) unitNow(u *unit, short string) Now {
	basis := func(key, otherwise string) string {
		if text := st.rec.Machines[u.from].Basis[key]; text != "" {
			return text
		}
		return otherwise
	}
	const setPoint, sheet, handbook = "as it is set, by the controller or the site file", "nameplate, by the site file", "handbook, for the week does not show it"
	m := st.rec.Machines[u.from].Machine
	switch short {
	case "cut_in", "cut_out":
		set, shown := u.cutInSet, u.cutInShown()
		if short == "cut_out" {
			set, shown = u.cutOutSet, u.cutOutShown()
		}
		if set > 0 {
			return st.told(shown, "Pa", quantity.Pressure, setPoint)
		}
		if shown > 0 {
			return st.told(shown, "Pa", quantity.Pressure, basis(short, "as seen"))
		}
	case "target":
		if u.target.V > 0 {
			return st.told(u.target.V+u.gauge.V, "Pa", quantity.Pressure, basis("target", "as seen"))
		}
	case "no_load_stop":
		if math.IsInf(u.noLoadStopS, 1) {
			return Now{Text: never, Basis: basis("no_load_stop", "no stop was seen, and the site file has none")}
		}
		return st.told(u.noLoadStopS, "s", quantity.Duration, basis("no_load_stop", "site file"))
	case "least_between_starts":
		if u.leastBetweenS > 0 {
			return st.told(u.leastBetweenS, "s", quantity.Duration, basis("least_between_starts", "site file"))
		}
		return Now{Text: "none known", Basis: "none was seen, and the site file has none"}
	case "schedule":
		if u.on == nil {
			return Now{Text: "always", Basis: "it was never seen kept from running"}
		}
		return Now{Text: "as it ran", Basis: basis("on", "when it was seen ready in the window")}
	case "control":
		return Now{Text: string(u.control), Basis: "site file"}
	case "modulation":
		return st.told(u.modulation.V*max(0.05, 1-u.least.V), "Pa", quantity.Pressure, basis("modulation", handbook))
	case "least_share":
		return st.told(u.least.V, "1", quantity.Ratio, basis("least_share", handbook))
	case "replace", "remove":
		return Now{Text: "as it stands", Basis: "site file"}
	case "rated_flow":
		return st.sheetNow(m.RatedFlowM3S, "m³/s", quantity.Flow, sheet)
	case "rated_pressure":
		return st.sheetNow(m.RatedPressurePa, "Pa", quantity.Pressure, sheet)
	case "rated_power":
		return st.sheetNow(m.RatedPowerW, "W", quantity.Power, sheet)
	case "unloaded_power":
		return st.told(u.unloaded.V, "W", quantity.Power, basis("unloaded_power", handbook))
	}
	return Now{Basis: "not seen in this window, and not in the site file"}
}

func (st *Study) sheetNow(si float64, unit string, d quantity.Dimension, basis string) Now {
	if si <= 0 {
		return Now{Basis: "not in the site file"}
	}
	return st.told(si, unit, d, basis)
}

func (st *Study) plantNow(key string) Now {
	switch key {
	case "volume":
		return st.told(st.base.volume.V, "m³", quantity.Volume, "the volume that follows the pressure, as the replay rests on it")
	case "volume_add":
		return Now{Text: "none", Basis: "beside the present volume of " + quantity.Format(st.base.volume.V, quantity.Volume, st.site.Units)}
	case "leaks_mended":
		if st.rec.LeakAbsent != "" {
			return Now{Text: "none", Basis: st.rec.LeakAbsent}
		}
		return Now{Text: "none", Basis: "leaks of " + quantity.Format(st.rec.Leak.V, quantity.Flow, st.site.Units) + ", by what flows in quiet hours"}
	case "follows_pressure":
		return st.told(st.rec.FollowShare.V, "1", quantity.Ratio, st.rec.FollowBasis)
	}
	return Now{Text: "each by its own band", Basis: "no order was asked for"}
}

// changesOf sets what an alternative asks for beside what is now.
func (st *Study) changesOf(p *plan, set []Setting) []Change {
	all := []Change{}
	for _, s := range set {
		key := strings.TrimSpace(s.Key)
		n := st.nowOf(key)
		c := Change{Key: key, Machine: n.Machine, Name: n.Name, Was: n.inUnitOf(s.Value), Basis: n.Basis, Becomes: strings.TrimSpace(s.Value), Cautions: []string{}}
		short := strings.TrimPrefix(key, n.Machine+".")
		if n.Machine == "" {
			short = st.shortOf(key)
		}
		c.Does = settingWords[short][1]
		if c.Name == "" { // of a machine that is added
			c.Name = settingWords[short][0]
		}
		for _, k := range cautionTable {
			if k.about(key) && k.fires(st, p) {
				c.Cautions = append(c.Cautions, k.text)
			}
		}
		for i := range p.units {
			if text := st.beyondPlate(p, i); text != "" && (key == p.units[i].name+".cut_out" || key == p.units[i].name+".replace") {
				c.Cautions = append(c.Cautions, text)
			}
		}
		all = append(all, c)
	}
	return all
}

// shortOf is what follows a new machine's name in a key, or the key itself.
func (st *Study) shortOf(key string) string {
	if i := strings.LastIndexByte(key, '.'); i >= 0 && machineKeys[key[i+1:]].read != nil {
		return key[i+1:]
	}
	return key
}

// inUnitOf writes it in the unit of a new value, so that the two can be compared.
func (n *Now) inUnitOf(value string) string {
	if n.Value == nil {
		return n.Text
	}
	q, err := quantity.ParseDim(value, n.dim)
	if err != nil || q.Unit.Absolute {
		return n.Text
	}
	decimals := 0
	for v := math.Abs(q.Unit.FromSI(*n.Value)); decimals < 3 && v > 0 && v < 100*math.Pow(10, float64(-decimals)); decimals++ {
	}
	rounded := math.Round(q.Unit.FromSI(*n.Value)*math.Pow(10, float64(decimals))) / math.Pow(10, float64(decimals))
	return quantity.Quantity{Value: rounded, Unit: q.Unit}.String()
}

// Check refuses a question that is wrong in itself, before the record is read: a
// mistyped key or value. What contradicts the plant as it is, the replay tells. The
// error is a *RequestError.
func Check(site *sitefile.Site, q Query, search *SearchSpec) error {
	system, err := systemOf(site, q.System)
	if err != nil {
		return err
	}
	if err := checkListed(q.Machines); err != nil {
		return err
	}
	listed := q.Machines
	if listed == nil {
		if listed, err = Examples(); err != nil {
			return err
		}
	}
	g := grammar{site: site, machines: slices.Clone(system.Machines), listed: listed}
	for _, alt := range q.Alternatives {
		if _, err := g.read(alt); err != nil {
			return err
		}
	}
	if search != nil {
		_, err = search.grid()
	}
	return err
}
