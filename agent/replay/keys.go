package replay

import (
	"errors"
	"math"
	"strings"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// machineKey reads one setting of a machine; another is true for those that make
// another machine of it.
type machineKey struct {
	read    func(g *grammar, m *machineChange, key, value string) error
	another bool
}

type plantKey struct {
	read func(g *grammar, p *plantChange, key, value string) error
}

// never is the word for a timer that is off.
const never = "never"

// Ranges outside which a value is taken for a slip of the pen. They are wider than
// what machines have.
const (
	leastPa, mostPa   = 0.2e5, 45e5
	leastPowerW       = 100
	mostPowerW        = 5e6
	leastFlowM3S      = 1e-4
	mostFlowM3S       = 20
	leastStopS        = 10
	dayS              = 86400
	mostVolumeM3      = 1000
	leastTurnS        = 600
	mostStepPa        = 3e5
	mostModulationPa  = 5e5
	leastModulationPa = 0.02e5
)

// machineKeys are the settings of a machine. The table is never changed.
var machineKeys = map[string]machineKey{
	"cut_in":               {read: pressureInto(func(m *machineChange) **float64 { return &m.cutInPa })},
	"cut_out":              {read: pressureInto(func(m *machineChange) **float64 { return &m.cutOutPa })},
	"target":               {read: pressureInto(func(m *machineChange) **float64 { return &m.targetPa })},
	"no_load_stop":         {read: readNoLoadStop},
	"least_between_starts": {read: readLeastBetween},
	"schedule":             {read: readSchedule},
	"control":              {read: readControl},
	"modulation":           {read: readModulation},
	"least_share":          {read: readLeastShare},
	"replace":              {read: readReplace},
	"remove":               {read: readRemove},
	"rated_flow":           {read: readRatedFlow, another: true},
	"rated_power":          {read: powerInto(func(m *machineChange) **float64 { return &m.ratedPowerW }), another: true},
	"rated_pressure":       {read: pressureInto(func(m *machineChange) **float64 { return &m.ratedPressurePa }), another: true},
	"unloaded_power":       {read: powerInto(func(m *machineChange) **float64 { return &m.unloadedPowerW }), another: true},
}

// plantKeys are the settings of the plant. The table is never changed.
var plantKeys = map[string]plantKey{
	"volume":           {volumeInto(func(p *plantChange) **float64 { return &p.volumeM3 })},
	"volume_add":       {volumeInto(func(p *plantChange) **float64 { return &p.addM3 })},
	"leaks_mended":     {readLeaksMended},
	"follows_pressure": {readFollows},
	"order":            {readOrder},
	"first":            {readFirst},
	"rotate_every":     {readRotateEvery},
	"band_step":        {readBandStep},
	"base":             {readBase},
	"trim":             {readTrim},
}

func pressureInto(field func(*machineChange) **float64) func(*grammar, *machineChange, string, string) error {
	return func(g *grammar, m *machineChange, key, value string) error {
		pa, err := g.pressure(key, value)
		if err == nil {
			*field(m) = &pa
		}
		return err
	}
}

func powerInto(field func(*machineChange) **float64) func(*grammar, *machineChange, string, string) error {
	return func(g *grammar, m *machineChange, key, value string) error {
		w, err := si(key, value, quantity.Power, leastPowerW, mostPowerW, "write the power of the whole machine")
		if err == nil {
			*field(m) = &w
		}
		return err
	}
}

func volumeInto(field func(*plantChange) **float64) func(*grammar, *plantChange, string, string) error {
	return func(g *grammar, p *plantChange, key, value string) error {
		m3, err := si(key, value, quantity.Volume, 0.001, mostVolumeM3, "write the volume that follows the pressure")
		if err == nil {
			*field(p) = &m3
		}
		return err
	}
}

func readNoLoadStop(_ *grammar, m *machineChange, key, value string) error {
	s := math.Inf(1)
	if value != never {
		var err error
		if s, err = si(key, value, quantity.Duration, leastStopS, dayS, `write it like "5 min", or "never"`); err != nil {
			return err
		}
	}
	m.noLoadStopS = &s
	return nil
}

func readLeastBetween(_ *grammar, m *machineChange, key, value string) error {
	s, err := si(key, value, quantity.Duration, 0, dayS, `write the least time between two starts, like "10 min"`)
	if err == nil {
		m.leastBetweenS = &s
	}
	return err
}

func readSchedule(g *grammar, m *machineChange, key, value string) (err error) {
	m.schedule = nil
	if m.always = value == "always"; m.always {
		return nil
	}
	m.schedule, err = g.windows(key, value)
	return err
}

func readControl(_ *grammar, m *machineChange, key, value string) error {
	c, err := controlOf(key, value)
	if err == nil {
		m.control = &c
	}
	return err
}

// controls are the kinds of the site file.
var controls = []string{string(sitefile.LoadUnload), string(sitefile.StartStop), string(sitefile.Modulating),
	string(sitefile.ModulateThenUnload), string(sitefile.VariableDisplacement), string(sitefile.VariableSpeed)}

func controlOf(key, value string) (sitefile.Control, error) {
	for _, c := range controls {
		if c == value {
			return sitefile.Control(c), nil
		}
	}
	if near := quantity.Nearest(value, controls); near != "" {
		return "", refuse(key, "%q is not known; did you mean %q?", value, near)
	}
	return "", refuse(key, "%q is not known; write one of %s", value, strings.Join(controls, ", "))
}

func readModulation(_ *grammar, m *machineChange, key, value string) error {
	pa, err := si(key, value, quantity.Pressure, leastModulationPa, mostModulationPa,
		`write how far below the cut-out pressure the inlet begins to close, like "10 psi"`)
	if err == nil {
		m.modulationPa = &pa
	}
	return err
}

func readLeastShare(_ *grammar, m *machineChange, key, value string) error {
	share, err := si(key, value, quantity.Ratio, 0.05, 0.95, `write the least flow that it can run at as a share of the full one, like "30 %"`)
	if err == nil {
		m.leastShare = &share
	}
	return err
}

func readReplace(g *grammar, m *machineChange, key, value string) error {
	if m.added {
		return refuse(key, "the machine is new; name another of the list in add.%s", m.name)
	}
	listed, err := g.find(key, value)
	m.replace = listed
	return err
}

func readRemove(_ *grammar, m *machineChange, key, value string) error {
	if value != "yes" && value != "no" {
		return refuse(key, `%q is neither "yes" nor "no"`, value)
	}
	if m.added {
		return refuse(key, "the machine is new; leave add.%s out instead", m.name)
	}
	m.remove = value == "yes"
	return nil
}

func readRatedFlow(g *grammar, m *machineChange, key, value string) error {
	flow, err := g.flow(key, value)
	if err == nil && (flow < leastFlowM3S || flow > mostFlowM3S) {
		return refuse(key, `%q is not the flow of a machine; write it like "185 cfm"`, value)
	}
	m.ratedFlowM3S = &flow
	return err
}

func readLeaksMended(_ *grammar, p *plantChange, key, value string) error {
	share, err := si(key, value, quantity.Ratio, 0, 1, `write the share of the leaks that is mended, like "50 %"`)
	p.leaksMended = share
	return err
}

func readFollows(_ *grammar, p *plantChange, key, value string) error {
	share, err := si(key, value, quantity.Ratio, 0, 1, `write the share of the demand that goes with the pressure, like "40 %"`)
	p.followShare = &share
	return err
}

func readOrder(_ *grammar, p *plantChange, key, value string) error {
	if value != "fixed" && value != "rotating" {
		return refuse(key, `%q is neither "fixed" nor "rotating"`, value)
	}
	p.order = value
	return nil
}

func readRotateEvery(_ *grammar, p *plantChange, key, value string) error {
	s, err := si(key, value, quantity.Duration, leastTurnS, 366*dayS, `write it like "24 h"`)
	p.rotateS = &s
	return err
}

func readBandStep(_ *grammar, p *plantChange, key, value string) error {
	pa, err := si(key, value, quantity.Pressure, 0, mostStepPa, `write how far each machine's band lies below that of the one before it, like "5 psi"`)
	p.bandStepPa = &pa
	return err
}

func readFirst(_ *grammar, p *plantChange, key, value string) (err error) {
	p.first, err = listOf(key, value)
	return err
}

func readBase(_ *grammar, p *plantChange, key, value string) (err error) {
	p.base, err = listOf(key, value)
	return err
}

func readTrim(_ *grammar, p *plantChange, key, value string) error {
	if value == "" {
		return refuse(key, "name the machine that follows the demand")
	}
	p.trim = value
	return nil
}

// listOf reads names with commas between them.
func listOf(key, value string) ([]string, error) {
	var all []string
	for name := range strings.SplitSeq(value, ",") {
		name = strings.TrimSpace(name)
		if name == "" {
			return nil, refuse(key, "write names of machines with commas between them")
		}
		all = append(all, name)
	}
	return all, nil
}

// pressure reads a pressure that a machine is set to, and returns it gauge.
func (g *grammar) pressure(key, value string) (float64, error) {
	q, err := quantity.ParseDim(value, quantity.Pressure)
	if err != nil {
		return 0, refuse(key, "%v", err)
	}
	pa := q.SI()
	if q.Unit.Absolute {
		pa -= g.site.BarometerPa
	}
	if pa < leastPa || pa > mostPa {
		return 0, refuse(key, "%s is no pressure of such a plant; write a gauge pressure from %s to %s", q,
			quantity.Format(leastPa, quantity.Pressure, g.site.Units), quantity.Format(mostPa, quantity.Pressure, g.site.Units))
	}
	return pa, nil
}

// flow reads a flow, with its sign, and returns it as free air at the inlet; one
// counted in another condition is brought to that of ISO 1217, as the site file's.
func (g *grammar) flow(key, value string) (float64, error) {
	q, err := quantity.ParseDim(value, quantity.Flow)
	if err != nil {
		return 0, refuse(key, "%v", err)
	}
	flow := q.SI()
	if q.Unit.Basis != quantity.FreeAir {
		if from, ok := air.Reference(q.Unit.Basis, g.site.Scfm()); ok {
			flow *= from.VolumeAt(air.FAD())
		}
	}
	if math.Abs(flow) > mostFlowM3S {
		return 0, refuse(key, "%s is more than any machine here delivers", q)
	}
	return flow, nil
}

// si reads a quantity from low to high.
func si(key, value string, d quantity.Dimension, low, high float64, mend string) (float64, error) {
	q, err := quantity.ParseDim(value, d)
	if err != nil {
		if errors.Is(err, quantity.ErrNotANumber) || errors.Is(err, quantity.ErrUnknownUnit) {
			return 0, refuse(key, "%v; %s", err, mend)
		}
		return 0, refuse(key, "%v", err)
	}
	if v := q.SI(); v < low || v > high || q.Unit.Absolute {
		return 0, refuse(key, "%s is out of range; %s", q, mend)
	}
	return q.SI(), nil
}
